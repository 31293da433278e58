//! Linear scales and their ticks at 1, 2 and 5 times a power of ten.
//!
//! Must not know what is drawn on them. Invariant: a scale has a positive finite span, whatever
//! it is given, so a position is always a finite number.

use crate::number;

/// Beyond this the difference of two values could overflow.
const MAGNITUDE_MAX: f64 = 1e300;

/// Maps values to positions; `at_low` and `at_high` may run in either direction.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    low: f64,
    high: f64,
    at_low: f64,
    at_high: f64,
}

impl Scale {
    /// A scale over `low..high`, widened where the two are equal.
    pub(crate) fn new(low: f64, high: f64, at_low: f64, at_high: f64) -> Self {
        let (low, high) = widened(low, high);
        Self {
            low,
            high,
            at_low,
            at_high,
        }
    }

    /// The position of `value`, held inside the scale.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let held = value.clamp(self.low, self.high);
        let share = (held - self.low) / (self.high - self.low);
        self.at_low + share * (self.at_high - self.at_low)
    }

    /// Whether `value` lies inside the scale.
    pub(crate) fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// The upper end.
    pub(crate) fn high(&self) -> f64 {
        self.high
    }

    /// Ticks inside the scale, about `wanted` of them.
    pub(crate) fn ticks(&self, wanted: usize) -> Ticks {
        let step = step_for(self.high - self.low, wanted.max(1));
        let first = (self.low / step - 1e-9).ceil();
        let values = (0..=wanted * 4)
            .map(|index| (first + index as f64) * step)
            .take_while(|value| *value <= self.high + step * 1e-9)
            .collect();
        Ticks {
            values,
            decimals: number::decimals_for(step * 1.000_000_1, 1),
        }
    }
}

/// Tick values and the digits after the point that tell them apart.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ticks {
    /// The values, rising.
    pub(crate) values: Vec<f64>,
    /// Digits after the point.
    pub(crate) decimals: usize,
}

/// The smallest of 1, 2, 5 times a power of ten that needs at most `wanted` steps.
fn step_for(span: f64, wanted: usize) -> f64 {
    let raw = span / wanted as f64;
    let power = 10_f64.powf(raw.log10().floor());
    let factor = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|factor| factor * power >= raw * (1.0 - 1e-9))
        .unwrap_or(10.0);
    factor * power
}

fn widened(low: f64, high: f64) -> (f64, f64) {
    let low = if low.is_finite() {
        low.clamp(-MAGNITUDE_MAX, MAGNITUDE_MAX)
    } else {
        0.0
    };
    let high = if high.is_finite() {
        high.clamp(-MAGNITUDE_MAX, MAGNITUDE_MAX)
    } else {
        low
    };
    let floor = low.abs().max(high.abs()) * 1e-9;
    if high - low > floor {
        return (low, high);
    }
    let pad = if floor > 0.0 {
        low.abs().max(high.abs()) * 0.05
    } else {
        1.0
    };
    (low - pad, low + pad)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ticks(low: f64, high: f64, wanted: usize) -> Ticks {
        Scale::new(low, high, 0.0, 100.0).ticks(wanted)
    }

    #[test]
    fn ticks_are_round_and_inside_the_scale() {
        let cases: [(f64, f64, usize, &[f64], usize); 4] = [
            (0.0, 10.0, 5, &[0.0, 2.0, 4.0, 6.0, 8.0, 10.0], 0),
            (101.0, 139.0, 4, &[110.0, 120.0, 130.0], 0),
            (-0.013, 0.012, 5, &[-0.01, -0.005, 0.0, 0.005, 0.01], 3),
            (0.95, 1.0, 5, &[0.95, 0.96, 0.97, 0.98, 0.99, 1.0], 2),
        ];
        for (low, high, wanted, expected, decimals) in cases {
            let found = ticks(low, high, wanted);
            assert_eq!(
                found.values.len(),
                expected.len(),
                "{low}..{high}: {:?}",
                found.values
            );
            for (value, wanted) in found.values.iter().zip(expected) {
                assert!((value - wanted).abs() < 1e-9, "{value} is not {wanted}");
            }
            assert_eq!(found.decimals, decimals, "{low}..{high}");
        }
    }

    #[test]
    fn any_two_numbers_make_a_usable_scale() {
        let odd = [
            0.0,
            -0.0,
            1.0,
            -1.0,
            1e-320,
            1e308,
            -1e308,
            f64::MAX,
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
        ];
        for low in odd {
            for high in odd {
                let scale = Scale::new(low, high, 10.0, 90.0);
                for value in [low, high, 0.0] {
                    if value.is_nan() {
                        continue;
                    }
                    let at = scale.at(value);
                    assert!(
                        (10.0..=90.0).contains(&at),
                        "{low} {high} {value} lands at {at}"
                    );
                }
                assert!(scale.ticks(5).values.len() <= 20, "{low}..{high}");
            }
        }
    }

    #[test]
    fn positions_run_linearly_in_either_direction() {
        let scale = Scale::new(0.0, 10.0, 200.0, 100.0);
        assert!((scale.at(2.5) - 175.0).abs() < 1e-9);
        assert!((scale.at(99.0) - 100.0).abs() < 1e-9);
        assert!(!scale.holds(10.5));
    }
}
