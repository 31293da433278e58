//! One channel: puts notices in its queue, sends what is due, keeps what became of it.
//!
//! Knows neither how the channel sends nor where else notices go. The one invariant: what was sent
//! is kept before anything else is sent, so a crash repeats at most what was under way.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use super::carriers::{Carrier, Fault, Load, Receipt};
use super::compose;
use super::pace::{self, Passing};
use crate::config::Config;
use crate::config::channel::{Channel, Filter, Way};
use crate::store::{ChannelRow, Failure, Notice, Parcel, Reader, StoreError};
use crate::words::Severity;

#[cfg(test)]
mod tests;

/// Notices that wait for a channel; what is more is summed up in one.
const QUEUE_MAX: usize = 1_000;

/// Lines that a file gets at one go.
const LINES_MAX: usize = 500;

/// Notices refused one after another from which on the channel itself is given time.
const REFUSED_MAX: u32 = 3;

/// How often the record is asked for news.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// What to do after a turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// There may be more.
    Go,
    /// Nothing is due for some time.
    Wait(Duration),
}

/// One channel at work.
pub(super) struct Worker {
    config: Arc<Config>,
    channel: Channel,
    carrier: Box<dyn Carrier>,
    /// What was tried and the record has refused to keep so far.
    tried: Option<Tried>,
}

/// What became of notices.
struct Tried {
    parcels: Vec<Parcel>,
    carried: Result<Receipt, Fault>,
    /// Failures before, one after another.
    failures: u32,
    at: i64,
}

impl Worker {
    pub(super) fn new(
        config: &Arc<Config>,
        channel: &Channel,
        carrier: Box<dyn Carrier>,
    ) -> Worker {
        Worker {
            config: Arc::clone(config),
            channel: channel.clone(),
            carrier,
            tried: None,
        }
    }

    /// Sends what is due, a little at a time.
    pub(super) fn turn(
        &mut self,
        reader: &Reader,
        chance: f64,
        clock: &dyn Fn() -> i64,
    ) -> Result<Next, StoreError> {
        self.settle(reader, chance)?;
        let now = clock();
        let name = &self.channel.name;
        let filter = &self.channel.filter;
        if reader.route(name, now, |notice| takes(filter, notice))? {
            return Ok(Next::Go);
        }
        let Some(row) = reader.channel(name)?.filter(|row| row.waiting > 0) else {
            return Ok(Next::Wait(LOOK_EVERY));
        };
        if self.shorten(reader, &row, now)? {
            return Ok(Next::Go);
        }
        let Some(due) = self.due(reader, &row, now)? else {
            return Ok(Next::Wait(LOOK_EVERY));
        };
        let due = match due {
            Due::Send(parcels) => parcels,
            Due::SummedUp => return Ok(Next::Go),
        };
        let carried = self.carry(reader, &due);
        self.tried = Some(Tried {
            parcels: due,
            carried,
            failures: row.failures,
            at: clock(),
        });
        // At once: whoever ends this worker now must not have it sent again.
        self.settle(reader, chance)?;
        Ok(Next::Go)
    }

    /// Keeps what became of what was tried. Where the record refuses, it remains to be kept.
    pub(super) fn settle(&mut self, reader: &Reader, chance: f64) -> Result<(), StoreError> {
        if let Some(tried) = &self.tried {
            self.keep(reader, tried, chance)?;
            self.tried = None;
        }
        Ok(())
    }

    /// What may leave now; nothing where none may.
    fn due(&self, reader: &Reader, row: &ChannelRow, now: i64) -> Result<Option<Due>, StoreError> {
        let name = &self.channel.name;
        if !pace::is_over(row.next_at, now) {
            return Ok(None);
        }
        let passing = pace::passing(self.channel.quiet.as_ref(), &self.config.zone, now);
        let Passing::From(severity) = passing else {
            return Ok(None);
        };
        let sent = match self.channel.notices_per_minute {
            Some(_) => reader.sent_between(name, now - pace::MINUTE_US, now)?,
            None => 0,
        };
        let room = pace::room(self.channel.notices_per_minute, sent);
        let most = match (&self.channel.way, room) {
            (_, 0) => return Ok(None),
            (Way::File(_), _) => LINES_MAX,
            (_, 1) => QUEUE_MAX,
            _ => 1,
        };
        let times = (now, pace::WAIT_MAX_US);
        let mut due = reader.due(name, times, severity, most)?;
        if room == 1 {
            let is_summary = due.first().is_some_and(is_summary);
            if !is_summary && self.sum_up(reader, &due, now)? {
                return Ok(Some(Due::SummedUp));
            }
            due.truncate(1);
        }
        Ok((!due.is_empty()).then_some(Due::Send(due)))
    }

