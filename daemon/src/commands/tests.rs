//! Commands over a small record whose figures are counted by hand. The plant is invented.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use spc::chart::{ChartKind, Limits, Sample};
use spc::moments::Moments;
use spc::rules::Side;

use super::*;
use crate::engine::{
    AlertFacts, Atom, BEYOND_LIMITS, ChartState, Content, Detection, Effects, Findings,
    LimitsVersion, PointFacts, PointKind, SignalFacts, StreamFacts, StreamName,
};
use crate::store::{
    Batch, FileFacts, Heard, Reader, Ready, RejectFacts, Store, UnitTally, Verdict,
};

mod german;
mod life;

const CONFIG: &str = r#"
[plant]
name = "Invented works"
time_zone = "Europe/Berlin"
[[shift]]
name = "Early"
starts = "06:00"
[[shift]]
name = "Late"
starts = "14:00"
[[shift]]
name = "Night"
starts = "22:00"
[[product]]
name = "X1"
boards = 1
opportunities = { optical = 10, function = 2 }
[[feed]]
name = "optical-L1"
line = "L1"
station = "optical"
folder = "optical"
lists = "failures"
silent_after_minutes = 60
time = { columns = ["At"], format = "rfc3339" }
[feed.roles]
product = "Product"
board = "Board"
component = "Part"
defect = "Reason"
call = { column = "Verdict", defect = ["*"] }
review = { column = "Review", confirmed = ["bad"], false_call = ["fine"] }
[[feed]]
name = "function-L1"
line = "L1"
station = "function"
folder = "function"
layout = "long"
time = { columns = ["At"], format = "rfc3339" }
[feed.roles]
product = "Product"
board = "Board"
attempt = "Try"
[feed.steps]
name = "Step"
value = "Value"
verdict = { column = "Verdict", good = ["ok"], defect = ["bad"] }
[[characteristic]]
name = "supply"
station = "function"
measure = "supply"
group_by = ["line"]
subgroup = "board"
chart = "individuals"
specification = { lower = 0, upper = 30, unit = "V", source = "test plan" }
reaction_plan = "Hold the boards."
[store]
folder = "data"
[reports]
folder = "reports"
[alerts]
file = "alerts.jsonl"
"#;

/// 2026-03-02T05:00:00Z, where the early shift starts in Berlin, in microseconds.
const START: i64 = 1_772_427_600_000_000;
const MINUTE: i64 = 60_000_000;

struct Folder(PathBuf);

impl Drop for Folder {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.0).ok();
    }
}

fn folder(name: &str) -> Folder {
    let path = std::env::temp_dir().join(format!("driftvane-{name}-{}", std::process::id()));
    std::fs::remove_dir_all(&path).ok();
    std::fs::create_dir_all(&path).unwrap();
    Folder(path)
}

fn config(base: &Path) -> Config {
    crate::config::read::read(CONFIG, base).unwrap()
}

fn tally(minute: i64, calls: u64, confirmed: u64, false_calls: u64) -> UnitTally {
    let place = |count: u64, review: u8| {
        let key = (Arc::from("R1"), Arc::from(""), Arc::from("bridge"), review);
        (count > 0).then_some((key, count))
    };
    UnitTally {
        at: START + minute * MINUTE,
        product: Arc::from("X1"),
        rows: calls,
        calls,
        confirmed,
        false_calls,
        opportunities: 0,
        defects: [place(confirmed, 1), place(false_calls, 2)]
            .into_iter()
            .flatten()
            .collect(),
        ..UnitTally::default()
    }
}

/// Four optical boards (one with two confirmed defects, one with a false call), a fifth in the
/// next shift; three boards at the functional test, one of which fails first and passes then.
fn units() -> BTreeMap<crate::store::UnitKey, UnitTally> {
    let unit = |feed: &str, unit: &str, attempt, tally| {
        ((Arc::from(feed), Arc::from(unit), attempt), tally)
    };
    let optical = "optical-L1";
    let function = "function-L1";
    BTreeMap::from([
        unit(optical, "b1", 1, tally(0, 0, 0, 0)),
        unit(optical, "b2", 1, tally(1, 2, 2, 0)),
        unit(optical, "b3", 1, tally(2, 1, 0, 1)),
        unit(optical, "b4", 1, tally(479, 0, 0, 0)),
        unit(optical, "b5", 1, tally(480, 5, 5, 0)),
        unit(function, "b1", 1, tally(10, 0, 0, 0)),
        unit(function, "b2", 1, tally(11, 1, 0, 0)),
        unit(function, "b2", 2, tally(12, 0, 0, 0)),
        unit(function, "b3", 1, tally(13, 0, 0, 0)),
    ])
}

