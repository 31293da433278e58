//! What becomes of each notice at each channel.
//!
//! Knows neither how a channel sends nor what a notice says. The one invariant: a notice that a
//! channel is to have is waiting, sent, summed up in another one, or given up by a person; every
//! change from one to the next is kept, and none disappears.

use rusqlite::{OptionalExtension, Transaction, params};

use super::chain::Entry;
use super::notices::{NOTICE, Notice};
use super::query::count;
use super::{Reader, StoreError, Who};
use crate::words::Severity;

/// Notices that are looked at for a channel in one transaction.
const ROUTED_MAX: i64 = 500;

/// A notice on its way to a channel.
#[derive(Clone, Debug)]
pub struct Parcel {
    /// The delivery's number.
    pub delivery: i64,
    /// Attempts so far.
    pub attempts: u32,
    /// The recipients that it has still to reach, where others have it; all where empty.
    pub left: Vec<String>,
    /// What is to be sent.
    pub notice: Notice,
}

/// How a channel stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChannelRow {
    /// Its name.
    pub name: String,
    /// What kind it is.
    pub kind: String,
    /// Notices that wait for it.
    pub waiting: u64,
    /// Those of them that were tried and not taken.
    pub refused: u64,
    /// The time of the oldest of those that wait.
    pub oldest_at: Option<i64>,
    /// When it last took something.
    pub sent_at: Option<i64>,
    /// Attempts that failed since one that did not.
    pub failures: u32,
    /// When the first of them was.
    pub failing_since: Option<i64>,
    /// Nothing is tried before.
    pub next_at: i64,
    /// What failed; also what a channel complained about though it took the notice.
    pub problem: String,
    /// What to do about it.
    pub fix: String,
}

/// A delivery that waits.
#[derive(Clone, Debug)]
pub struct DeliveryRow {
    /// Its number.
    pub delivery: i64,
    /// The channel.
    pub channel: String,
    /// Attempts so far.
    pub attempts: u32,
    /// Not tried before.
    pub next_at: i64,
    /// What failed last; empty where nothing did.
    pub problem: String,
    /// What to do about it.
    pub fix: String,
    /// What waits.
    pub notice: Notice,
}

/// An attempt that failed.
#[derive(Clone, Copy, Debug)]
pub struct Failure<'a> {
    /// When, by the clock.
    pub now: i64,
    /// When to try this notice again.
    pub notice_at: i64,
    /// When to try any notice again.
    pub channel_at: i64,
    /// What failed.
    pub problem: &'a str,
    /// What to do about it.
    pub fix: &'a str,
}

/// What a person does about a delivery that waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// Send it as soon as can be.
    SendAgain,
    /// Give it up.
    GiveUp,
}

impl Act {
    /// The name in the record.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Act::SendAgain => "send again",
            Act::GiveUp => "give up",
        }
    }
}

