//! From the record back into an engine: after this, a restart can not be told from no restart.

use std::sync::Arc;

use rusqlite::{Connection, params};

use super::form::{content_from, limits_from, list_from};
use super::query::count;
use super::state_form::{Unusable, state_from};
use super::watched::Shown;
use super::{Store, StoreError, db};
use crate::config::Config;
use crate::engine::{
    Atom, ChartState, Command, CommandKind, Engine, LimitsVersion, PointKind, Stream, StreamName,
    counted_since, is_between,
};

/// A request of a person that the engine has not taken yet.
#[derive(Clone, Debug)]
pub struct Request {
    /// Its number.
    pub id: i64,
    /// The stream's place in the engine.
    pub stream: usize,
    /// What is asked.
    pub command: Command,
}

impl Store {
    /// The engine as it was after the last commit.
    ///
    /// # Errors
    ///
    /// When the record can not be read, or names a characteristic that the configuration no longer
    /// has: taking it out would silently drop its streams.
    pub fn load(&self, config: &Arc<Config>) -> Result<Engine, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut engine = Engine::new(Arc::clone(config));
        let mut shown = self.shown_since_settled(config)?;
        let mut query = self
            .connection
            .prepare(
                "SELECT id, characteristic, keys, newest, settled_through, state
                 FROM stream ORDER BY id",
            )
            .map_err(wrap)?;
        let mut rows = query.query([]).map_err(wrap)?;
        while let Some(row) = rows.next().map_err(wrap)? {
            let id: i64 = row.get(0).map_err(wrap)?;
            let name: String = row.get(1).map_err(wrap)?;
            let keys: String = row.get(2).map_err(wrap)?;
            let state: String = row.get(5).map_err(wrap)?;
            let Some(characteristic) = config
                .characteristics
                .iter()
                .position(|other| other.name == name)
            else {
                return Err(self.damaged(format!(
                    "it holds streams of the characteristic '{name}', which the configuration \
                     does not have; put it back, or use a new [store] folder"
                )));
            };
            let Some(keys) = list_from(&keys) else {
                return Err(self.damaged(format!("stream {id} can not be read")));
            };
            let newest = row.get(3).map_err(wrap)?;
            let settled_through = row.get(4).map_err(wrap)?;
            let (state, settled_through) =
                self.taken_over(id, state_from(&state), (settled_through, newest))?;
            let tail = self.tail(id, settled_through)?;
            let commands = self.commands(id, settled_through)?;
            let name = StreamName {
                characteristic,
                keys,
            };
            let mut stream = Stream::kept(name, state, settled_through, newest, tail, commands);
            for limits in self.open_limits(id, settled_through)? {
                stream.recall(limits);
            }
            if config.characteristics[characteristic].watch_pads {
                let kept = self.pads_of(id, settled_through)?.unwrap_or_default();
                let shown = shown.remove(stream.name()).unwrap_or_default();
                stream.recall_pads(kept, shown);
            }
            let since = counted_since(newest, config.lateness_us);
            // Between events only units with one count.
            let chart = config.characteristics[characteristic].chart;
            let units = self.units(id, since, is_between(chart))?;
            engine.restore(stream, &units);
        }
        // What this says is in the record already; it fills the engine's memory of having said it.
        engine.settle();
        Ok(engine)
    }

    /// What the panels that can still change show of their pads, where these are watched.
    fn shown_since_settled(&self, config: &Config) -> Result<Shown, StoreError> {
        let watched = config.characteristics.iter().filter(|what| what.watch_pads);
        let names: Vec<&str> = watched.map(|what| what.name.as_str()).collect();
        if names.is_empty() {
            return Ok(Shown::new());
        }
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare("SELECT characteristic, newest, settled_through FROM stream")
            .map_err(wrap)?;
        let mut rows = query.query([]).map_err(wrap)?;
        let mut since: Option<i64> = None;
        while let Some(row) = rows.next().map_err(wrap)? {
            let name: String = row.get(0).map_err(wrap)?;
            let (newest, settled): (i64, i64) =
                (row.get(1).map_err(wrap)?, row.get(2).map_err(wrap)?);
            if names.contains(&name.as_str()) && settled < newest {
                since = Some(since.map_or(settled, |since| since.min(settled)));
            }
        }
        match since {
            Some(since) => self.shown_pads(config, since.saturating_add(1)),
            None => Ok(Shown::new()),
        }
    }

    /// A kept state and what is settled by it. One of an older form that can not be taken over
    /// begins a new baseline behind all that has been judged.
    fn taken_over(
        &self,
        stream: i64,
        kept: Result<ChartState, Unusable>,
        (settled_through, newest): (i64, i64),
    ) -> Result<(ChartState, i64), StoreError> {
        match kept {
            Ok(state) => Ok((state, settled_through)),
            Err(Unusable::Older(episode)) => {
                tracing::warn!(
                    stream,
                    "its state is of an older version: a new baseline begins"
                );
                let version = 1 + self.highest_version(stream)?;
                Ok((ChartState::anew(version, episode), newest))
            }
            Err(Unusable::Newer(form)) => Err(self.damaged(format!(
                "stream {stream} was kept by a newer version of the program (form {form}); use \
                 that version"
            ))),
            Err(Unusable::Damaged) => Err(self.damaged(format!("stream {stream} can not be read"))),
        }
    }

    /// The highest version of limits or of a baseline that a stream has had.
    fn highest_version(&self, stream: i64) -> Result<u32, StoreError> {
        let query = "SELECT max(coalesce((SELECT max(version) FROM point WHERE stream = ?1), 0),
                     coalesce((SELECT max(version) FROM limits WHERE stream = ?1), 0))";
        self.connection
            .query_row(query, [stream], |row| row.get(0))
            .map_err(|source| db(&self.folder, source))
    }

    fn damaged(&self, reason: String) -> StoreError {
        StoreError::Damaged {
            path: self.folder.join(super::DATABASE),
            reason,
        }
    }

    fn tail(&self, stream: i64, settled_through: i64) -> Result<Vec<Atom>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT at, unit, content, setup FROM point
                 WHERE stream = ?1 AND at > ?2 AND kind IN (?3, ?4)",
            )
            .map_err(wrap)?;
        let kinds = (PointKind::Whole as u8, PointKind::Part as u8);
        let mut rows = query
            .query(params![stream, settled_through, kinds.0, kinds.1])
            .map_err(wrap)?;
        let mut tail = Vec::new();
        while let Some(row) = rows.next().map_err(wrap)? {
            let unit: String = row.get(1).map_err(wrap)?;
            let content: Vec<u8> = row.get(2).map_err(wrap)?;
            let setup: String = row.get(3).map_err(wrap)?;
            let (Some(content), Some(setup)) = (content_from(&content), list_from(&setup)) else {
                return Err(self.damaged(format!("the point {unit} of stream {stream}")));
            };
            let at = row.get(0).map_err(wrap)?;
            tail.push(Atom {
                at,
                unit: Arc::from(unit),
                setup,
                content,
                pads: None,
            });
        }
        Ok(tail)
    }

    /// The versions of limits that units which can still change have led to.
    fn open_limits(
        &self,
        stream: i64,
        settled_through: i64,
    ) -> Result<Vec<LimitsVersion>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT version, from_at, from_unit, to_at, to_unit, numbers, author, reason
                 FROM limits WHERE stream = ?1 AND to_at > ?2",
            )
            .map_err(wrap)?;
        let mut rows = query
            .query(params![stream, settled_through])
            .map_err(wrap)?;
        let mut found = Vec::new();
        while let Some(row) = rows.next().map_err(wrap)? {
            let unit = |column: usize| row.get::<_, String>(column).map_err(wrap);
            let version: u32 = row.get(0).map_err(wrap)?;
            let Some((limits, detection, findings)) = limits_from(&unit(5)?) else {
                return Err(self.damaged(format!("version {version} of stream {stream}")));
            };
            found.push(LimitsVersion {
                version,
                from: (row.get(1).map_err(wrap)?, Arc::from(unit(2)?)),
                to: (row.get(3).map_err(wrap)?, Arc::from(unit(4)?)),
                limits,
                detection,
                findings,
                author: unit(6)?,
                reason: unit(7)?,
            });
        }
        Ok(found)
    }

    fn units(
        &self,
        stream: i64,
        since: i64,
        with_event: bool,
    ) -> Result<Vec<(i64, u64)>, StoreError> {
        let found = units(&self.connection, stream, (since, i64::MAX), with_event);
        found.map_err(|source| db(&self.folder, source))
    }

    fn commands(&self, stream: i64, settled_through: i64) -> Result<Vec<Command>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT at, kind, author, reason FROM request
                 WHERE stream = ?1 AND taken = 1 AND at > ?2 ORDER BY at, id",
            )
            .map_err(wrap)?;
        let rows = query
            .query_map(params![stream, settled_through], command)
            .map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }

    /// What people have asked for since the last look.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn new_requests(&self) -> Result<Vec<Request>, StoreError> {
        let wrap = |source| db(&self.folder, source);
        let mut query = self
            .connection
            .prepare_cached(
                "SELECT at, kind, author, reason, id, stream FROM request
                 WHERE taken = 0 ORDER BY id",
            )
            .map_err(wrap)?;
        let rows = query
            .query_map([], |row| {
                let stream: i64 = row.get(5)?;
                Ok(Request {
                    id: row.get(4)?,
                    stream: usize::try_from(stream - 1).unwrap_or(usize::MAX),
                    command: command(row)?,
                })
            })
            .map_err(wrap)?;
        rows.collect::<rusqlite::Result<_>>().map_err(wrap)
    }
}

/// How many units a stream has had in each minute of a window, apart from late ones; where it is
/// asked for, only those with an event: their value is the number of defects.
pub(super) fn units(
    of: &Connection,
    stream: i64,
    (from, to): (i64, i64),
    with_event: bool,
) -> rusqlite::Result<Vec<(i64, u64)>> {
    let kinds = (PointKind::Whole as u8, PointKind::Part as u8);
    of.prepare_cached(
        "SELECT at - (at % 60000000 + 60000000) % 60000000 AS minute, count(*) FROM point
         WHERE stream = ?1 AND at >= ?2 AND at < ?6 AND kind IN (?3, ?4)
             AND (NOT ?5 OR value > 0)
         GROUP BY minute",
    )?
    .query_map(
        params![stream, from, kinds.0, kinds.1, with_event, to],
        |row| Ok((row.get(0)?, count(row, 1)?)),
    )?
    .collect()
}

fn command(row: &rusqlite::Row) -> rusqlite::Result<Command> {
    let kind: String = row.get(1)?;
    Ok(Command {
        at: row.get(0)?,
        kind: if kind == "freeze" {
            CommandKind::Freeze
        } else {
            CommandKind::Restart
        },
        author: row.get(2)?,
        reason: row.get(3)?,
    })
}