fn file(path: &str, verdict: Verdict, rejected: u64, last_minute: Option<i64>) -> FileFacts {
    let reject = RejectFacts {
        line: 7,
        code: "F017",
        column: None,
        reason: "not a number".to_owned(),
        text: "x".to_owned(),
    };
    FileFacts {
        feed: "function-L1".to_owned(),
        path: format!("/in/{path}"),
        hash: *blake3::hash(path.as_bytes()).as_bytes(),
        from_byte: 0,
        to_byte: 9,
        verdict,
        rows_read: 10,
        rows_used: 10 - rejected,
        rows_rejected: rejected,
        rows_duplicate: 0,
        first_at: last_minute.map(|minute| START + minute * MINUTE),
        last_at: last_minute.map(|minute| START + minute * MINUTE),
        trouble: (verdict == Verdict::Quarantined)
            .then(|| ("F002".into(), "no header".into(), "mend".into())),
        rejects: vec![reject; usize::try_from(rejected).unwrap()],
    }
}

fn point(minute: i64, value: f64, baseline: bool) -> PointFacts {
    let unit: Arc<str> = Arc::from(format!("b{minute}"));
    let mut moments = Moments::new();
    moments.push(value);
    let signal = SignalFacts {
        by: BEYOND_LIMITS,
        side: Side::Upper,
    };
    PointFacts {
        stream: 0,
        at: START + minute * MINUTE,
        unit: Arc::clone(&unit),
        kind: PointKind::Whole,
        size: 1.0,
        value,
        spread: None,
        version: 1,
        baseline,
        signals: if value > 16.4 {
            vec![signal]
        } else {
            Vec::new()
        },
        atom: Atom {
            at: START + minute * MINUTE,
            unit,
            setup: Vec::new(),
            content: Content::Measured(moments),
            pads: None,
        },
    }
}

/// A baseline of 10, 12, 10, 12, then 11 and, with a signal, 20.
fn effects() -> Effects {
    let values = [10.0, 12.0, 10.0, 12.0, 11.0, 20.0];
    let points: Vec<PointFacts> = (0..)
        .zip(values)
        .map(|(minute, value)| point(minute, value, minute < 4))
        .collect();
    let sample = |&value: &f64| Sample {
        size: 1.0,
        value,
        spread: None,
    };
    let samples: Vec<Sample> = values[..4].iter().map(sample).collect();
    let limits = Limits::estimate(ChartKind::Individuals, &samples, 3.0).unwrap();
    let alert = AlertFacts {
        stream: 0,
        first_at: START + 5 * MINUTE,
        first_unit: Arc::from("b5"),
        last_at: START + 5 * MINUTE,
        signals: 1,
        rules: BEYOND_LIMITS.to_owned(),
        side: Side::Upper,
        size_sigma: limits.standardised(20.0, 1.0),
        size_value: 20.0,
        since: None,
        returned: false,
        returned_at: None,
    };
    let version = LimitsVersion {
        version: 1,
        from: (START, Arc::from("b0")),
        to: (START + 3 * MINUTE, Arc::from("b3")),
        limits,
        detection: Detection::default(),
        findings: Findings::default(),
        author: "driftvane".to_owned(),
        reason: "baseline of 4 subgroups complete".to_owned(),
    };
    Effects {
        streams: vec![StreamFacts {
            stream: 0,
            newest: START + 5 * MINUTE,
            settled_through: START,
            state: ChartState::new(),
            note: None,
            pads: None,
        }],
        points,
        limits: vec![(0, version)],
        alerts: vec![alert],
        ..Effects::default()
    }
}

fn record(base: &Path) -> (Config, Reader) {
    let config = config(base);
    let mut store = Store::open(&config.data_folder).unwrap();
    let batch = Batch {
        files: vec![
            file("a.csv", Verdict::Accepted, 0, Some(30)),
            file("b.csv", Verdict::AcceptedWithRejects, 3, Some(60)),
            file("c.csv", Verdict::Quarantined, 0, None),
            file("d.csv", Verdict::Accepted, 0, Some(500)),
        ],
        units: units(),
        ..Batch::default()
    };
    let names = [StreamName {
        characteristic: 0,
        keys: vec![Arc::from("L1")],
    }];
    // The backlog is read three days later, at once.
    let later = (|| &names[..], [Ready::of(effects())], || Ok(Vec::new()));
    let now = START + 4320 * MINUTE;
    store.commit(&config, &batch, later, now).unwrap();
    drop(store);
    let reader = Reader::open(&config.data_folder).unwrap();
    (config, reader)
}

