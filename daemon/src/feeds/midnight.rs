//! Rows after midnight that carry the date of the day before.
//!
//! Where a date stands apart from the time, a station may write the date of the beginning of a
//! batch on all of its rows. Knows nothing but times. The one invariant: only a file whose rows are
//! in order but for steps back by nearly a day is told.

use super::diagnostics::{Quarantine, STALE_DATE};
use crate::block::Block;

const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;

/// How long a station may stand still over midnight.
const PAUSE_US: i64 = 4 * HOUR_US;

/// The order of the times of a file, or of a piece of it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Order {
    first: Option<(i64, u64)>,
    last: Option<i64>,
    /// The first step back by nearly a day: its line, and from and to when it leads.
    step: Option<(u64, i64, i64)>,
    /// Whether any other step leads back.
    is_mixed: bool,
}

impl Order {
    /// The order of the rows of a block.
    pub(super) fn of(block: &Block) -> Order {
        let mut order = Order::default();
        for (row, at) in block.at.iter().enumerate() {
            let is_back = order.last.is_some_and(|last| *at < last);
            if is_back || order.first.is_none() {
                order.add(*at, block.lines.of(row).unwrap_or_default());
            }
            order.last = Some(*at);
        }
        order
    }

    fn add(&mut self, at: i64, line: u64) {
        self.first.get_or_insert((at, line));
        let Some(last) = self.last else { return };
        let back = last - at;
        if (DAY_US - PAUSE_US..DAY_US).contains(&back) {
            self.step.get_or_insert((line, last, at));
        } else if back > 0 {
            self.is_mixed = true;
        }
    }

    /// Adds the rows that follow.
    pub(super) fn join(&mut self, next: Order) {
        let Some((at, line)) = next.first else { return };
        self.add(at, line);
        self.last = next.last;
        self.step = self.step.or(next.step);
        self.is_mixed |= next.is_mixed;
    }

    /// Why a file can not be taken whose times were in this order.
    pub(super) fn verdict(&self) -> Result<(), Quarantine> {
        let (Some((line, from, to)), false) = (self.step, self.is_mixed) else {
            return Ok(());
        };
        let shown = |at: i64| {
            let time = jiff::Timestamp::from_microsecond(at);
            time.map_or_else(|_| String::new(), |time| time.to_string())
        };
        Err(Quarantine {
            code: STALE_DATE,
            reason: format!(
                "After {} comes {}, nearly a day before: the rows after midnight seem to carry the \
                 date of the day before",
                shown(from),
                shown(to)
            ),
            fix: "Let the station write the date of each row, or a file for each day".to_owned(),
            line: Some(line),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE_US: i64 = 60_000_000;

    fn verdict(minutes: &[i64], cut: usize) -> Option<u64> {
        let mut whole = Order::default();
        let mut line = 1;
        for part in [&minutes[..cut], &minutes[cut..]] {
            let mut order = Order::default();
            for minute in part {
                order.add(minute * MINUTE_US, line);
                order.last = Some(minute * MINUTE_US);
                line += 1;
            }
            whole.join(order);
        }
        whole.verdict().err().and_then(|found| found.line)
    }

    #[test]
    fn a_step_back_by_nearly_a_day_is_told_where_all_else_is_in_order() {
        for (minutes, line) in [
            (&[1_430, 1_438, 2, 10][..], Some(3)),
            (&[1_438, 2, 10, 1_439, 3], Some(2)),
            // An hour that is written twice, rows in no order, rows from the last to the first.
            (&[1_438, 1_378, 1_380], None),
            (&[1_438, 2, 1_000, 900], None),
            (&[2_000, 1_900, 1_800], None),
            (&[600, 2_100], None),
            (&[1_200, 100], None),
        ] {
            for cut in 0..=minutes.len() {
                assert_eq!(verdict(minutes, cut), line, "{minutes:?} cut at {cut}");
            }
        }
    }
}
