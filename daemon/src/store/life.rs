//! The life of alerts beside signals: what people do, and what time does.
//!
//! Knows no chart and no output. The one invariant: every change leaves an event, in the same
//! transaction, with who, when and why.

use std::collections::BTreeMap;

use rusqlite::{Transaction, params};

use super::alerts::ServiceRow;
use super::chain::Entry;
use super::{Reader, Store, StoreError, Who, db};
use crate::config::{Alerting, Config, Feed, Key};
use crate::engine::{PointKind, StreamName};

/// What a person wants done with an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlertAct<'a> {
    /// Add words.
    Comment,
    /// Keep it quiet until a time on the clock.
    Shelve(i64),
    /// Let it speak again.
    Unshelve,
    /// Close it: the cause, and what was done about it.
    Close {
        /// One of the plant's causes.
        cause: &'a str,
        /// What was done.
        action: &'a str,
    },
}

impl AlertAct<'_> {
    /// The name of the event.
    fn name(self) -> &'static str {
        match self {
            AlertAct::Comment => "commented",
            AlertAct::Shelve(_) => "shelved",
            AlertAct::Unshelve => "unshelved",
            AlertAct::Close { .. } => "closed",
        }
    }

    /// Changes the alert; tells whether it is in a state in which that can be.
    fn apply(self, to: &Transaction, alert: i64, who: Who) -> rusqlite::Result<bool> {
        let changed = match self {
            AlertAct::Comment => to.execute("UPDATE alert SET id = id WHERE id = ?1", [alert]),
            AlertAct::Shelve(until) => to.execute(
                "UPDATE alert SET shelved_until = ?2
                 WHERE id = ?1 AND revised = 0 AND closed_at IS NULL",
                [alert, until],
            ),
            AlertAct::Unshelve => to.execute(
                "UPDATE alert SET shelved_until = NULL
                 WHERE id = ?1 AND shelved_until IS NOT NULL",
                [alert],
            ),
            AlertAct::Close { cause, action } => to.execute(
                "UPDATE alert SET closed_at = ?2, closed_by = ?3, cause = ?4, action = ?5,
                     shelved_until = NULL, verified_at = NULL, closed_through =
                     (SELECT max(s.newest) FROM episode e JOIN stream s ON s.id = e.stream
                      WHERE e.alert = ?1 AND e.revised = 0)
                 WHERE id = ?1 AND revised = 0 AND closed_at IS NULL
                     AND acknowledged_at IS NOT NULL",
                params![alert, who.now, who.author, cause, action],
            ),
        }?;
        Ok(changed == 1)
    }
}

impl Reader {
    /// Does something with an alert, where its state allows; tells whether it did.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn act(&self, alert: i64, act: AlertAct, who: Who) -> Result<bool, StoreError> {
        let subject = format!("alert {alert}");
        self.change(&who.entry(act.name(), &subject), |to| {
            let done = act.apply(to, alert, who)?;
            if done {
                event(to, (alert, act.name()), (who.author, who.reason), who.now)?;
            }
            Ok(done)
        })
    }

    /// Takes a stream out of service, or back into it; tells whether that is a change.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn serve(&self, stream: i64, what: Service, who: Who) -> Result<bool, StoreError> {
        let subject = format!("stream {stream}");
        self.change(&who.entry(what.name(), &subject), |to| {
            let is_out: bool = to.query_row(IS_OUT, [stream], |row| row.get(0))?;
            if is_out == (what == Service::Out) {
                return Ok(false);
            }
            to.execute(
                "INSERT INTO service (stream, what, at, who, reason) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![stream, what.name(), who.now, who.author, who.reason],
            )?;
            Ok(true)
        })
    }

    /// Streams that are out of service: since when, by whom and why.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn out_of_service(&self) -> Result<Vec<ServiceRow>, StoreError> {
        self.list(
            "SELECT stream, at, who, reason FROM service s
             WHERE what = 'out of service'
                 AND id = (SELECT max(id) FROM service n WHERE n.stream = s.stream)
             ORDER BY stream",
            [],
            |row| {
                Ok(ServiceRow {
                    stream: row.get(0)?,
                    at: row.get(1)?,
                    who: row.get(2)?,
                    reason: row.get(3)?,
                })
            },
        )
    }
}

