//! Gauge or process, from what moved together.
//!
//! For paste, height, area, volume and offsets of whole panels are judged together; for a test, the
//! fixtures against each other. Must not know the archive. The one invariant: a fault that does not
//! touch the alert's own stratum explains nothing of it.

use std::collections::{BTreeMap, BTreeSet};

use spc::attribution::Answer;
use spc::verdict::{Cell, Deposit, Fault, Names, Origin, Panel, Setup, Verdict, judge};

use super::{Alerted, Compared, STRATA};
use crate::commands::alerts::{key_value, product};
use crate::config::{Key, Subject};
use crate::store::strata::Stratum;
use crate::words::{Role, Station};

/// The measures of a paste feed that are judged together; the last two say where a pad lies.
pub(super) const MEASURES: [&str; 7] =
    ["height", "area", "volume", "offset-x", "offset-y", "x", "y"];

/// A group of pads of a panel: family and position.
type CellName = (String, String);

/// One panel of the archive.
struct Inspected<'a> {
    at: i64,
    strokes: BTreeSet<&'a str>,
    cells: BTreeMap<CellName, [Option<f64>; 7]>,
}

/// The origin in a word, and the verdict in a sentence.
pub(super) fn verdict(
    alerted: &Alerted,
    archived: &[Stratum],
    compared: &[Compared],
) -> (&'static str, String) {
    let fixture = compared
        .iter()
        .find(|one| one.key == Key::Role(Role::Fixture));
    if let (Station::Function, Some(fixture)) = (alerted.what.station, fixture) {
        return by_fixture(alerted, fixture);
    }
    let Subject::Measure(measure) = &alerted.what.subject else {
        return undecided("calls and reviews do not tell gauge from process");
    };
    if alerted.what.station != Station::Paste || !MEASURES[..5].contains(&measure.as_str()) {
        return undecided(
            "told only from height, area, volume and offsets of paste, or from several fixtures",
        );
    }
    let is_offset = measure.starts_with("offset");
    let Some((setup, panels, names)) = study(alerted, archived, is_offset) else {
        return undecided("height, area and volume of the same panels are not all there");
    };
    match judge(&setup, &panels) {
        Ok(found) => said(alerted, &found, &names, is_offset),
        Err(spc::verdict::VerdictError::TooFew { .. }) => {
            undecided("too few panels before or after the onset")
        }
        Err(error) => undecided(&error.to_string()),
    }
}

fn undecided(why: &str) -> (&'static str, String) {
    ("undecided", format!("undecided: {why}"))
}

/// A board is tested on any fixture, so what only one fixture shows is not of the boards.
fn by_fixture(alerted: &Alerted, fixture: &Compared) -> (&'static str, String) {
    let own = key_value(alerted.what, alerted.stream, Key::Role(Role::Fixture));
    match &fixture.found.answer {
        Answer::Levels(places) => {
            let moved: Vec<&str> = places
                .iter()
                .map(|&at| fixture.values[at].as_str())
                .collect();
            if own
                .as_ref()
                .is_some_and(|own| !moved.contains(&own.as_str()))
            {
                return undecided("another fixture moved more than the one of this alert");
            }
            let moved = moved.join(" and ");
            let words = format!(
                "points to the gauge: only fixture {moved} moved (fixture, its contacts or its \
                 channel), boards on the others did not; run a reference board on all fixtures"
            );
            ("gauge", words)
        }
        Answer::Common => undecided(
            "all fixtures moved alike, so it is the boards or what the fixtures have in common",
        ),
        Answer::Uneven => undecided("all fixtures moved, but not alike"),
        Answer::Undecided => undecided("too few boards to tell the fixtures apart"),
        Answer::Nothing => undecided("no change can be told by fixture"),
    }
}

/// The verdict, if it explains this alert.
fn said(
    alerted: &Alerted,
    found: &Verdict,
    names: &Names,
    is_offset: bool,
) -> (&'static str, String) {
    let own = |role| key_value(alerted.what, alerted.stream, Key::Role(role));
    let is_other = |names: &[String], place: usize, role| {
        own(role).is_some_and(|own| names.get(place) != Some(&own))
    };
    let explains = match found.fault {
        Some(Fault::OneStroke(stroke)) => !is_other(&names.strokes, stroke, Role::Stroke),
        Some(Fault::Family(family)) => !is_other(&names.families, family, Role::Family),
        Some(Fault::Alignment | Fault::Stretch) => is_offset,
        Some(_) => !is_offset,
        None => !is_offset || found.origin != Origin::Gauge,
    };
    if !explains {
        return undecided("what else moved at the time does not explain this alert");
    }
    let origin = match found.origin {
        Origin::Nothing => "nothing",
        Origin::Gauge => "gauge",
        Origin::Process => "process",
        Origin::Undecided => "undecided",
    };
    (origin, found.in_words(names))
}

