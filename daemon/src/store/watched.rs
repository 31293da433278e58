//! Single pads that are watched: what is remembered of them, and the list of those that moved.
//!
//! Knows no sum and no threshold. The one invariant: what is kept of a stream's pads is settled
//! through the same time as the stream itself.

use std::collections::HashMap;
use std::sync::Arc;

use rusqlite::{OptionalExtension, Transaction, params};
use spc::cusum::CusumState;
use spc::selfstart::SelfStart;

use super::archive::may_hold;
use super::query::{ReadingFilter, count};
use super::ready::stream_id;
use super::{Reader, Store, StoreError, db, readback};
use crate::config::Config;
use crate::engine::{
    ListedPad, PadList, PadReadings, PadState, PadStates, Risen, Sorted, StreamFacts, StreamName,
};

/// The form of the stored state.
const FORM: u8 = 1;

/// Writes what is to be kept of a stream's pads.
pub(super) fn write(to: &Transaction, facts: &StreamFacts) -> rusqlite::Result<()> {
    let Some(pads) = &facts.pads else {
        return Ok(());
    };
    let stream = stream_id(facts.stream);
    if let Some(settled) = &pads.settled {
        to.prepare_cached(
            "INSERT INTO pad_state VALUES (?1, ?2, ?3) ON CONFLICT (stream) DO UPDATE
                 SET settled_through = excluded.settled_through, state = excluded.state",
        )?
        .execute(params![stream, facts.settled_through, bytes(settled)])?;
    } else {
        to.prepare_cached("UPDATE pad_state SET settled_through = ?2 WHERE stream = ?1")?
            .execute(params![stream, facts.settled_through])?;
    }
    if let Some(list) = &pads.list {
        write_list(to, stream, list)?;
    }
    Ok(())
}

fn write_list(to: &Transaction, stream: i64, list: &PadList) -> rusqlite::Result<()> {
    let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
    to.prepare_cached(
        "INSERT INTO pad_list VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (stream) DO UPDATE
             SET at = excluded.at, tested = excluded.tested, more = excluded.more,
             left_out = excluded.left_out",
    )?
    .execute(params![
        stream,
        list.at,
        number(list.tested),
        number(list.more),
        i64::try_from(list.left_out).unwrap_or(i64::MAX)
    ])?;
    to.prepare_cached("DELETE FROM pad_listed WHERE stream = ?1")?
        .execute([stream])?;
    let mut insert = to.prepare_cached(
        "INSERT INTO pad_listed VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
    )?;
    for (rank, pad) in list.pads.iter().enumerate() {
        let [product, position, component, pin] = &pad.name;
        insert.execute(params![
            stream,
            number(rank),
            product,
            position,
            component,
            pin,
            pad.change,
            pad.change_sigma,
            pad.since,
            pad.p,
            pad.adjusted
        ])?;
    }
    Ok(())
}

fn bytes(pads: &PadStates) -> Vec<u8> {
    let mut to = vec![FORM];
    to.extend(pads.version.to_le_bytes());
    to.extend(pads.left_out.to_le_bytes());
    for (name, pad) in pads.pads() {
        to.extend((name.len() as u32).to_le_bytes());
        to.extend(name.as_bytes());
        to.extend(pad.reference.count.to_le_bytes());
        for number in [
            pad.reference.weight,
            pad.reference.mean,
            pad.reference.squares,
        ] {
            to.extend(number.to_le_bytes());
        }
        for sum in &pad.sums {
            to.extend(sum.upper.to_le_bytes());
            to.extend(sum.lower.to_le_bytes());
            to.extend(sum.upper_points.to_le_bytes());
            to.extend(sum.lower_points.to_le_bytes());
        }
        to.push(u8::from(pad.is_out));
        for risen in &pad.risen {
            to.extend(risen.since.to_le_bytes());
            to.extend(risen.sum.to_le_bytes());
            to.extend(risen.panels.to_le_bytes());
        }
    }
    to
}

/// Stored bytes, taken from the front.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn next<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }

    fn number(&mut self) -> Option<f64> {
        self.next().map(f64::from_le_bytes)
    }

    fn count(&mut self) -> Option<u32> {
        self.next().map(u32::from_le_bytes)
    }

    fn time(&mut self) -> Option<i64> {
        self.next().map(i64::from_le_bytes)
    }

    fn text(&mut self) -> Option<Arc<str>> {
        let length = self.count()? as usize;
        let text = self.0.get(..length)?;
        self.0 = &self.0[length..];
        std::str::from_utf8(text).ok().map(Arc::from)
    }

    fn sum(&mut self) -> Option<CusumState> {
        Some(CusumState {
            upper: self.number()?,
            lower: self.number()?,
            upper_points: self.count()?,
            lower_points: self.count()?,
        })
    }

    fn pad(&mut self) -> Option<PadState> {
        Some(PadState {
            reference: SelfStart {
                count: self.count()?,
                weight: self.number()?,
                mean: self.number()?,
                squares: self.number()?,
            },
            sums: [self.sum()?, self.sum()?, self.sum()?],
            is_out: self.next::<1>()? != [0],
            risen: [self.risen()?, self.risen()?],
        })
    }

    fn risen(&mut self) -> Option<Risen> {
        Some(Risen {
            since: self.time()?,
            sum: self.number()?,
            panels: self.count()?,
        })
    }
}

