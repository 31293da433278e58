//! Where the points stand along time, and where time was cut out.
//!
//! Must not know values or limits. Invariant: positions never decrease from point to point and
//! stay inside the axis; a pause is always wider than the step between neighbours, so that it
//! cannot be taken for continuous running.

use crate::view::Point;

/// A pause is at least this many usual steps long.
const PAUSE_STEPS: f64 = 8.0;
/// Width of a pause that was cut short.
const PAUSE_WIDTH_PX: f64 = 22.0;
/// Pauses together take at most this share of the axis.
const PAUSE_SHARE_MAX: f64 = 0.3;

/// A pause between two points, cut to a fixed width.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pause {
    /// The first point after the pause.
    pub(super) before_index: usize,
    /// How long it lasted.
    pub(super) seconds: f64,
}

/// Positions of all points along the axis.
#[derive(Debug, Clone)]
pub(super) struct TimeAxis {
    positions: Vec<f64>,
    /// The points' own times.
    seconds: Vec<f64>,
    pauses: Vec<Pause>,
    left: f64,
    right: f64,
}

impl TimeAxis {
    /// Lays the points out between `left` and `right`.
    pub(super) fn new(points: &[Point], left: f64, right: f64) -> Self {
        let steps = steps_of(points);
        let pauses = pauses_of(&steps, right - left);
        let paused: f64 = pauses.iter().map(|pause| pause.seconds).sum();
        let total: f64 = steps.iter().sum();
        let running = (total - paused).max(0.0);
        let width = right - left - 16.0 - pauses.len() as f64 * PAUSE_WIDTH_PX;
        let even = width / points.len().saturating_sub(1 + pauses.len()).max(1) as f64;
        let mut at = left + 8.0;
        let mut positions = Vec::with_capacity(points.len());
        let mut waiting = pauses.iter().peekable();
        for (index, step) in std::iter::once(&0.0).chain(&steps).enumerate() {
            if waiting
                .next_if(|pause| pause.before_index == index)
                .is_some()
            {
                at += PAUSE_WIDTH_PX;
            } else if running > 0.0 {
                at += step / running * width;
            } else if index > 0 {
                at += even;
            }
            positions.push(at.min(right));
        }
        positions.truncate(points.len());
        Self {
            positions,
            seconds: points.iter().map(|point| point.x).collect(),
            pauses,
            left,
            right,
        }
    }

    /// The position of a time between those of points; none before the first or after the last.
    pub(super) fn place(&self, seconds: f64) -> Option<f64> {
        let after = self.seconds.partition_point(|at| *at < seconds);
        let at = *self.seconds.get(after)?;
        if (at - seconds).abs() < 1e-9 {
            return self.positions.get(after).copied();
        }
        let before = after.checked_sub(1)?;
        let (from, to) = (self.at(before), self.at(after));
        let share = (seconds - self.seconds[before]) / (at - self.seconds[before]);
        Some(from + (to - from) * share.clamp(0.0, 1.0)).filter(|place| place.is_finite())
    }

    /// The position of point `index`, or of the last point behind the end.
    pub(super) fn at(&self, index: usize) -> f64 {
        let last = self.positions.last().copied().unwrap_or(self.left);
        self.positions.get(index).copied().unwrap_or(last)
    }

    /// Half-way to the point before: where a zone that begins with `index` begins.
    pub(super) fn start_of(&self, index: usize) -> f64 {
        match index.checked_sub(1) {
            None => self.left,
            Some(before) => (self.at(before) + self.at(index)) / 2.0,
        }
    }

    /// Half-way to the point after: where a zone that ends with `index` ends.
    pub(super) fn end_of(&self, index: usize) -> f64 {
        if index + 1 >= self.positions.len() {
            self.right
        } else {
            (self.at(index) + self.at(index + 1)) / 2.0
        }
    }

    /// The pauses that were cut short.
    pub(super) fn pauses(&self) -> &[Pause] {
        &self.pauses
    }

    /// Whether a pause lies right before point `index`.
    pub(super) fn is_after_pause(&self, index: usize) -> bool {
        self.pauses
            .binary_search_by_key(&index, |pause| pause.before_index)
            .is_ok()
    }

    /// Left end of the axis.
    pub(super) fn left(&self) -> f64 {
        self.left
    }

    /// Right end of the axis.
    pub(super) fn right(&self) -> f64 {
        self.right
    }

    /// Up to `wanted` points whose labels stand at least `apart` from each other.
    pub(super) fn labelled(&self, wanted: usize, apart: f64) -> Vec<usize> {
        let width = self.right - self.left;
        let mut chosen: Vec<usize> = Vec::new();
        for slot in 0..wanted {
            let target = self.left + width * (slot as f64 + 0.5) / wanted as f64;
            let index = self.nearest(target);
            let Some(index) = index else { break };
            let is_apart = chosen
                .last()
                .is_none_or(|last| self.at(index) - self.at(*last) >= apart);
            if is_apart {
                chosen.push(index);
            }
        }
        chosen
    }

