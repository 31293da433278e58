//! `driftvane alerts health`: whether alerts are few, answered and believed.
//!
//! Counts what the record holds in a window of event time. Knows no page and no SQL. The one
//! invariant: raised is every alert with a first signal in the window, also where nobody was called
//! for it; all that is said of how alerts came and were answered is of the others.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::commands::outbox::{ChannelState, channels};
use crate::commands::{CommandError, characteristic, moment, utc};
use crate::config::Config;
use crate::output::{self, Format, Table, number_of};
use crate::store::Reader;
use crate::store::alerts::AlertRow;

mod spread;

const MINUTE_US: i64 = 60_000_000;
const HOUR_US: i64 = 60 * MINUTE_US;
const DAY_US: i64 = 24 * HOUR_US;

/// What a window is measured against. Common practice after ISA-18.2 and EEMUA 191, from memory:
/// for one person who answers.
mod target {
    /// Alerts in an hour, on average.
    pub const HOURLY: f64 = 6.0;
    /// Alerts in ten minutes, on average.
    pub const IN_TEN_MINUTES: f64 = 1.0;
    /// Alerts in a day, on average.
    pub const DAILY: f64 = 150.0;
    /// Alerts in any ten minutes; a flood begins with as many.
    pub const MOST: usize = 10;
    /// A flood ends with ten minutes of fewer.
    pub const FLOOD_ENDS: usize = 5;
    /// Alerts in an hour that is too busy.
    pub const BUSY_HOUR: u64 = 30;
    /// The share of time in floods, of busy hours and of busy slots.
    pub const SHARE: f64 = 0.01;
    /// The share of the ten streams with most alerts.
    pub const TEN: f64 = 0.05;
    /// Alerts that are stale.
    pub const STALE: u64 = 5;
    /// The share of alerts of high severity.
    pub const HIGH: f64 = 0.05;
}

/// So many episodes of a stream within [`CHATTER_US`] are chattering.
const CHATTER: usize = 3;

/// Eight hours.
const CHATTER_US: i64 = 8 * HOUR_US;

/// A stream judged this many times its run length without a signal has been silent for too long: of
/// streams with right limits, one in twenty is as silent by chance.
const SILENT: f64 = 3.0;

/// Streams of each list; the others are counted.
const LISTED_MAX: usize = 100;

/// The figures of a window.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Health {
    /// From this event time on, RFC 3339 in UTC.
    pub from: String,
    /// Up to this one.
    pub to: String,
    /// The figures with what they are measured against.
    pub figures: Vec<Figure>,
    /// Streams worth looking at.
    pub streams: Vec<Remark>,
    /// Streams worth looking at beyond those that are listed.
    pub streams_more: usize,
    /// How often each cause was found.
    pub causes: BTreeMap<String, u64>,
}

/// A figure.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// What is measured.
    pub figure: &'static str,
    /// How much; absent where there is nothing to measure.
    pub value: Option<f64>,
    /// `alerts`, `floods`, `share`, `minutes`.
    pub unit: &'static str,
    /// At most so much is wanted, where there is a target.
    pub target: Option<f64>,
    /// Whether the target is met.
    pub is_met: Option<bool>,
}

impl Figure {
    /// A number of the figure in words: a share in percent.
    #[must_use]
    pub fn words(&self, number: f64) -> String {
        match self.unit {
            "share" => format!("{:.1} %", 100.0 * number),
            _ if number.fract() == 0.0 => format!("{number:.0}"),
            _ => format!("{number:.2}"),
        }
    }

    fn new(figure: &'static str, value: Option<f64>, unit: &'static str) -> Figure {
        Figure {
            figure,
            value,
            unit,
            target: None,
            is_met: None,
        }
    }

    fn against(mut self, target: f64) -> Figure {
        self.target = Some(target);
        self.is_met = self.value.map(|value| value <= target);
        self
    }
}

/// A stream worth looking at.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remark {
    /// The stream.
    pub stream: String,
    /// `silent for too long`, `chatters`, `small baseline`, `out of service`.
    pub what: &'static str,
    /// Why that is said.
    pub why: String,
}