/// Whether a stream is out of service.
pub(super) const IS_OUT: &str = "SELECT coalesce((SELECT what = 'out of service' FROM service
     WHERE stream = ?1 ORDER BY id DESC LIMIT 1), 0)";

/// In service, or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Service {
    /// Signals raise alerts that nobody is called for.
    Out,
    /// Signals raise alerts.
    In,
}

impl Service {
    /// The name in the record and in output.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Service::Out => "out of service",
            Service::In => "in service",
        }
    }
}

/// Keeps what happened to an alert.
fn event(
    to: &Transaction,
    (alert, what): (i64, &str),
    (who, words): (&str, &str),
    now: i64,
) -> rusqlite::Result<()> {
    to.prepare_cached(
        "INSERT INTO alert_event (alert, at, what, who, comment) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?
    .execute(params![alert, now, what, who, words])?;
    Ok(())
}

/// Keeps what time has done to an alert. Nobody hears of one that calls nobody: because it is
/// suppressed, or because it is over.
fn passed(
    to: &Transaction,
    (alert, what): (i64, &str),
    words: &str,
    now: i64,
) -> rusqlite::Result<()> {
    to.prepare_cached(
        "INSERT INTO alert_event (alert, at, what, who, comment, quiet)
         SELECT id, ?2, ?3, 'driftvane', ?4, suppressed IS NOT NULL OR returned_at IS NOT NULL
         FROM alert WHERE id = ?1",
    )?
    .execute(params![alert, now, what, words])?;
    Ok(())
}

/// What time does to alerts: the event, its words, which alerts, and what changes.
type Timer = (&'static str, &'static str, &'static str, &'static str);

/// The times that a timer compares: now, how long nobody has to acknowledge an alert, how long it
/// may go on untold; the latter two are 0 where that is switched off.
const TIMES: &str = "WITH t (now, escalate, remind) AS (VALUES (?1, ?2, ?3))";

const TIMERS: [Timer; 3] = [
    (
        "shelving ended",
        "",
        "shelved_until <= t.now",
        "shelved_until = NULL, reminded_at = t.now",
    ),
    (
        "escalated",
        "nobody has acknowledged it",
        "t.escalate > 0 AND raised_at <= t.now - t.escalate AND acknowledged_at IS NULL
             AND escalated_at IS NULL AND returned_at IS NULL AND closed_at IS NULL
             AND shelved_until IS NULL AND suppressed IS NULL",
        "escalated_at = t.now, reminded_at = t.now",
    ),
    (
        "reminded",
        "it goes on",
        "t.remind > 0 AND coalesce(reminded_at, raised_at) <= t.now - t.remind
             AND returned_at IS NULL AND closed_at IS NULL AND shelved_until IS NULL
             AND suppressed IS NULL",
        "reminded_at = t.now",
    ),
];

impl Store {
    /// Does what is due by the clock. Tells how many alerts it was due for.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn timers(&mut self, rules: &Alerting, now: i64) -> Result<usize, StoreError> {
        let folder = self.folder.clone();
        let wrap = |source| db(&folder, source);
        let times = params![now, rules.escalate_us, rules.remind_us];
        let mut due = Vec::new();
        for timer in TIMERS {
            let sql = format!(
                "{TIMES} SELECT id FROM alert, t WHERE revised = 0 AND {}",
                timer.2
            );
            let mut query = self.connection.prepare_cached(&sql).map_err(wrap)?;
            let alerts = query.query_map(times, |row| row.get(0)).map_err(wrap)?;
            let alerts = alerts.collect::<rusqlite::Result<Vec<i64>>>();
            due.extend(
                alerts
                    .map_err(wrap)?
                    .into_iter()
                    .map(|alert| (alert, timer)),
            );
        }
        if due.is_empty() {
            return Ok(0);
        }
        let subject = format!("{} due", due.len());
        self.write(&Entry::own(now, "timers", &subject), |to| {
            let mut done = 0;
            for (alert, timer) in due {
                // Somebody may have acted since; and one timer at a time is enough for an alert.
                let sql = format!(
                    "{TIMES} UPDATE alert SET {} FROM t WHERE id = ?4 AND {}",
                    timer.3, timer.2
                );
                let with = params![now, rules.escalate_us, rules.remind_us, alert];
                if to.prepare_cached(&sql)?.execute(with)? == 1 {
                    passed(to, (alert, timer.0), timer.1, now)?;
                    done += 1;
                }
            }
            Ok(done)
        })
    }
}

