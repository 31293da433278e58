//! The page of a pack with hostile text in every field, and its bounds.

use super::view::{AuditAlert, AuditChange, AuditPack, AuditStream, Finding, SignalLine, Step};
use super::{audit_page, drawn};
use crate::sample;
use crate::view::{Bin, Histogram, ParetoBar};

const HOSTILE: &str = "<script>alert(1)</script>\"'&<img src=http://x/>";

fn pack() -> AuditPack {
    let text = || HOSTILE.to_owned();
    let chart = sample::chart(60, 40, &|_| HOSTILE.to_owned());
    let histogram = Histogram {
        title: text(),
        bins: vec![Bin {
            low: 0.0,
            high: 1.0,
            count: 3,
        }],
        ..Histogram::default()
    };
    AuditPack {
        plant: text(),
        product: text(),
        findings: vec![Finding {
            verdict: text(),
            details: vec![text()],
            ..Finding::default()
        }],
        streams: vec![AuditStream {
            title: text(),
            stream: text(),
            chain: vec![Step {
                what: text(),
                lines: vec![text()],
            }],
            drawn: Some(drawn(&chart, Some(&histogram), "stream-1")),
            signals: vec![SignalLine {
                board: text(),
                ..SignalLine::default()
            }],
            signals_total: 9,
            ..AuditStream::default()
        }],
        alerts: vec![AuditAlert {
            id: "A-0001".to_owned(),
            cause: text(),
            history: vec![text()],
            ..AuditAlert::default()
        }],
        causes: vec![
            ParetoBar {
                label: text(),
                count: 2,
            };
            2
        ],
        changes: vec![AuditChange {
            reason: text(),
            ..AuditChange::default()
        }],
        ..AuditPack::default()
    }
}

#[test]
fn no_text_of_a_pack_becomes_markup() {
    let page = audit_page(&pack()).unwrap();
    assert!(
        !page.contains("<script") && !page.contains("<img"),
        "{page}"
    );
    assert!(page.matches("&lt;script&gt;").count() > 12);
    assert!(page.contains("tables/signals.csv has all"));
}

#[test]
fn equal_packs_give_equal_pages() {
    assert_eq!(audit_page(&pack()).unwrap(), audit_page(&pack()).unwrap());
}

#[test]
fn what_a_page_has_no_room_for_is_said() {
    let mut pack = pack();
    pack.alerts = vec![AuditAlert::default(); 301];
    let page = audit_page(&pack).unwrap();
    assert!(page.contains("Only 300 of 301 alerts are on this page"));
    assert_eq!(page.matches("<article").count(), 300);
}
