//! Points against the archived readings that they were made of.
//!
//! The engine's own grouping is applied again to the rows of the archive. Knows no limits and no
//! rules. The one invariant: what can not be counted again is said, never passed over.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use rusqlite::{Connection, params};

use super::form::{content_from, list_from};
use super::segment::DAY_US;
use super::verify::Check;
use super::{archive, chain, readback, retention};
use crate::config::{Config, Subgroup};
use crate::engine::{
    Content, PointKind, Recount, Sorted, StreamName, agrees, is_between, is_kept, stream_label,
};

/// Units of streams that are held at once; beyond, points are not counted again.
const UNITS_MAX: usize = 4_000_000;

/// Compares every stream's units with the archive.
pub(super) fn points(
    of: &Connection,
    folder: &Path,
    config: &Config,
    is_archive_whole: bool,
    to: &mut Check,
) -> rusqlite::Result<()> {
    if !is_archive_whole {
        to.remarks
            .push("not counted again, because the archive is damaged".to_owned());
        return Ok(());
    }
    let Some(mut counted) = count(of, folder, config, to)? else {
        return Ok(());
    };
    let gone = retention::before(of)?;
    let mut totals = Totals {
        readings_from: gone.readings.map(|before| before.saturating_add(DAY_US)),
        points_from: gone.points.map(|before| before.saturating_add(DAY_US)),
        ..Totals::default()
    };
    let mut query = of.prepare("SELECT id, characteristic, keys, label FROM stream ORDER BY id")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        let (name, keys): (String, String) = (row.get(1)?, row.get(2)?);
        let label: String = row.get(3)?;
        let characteristic = config
            .characteristics
            .iter()
            .position(|what| what.name == name);
        let (Some(characteristic), Some(keys)) = (characteristic, list_from(&keys)) else {
            to.remarks.push(format!(
                "{label}: the configuration has no characteristic '{name}'"
            ));
            continue;
        };
        let name = StreamName {
            characteristic,
            keys,
        };
        let kept = kept_units(of, row.get(0)?, &label, to)?;
        compare(config, (&name, &label), kept, &mut counted, &mut totals, to);
    }
    for (name, units) in counted.left() {
        let what = &config.characteristics[name.characteristic];
        let charted = units
            .values()
            .filter(|unit| is_kept(&unit.content, what.chart, is_part(config, &name)))
            .count();
        if charted > 0 {
            let label = stream_label(what, &name.keys);
            to.damage(
                label,
                format!("{charted} archived units, but no such stream"),
            );
        }
    }
    totals.tell(to);
    Ok(())
}

#[derive(Default)]
struct Totals {
    streams: usize,
    equal: usize,
    unsure: usize,
    gone: usize,
    /// From which event time on readings and points are all there; a unit may last a day.
    readings_from: Option<i64>,
    points_from: Option<i64>,
}

impl Totals {
    /// What was counted, and what could not be.
    fn tell(&self, to: &mut Check) {
        to.found = format!(
            "{} units of {} streams equal the archive's readings",
            self.equal, self.streams
        );
        if self.gone > 0 {
            to.remarks.push(format!(
                "{} units are not counted again, because readings or points of their time were let \
                 go",
                self.gone
            ));
        }
        if self.unsure > 0 {
            to.remarks.push(format!(
                "{} units could not be counted again: when they were charted, the configuration \
                 was another one, or it was not kept yet",
                self.unsure
            ));
        }
    }
}

/// A unit as the record has it.
struct Kept {
    content: Content,
    at: i64,
    rows: usize,
}