impl Remark {
    /// The remark in a line.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{}: {}, {}", self.stream, self.what, self.why)
    }
}

/// The window that is asked for: the thirty days before the newest event where nothing is said, or
/// all that there is where that is less.
///
/// # Errors
///
/// When the record can not be read.
pub fn window(
    reader: &Reader,
    from: Option<i64>,
    to: Option<i64>,
) -> Result<(i64, i64), CommandError> {
    let (first, newest) = reader.span()?.unwrap_or_default();
    let to = to.unwrap_or_else(|| newest.saturating_add(1));
    Ok((
        from.unwrap_or_else(|| first.max(to.saturating_sub(30 * DAY_US))),
        to,
    ))
}

/// The figures of a window of event time.
///
/// # Errors
///
/// When the window is empty, the record can not be read, or the configuration does not fit it.
pub fn health(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<Health, CommandError> {
    health_of((config, reader), (&reader.alerts()?, i64::MAX), (from, to))
}

/// The same of alerts as they stood at a time by the clock.
pub(crate) fn health_of(
    (config, reader): (&Config, &Reader),
    (all, clock): (&[AlertRow], i64),
    (from, to): (i64, i64),
) -> Result<Health, CommandError> {
    if from >= to {
        let words = "the window is empty: it has to begin (--from) before it ends (--to)";
        return Err(CommandError::Usage(words.to_owned()));
    }
    let raised = |row: &&AlertRow| !row.revised && (from..to).contains(&row.first_at);
    let alerts: Vec<&AlertRow> = all.iter().filter(raised).collect();
    let escalated = reader.alerts_with("escalated", clock)?;
    let mut causes = BTreeMap::new();
    for closed in alerts.iter().filter_map(|row| row.closed.as_ref()) {
        *causes.entry(closed.cause.clone()).or_default() += 1;
    }
    let mut figures = spread::rates(&alerts, (from, to));
    figures.extend(answers(&alerts));
    let active = all.iter().filter(|row| !row.revised);
    figures.push(stale(active, (from, to)));
    let count = |is: &dyn Fn(&AlertRow) -> bool| {
        let found = alerts.iter().filter(|row| is(row)).count();
        Some(found as f64)
    };
    figures.extend([
        Figure::new(
            "escalated",
            count(&|row| escalated.contains(&row.id)),
            "alerts",
        ),
        Figure::new(
            "shelved now",
            count(&|row| row.shelved_until.is_some()),
            "alerts",
        ),
        Figure::new(
            "suppressed",
            count(&|row| row.suppressed.is_some()),
            "alerts",
        ),
        Figure::new("closed", count(&|row| row.closed.is_some()), "alerts"),
    ]);
    let mut streams = remarks(config, reader, (from, to), &alerts)?;
    let streams_more = streams.len().saturating_sub(LISTED_MAX);
    streams.truncate(LISTED_MAX);
    Ok(Health {
        from: utc(from),
        to: utc(to),
        figures,
        streams,
        streams_more,
        causes,
    })
}

/// How they were answered.
fn answers(alerts: &[&AlertRow]) -> Vec<Figure> {
    let heard = || alerts.iter().filter(|row| row.suppressed.is_none());
    let minutes = |from: i64, to: i64| (to - from) as f64 / MINUTE_US as f64;
    let acknowledged = heard().filter_map(|row| {
        let at = row.acknowledged.as_ref()?.0;
        Some(minutes(row.raised_at, at))
    });
    let acknowledged = sorted(acknowledged.collect());
    let closed = heard().filter_map(|row| Some(minutes(row.raised_at, row.closed.as_ref()?.at)));
    let closed = sorted(closed.collect());
    let open = heard().filter(|row| row.acknowledged.is_none()).count();
    vec![
        Figure::new("not acknowledged", Some(open as f64), "alerts"),
        Figure::new(
            "until acknowledged, median",
            median(&acknowledged),
            "minutes",
        ),
        Figure::new(
            "until acknowledged, longest",
            acknowledged.last().copied(),
            "minutes",
        ),
        Figure::new("until closed, median", median(&closed), "minutes"),
    ]
}

/// Alerts that were active for more than a day at some time of the window, whenever they began.
/// By event time, so that a record that was read later tells the same.
fn stale<'a>(all: impl Iterator<Item = &'a AlertRow>, (from, to): (i64, i64)) -> Figure {
    let is_stale = |row: &&AlertRow| {
        let end = row.returned_at.unwrap_or(to).min(to);
        row.suppressed.is_none() && end > from && end - row.first_at > DAY_US
    };
    let stale = all.filter(is_stale).count();
    Figure::new("active for more than a day", Some(stale as f64), "alerts")
        .against(target::STALE as f64)
}