fn from_bytes(stored: &[u8]) -> Option<PadStates> {
    let mut from = Bytes(stored);
    let [form] = from.next()?;
    if form != FORM {
        return None;
    }
    let (version, left_out) = (from.count()?, from.next().map(u64::from_le_bytes)?);
    let mut pads = Vec::new();
    while !from.0.is_empty() {
        pads.push((from.text()?, from.pad()?));
    }
    Some(PadStates::kept(version, pads, left_out))
}

/// What units show of their pads, by stream and unit.
pub(super) type Shown = HashMap<StreamName, HashMap<Arc<str>, PadReadings>>;

impl Store {
    /// What is remembered of a stream's pads. Nothing where they were not watched through the time
    /// that the stream is settled through: then they are learnt anew.
    pub(super) fn pads_of(
        &self,
        stream: i64,
        settled_through: i64,
    ) -> Result<Option<PadStates>, StoreError> {
        let stored: Option<Vec<u8>> = self
            .connection
            .prepare_cached(
                "SELECT state FROM pad_state WHERE stream = ?1 AND settled_through = ?2",
            )
            .and_then(|mut query| {
                let state = |row: &rusqlite::Row| row.get(0);
                query.query_row([stream, settled_through], state).optional()
            })
            .map_err(|source| db(&self.folder, source))?;
        Ok(stored.and_then(|stored| from_bytes(&stored)))
    }

    /// What panels since a time show of the pads that are watched, from the archive.
    pub(super) fn shown_pads(&self, config: &Config, since: i64) -> Result<Shown, StoreError> {
        let mut shown = Shown::new();
        let watched = config.characteristics.iter().filter(|what| what.watch_pads);
        let mut stations: Vec<_> = watched.map(|what| what.station).collect();
        stations.sort_unstable();
        stations.dedup();
        for station in stations {
            let filter = ReadingFilter {
                station,
                measure: "",
                keys: Vec::new(),
                from: since,
                to: i64::MAX,
            };
            for path in self.archived_paths()? {
                let feed = readback::feed_of(config, &path).filter(|_| may_hold(&path, &filter));
                let Some(feed) = feed else { continue };
                let file = self.folder.join("archive").join(&path);
                let block = readback::block(config, feed, &file)?;
                let recent = (0..block.rows).filter(|row| block.at[*row] >= since);
                let block = block.select(&recent.collect::<Vec<_>>());
                Sorted::of(config, &block).each_shown(config, &mut |name, unit, pads| {
                    let units = shown.entry(name).or_default();
                    units.entry(unit).or_default().merge(pads);
                });
            }
        }
        Ok(shown)
    }

    fn archived_paths(&self) -> Result<Vec<String>, StoreError> {
        let left = "SELECT path FROM segment EXCEPT SELECT path FROM purged_segment ORDER BY path";
        let wrap = |source| db(&self.folder, source);
        let mut query = self.connection.prepare(left).map_err(wrap)?;
        let rows = query.query_map([], |row| row.get(0)).map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }
}

impl Reader {
    /// The list of a stream's pads that moved; nothing where none was made yet.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn pad_list(&self, stream: i64) -> Result<Option<PadList>, StoreError> {
        let pads = self.list(
            "SELECT product, position, component, pin, change, change_sigma, since, p, adjusted
             FROM pad_listed WHERE stream = ?1 ORDER BY rank",
            [stream],
            |row| {
                Ok(ListedPad {
                    name: [row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?],
                    change: row.get(4)?,
                    change_sigma: row.get(5)?,
                    since: row.get(6)?,
                    p: row.get(7)?,
                    adjusted: row.get(8)?,
                })
            },
        )?;
        let found = self.list(
            "SELECT at, tested, more, left_out FROM pad_list WHERE stream = ?1",
            [stream],
            |row| {
                let whole = |column| -> rusqlite::Result<usize> {
                    count(row, column).map(|count| usize::try_from(count).unwrap_or(usize::MAX))
                };
                Ok(PadList {
                    at: row.get(0)?,
                    tested: whole(1)?,
                    pads: Vec::new(),
                    more: whole(2)?,
                    left_out: count(row, 3)?,
                })
            },
        )?;
        Ok(found
            .into_iter()
            .next()
            .map(|list| PadList { pads, ..list }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pads_read_back_to_the_same_bits() {
        let mut pad = PadState::default();
        [0.1, 0.7, -1.3].iter().for_each(|x| pad.reference.take(*x));
        pad.sums[2].lower = 0.1 + 0.2;
        pad.sums[2].lower_points = 3;
        pad.is_out = true;
        pad.risen[1] = Risen {
            since: -5,
            sum: 0.1 + 0.7,
            panels: 4,
        };
        let pads = vec![
            (Arc::from("LN\u{1f}1\u{1f}U1\u{1f}7"), pad),
            (Arc::from(""), PadState::default()),
        ];
        let states = PadStates::kept(3, pads, 9);
        let stored = bytes(&states);
        assert_eq!(from_bytes(&stored), Some(states));
        assert_eq!(from_bytes(&stored[..stored.len() - 1]), None);
        assert_eq!(from_bytes(&[2]), None);
    }
}