/// Counts the archive again; nothing where it is too large.
fn count(
    of: &Connection,
    folder: &Path,
    config: &Config,
    to: &mut Check,
) -> rusqlite::Result<Option<Recount>> {
    let now = chain::setting(config);
    let mut query = of.prepare("SELECT setting FROM chain WHERE seq = ?1")?;
    let mut counted = Recount::default();
    for archive::Named {
        path: relative,
        entry,
        ..
    } in archive::named(of)?
    {
        let setting: Vec<u8> = query.query_row([entry], |row| row.get(0))?;
        let Some(feed) = readback::feed_of(config, &relative) else {
            to.remarks.push(format!(
                "{relative}: the configuration no longer has its feed; its streams are not counted"
            ));
            return Ok(None);
        };
        let path = folder.join("archive").join(&relative);
        match readback::block(config, feed, &path) {
            Ok(block) if setting[..] == now[..] => counted.take(Sorted::of(config, &block)),
            Ok(block) => counted.doubt(Sorted::of(config, &block)),
            Err(error) => to.damage(relative, error.to_string()),
        }
        if counted.units() > UNITS_MAX {
            to.remarks.push(format!(
                "not counted again: the archive has more than {UNITS_MAX} units of streams"
            ));
            return Ok(None);
        }
    }
    Ok(Some(counted))
}

/// The units of a stream, each put together from all that is kept of it.
fn kept_units(
    of: &Connection,
    stream: i64,
    label: &str,
    to: &mut Check,
) -> rusqlite::Result<BTreeMap<Arc<str>, Kept>> {
    let mut query = of.prepare_cached(
        "SELECT unit, at, content FROM point WHERE stream = ?1 AND kind IN (?2, ?3, ?4)",
    )?;
    let kinds = [PointKind::Whole, PointKind::Part, PointKind::Late].map(|kind| kind as u8);
    let mut rows = query.query(params![stream, kinds[0], kinds[1], kinds[2]])?;
    let mut units: BTreeMap<Arc<str>, Kept> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let (unit, at, bytes): (String, i64, Vec<u8>) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let Some(content) = content_from(&bytes) else {
            to.damage(format!("{label}, {unit}"), "its content can not be read");
            continue;
        };
        let unit: Arc<str> = Arc::from(unit);
        match units.get_mut(&unit) {
            Some(kept) => {
                kept.content.merge(content);
                kept.at = kept.at.min(at);
                kept.rows += 1;
            }
            None => {
                let rows = 1;
                units.insert(unit, Kept { content, at, rows });
            }
        }
    }
    Ok(units)
}

fn compare(
    config: &Config,
    (name, label): (&StreamName, &str),
    kept: BTreeMap<Arc<str>, Kept>,
    counted: &mut Recount,
    totals: &mut Totals,
    to: &mut Check,
) {
    let what = &config.characteristics[name.characteristic];
    let (mut archived, unsure) = counted.stream(name);
    totals.streams += 1;
    let is_changed = !unsure.is_empty();
    for (unit, kept) in kept {
        let rows = archived.remove(&unit);
        if unsure.contains(&unit) || (rows.is_none() && is_changed) {
            totals.unsure += 1;
            continue;
        }
        if totals.readings_from.is_some_and(|from| kept.at < from) {
            totals.gone += 1;
            continue;
        }
        let is_alike = agrees(&kept.content, rows.as_ref().map(|atom| &atom.content));
        // An empty file may have come before the rows of its unit.
        let is_dated = kept.rows > 1
            || matches!(kept.content, Content::Counted(_))
            || rows.is_none_or(|atom| atom.at == kept.at);
        if is_alike && is_dated {
            totals.equal += 1;
        } else {
            to.damage(
                format!("{label}, {unit}"),
                "the point is not made of the archive's readings",
            );
        }
    }
    let unsure: BTreeSet<Arc<str>> = unsure;
    for (unit, atom) in archived {
        if totals.points_from.is_some_and(|from| atom.at < from) {
            totals.gone += 1;
            continue;
        }
        let is_charted = is_kept(&atom.content, what.chart, is_part(config, name));
        if is_charted && !unsure.contains(&unit) {
            to.damage(
                format!("{label}, {unit}"),
                "archived, but there is no point",
            );
        }
    }
}

/// Whether units of a stream are parts of subgroups of several, which any reading makes.
fn is_part(config: &Config, name: &StreamName) -> bool {
    let what = &config.characteristics[name.characteristic];
    is_between(what.chart) || matches!(what.subgroup, Subgroup::Consecutive(_))
}