fn sorted(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values
}

fn median(sorted: &[f64]) -> Option<f64> {
    let middle = sorted.len() / 2;
    match sorted.len() % 2 {
        1 => sorted.get(middle).copied(),
        _ => Some((sorted.get(middle.checked_sub(1)?)? + sorted.get(middle)?) / 2.0),
    }
}

/// Streams that are silent for too long, chatter, stand on small baselines or are out of service.
fn remarks(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
    alerts: &[&AlertRow],
) -> Result<Vec<Remark>, CommandError> {
    let mut episodes: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
    for one in alerts.iter().flat_map(|row| &row.members) {
        episodes.entry(one.stream).or_default().push(one.first_at);
    }
    let limits = reader.limits(None)?;
    let out = reader.out_of_service()?;
    let mut found = Vec::new();
    for stream in reader.streams()? {
        let mut say = |what, why: String| {
            found.push(Remark {
                stream: stream.label.clone(),
                what,
                why,
            });
        };
        if let Some(row) = out.iter().find(|row| row.stream == stream.id) {
            say("out of service", format!("by {}: {}", row.who, row.reason));
        }
        let begun = episodes.remove(&stream.id).unwrap_or_default();
        if let Some(most) = chatter(&begun) {
            say(
                "chatters",
                format!("{most} times out of control within 8 hours"),
            );
        }
        let Some(newest) = limits.iter().rfind(|limits| limits.stream == stream.id) else {
            continue;
        };
        let wanted = characteristic(config, &stream)?.baseline_minimum;
        if (newest.limits.subgroups as usize) < wanted {
            let why = format!(
                "limits from {} subgroups, {wanted} are wanted",
                newest.limits.subgroups
            );
            say("small baseline", why);
        }
        // Points before these limits were judged by others.
        let since = from.max(newest.to_at.saturating_add(1));
        let counts = reader.point_counts(stream.id, since, to)?;
        let length = newest.detection.run_length;
        if counts.signalled == 0 && counts.judged as f64 > SILENT * length {
            let why = format!(
                "none of {} points judged by its limits gave a signal, where one in {length:.0} is \
                 false on average",
                counts.judged
            );
            say("silent for too long", why);
        }
    }
    Ok(found)
}

/// The most episodes that began within the time of chattering, where they are too many.
fn chatter(begun: &[i64]) -> Option<usize> {
    let mut begun = begun.to_vec();
    begun.sort_unstable();
    let within = |(place, &first): (usize, &i64)| {
        let rest = begun.get(place..).unwrap_or_default();
        rest.partition_point(|&at| at - first <= CHATTER_US)
    };
    let most = begun.iter().enumerate().map(within).max()?;
    (most >= CHATTER).then_some(most)
}

/// Prints the figures of a window.
///
/// # Errors
///
/// As [`health`], and when standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    (from, to): (Option<i64>, Option<i64>),
    format: Format,
) -> Result<(), CommandError> {
    let window = window(reader, from, to)?;
    let health = health(config, reader, window)?;
    let mut table = Table::new(&["what", "value", "unit", "target", "met"]);
    for one in &health.figures {
        let met = one.is_met.map(|met| if met { "yes" } else { "no" });
        table.push(vec![
            one.figure.into(),
            one.value.into(),
            one.unit.into(),
            one.target.into(),
            met.into(),
        ]);
    }
    let told = Told {
        channels: channels(config, reader)?,
        health,
    };
    output::print_rows(format, &table, &told)?;
    if format == Format::Table {
        output::print(&in_words(config, &told, window))?;
    }
    Ok(())
}