/// What is known of streams that call nobody.
pub(super) struct Suppression<'a> {
    of: &'a Transaction<'a>,
    config: &'a Config,
}

impl<'a> Suppression<'a> {
    pub(super) fn new(of: &'a Transaction<'a>, config: &'a Config) -> Suppression<'a> {
        Suppression { of, config }
    }

    /// Why an episode of a stream calls nobody; nothing where it does.
    pub(super) fn why(
        &self,
        (stream, name): (i64, &StreamName),
        first_at: i64,
    ) -> rusqlite::Result<Option<&'static str>> {
        let mut query = self.of.prepare_cached(IS_OUT)?;
        if query.query_row([stream], |row| row.get(0))? {
            return Ok(Some("out of service"));
        }
        let window = self.config.alerts.changeover_us;
        if window == 0 {
            return Ok(None);
        }
        let what = &self.config.characteristics[name.characteristic];
        let mut keys = what.group_by.iter().zip(&name.keys);
        let line = keys.find_map(|(key, value)| (*key == Key::Line).then_some(&**value));
        let is_its = |feed: &&Feed| {
            feed.station == what.station && line.is_none_or(|line| feed.line == line)
        };
        // Boards of which no product is known say nothing about one.
        let mut query = self.of.prepare_cached(
            "SELECT DISTINCT feed, product FROM unit
             WHERE at > ?1 AND at <= ?2 AND product <> '' LIMIT 1000",
        )?;
        let mut rows = query.query([first_at.saturating_sub(window), first_at])?;
        let mut products: BTreeMap<String, String> = BTreeMap::new();
        while let Some(row) = rows.next()? {
            let (feed, product): (String, String) = (row.get(0)?, row.get(1)?);
            let mut feeds = self.config.feeds.iter().filter(is_its);
            let Some(known) = feeds.find(|one| one.name == feed) else {
                continue;
            };
            let before = products.insert(known.line.clone(), product.clone());
            if before.is_some_and(|before| before != product) {
                return Ok(Some("changeover"));
            }
        }
        Ok(None)
    }
}

/// Looks at what was closed: enough points in control verify it, a signal opens it again, also one
/// after that which still belongs to it.
pub(super) fn verify(
    to: &Transaction,
    points: u32,
    now: i64,
    tell: &mut dyn FnMut(i64, &'static str) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let closed: Vec<(i64, i64, bool, bool)> = to
        .prepare_cached(
            "SELECT id, closed_through, returned_at IS NOT NULL, verified_at IS NOT NULL FROM alert
             WHERE closed_at IS NOT NULL AND revised = 0
                 AND (verified_at IS NULL OR returned_at IS NULL)",
        )?
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?
        .collect::<rusqlite::Result<_>>()?;
    for (alert, through, is_returned, is_verified) in closed {
        let (fewest, signals) = since_closing(to, alert, through)?;
        if signals || is_verified {
            to.execute(
                "UPDATE alert SET closed_at = NULL, closed_by = NULL, cause = NULL, action = NULL,
                     closed_through = NULL, verified_at = NULL WHERE id = ?1",
                [alert],
            )?;
            tell(alert, "reopened")?;
        } else if is_returned && fewest >= i64::from(points) {
            to.execute(
                "UPDATE alert SET verified_at = ?2 WHERE id = ?1",
                [alert, now],
            )?;
            tell(alert, "verified")?;
        }
    }
    Ok(())
}

/// Points since a closing: the fewest that any stream of the alert has, and whether one signals.
pub(super) fn since_closing(
    of: &rusqlite::Connection,
    alert: i64,
    through: i64,
) -> rusqlite::Result<(i64, bool)> {
    of.prepare_cached(
        "SELECT coalesce(min(points), 0), coalesce(max(signals), 0) FROM (
             SELECT (SELECT count(*) FROM point p WHERE p.stream = e.stream AND p.at > ?2
                         AND p.kind IN (?3, ?4)) AS points,
                 EXISTS (SELECT 1 FROM point p WHERE p.stream = e.stream AND p.at > ?2
                         AND p.signals <> '') AS signals
             FROM (SELECT DISTINCT stream FROM episode WHERE alert = ?1 AND revised = 0) e)",
    )?
    .query_row(
        params![
            alert,
            through,
            PointKind::Whole as u8,
            PointKind::Group as u8
        ],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )
}
