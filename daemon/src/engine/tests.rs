//! The engine against its promise: order, cutting and stopping change no digit.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;

use super::{AlertFacts, Effects, Engine, LimitsVersion, PointKind, Stream};
use crate::block::{Block, Column, Values};
use crate::config::{Config, read};
use crate::words::{Call, Review, Role};

const MINUTE: i64 = 60_000_000;

/// An invented plant with one paste feed.
fn config(chart: &str, subgroup: &str, lateness_minutes: u32) -> Arc<Config> {
    let text = format!(
        r#"
[plant]
name = "Invented"
time_zone = "UTC"
lateness_minutes = {lateness_minutes}
[[shift]]
name = "day"
starts = "06:00"
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
[feed.time]
columns = ["Time"]
format = "rfc3339"
[feed.roles]
panel = "Panel"
board = "Board"
stencil = "Stencil"
[[feed.measure]]
name = "height"
column = "Height"
unit = "um"
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line"]
subgroup = {subgroup}
chart = "{chart}"
baseline = 20
rules = ["run_9", "two_of_three_2s", "trend_6"]
restart_on = ["stencil"]
"#
    );
    Arc::new(read::read(&text, Path::new("/invented")).unwrap())
}

/// One reading.
#[derive(Clone, Debug)]
struct Row {
    minute: i64,
    panel: usize,
    value: f64,
    stencil: &'static str,
}

fn block(rows: &[Row]) -> Block {
    let word = |text: String| -> Arc<str> { Arc::from(text) };
    let column = |texts: Vec<Arc<str>>| Column::PerRow {
        codes: (0..texts.len() as u32).collect(),
        words: texts,
    };
    let mut keys = [const { Column::Absent }; Role::COUNT];
    keys[Role::Panel.index()] = column(
        rows.iter()
            .map(|row| word(format!("P{}", row.panel)))
            .collect(),
    );
    keys[Role::Board.index()] = column(
        rows.iter()
            .map(|row| word(format!("B{}", row.panel)))
            .collect(),
    );
    keys[Role::Stencil.index()] = column(
        rows.iter()
            .map(|row| word(row.stencil.to_owned()))
            .collect(),
    );
    Block {
        feed: 0,
        rows: rows.len(),
        at: rows.iter().map(|row| row.minute * MINUTE).collect(),
        keys,
        attempt: vec![1; rows.len()],
        call: vec![Call::Absent; rows.len()],
        review: vec![Review::Pending; rows.len()],
        opportunities: vec![0; rows.len()],
        values: Values::Wide(vec![rows.iter().map(|row| row.value).collect()]),
    }
}

/// What was said of a point: bits of size and value, version, baseline, signals.
type Said = (u64, u64, u32, bool, String);

/// What a store holds after effects were applied to it.
#[derive(Debug, Default, PartialEq)]
struct Kept {
    points: BTreeMap<(i64, Arc<str>, PointKind), Said>,
    limits: BTreeMap<u32, LimitsVersion>,
    alerts: BTreeMap<(i64, Arc<str>), AlertFacts>,
}

impl Kept {
    fn apply(&mut self, effects: Effects) {
        for (_, at, unit, kind) in effects.gone_points {
            self.points.remove(&(at, unit, kind));
        }
        for point in effects.points {
            let facts = (
                point.value.to_bits(),
                point.spread.map_or(0, f64::to_bits),
                point.version,
                point.baseline,
                format!("{:?}", point.signals),
            );
            self.points
                .insert((point.at, point.unit, point.kind), facts);
        }
        for (_, end) in effects.limits_end {
            self.limits.retain(|version, _| *version <= end);
        }
        for (_, limits) in effects.limits {
            self.limits.insert(limits.version, limits);
        }
        for (_, at, unit) in effects.withdrawn {
            self.alerts.remove(&(at, unit));
        }
        for alert in effects.alerts {
            self.alerts
                .insert((alert.first_at, Arc::clone(&alert.first_unit)), alert);
        }
    }
}

fn at_once(config: &Arc<Config>, rows: &[Row]) -> Kept {
    let mut engine = Engine::new(Arc::clone(config));
    let mut kept = Kept::default();
    engine.absorb(&block(rows));
    kept.apply(engine.settle());
    kept
}

fn in_pieces(config: &Arc<Config>, rows: &[Row], piece: usize) -> Kept {
    let mut engine = Engine::new(Arc::clone(config));
    let mut kept = Kept::default();
    for piece in rows.chunks(piece) {
        engine.absorb(&block(piece));
        kept.apply(engine.settle());
    }
    kept
}

/// Panels of four readings whose level jumps halfway, so that rules fire and alerts open.
fn rows() -> impl Strategy<Value = Vec<Row>> {
    let panels = prop::collection::vec(prop::array::uniform4(-3.0..3.0_f64), 25..70);
    (panels, -2.0..2.0_f64, any::<bool>()).prop_map(|(panels, jump, changes)| {
        let half = panels.len() / 2;
        let mut rows = Vec::new();
        for (panel, values) in panels.into_iter().enumerate() {
            for (place, value) in values.into_iter().enumerate() {
                rows.push(Row {
                    minute: panel as i64 * 2 + place as i64 / 3,
                    panel,
                    value: 120.0 + value + if panel > half { 2.0 * jump } else { 0.0 },
                    stencil: if changes && panel > half + 3 {
                        "S2"
                    } else {
                        "S1"
                    },
                });
            }
        }
        rows
    })
}

