//! When things happen in the plant: panel times, shifts, the texts of time stamps.
//!
//! Must not know what is measured. Invariant: the time of a panel is a function of its number
//! alone, whatever the seed, and rises with it; so a planted fault has one time.

use jiff::civil::{DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use super::random::Random;
use super::settings::Settings;
use super::{PlantError, Stream};

/// The plant's calendar, with every text of the settings parsed.
#[derive(Debug)]
pub(super) struct Clock {
    starts: Timestamp,
    zone: TimeZone,
    seconds_per_panel: i64,
    jitter_seconds: u32,
    /// (panel after which the line stands, seconds it stands)
    stops: Vec<(u32, i64)>,
    /// Start and name, sorted by start.
    shifts: Vec<(Time, String)>,
}

impl Clock {
    /// # Errors
    /// [`PlantError::Settings`] when a time or the time zone cannot be understood.
    pub(super) fn new(settings: &Settings) -> Result<Self, PlantError> {
        let general = &settings.plant;
        let mut problems = Vec::new();
        let zone = TimeZone::get(&general.time_zone).unwrap_or_else(|e| {
            problems.push(format!("plant.time_zone: {e}"));
            TimeZone::UTC
        });
        let starts = general
            .starts
            .parse::<DateTime>()
            .and_then(|local| zone.to_timestamp(local))
            .unwrap_or_else(|e| {
                problems.push(format!("plant.starts: {:?}: {e}", general.starts));
                Timestamp::UNIX_EPOCH
            });
        let mut shifts = Vec::new();
        for shift in &settings.shift {
            match shift.starts.parse::<Time>() {
                Ok(time) => shifts.push((time, shift.name.clone())),
                Err(e) => problems.push(format!("shift {:?}: starts: {e}", shift.name)),
            }
        }
        shifts.sort();
        if !problems.is_empty() {
            return Err(PlantError::Settings(problems));
        }
        Ok(Self {
            starts,
            zone,
            seconds_per_panel: i64::from(general.seconds_per_panel),
            jitter_seconds: general.jitter_seconds,
            stops: (settings.stop.iter())
                .map(|stop| (stop.after_panel, 60 * i64::from(stop.minutes)))
                .collect(),
            shifts,
        })
    }

    /// When the panel is printed and its paste inspected.
    pub(super) fn printed_at(&self, panel: u32) -> Timestamp {
        let mut random = Random::new(0, &[Stream::Clock as u64, u64::from(panel)]);
        let jitter = i64::from(random.below(2 * self.jitter_seconds + 1));
        let stood: i64 = self
            .stops
            .iter()
            .filter(|(after, _)| *after < panel)
            .map(|(_, length)| length)
            .sum();
        let regular = (i64::from(panel) - 1) * self.seconds_per_panel;
        self.after(
            self.starts,
            regular + stood + jitter - i64::from(self.jitter_seconds),
        )
    }

    /// `seconds` after `at`; past the end of the calendar it stays at the end.
    pub(super) fn after(&self, at: Timestamp, seconds: i64) -> Timestamp {
        at.saturating_add(SignedDuration::from_secs(seconds))
            .unwrap_or(Timestamp::MAX)
    }

    /// The time stamp in local time, in `strftime` style.
    pub(super) fn text(&self, at: Timestamp, format: &str) -> String {
        at.to_zoned_datetime(self.zone.clone())
            .strftime(format)
            .to_string()
    }

    /// Day and name of the shift, like `2026-03-02_early`: the day is the one it started on.
    pub(super) fn shift_label(&self, at: Timestamp) -> String {
        let local = self.zone.to_datetime(at);
        let running = self
            .shifts
            .iter()
            .rev()
            .find(|(starts, _)| *starts <= local.time());
        let (day, name) = match (running, self.shifts.last()) {
            (Some((_, name)), _) => (local.date(), name.as_str()),
            (None, Some((_, name))) => (
                local.date().yesterday().unwrap_or(local.date()),
                name.as_str(),
            ),
            (None, None) => (local.date(), "all"),
        };
        format!("{day}_{name}")
    }
}