fn close(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} is not {wanted}"
    );
}

#[test]
fn chart_follows_its_contract() {
    let base = folder("chart");
    let (config, reader) = record(&base.0);
    let facts = chart::ChartFacts::read(&reader, find_stream(&reader, "supply").unwrap()).unwrap();
    let json = serde_json::to_value(chart::chart(&config, &facts).unwrap()).unwrap();
    assert_eq!(json["stream"], "supply/L1");
    assert_eq!(json["keys"], serde_json::json!({ "line": "L1" }));
    assert_eq!(json["unit"], "V");
    assert_eq!(json["phase"], "monitoring");
    let limits = &json["limits"][0];
    assert_eq!(
        (&limits["from_point"], &limits["subgroups"]),
        (&1.into(), &4.into())
    );
    // 2.660 = 3 / d2(2), with d2 = 1.128 as printed: D. C. Montgomery, Introduction to Statistical
    // Quality Control, chapter on individuals charts (from memory); hence the tolerance.
    close(limits["upper"].as_f64().unwrap(), 11.0 + 2.660 * 2.0, 0.003);
    close(limits["lower"].as_f64().unwrap(), 11.0 - 2.660 * 2.0, 0.003);
    assert_eq!(json["spread_limits"], serde_json::json!([]));
    let last = &json["points"][5];
    assert_eq!(
        (&last["seq"], &last["at"]),
        (&6.into(), &"2026-03-02T05:05:00Z".into())
    );
    let signals = serde_json::json!([{ "by": "beyond_limits", "side": "upper" }]);
    assert_eq!(last["signals"], signals);
    let view = chart::view(&config, &facts, 0..6).unwrap();
    assert_eq!(view.points[5].at_label, "2026-03-02 06:05:00");
    assert!(reports::chart_svg(&view, reports::ChartSize::PAGE).contains("supply"));
}

#[test]
fn alerts_are_acknowledged_once_and_by_name() {
    let base = folder("alerts");
    let (config, reader) = record(&base.0);
    let say = |id: &str, by: &str, comment: &str| {
        alerts::life::acknowledge(&config, &reader, id, (by, comment), START + 99 * MINUTE)
    };
    assert!(say("A-0001", " ", "seen").unwrap_err().is_usage());
    assert!(say("A-0001", "Ada", "").unwrap_err().is_usage());
    let unknown = say("A-0002", "Ada", "seen").unwrap_err().to_string();
    assert!(unknown.contains("no alert 'A-0002'"));
    let row = || alerts::rows(&config, &reader, &[]).unwrap().remove(0);
    let before = row();
    assert_eq!(before.state, "active, not acknowledged");
    assert_eq!(
        (before.id.as_str(), before.boards_to_hold),
        ("A-0001", Some(1))
    );
    assert_eq!(
        (before.onset.board.as_str(), before.direction.as_str()),
        ("b5", "upper")
    );
    // One point five sigma out after points within one sigma: it began there.
    assert_eq!(
        (before.onset.low.as_deref(), before.onset.high.as_deref()),
        (Some("b5"), Some("b5"))
    );
    say("A-0001", "Ada", "foil cleaned").unwrap();
    let after = row();
    assert_eq!(after.state, "active, acknowledged");
    let told: Vec<(&str, &str)> = after
        .history
        .iter()
        .map(|event| (event.what.as_str(), event.who.as_str()))
        .collect();
    assert_eq!(told, [("raised", "driftvane"), ("acknowledged", "Ada")]);
    let again = say("1", "Bob", "me too").unwrap_err().to_string();
    assert!(
        again.contains("acknowledged by Ada at 2026-03-02 07:39 CET"),
        "{again}"
    );
    assert_eq!(row().history.len(), 2);
}

