//! Notices of what hinders the program itself.
//!
//! Knows no stream. The one invariant: a notice that is sent at once and the one that the record
//! keeps later have the same key, so that a receiver can tell the copy.

use std::sync::Arc;

use super::carriers::{Load, carrier};
use crate::clock;
use crate::commands::utc;
use crate::config::Config;
use crate::health::{Health, Hindrance};
use crate::store::{Notice, Store, StoreError, TroubleRow};
use crate::words::Severity;

/// Keeps what hinders the program, with its notices, which leave like all others.
///
/// # Errors
///
/// When the record fails.
pub fn keep_hindrances(store: &mut Store, health: &Health) -> Result<(), StoreError> {
    store.keep_hindrances(&health.hindrances(), notice, clock::now())
}

/// Sends at once, by every channel, that something hinders the program, where the record can not
/// keep it. Nobody waits for it; what does not arrive leaves when the record can be written again.
pub fn announce(config: &Arc<Config>, hindrance: &Hindrance) {
    let notice = notice(&TroubleRow::from(hindrance), "raised", hindrance.since);
    for channel in &config.channels {
        let (config, channel, notice) = (Arc::clone(config), channel.clone(), notice.clone());
        let send = move || {
            let load = Load {
                notices: &[&notice],
                reader: None,
            };
            if let Err(fault) = carrier(&config, &channel).carry(&load) {
                let (name, problem) = (&channel.name, fault.problem);
                tracing::warn!(channel = %name, %problem, "an alert of the system waits");
            }
        };
        if let Err(error) = std::thread::Builder::new().spawn(send) {
            tracing::warn!(%error, "an alert of the system waits");
        }
    }
}

fn notice(of: &TroubleRow, what: &'static str, at: i64) -> Notice {
    let since = utc(of.raised_at);
    let key = format!("system-{}-{}-{what}", of.kind, of.raised_at);
    let subject = format!("System {what}: {}", of.kind);
    let state = if what == "raised" { "active" } else { what };
    let body = serde_json::json!({
        "key": key, "what": what, "at": utc(at), "line": "", "severity": "high", "state": state,
        "system": of.kind, "of": of.subject, "since": since, "subject": subject, "text": of.words,
    });
    Notice {
        alert: None,
        kind: what.to_owned(),
        at,
        line: String::new(),
        severity: Severity::High,
        state: state.to_owned(),
        streams: Vec::new(),
        body: body.to_string(),
        key,
        subject,
        text: of.words.clone(),
    }
}
