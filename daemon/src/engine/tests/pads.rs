//! Single pads while their panels come: in any order, over stops, and how often the list is wrong.

use std::collections::HashMap;
use std::collections::btree_map::Entry;

use spc::simulation::Normals;

use super::*;
use crate::engine::{PadList, PadReadings, PadStates, Sorted};

/// A line whose pads are watched, with a run length that a test can wait for.
fn watching(lateness_minutes: u32, run_length: u32) -> Arc<Config> {
    let more = format!("watch_pads = true\nin_control_run_length = {run_length}");
    let text = text("three-way", "\"panel\"", lateness_minutes, &more);
    let text = text.replace(r#"rules = ["run_9", "two_of_three_2s", "trend_6"]"#, "");
    let roles = "component = \"Component\"\npin = \"Pin\"\nstroke = \"Stroke\"";
    config_from(&text.replace("stroke = \"Stroke\"", roles))
}

/// A pad on a panel.
#[derive(Clone, Debug)]
struct Deposit {
    panel: usize,
    pad: usize,
    value: f64,
}

fn deposits_block(rows: &[Deposit]) -> Block {
    let plain = |row: &Deposit| Row {
        minute: 3 * row.panel as i64,
        panel: row.panel,
        value: row.value,
        stencil: "S1",
        stroke: "front",
    };
    let mut block = block(&rows.iter().map(plain).collect::<Vec<_>>());
    let column = |text: &dyn Fn(&Deposit) -> String| Column::PerRow {
        codes: (0..rows.len() as u32).collect(),
        words: rows.iter().map(|row| Arc::from(text(row))).collect(),
    };
    block.keys[Role::Board.index()] = Column::Absent;
    block.keys[Role::Component.index()] = column(&|row| format!("U{}", row.pad / 10));
    block.keys[Role::Pin.index()] = column(&|row| (row.pad % 10).to_string());
    block
}

/// Panels that move as a whole, of pads with a level of their own, each moved by so many sigmas.
fn deposits(
    (panels, pads): (usize, usize),
    seed: u64,
    moved: impl Fn(usize, usize) -> f64,
) -> Vec<Deposit> {
    let mut normals = Normals::new(seed);
    let mut rows = Vec::new();
    for panel in 0..panels {
        let common = 3.0 * normals.draw();
        for pad in 0..pads {
            let level = 100.0 + (pad % 7) as f64;
            let value = level + common + 2.0 * (normals.draw() + moved(panel, pad));
            rows.push(Deposit { panel, pad, value });
        }
    }
    rows
}

/// What is kept at the end: the list, the settled pads, and all else.
#[derive(Debug, Default, PartialEq)]
struct All {
    list: PadList,
    settled: PadStates,
    kept: Kept,
}

impl All {
    fn apply(&mut self, engine: &Engine, mut effects: Effects) {
        for facts in &mut effects.streams {
            let pads = facts.pads.take().unwrap();
            self.list = pads.list.unwrap_or(std::mem::take(&mut self.list));
            self.settled = pads.settled.unwrap_or(std::mem::take(&mut self.settled));
        }
        self.kept.apply(engine, effects);
    }
}

fn told(config: &Arc<Config>, rows: &[Deposit], piece: usize) -> All {
    let mut engine = Engine::new(Arc::clone(config));
    let mut all = All::default();
    for piece in rows.chunks(piece) {
        engine.absorb(&deposits_block(piece));
        let effects = engine.settle();
        all.apply(&engine, effects);
    }
    all
}

/// The same, stopped after each piece: what was settled is kept, and what can still change is read
/// back from the rows.
fn told_with_stops(config: &Arc<Config>, rows: &[Deposit], piece: usize) -> All {
    let mut engine = Engine::new(Arc::clone(config));
    let mut all = All::default();
    let mut read = 0;
    let mut limits = Vec::new();
    for piece in rows.chunks(piece) {
        engine.absorb(&deposits_block(piece));
        read += piece.len();
        let effects = engine.settle();
        let facts = effects.streams.last().unwrap();
        let (state, through) = (facts.state.clone(), facts.settled_through);
        limits.extend(effects.limits.iter().map(|(_, one)| one.clone()));
        all.apply(&engine, effects);

        let mut shown: HashMap<Arc<str>, PadReadings> = HashMap::new();
        let mut tail = BTreeMap::new();
        let sorted = Sorted::of(config, &deposits_block(&rows[..read]));
        for slot in sorted.slots.into_iter().flat_map(|(_, slots)| slots) {
            if slot.atom.at > through {
                let mut atom = slot.atom;
                let pads = atom.pads.take().unwrap();
                let unit = Arc::clone(&atom.unit);
                shown.entry(Arc::clone(&unit)).or_default().merge(&pads);
                match tail.entry(unit) {
                    Entry::Vacant(place) => {
                        place.insert(atom);
                    }
                    Entry::Occupied(mut known) => known.get_mut().merge(atom),
                }
            }
        }
        let (name, newest) = (
            engine.streams()[0].name().clone(),
            engine.streams()[0].newest(),
        );
        let tail = tail.into_values().collect();
        let mut stream = Stream::kept(name, state, through, newest, tail, Vec::new());
        let open = limits
            .iter()
            .filter(|one: &&LimitsVersion| one.to.0 > through);
        open.for_each(|one| stream.recall(one.clone()));
        stream.recall_pads(all.settled.clone(), shown);
        engine = Engine::new(Arc::clone(config));
        engine.restore(stream, &[]);
        engine.settle();
    }
    all
}

/// One pad clogs at panel 45 and is free again from panel 60 on.
fn clogged(panel: usize, pad: usize) -> f64 {
    if pad == 17 && (45..60).contains(&panel) {
        -5.0
    } else {
        0.0
    }
}

#[test]
fn pads_are_the_same_in_any_order_and_over_any_stop() {
    let (open, short) = (watching(10_000, 20_000), watching(30, 20_000));
    let rows = deposits((56, 24), 3, clogged);
    let expected = told(&short, &rows, rows.len());
    assert_eq!(expected.list.pads.len(), 1, "{:?}", expected.list);
    assert_eq!(expected.kept.alerts.len(), 1);
    for piece in [7, 24, 100] {
        assert_eq!(told(&short, &rows, piece), expected, "in pieces of {piece}");
        let stopped = told_with_stops(&short, &rows, piece);
        assert_eq!(stopped.list, expected.list, "stopped after {piece}");
        let differs = difference(&stopped.kept, &expected.kept);
        assert_eq!(differs, None, "stopped after {piece}");
        assert!(stopped.settled == expected.settled, "stopped after {piece}");
    }
    // Panels and rows that come in another order, no farther than the horizon allows.
    let mut late = rows.clone();
    for (panel, rows) in late.chunks_mut(3 * 24).enumerate() {
        rows.rotate_left(24 + panel % 24);
        rows[..30].reverse();
    }
    assert_eq!(told(&short, &late, 50), expected);
    let mut backwards = rows;
    backwards.reverse();
    let patient = told(&open, &backwards, 40);
    assert_eq!(
        (&patient.list, &patient.kept),
        (&expected.list, &expected.kept)
    );
}

#[test]
fn a_pad_that_clogs_is_listed_and_makes_one_alert_that_returns_when_it_is_free() {
    let config = watching(30, 20_000);
    let rows = deposits((56, 120), 5, clogged);
    let all = told(&config, &rows, 120);
    let alert = all.kept.alerts.values().next().unwrap();
    assert_eq!((all.kept.alerts.len(), alert.rules.as_str()), (1, "pads"));
    assert_eq!(alert.side, Side::Lower);
    // Scores are capped at four sigma, so it takes a few panels.
    let at = |panel: i64| 3 * panel * MINUTE;
    assert!(
        alert.first_at > at(45) && alert.first_at <= at(50),
        "{alert:?}"
    );
    assert!(
        alert.since.unwrap() >= at(40) && alert.since.unwrap() <= at(46),
        "{alert:?}"
    );
    assert!(!alert.returned);
    let pad = &all.list.pads[0];
    assert_eq!(pad.name, ["", "", "U1", "7"].map(str::to_owned));
    assert!((pad.change + 10.0).abs() < 3.5, "{pad:?}");
    assert_eq!((all.list.tested, all.list.more), (120, 0));

    let later = told(&config, &deposits((110, 120), 5, clogged), 120);
    assert!(later.list.pads.is_empty(), "{:?}", later.list);
    assert!(later.kept.alerts.values().all(|alert| alert.returned));
    // A new stencil begins anew.
    assert_eq!(
        told(&watching(30, 20_000), &rows[..120 * 30], 120)
            .list
            .pads,
        Vec::new()
    );
}

/// Panels as a whole move up and down, which must neither hide pads nor bring false ones.
#[test]
fn the_list_of_pads_is_false_no_more_often_than_it_says() {
    let config = watching(30, 1_000);
    let (mut alerts, mut listed, mut lists, mut wrong) = (0, 0, 0, 0);
    for seed in 0..3 {
        let rows = deposits((70, 150), 100 + seed, |_, _| 0.0);
        let mut engine = Engine::new(Arc::clone(&config));
        for panel in rows.chunks(150) {
            engine.absorb(&deposits_block(panel));
            let effects = engine.settle();
            let pads = effects
                .streams
                .into_iter()
                .filter_map(|facts| facts.pads?.list);
            for list in pads.filter(|list| list.tested > 0) {
                lists += 1;
                listed += usize::from(!list.pads.is_empty());
            }
            alerts += effects
                .alerts
                .iter()
                .filter(|alert| alert.rules == "pads")
                .count();
        }
        // Five pads move by three sigmas.
        let moved = |panel: usize, pad: usize| match (panel >= 50, pad % 30) {
            (true, 0) => 3.0,
            _ => 0.0,
        };
        let list = told(&config, &deposits((70, 150), 200 + seed, moved), 150).list;
        let is_true = |pad: &&crate::engine::ListedPad| {
            pad.name[3] == "0" && ["U0", "U3", "U6", "U9", "U12"].contains(&&*pad.name[2])
        };
        let right = list.pads.iter().filter(is_true).count();
        assert_eq!(right, 5, "{:?}", list.pads);
        wrong += list.pads.len() - right;
    }
    // Of three times some sixty lists nine would be one in twenty.
    assert!(lists > 150 && listed <= 9, "{listed} of {lists}");
    // A run length of 1,000 panels for limits, sums and pads together.
    assert!(alerts <= 2, "{alerts}");
    // Of fifteen true ones in three lists, one or two false ones would be one in twenty and more.
    assert!(wrong <= 2, "{wrong}");
}