#[test]
fn requests_need_a_name_and_hold_from_the_newest_event() {
    let base = folder("requests");
    let (config, reader) = record(&base.0);
    let (said, place) = (("Ada", "why", 1), (&config, &reader));
    let silent = limits::restart(place, "supply", None, ("Ada", " ", 1));
    assert!(silent.unwrap_err().is_usage());
    let frozen = limits::freeze(place, "supply", limits::Minimum::Holds, said).unwrap_err();
    let frozen = frozen.to_string();
    assert!(frozen.contains("has limits already"), "{frozen}");
    let said = ("Ada", "new foil", 1);
    let limits::Change::Asked(asked) = limits::restart(place, "supply", None, said).unwrap() else {
        panic!("nothing says that someone has to approve it");
    };
    assert_eq!(
        (asked.request, asked.from.as_str()),
        (1, "2026-03-02T05:05:00.000001Z")
    );
    let store = Store::open(&config.data_folder).unwrap();
    let waiting = store.new_requests().unwrap();
    assert_eq!(
        (
            waiting.len(),
            waiting[0].stream,
            waiting[0].command.author.as_str()
        ),
        (1, 0, "Ada")
    );
}

#[test]
fn shift_report_counts_what_the_shift_made() {
    let base = folder("report");
    let (config, reader) = record(&base.0);
    let shift = crate::shifts::at(&config, START + 100 * MINUTE);
    assert_eq!(
        (shift.name.as_str(), shift.start, shift.end),
        ("Early", START, START + 480 * MINUTE)
    );
    let view = report::build_shift_report(&config, &reader, &shift).unwrap();
    let [optical, function] = view.yields.as_slice() else {
        panic!("{:?}", view.yields)
    };
    assert_eq!(
        (optical.units, optical.first_pass_good, optical.final_good),
        (4, 3, Some(3))
    );
    assert_eq!(
        (optical.confirmed_defects, optical.false_calls),
        (Some(2), Some(1))
    );
    // Two defects on 4 boards of 10 opportunities.
    close(optical.dpmo.unwrap(), 50_000.0, 1e-6);
    assert_eq!(
        (
            function.units,
            function.first_pass_good,
            function.final_good
        ),
        (3, 2, Some(3))
    );
    close(function.dpmo.unwrap(), 1e6 / 6.0, 1e-6);
    assert_eq!(
        (
            view.top_defects[0].component.as_str(),
            view.top_defects[0].count
        ),
        ("R1", 2)
    );
    assert_eq!((view.control.points, view.control.points_signalled), (2, 1));
    assert_eq!((view.open.len(), view.alerts.len()), (1, 1));
    close(view.alerts[0].size.unwrap(), 9.0, 1e-9);
    let delivered = &view.completeness.feeds[1];
    assert_eq!(
        (delivered.files_accepted, delivered.files_with_rejects),
        (1, 1)
    );
    assert_eq!(
        (delivered.files_quarantined, delivered.rows_rejected),
        (1, 3)
    );
    assert_eq!(delivered.rows_read, 30);
    assert_eq!(view.completeness.rejects[0].example, "b.csv:7");
    assert_eq!(view.completeness.rejects[0].count, 3);
    assert!(!view.completeness.feeds[0].silent_since.is_empty());
    assert_eq!(view.changes.len(), 1);
}

#[test]
fn a_report_that_says_something_new_gets_a_new_name() {
    let base = folder("revision");
    let (config, reader) = record(&base.0);
    let shift = crate::shifts::at(&config, START);
    let write = || {
        let written = report::write_shift_report(&config, &reader, &shift);
        written.unwrap().path
    };
    let first = write();
    assert!(first.ends_with("2026-03-02-early.html"), "{first:?}");
    let html = std::fs::read_to_string(&first).unwrap();
    assert!(html.contains("Invented works"));
    assert_eq!(write(), first);
    std::fs::remove_file(&first).unwrap();
    assert_eq!(write(), first);
    assert_eq!(std::fs::read_to_string(&first).unwrap(), html);
    alerts::life::acknowledge(&config, &reader, "1", ("Ada", "seen"), START).unwrap();
    let second = write();
    assert!(second.ends_with("2026-03-02-early-r2.html"), "{second:?}");
    assert_eq!(write(), second);
}