    fn carry(&mut self, reader: &Reader, due: &[Parcel]) -> Result<Receipt, Fault> {
        let notices: Vec<&Notice> = due.iter().map(|parcel| &parcel.notice).collect();
        self.carrier.carry(&Load {
            reader: Some(reader),
            left: due.first().map_or(&[], |parcel| &parcel.left),
            ..Load::of(&notices)
        })
    }

    /// Keeps what became of notices.
    fn keep(&self, reader: &Reader, tried: &Tried, chance: f64) -> Result<(), StoreError> {
        let (name, now) = (&self.channel.name, tried.at);
        let fault = match &tried.carried {
            Ok(receipt) => {
                let (mut problem, mut fix) = ("", "");
                if let Some(complaint) = &receipt.complaint {
                    (problem, fix) = (&complaint.0, &complaint.1);
                    tracing::warn!(channel = %name, %problem, "sent, with a complaint");
                }
                if let [parcel] = tried.parcels.as_slice()
                    && !receipt.left.is_empty()
                {
                    let failure = Failure {
                        now,
                        notice_at: now + pace::wait_us(parcel.attempts + 1, chance),
                        channel_at: 0,
                        problem,
                        fix,
                    };
                    return reader.sent_in_part(name, (parcel, &receipt.left), failure);
                }
                return reader.sent(name, &tried.parcels, (problem, fix), now);
            }
            Err(fault) => fault,
        };
        let Some(parcel) = tried.parcels.first() else {
            return Ok(());
        };
        let failures = tried.failures.saturating_add(1);
        tracing::error!(
            channel = %name, problem = %fault.problem, fix = %fault.fix, failures, "notices wait"
        );
        let after = |failures| now + pace::wait_us(failures, chance);
        let (notice_at, channel_at) = match fault.is_of_notice {
            false => (0, after(failures)),
            true if failures < REFUSED_MAX => (after(parcel.attempts + 1), 0),
            true => (after(parcel.attempts + 1), after(failures)),
        };
        let failure = Failure {
            now,
            notice_at,
            channel_at,
            problem: &fault.problem,
            fix: &fault.fix,
        };
        reader.failed(name, parcel, failure)
    }

    /// Keeps the queue within its bound: sums up the oldest of what waits. Tells whether it did.
    fn shorten(&self, reader: &Reader, row: &ChannelRow, now: i64) -> Result<bool, StoreError> {
        let is_file = matches!(self.channel.way, Way::File(_));
        if is_file || usize::try_from(row.waiting).is_ok_and(|waiting| waiting <= QUEUE_MAX) {
            return Ok(false);
        }
        let all = (i64::MAX, 0);
        let oldest = reader.due(&self.channel.name, all, Severity::Low, QUEUE_MAX + 1)?;
        self.sum_up(reader, &oldest, now)
    }

    /// Puts one notice in the place of several: of most that wait for the same recipients, so that
    /// nobody is told again of what they have. Tells whether it did.
    fn sum_up(&self, reader: &Reader, due: &[Parcel], now: i64) -> Result<bool, StoreError> {
        let mut alike: BTreeMap<&[String], Vec<Parcel>> = BTreeMap::new();
        for parcel in due.iter().filter(|one| !is_summary(one)) {
            alike.entry(&parcel.left).or_default().push(parcel.clone());
        }
        let Some(several) = alike.into_values().max_by_key(Vec::len) else {
            return Ok(false);
        };
        if several.len() < 2 {
            return Ok(false);
        }
        let record = reader.identity()?;
        let summary = compose::summary(&record, &self.channel.name, &several, now);
        reader.sum_up(&self.channel.name, &several, &summary, now)?;
        Ok(true)
    }
}

/// What is due at a channel.
enum Due {
    /// These can leave.
    Send(Vec<Parcel>),
    /// They were too many, and wait as one.
    SummedUp,
}

fn is_summary(parcel: &Parcel) -> bool {
    parcel.notice.kind == "summary"
}

/// Whether a filter lets a notice pass.
fn takes(filter: &Filter, notice: &Notice) -> bool {
    let has = |list: &[String], value: &String| list.is_empty() || list.contains(value);
    (notice.line.is_empty() || has(&filter.lines, &notice.line))
        && (filter.severities.is_empty() || filter.severities.contains(&notice.severity))
        && has(&filter.states, &notice.state)
        && has(&filter.events, &notice.kind)
}