    fn nearest(&self, target: f64) -> Option<usize> {
        let after = self.positions.partition_point(|at| *at < target);
        [after.checked_sub(1), Some(after)]
            .into_iter()
            .flatten()
            .filter(|index| *index < self.positions.len())
            .min_by(|a, b| {
                let distance = |index: &usize| (self.at(*index) - target).abs();
                distance(a).total_cmp(&distance(b))
            })
    }
}

/// Seconds from each point to the next; what is not a finite forward step counts as none.
fn steps_of(points: &[Point]) -> Vec<f64> {
    points
        .windows(2)
        .map(|pair| pair[1].x - pair[0].x)
        .map(|step| {
            if step.is_finite() && step > 0.0 {
                step
            } else {
                0.0
            }
        })
        .collect()
}

fn pauses_of(steps: &[f64], width: f64) -> Vec<Pause> {
    let mut forward: Vec<f64> = steps.iter().copied().filter(|step| *step > 0.0).collect();
    if forward.len() < 3 {
        return Vec::new();
    }
    forward.sort_by(f64::total_cmp);
    let usual = forward[forward.len() / 2];
    let mut pauses: Vec<Pause> = steps
        .iter()
        .enumerate()
        .filter(|(_, step)| **step > usual * PAUSE_STEPS)
        .map(|(index, step)| Pause {
            before_index: index + 1,
            seconds: *step,
        })
        .collect();
    let room = (width * PAUSE_SHARE_MAX / PAUSE_WIDTH_PX) as usize;
    pauses.sort_by(|a, b| {
        b.seconds
            .total_cmp(&a.seconds)
            .then(a.before_index.cmp(&b.before_index))
    });
    pauses.truncate(room);
    pauses.sort_by_key(|pause| pause.before_index);
    pauses
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_seconds(seconds: &[f64]) -> Vec<Point> {
        seconds
            .iter()
            .map(|x| Point {
                x: *x,
                ..Point::default()
            })
            .collect()
    }

    #[test]
    fn a_weekend_is_cut_short_and_still_seen() {
        let mut seconds: Vec<f64> = (0..50).map(|i| f64::from(i) * 60.0).collect();
        seconds.extend((0..50).map(|i| 200_000.0 + f64::from(i) * 60.0));
        let axis = TimeAxis::new(&at_seconds(&seconds), 50.0, 650.0);
        assert_eq!(axis.pauses().len(), 1);
        assert!(axis.is_after_pause(50));
        let gap = axis.at(50) - axis.at(49);
        assert!((gap - PAUSE_WIDTH_PX).abs() < 1e-6, "{gap}");
        let step = axis.at(1) - axis.at(0);
        assert!(gap > 3.0 * step);
        assert!(
            (axis.at(99) - 642.0).abs() < 1e-6,
            "the data fills the axis"
        );
    }

    #[test]
    fn odd_times_keep_their_order_inside_the_axis() {
        let cases: [&[f64]; 6] = [
            &[],
            &[5.0],
            &[5.0, 5.0, 5.0],
            &[9.0, 3.0, 1.0],
            &[0.0, f64::NAN, f64::INFINITY, 2.0],
            &[0.0, 1.0, 2.0, 3.0, 1e9, 2e9, 3e9],
        ];
        for seconds in cases {
            let axis = TimeAxis::new(&at_seconds(seconds), 10.0, 110.0);
            for index in 0..seconds.len() {
                assert!(
                    (10.0..=110.0).contains(&axis.at(index)),
                    "{seconds:?} at {index}"
                );
                assert!(
                    index == 0 || axis.at(index) >= axis.at(index - 1),
                    "{seconds:?}"
                );
            }
        }
    }

    #[test]
    fn a_time_between_points_lies_between_them() {
        let axis = TimeAxis::new(&at_seconds(&[0.0, 60.0, 120.0, 180.0]), 0.0, 600.0);
        let middle = axis.place(90.0).expect("within");
        assert!((middle - (axis.at(1) + axis.at(2)) / 2.0).abs() < 1e-9);
        assert_eq!(axis.place(120.0), Some(axis.at(2)));
        assert_eq!((axis.place(-1.0), axis.place(181.0)), (None, None));
        assert_eq!(axis.place(f64::NAN), None);
        let none = TimeAxis::new(&[], 0.0, 600.0);
        assert_eq!(none.place(0.0), None);
    }

    #[test]
    fn labels_keep_their_distance() {
        let seconds: Vec<f64> = (0..100).map(f64::from).collect();
        let axis = TimeAxis::new(&at_seconds(&seconds), 0.0, 600.0);
        let labelled = axis.labelled(5, 90.0);
        assert_eq!(labelled.len(), 5);
        assert!(
            labelled
                .windows(2)
                .all(|pair| axis.at(pair[1]) - axis.at(pair[0]) >= 90.0)
        );
    }
}