#[test]
fn capability_is_quoted_as_performance_when_not_stable() {
    let base = folder("capability");
    let (config, reader) = record(&base.0);
    let rows = capability::rows(&config, &reader, None, (None, None)).unwrap();
    let found = &rows[0];
    assert_eq!(
        (found.subgroups, found.readings, found.is_stable),
        (6, 6, false)
    );
    close(found.mean.unwrap(), 12.5, 1e-12);
    // Sum of squares 6.25 + 0.25 + 6.25 + 0.25 + 2.25 + 56.25 = 71.5, over 5.
    let sigma = (71.5_f64 / 5.0).sqrt();
    close(found.sigma_overall.unwrap(), sigma, 1e-12);
    let nearest = found.nearest_index.as_ref().unwrap();
    assert_eq!(nearest.symbol, "Ppk");
    close(nearest.value, 12.5 / (3.0 * sigma), 1e-12);
    // Up to before the signal the stream was stable.
    let to = Some(START + 5 * MINUTE);
    let quiet = capability::rows(&config, &reader, Some("supply"), (None, to)).unwrap();
    assert_eq!(quiet[0].spread_index.as_ref().unwrap().symbol, "Cp");
    assert!(quiet[0].is_stable);
    let none = capability::rows(&config, &reader, Some("supply"), (Some(0), Some(1)));
    assert!(
        none.unwrap_err()
            .to_string()
            .contains("no measured readings")
    );
}

#[test]
fn readings_outside_are_counted_in_the_archive() {
    let base = folder("outside");
    let config = Arc::new(config(&base.0));
    std::fs::create_dir_all(base.0.join("optical")).unwrap();
    std::fs::create_dir_all(base.0.join("function")).unwrap();
    let mut text = "At,Product,Board,Try,Step,Value,Verdict\n".to_owned();
    let rows = [
        (1, "supply", "10"),
        (1, "supply", "30"),
        (1, "supply", "31"),
        (1, "supply", "-1"),
        (1, "clock", "99"),
        // The specification holds for the first try.
        (2, "supply", "99"),
    ];
    for (minute, (attempt, step, value)) in rows.iter().enumerate() {
        let board = minute.min(3);
        text.push_str(&format!(
            "2026-03-02T05:{minute:02}:00Z,X1,b{board},{attempt},{step},{value},ok\n"
        ));
    }
    std::fs::write(base.0.join("function/day.csv"), text).unwrap();
    replay::replay(&config, (&[], Heard::ByAll), &mut |_, _, _| ()).unwrap();
    let reader = Reader::open(&config.data_folder).unwrap();
    let count = |to: Option<i64>| {
        let rows = capability::rows(&config, &reader, Some("supply/L1"), (None, to)).unwrap();
        (
            rows[0].readings,
            rows[0].archived_readings,
            rows[0].ppm_observed,
        )
    };
    assert_eq!(count(None), (4, 4, Some(500_000.0)));
    assert_eq!(count(Some(START + 2 * MINUTE)), (2, 2, Some(0.0)));
}

#[test]
fn shifts_follow_the_clock_of_the_plant() {
    let base = folder("shifts");
    let mut config = config(&base.0);
    let hours = |config: &Config, at: &str| {
        let at: Timestamp = at.parse().unwrap();
        let shift = crate::shifts::at(config, at.as_microsecond());
        (shift.name, (shift.end - shift.start) / (60 * MINUTE))
    };
    // Summer time in the EU begins on 2026-03-29 and ends on 2026-10-25, at 01:00 UTC.
    assert_eq!(
        hours(&config, "2026-03-28T23:00:00Z"),
        ("Night".to_owned(), 7)
    );
    assert_eq!(
        hours(&config, "2026-10-25T01:30:00Z"),
        ("Night".to_owned(), 9)
    );
    assert_eq!(
        hours(&config, "2026-10-25T05:00:00Z"),
        ("Early".to_owned(), 8)
    );
    config.shifts.truncate(1);
    config.shifts[0].starts = jiff::civil::time(0, 0, 0, 0);
    assert_eq!(hours(&config, "2026-03-29T12:00:00Z").1, 23);
    assert_eq!(hours(&config, "2026-10-25T12:00:00Z").1, 25);
    assert_eq!(hours(&config, "2026-10-26T12:00:00Z").1, 24);
}

#[test]
fn times_are_read_on_the_clock_of_the_plant() {
    let base = folder("times");
    let config = config(&base.0);
    for text in [
        "2026-03-02T05:00:00Z",
        "2026-03-02T06:00",
        "2026-03-02 06:00:00",
    ] {
        assert_eq!(parse_time(&config, text).unwrap(), START, "{text}");
    }
    assert_eq!(
        parse_time(&config, "2026-03-02").unwrap(),
        START - 360 * MINUTE
    );
    assert!(parse_time(&config, "yesterday").unwrap_err().is_usage());
}