impl Reader {
    /// Makes a channel known. One that is new is to have the notices that are written from then on;
    /// one that was known before goes on where it stopped, also where it is of another kind now.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn enlist(&self, name: &str, kind: &str, now: i64) -> Result<(), StoreError> {
        let known = self.list("SELECT kind FROM channel WHERE name = ?1", [name], |row| {
            row.get::<_, String>(0)
        })?;
        if known.first().is_some_and(|known| known == kind) {
            return Ok(());
        }
        self.change(&Entry::own(now, "channel", name), |to| {
            to.execute(
                "INSERT INTO channel (name, kind, routed)
                 VALUES (?1, ?2, (SELECT coalesce(max(id), 0) FROM notice))
                 ON CONFLICT (name) DO UPDATE SET kind = excluded.kind",
                params![name, kind],
            )?;
            Ok(())
        })
    }

    /// Puts new notices in a channel's queue where they are wanted there; tells whether there may
    /// be more.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn route(
        &self,
        channel: &str,
        now: i64,
        is_wanted: impl Fn(&Notice) -> bool,
    ) -> Result<bool, StoreError> {
        let sql = format!(
            "SELECT n.id, n.channel, {NOTICE} FROM notice n
             WHERE n.id > (SELECT routed FROM channel WHERE name = ?1) ORDER BY n.id LIMIT ?2"
        );
        let found = self.list(&sql, params![channel, ROUTED_MAX], |row| {
            let only: Option<String> = row.get(1)?;
            Ok((row.get::<_, i64>(0)?, only, Notice::read(row, 2)?))
        })?;
        let Some(&(through, ..)) = found.last() else {
            return Ok(false);
        };
        let subject = format!("{channel} up to notice {through}");
        self.change(&Entry::own(now, "routed", &subject), |to| {
            for (id, only, notice) in &found {
                let is_own = only.as_ref().is_none_or(|only| only == channel);
                if is_own && is_wanted(notice) {
                    queue(to, *id, channel, now)?;
                }
            }
            to.execute(
                "UPDATE channel SET routed = ?2 WHERE name = ?1",
                params![channel, through],
            )?;
            Ok(())
        })?;
        Ok(i64::try_from(found.len()).is_ok_and(|length| length == ROUTED_MAX))
    }

    /// What a channel may send now, oldest first: of at least a severity, a bounded number. No wait
    /// is longer than `longest`: one that is was begun under a clock that was ahead.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn due(
        &self,
        channel: &str,
        (now, longest): (i64, i64),
        from: Severity,
        most: usize,
    ) -> Result<Vec<Parcel>, StoreError> {
        let severities: Vec<String> = Severity::ALL
            .iter()
            .filter(|(_, severity)| *severity >= from)
            .map(|(name, _)| format!("'{name}'"))
            .collect();
        let sql = format!(
            "SELECT d.id, d.attempts, (SELECT json_group_array(l.address) FROM delivery_left l
                     WHERE l.delivery = d.id), {NOTICE}
             FROM delivery d JOIN notice n ON n.id = d.notice
             WHERE d.channel = ?1 AND d.state = 'waiting'
                 AND (d.next_at <= ?2 OR d.next_at > ?3)
                 AND n.severity IN ({}) ORDER BY d.notice LIMIT ?4",
            severities.join(", ")
        );
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        let ahead = now.saturating_add(longest);
        self.list(&sql, params![channel, now, ahead, most], |row| {
            let left: String = row.get(2)?;
            Ok(Parcel {
                delivery: row.get(0)?,
                attempts: row.get(1)?,
                left: serde_json::from_str(&left).unwrap_or_default(),
                notice: Notice::read(row, 3)?,
            })
        })
    }

    /// How many notices a channel has taken since a time, also where it has not taken them for all
    /// of its recipients. What was taken under a clock that was ahead does not count.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn sent_between(&self, channel: &str, since: i64, now: i64) -> Result<u64, StoreError> {
        let found = self.list(
            "SELECT (SELECT count(*) FROM delivery
                 WHERE channel = ?1 AND state = 'sent' AND changed_at > ?2 AND changed_at <= ?3)
             + (SELECT count(*) FROM delivery d
                 WHERE channel = ?1 AND state = 'waiting' AND changed_at > ?2 AND changed_at <= ?3
                     AND EXISTS (SELECT 1 FROM delivery_left WHERE delivery = d.id))",
            params![channel, since, now],
            |row| count(row, 0),
        )?;
        Ok(found.first().copied().unwrap_or(0))
    }

    /// Keeps that a channel took notices; it may have complained all the same.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn sent(
        &self,
        channel: &str,
        parcels: &[Parcel],
        (problem, fix): (&str, &str),
        now: i64,
    ) -> Result<(), StoreError> {
        self.change(&Entry::own(now, "sent", channel), |to| {
            for parcel in parcels {
                to.prepare_cached(
                    "UPDATE delivery SET state = 'sent', attempts = attempts + 1, changed_at = ?2,
                         problem = ?3, fix = ?4
                     WHERE id = ?1",
                )?
                .execute(params![parcel.delivery, now, problem, fix])?;
                keep_left(to, parcel.delivery, &[])?;
            }
            channel_took(to, channel, (problem, fix), now)
        })
    }

    /// Keeps that a channel took a notice for some of its recipients, and who is left.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn sent_in_part(
        &self,
        channel: &str,
        (parcel, left): (&Parcel, &[String]),
        failure: Failure,
    ) -> Result<(), StoreError> {
        let Failure {
            now, problem, fix, ..
        } = failure;
        self.change(&Entry::own(now, "sent in part", channel), |to| {
            again_later(to, parcel, failure)?;
            keep_left(to, parcel.delivery, left)?;
            channel_took(to, channel, (problem, fix), now)
        })
    }

    /// Keeps that an attempt failed.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn failed(
        &self,
        channel: &str,
        parcel: &Parcel,
        failure: Failure,
    ) -> Result<(), StoreError> {
        let Failure {
            now, problem, fix, ..
        } = failure;
        self.change(&Entry::own(now, "not sent", channel), |to| {
            again_later(to, parcel, failure)?;
            to.execute(
                "UPDATE channel SET failures = failures + 1,
                     failing_since = coalesce(failing_since, ?2), next_at = ?3, problem = ?4,
                     fix = ?5
                 WHERE name = ?1",
                params![channel, now, failure.channel_at, problem, fix],
            )?;
            Ok(())
        })
    }

    /// Puts one notice in the place of many that wait for the same recipients, all of them oldest
    /// first.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn sum_up(
        &self,
        channel: &str,
        parcels: &[Parcel],
        summary: &Notice,
        now: i64,
    ) -> Result<(), StoreError> {
        self.change(&Entry::own(now, "summed", channel), |to| {
            let id = summary.write(to, Some(channel))?;
            for parcel in parcels {
                to.prepare_cached(
                    "UPDATE delivery SET state = 'summed', summary = ?2, changed_at = ?3
                     WHERE id = ?1 AND state = 'waiting'",
                )?
                .execute(params![parcel.delivery, id, now])?;
                keep_left(to, parcel.delivery, &[])?;
            }
            queue(to, id, channel, now)?;
            let delivery: i64 = to.query_row(
                "SELECT id FROM delivery WHERE channel = ?1 AND notice = ?2",
                params![channel, id],
                |row| row.get(0),
            )?;
            let left = parcels.first().map_or(&[][..], |parcel| &parcel.left);
            keep_left(to, delivery, left)
        })
    }

    /// The notices that a summary stands for, oldest first.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn summed(&self, key: &str) -> Result<Vec<Notice>, StoreError> {
        let sql = format!(
            "SELECT {NOTICE} FROM delivery d JOIN notice n ON n.id = d.notice
             WHERE d.state = 'summed' AND d.summary = (SELECT id FROM notice WHERE key = ?1)
             ORDER BY n.id"
        );
        self.list(&sql, [key], |row| Notice::read(row, 0))
    }

    /// How every channel stands that the record knows, by name.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn channels(&self) -> Result<Vec<ChannelRow>, StoreError> {
        self.channels_named(None)
    }

    /// How one channel stands.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn channel(&self, name: &str) -> Result<Option<ChannelRow>, StoreError> {
        Ok(self.channels_named(Some(name))?.pop())
    }

    fn channels_named(&self, name: Option<&str>) -> Result<Vec<ChannelRow>, StoreError> {
        self.list(
            "SELECT c.name, c.kind, count(d.id), min(n.at), c.sent_at, c.failures,
                 c.failing_since, c.next_at, c.problem, c.fix, count(iif(d.attempts > 0, 1, NULL))
             FROM channel c
             LEFT JOIN delivery d ON d.channel = c.name AND d.state = 'waiting'
             LEFT JOIN notice n ON n.id = d.notice
             WHERE ?1 IS NULL OR c.name = ?1
             GROUP BY c.name ORDER BY c.name",
            [name],
            |row| {
                Ok(ChannelRow {
                    name: row.get(0)?,
                    kind: row.get(1)?,
                    waiting: count(row, 2)?,
                    oldest_at: row.get(3)?,
                    sent_at: row.get(4)?,
                    failures: row.get(5)?,
                    failing_since: row.get(6)?,
                    next_at: row.get(7)?,
                    problem: row.get(8)?,
                    fix: row.get(9)?,
                    refused: count(row, 10)?,
                })
            },
        )
    }

    /// Deliveries that wait, oldest first, a bounded number.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn waiting(&self, most: usize) -> Result<Vec<DeliveryRow>, StoreError> {
        let sql = format!(
            "SELECT d.id, d.channel, d.attempts, max(d.next_at, coalesce(c.next_at, 0)),
                 d.problem, d.fix, {NOTICE}
             FROM delivery d JOIN notice n ON n.id = d.notice
             LEFT JOIN channel c ON c.name = d.channel
             WHERE d.state = 'waiting' ORDER BY d.id LIMIT ?1"
        );
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        self.list(&sql, [most], |row| {
            Ok(DeliveryRow {
                delivery: row.get(0)?,
                channel: row.get(1)?,
                attempts: row.get(2)?,
                next_at: row.get(3)?,
                problem: row.get(4)?,
                fix: row.get(5)?,
                notice: Notice::read(row, 6)?,
            })
        })
    }

    /// Does what a person wants of a delivery; tells whether it was waiting.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn act_on_delivery(&self, delivery: i64, act: Act, who: Who) -> Result<bool, StoreError> {
        let subject = format!("delivery {delivery}");
        self.change(&who.entry(act.name(), &subject), |to| {
            let channel: Option<String> = to
                .query_row(
                    "SELECT channel FROM delivery WHERE id = ?1 AND state = 'waiting'",
                    [delivery],
                    |row| row.get(0),
                )
                .optional()?;
            let Some(channel) = channel else {
                return Ok(false);
            };
            to.execute(
                "INSERT INTO delivery_act (delivery, what, at, who, reason)
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![delivery, act.name(), who.now, who.author, who.reason],
            )?;
            let change = match act {
                Act::SendAgain => "next_at = 0",
                Act::GiveUp => "state = 'discarded'",
            };
            to.execute(
                &format!("UPDATE delivery SET {change}, changed_at = ?2 WHERE id = ?1"),
                params![delivery, who.now],
            )?;
            if act == Act::SendAgain {
                to.execute("UPDATE channel SET next_at = 0 WHERE name = ?1", [channel])?;
            }
            Ok(true)
        })
    }
}