/// The figures of a window, and how the channels stand now by which alerts reach people.
#[derive(Serialize)]
struct Told {
    #[serde(flatten)]
    health: Health,
    channels: Vec<ChannelState>,
}

/// What a table has no column for.
fn in_words(config: &Config, told: &Told, (from, to): (i64, i64)) -> String {
    let Told { health, channels } = told;
    let mut lines = Vec::new();
    for one in channels.iter().filter(|one| one.needs_attention) {
        let waits = number_of(one.waiting, "notice");
        lines.push(format!(
            "channel {}: {}, {waits} waiting; {}; {}",
            one.channel, one.state, one.problem, one.fix
        ));
    }
    for one in &health.streams {
        lines.push(one.words());
    }
    if health.streams_more > 0 {
        let more = number_of(health.streams_more as u64, "more stream");
        lines.push(format!("and {more}"));
    }
    for (cause, count) in &health.causes {
        lines.push(format!("closed as {cause}: {count}"));
    }
    let (from, to) = (moment(config, from), moment(config, to));
    lines.push(format!("first signals from {from} to {to}"));
    lines.join("\n") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::alerts::EpisodeRow;
    use crate::words::Severity;

    fn invented() -> AlertRow {
        let lead = EpisodeRow {
            id: 1,
            stream: 1,
            first_at: 0,
            first_unit: "P1".to_owned(),
            last_at: 0,
            signals: 1,
            rules: vec!["cusum".to_owned()],
            side: "upper".to_owned(),
            size_sigma: 2.0,
            size_value: 1.0,
            since: None,
            returned_at: None,
        };
        AlertRow {
            id: 1,
            members: vec![lead.clone()],
            lead,
            first_at: 0,
            returned_at: None,
            severity: Severity::Medium,
            raised_at: 0,
            revised: false,
            merged_into: None,
            acknowledged: None,
            suppressed: None,
            shelved_until: None,
            closed: None,
        }
    }

    #[test]
    fn an_alert_that_began_before_the_window_is_stale_in_it() {
        let row = |first_at: i64, returned_at: Option<i64>| AlertRow {
            first_at,
            returned_at,
            ..invented()
        };
        let count = |row: AlertRow, window| stale([row].iter(), window).value;
        let day = |days: i64| days * DAY_US;
        let hour = HOUR_US;
        assert_eq!(count(row(0, None), (day(5), day(6))), Some(1.0));
        assert_eq!(
            count(row(0, Some(day(5) + hour)), (day(5), day(6))),
            Some(1.0)
        );
        assert_eq!(count(row(0, Some(day(5))), (day(5), day(6))), Some(0.0));
        assert_eq!(count(row(day(5), None), (day(5), day(6))), Some(0.0));
        assert_eq!(count(row(day(7), None), (day(5), day(6))), Some(0.0));
        let mut out = row(0, None);
        out.suppressed = Some("changeover".to_owned());
        assert_eq!(count(out, (day(5), day(6))), Some(0.0));
    }

    #[test]
    fn three_times_within_eight_hours_is_chattering() {
        let at = |hours: &[i64]| hours.iter().map(|hour| hour * HOUR_US).collect::<Vec<_>>();
        assert_eq!(chatter(&at(&[0, 4, 9, 18])), None);
        assert_eq!(chatter(&at(&[20, 0, 8, 4])), Some(3));
        assert_eq!(chatter(&[]), None);
    }

    #[test]
    fn the_median_is_that_of_the_middle() {
        assert_eq!(median(&[1.0, 2.0, 10.0]), Some(2.0));
        assert_eq!(median(&[1.0, 2.0, 4.0, 10.0]), Some(3.0));
        assert_eq!(median(&[]), None);
    }
}