const CHARTS: [(&str, &str); 6] = [
    ("individuals", "\"panel\""),
    ("mean-range", "\"panel\""),
    ("mean-s", "{ consecutive = 3 }"),
    ("three-way", "\"panel\""),
    ("mean-s", "{ minutes = 5 }"),
    ("median", "{ consecutive = 3 }"),
];

/// What differs, in few words.
fn difference(found: &Kept, expected: &Kept) -> Option<String> {
    let point = |kept: &Kept| kept.points.clone().into_iter().collect::<Vec<_>>();
    let (a, b) = (point(found), point(expected));
    if let Some((a, b)) = a.iter().zip(&b).find(|(a, b)| a != b) {
        return Some(format!("point {a:?} instead of {b:?}"));
    }
    if a.len() != b.len() {
        return Some(format!("{} points instead of {}", a.len(), b.len()));
    }
    if found.limits != expected.limits {
        return Some(format!(
            "limits {:?} instead of {:?}",
            found.limits, expected.limits
        ));
    }
    (found.alerts != expected.alerts)
        .then(|| format!("alerts {:?} instead of {:?}", found.alerts, expected.alerts))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn order_and_cutting_change_no_digit(
        rows in rows(),
        order in any::<u64>(),
        piece in 1..60_usize,
        chart in 0..CHARTS.len(),
    ) {
        let (chart, subgroup) = CHARTS[chart];
        let config = config(chart, subgroup, 10_000);
        let expected = at_once(&config, &rows);
        prop_assert!(!expected.points.is_empty());

        prop_assert_eq!(difference(&in_pieces(&config, &rows, piece), &expected), None);
        let mut shuffled = rows;
        let mut state = order;
        for place in (1..shuffled.len()).rev() {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(place, (state >> 33) as usize % (place + 1));
        }
        prop_assert_eq!(difference(&in_pieces(&config, &shuffled, piece), &expected), None);
    }

    /// A short horizon settles most units; the outcome is that of a horizon that settles none.
    #[test]
    fn settling_changes_no_digit(rows in rows(), piece in 1..60_usize, chart in 0..CHARTS.len()) {
        let (chart, subgroup) = CHARTS[chart];
        let open = config(chart, subgroup, 10_000);
        let short = config(chart, subgroup, 12);
        let expected = at_once(&open, &rows);
        prop_assert_eq!(difference(&in_pieces(&short, &rows, piece), &expected), None);
    }
}

#[test]
fn a_unit_behind_the_horizon_is_late_and_changes_nothing() {
    let config = config("individuals", "\"panel\"", 10);
    let row = |minute, panel, value| Row {
        minute,
        panel,
        value,
        stencil: "S1",
    };
    let rows: Vec<Row> = (0..60_i64)
        .map(|n| row(n * 2, n as usize, 100.0 + (n % 7) as f64))
        .collect();
    let mut engine = Engine::new(Arc::clone(&config));
    let mut kept = Kept::default();
    engine.absorb(&block(&rows));
    kept.apply(engine.settle());
    let before = (kept.points.len(), kept.limits.clone(), kept.alerts.clone());

    engine.absorb(&block(&[row(3, 99, 500.0)]));
    kept.apply(engine.settle());

    let late: Vec<_> = kept
        .points
        .keys()
        .filter(|key| key.2 == PointKind::Late)
        .collect();
    assert_eq!(late.len(), 1);
    assert_eq!((kept.points.len() - 1, kept.limits, kept.alerts), before);
}

#[test]
fn a_change_of_a_restart_key_begins_a_new_baseline() {
    let config = config("individuals", "\"panel\"", 10);
    let rows: Vec<Row> = (0..60_i64)
        .map(|n| Row {
            minute: n * 2,
            panel: n as usize,
            value: 100.0 + (n * n % 11) as f64,
            stencil: if n < 30 { "S1" } else { "S2" },
        })
        .collect();
    let kept = at_once(&config, &rows);
    assert_eq!(kept.limits.keys().copied().collect::<Vec<_>>(), [1, 2]);
    assert_eq!(kept.limits[&2].from.0, 60 * MINUTE);
    assert_eq!(kept.limits[&2].limits.subgroups, 20);
}

#[test]
fn a_stream_that_is_kept_and_taken_back_goes_on_as_if_never_stopped() {
    let config = config("individuals", "\"panel\"", 10);
    let rows: Vec<Row> = (0..80_i64)
        .map(|n| Row {
            minute: n * 2,
            panel: n as usize,
            value: 100.0 + (n * 5 % 13) as f64 + if n > 60 { 25.0 } else { 0.0 },
            stencil: "S1",
        })
        .collect();
    let expected = at_once(&config, &rows);

    let mut engine = Engine::new(Arc::clone(&config));
    let mut kept = Kept::default();
    engine.absorb(&block(&rows[..63]));
    let effects = engine.settle();
    let facts = effects.streams.last().unwrap();
    let (state, through, newest) = (facts.state.clone(), facts.settled_through, facts.newest);
    let open = effects.points.iter().filter(|point| point.at > through);
    let tail = open.map(|point| point.atom.clone()).collect();
    let name = engine.streams()[0].name().clone();
    kept.apply(effects);

    let mut again = Engine::new(Arc::clone(&config));
    again.restore(Stream::kept(name, state, through, newest, tail, Vec::new()));
    again.settle();
    again.absorb(&block(&rows[63..]));
    kept.apply(again.settle());
    assert_eq!(kept, expected);
    assert!(!kept.alerts.is_empty());
}