/// Puts a notice in a channel's queue, unless it was put there when it was written.
fn queue(to: &Transaction, notice: i64, channel: &str, now: i64) -> rusqlite::Result<()> {
    to.prepare_cached(
        "INSERT INTO delivery (notice, channel, state, changed_at) VALUES (?1, ?2, 'waiting', ?3)
         ON CONFLICT (channel, notice) DO NOTHING",
    )?
    .execute(params![notice, channel, now])?;
    Ok(())
}

/// Has a delivery tried again, after an attempt that failed at least in part.
fn again_later(to: &Transaction, parcel: &Parcel, failure: Failure) -> rusqlite::Result<usize> {
    to.execute(
        "UPDATE delivery SET attempts = attempts + 1, next_at = ?2, changed_at = ?3,
             problem = ?4, fix = ?5
         WHERE id = ?1 AND state = 'waiting'",
        params![
            parcel.delivery,
            failure.notice_at,
            failure.now,
            failure.problem,
            failure.fix
        ],
    )
}

/// Keeps that a channel took something, whatever it complains of.
fn channel_took(
    to: &Transaction,
    channel: &str,
    (problem, fix): (&str, &str),
    now: i64,
) -> rusqlite::Result<()> {
    to.execute(
        "UPDATE channel SET sent_at = ?2, failures = 0, failing_since = NULL, next_at = 0,
             problem = ?3, fix = ?4
         WHERE name = ?1",
        params![channel, now, problem, fix],
    )?;
    Ok(())
}

/// Keeps the recipients that a delivery has still to reach.
fn keep_left(to: &Transaction, delivery: i64, left: &[String]) -> rusqlite::Result<()> {
    to.prepare_cached("DELETE FROM delivery_left WHERE delivery = ?1")?
        .execute([delivery])?;
    for address in left {
        to.prepare_cached("INSERT OR IGNORE INTO delivery_left VALUES (?1, ?2)")?
            .execute(params![delivery, address])?;
    }
    Ok(())
}