/// Panels as the verdict wants them: every panel with the cells that most panels have.
fn study(
    alerted: &Alerted,
    archived: &[Stratum],
    with_offsets: bool,
) -> Option<(Setup, Vec<Panel>, Names)> {
    let panels = inspected(archived);
    let cells = usual_cells(&panels);
    let families: BTreeSet<&str> = cells.iter().map(|(family, _)| family.as_str()).collect();
    let whole: Vec<&Inspected> = panels
        .values()
        .filter(|panel| panel.strokes.len() == 1)
        .filter(|panel| {
            cells
                .iter()
                .all(|cell| deposit(panel, cell, with_offsets).is_some())
        })
        .filter(|panel| alerted.windows.of(panel.at).is_some())
        .collect();
    let strokes: BTreeSet<&str> = whole
        .iter()
        .flat_map(|one| one.strokes.iter().copied())
        .collect();
    let families: Vec<&str> = families.into_iter().collect();
    let strokes: Vec<&str> = strokes.into_iter().collect();
    let place_of = |list: &[&str], wanted: &str| list.iter().position(|one| *one == wanted);
    let cell = |name: &CellName| {
        Some(Cell {
            family: place_of(&families, &name.0)?,
            place: place(&whole, name),
        })
    };
    let setup = Setup {
        cells: cells.iter().map(cell).collect::<Option<Vec<Cell>>>()?,
        apertures: apertures(alerted, &families),
        strokes: strokes.len(),
    };
    let panel = |one: &&Inspected| {
        let deposits = cells.iter().map(|name| deposit(one, name, with_offsets));
        Some(Panel {
            window: alerted.windows.of(one.at)?,
            stroke: place_of(&strokes, one.strokes.first()?)?,
            since_wipe: None,
            deposits: deposits.collect::<Option<Vec<Deposit>>>()?,
        })
    };
    let panels = whole.iter().map(panel).collect::<Option<Vec<Panel>>>()?;
    let owned = |list: &[&str]| list.iter().map(|&name| name.to_owned()).collect();
    let names = Names {
        strokes: owned(&strokes),
        families: owned(&families),
    };
    (!panels.is_empty() && !setup.cells.is_empty()).then_some((setup, panels, names))
}

/// The archive's strata by panel, with its cells. The first mean is the alert's own measure.
fn inspected(archived: &[Stratum]) -> BTreeMap<&str, Inspected<'_>> {
    let place = |role| STRATA.iter().position(|one| *one == role).unwrap_or(0);
    let (stroke, position, family) = (
        place(Role::Stroke),
        place(Role::Position),
        place(Role::Family),
    );
    let mut panels: BTreeMap<&str, Inspected> = BTreeMap::new();
    for stratum in archived {
        let panel = panels.entry(&stratum.unit).or_insert_with(|| Inspected {
            at: i64::MAX,
            strokes: BTreeSet::new(),
            cells: BTreeMap::new(),
        });
        panel.at = panel.at.min(stratum.at);
        panel.strokes.insert(&stratum.keys[stroke]);
        let name = (stratum.keys[family].clone(), stratum.keys[position].clone());
        let mut means = [None; 7];
        for (mean, found) in means.iter_mut().zip(stratum.means.iter().skip(1)) {
            *mean = found.map(|(mean, _)| mean);
        }
        panel.cells.insert(name, means);
    }
    panels
}

/// Cells that at least half of the panels have: a cut-off panel must not take cells from all.
fn usual_cells(panels: &BTreeMap<&str, Inspected>) -> Vec<CellName> {
    let mut counts: BTreeMap<&CellName, usize> = BTreeMap::new();
    for name in panels.values().flat_map(|panel| panel.cells.keys()) {
        *counts.entry(name).or_default() += 1;
    }
    let usual = counts
        .into_iter()
        .filter(|(_, count)| 2 * count >= panels.len());
    usual.map(|(name, _)| name.clone()).collect()
}

/// A panel's deposit in a cell, if all of it was measured.
fn deposit(panel: &Inspected, cell: &CellName, with_offsets: bool) -> Option<Deposit> {
    let [height, area, volume, x, y, ..] = *panel.cells.get(cell)?;
    let above = |value: Option<f64>| value.filter(|value| *value > 0.0);
    let offset = if with_offsets { Some((x?, y?)) } else { None };
    Some(Deposit {
        height: above(height)?,
        area: above(area)?,
        volume: above(volume)?,
        offset,
    })
}

/// Where a cell lies, by the first panel, if its feed says so.
fn place(panels: &[&Inspected], cell: &CellName) -> Option<(f64, f64)> {
    let [.., x, y] = *panels.first()?.cells.get(cell)?;
    Some((x?, y?))
}

/// The area ratios of the families; all alike, so that nothing counts as small, where not all are
/// known.
fn apertures(alerted: &Alerted, families: &[&str]) -> Vec<f64> {
    let product = product(alerted.config, alerted.what, alerted.stream);
    let ratio = |name: &&str| {
        let known = product?
            .families
            .iter()
            .find(|family| family.name == **name);
        known?.area_ratio
    };
    let ratios: Option<Vec<f64>> = families.iter().map(ratio).collect();
    ratios.unwrap_or_else(|| vec![0.0; families.len()])
}
