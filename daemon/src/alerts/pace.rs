//! When a channel may send: quiet hours, notices in a minute, and waiting after failures.
//!
//! Knows no record and reads no clock. The one invariant: every wait is finite.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::config::channel::Quiet;
use crate::words::Severity;

/// A minute, in microseconds.
pub(super) const MINUTE_US: i64 = 60_000_000;

/// The longest that the first wait after a failure takes.
const FIRST_WAIT_US: i64 = 2_000_000;

/// The shortest wait: a server that refuses at once is not asked in a loop.
const WAIT_MIN_US: i64 = 500_000;

/// The longest wait after any number of failures.
pub(super) const WAIT_MAX_US: i64 = 10 * MINUTE_US;

/// How long to wait after so many failures in a row: anything from nothing to a time that doubles
/// with each, so that many clients of a server that comes back do not ask all at once.
pub(super) fn wait_us(failures: u32, chance: f64) -> i64 {
    let doubled = FIRST_WAIT_US.saturating_mul(1 << failures.saturating_sub(1).min(20));
    let most = doubled.min(WAIT_MAX_US);
    ((most as f64 * chance) as i64).clamp(WAIT_MIN_US, WAIT_MAX_US)
}

/// Whether a wait until a time is over. No wait is longer than the longest: one that is was begun
/// under a clock that was ahead.
pub(super) fn is_over(until: i64, now: i64) -> bool {
    until <= now || until > now.saturating_add(WAIT_MAX_US)
}

/// What may pass in quiet hours: notices from a severity on. None may where it gives none.
pub(super) enum Passing {
    /// Everything from this severity on.
    From(Severity),
    /// Nothing.
    Nothing,
}

/// What may pass at a time.
pub(super) fn passing(quiet: Option<&Quiet>, zone: &TimeZone, now: i64) -> Passing {
    let Some(quiet) = quiet.filter(|quiet| is_quiet(quiet, zone, now)) else {
        return Passing::From(Severity::Low);
    };
    quiet.except_from.map_or(Passing::Nothing, Passing::From)
}

fn is_quiet(quiet: &Quiet, zone: &TimeZone, now: i64) -> bool {
    let Ok(now) = Timestamp::from_microsecond(now) else {
        return false;
    };
    let time = zone.to_datetime(now).time();
    if quiet.from < quiet.to {
        quiet.from <= time && time < quiet.to
    } else {
        quiet.from <= time || time < quiet.to
    }
}

/// How many more notices may leave in this minute.
pub(super) fn room(per_minute: Option<u32>, sent_in_minute: u64) -> u64 {
    per_minute.map_or(u64::MAX, |most| {
        u64::from(most).saturating_sub(sent_in_minute)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::time;

    #[test]
    fn waits_double_up_to_ten_minutes_and_are_spread_over_all_of_it() {
        let longest: Vec<i64> = (1..=12).map(|failures| wait_us(failures, 1.0)).collect();
        assert_eq!(longest[..3], [2_000_000, 4_000_000, 8_000_000]);
        assert!(longest.is_sorted());
        assert_eq!(longest[11], WAIT_MAX_US);
        assert_eq!(wait_us(u32::MAX, 1.0), WAIT_MAX_US);
        assert_eq!(wait_us(5, 0.5), 16_000_000);
        assert_eq!(wait_us(5, 0.0), WAIT_MIN_US);
    }

    #[test]
    fn quiet_hours_go_over_midnight_on_the_plants_clock() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let quiet = Quiet {
            from: time(22, 0, 0, 0),
            to: time(6, 0, 0, 0),
            except_from: Some(Severity::High),
        };
        let is_quiet = |text: &str| {
            let now = text.parse::<Timestamp>().unwrap().as_microsecond();
            is_quiet(&quiet, &zone, now)
        };
        // Vienna is an hour ahead in winter, two in summer.
        assert!(!is_quiet("2026-03-02T20:59:59Z"));
        assert!(is_quiet("2026-03-02T21:00:00Z"));
        assert!(is_quiet("2026-03-03T04:59:59Z"));
        assert!(!is_quiet("2026-03-03T05:00:00Z"));
        assert!(is_quiet("2026-07-02T20:00:00Z"));
        let now = "2026-03-02T22:00:00Z".parse::<Timestamp>().unwrap();
        let now = now.as_microsecond();
        let high = passing(Some(&quiet), &zone, now);
        assert!(matches!(high, Passing::From(Severity::High)));
        let silent = Quiet {
            except_from: None,
            ..quiet
        };
        assert!(matches!(
            passing(Some(&silent), &zone, now),
            Passing::Nothing
        ));
        assert!(matches!(
            passing(None, &zone, now),
            Passing::From(Severity::Low)
        ));
    }

    #[test]
    fn a_minute_has_room_for_the_configured_number() {
        assert_eq!(room(Some(20), 0), 20);
        assert_eq!(room(Some(20), 19), 1);
        assert_eq!(room(Some(20), 25), 0);
        assert_eq!(room(None, 1_000_000), u64::MAX);
    }
}
