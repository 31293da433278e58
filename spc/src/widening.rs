//! How much wider control limits have to be because few subgroups made them.
//!
//! Purpose: keep what a width promises for known limits when the limits are estimated. Two
//! readings of "keep" exist, and both are here: [`factor`] for nine baselines of ten,
//! [`factor_on_average`] for the mean over all baselines; [`factor_for_both`] is what the program
//! uses. Must not know data. The one invariant: a factor is at least 1 and falls to 1 as the
//! baseline grows.

use crate::chart::ChartKind;
use crate::{constants, normal};
use statrs::distribution::{Continuous, ContinuousCDF, StudentsT};
use std::f64::consts::PI;

mod joint;

pub use joint::joint_factor;

const BISECTIONS: u32 = 60;

/// The standard normal 90 % quantile.
const NINE_OF_TEN: f64 = 1.281_551_565_544_600_4;

/// Factor on the width of estimated limits such that nine baselines of ten have at least the
/// in-control run length that the width promises for known limits.
///
/// One baseline in ten underestimates sigma by a factor of 1 - 1.2816 sqrt(v) or more, v being the
/// squared coefficient of variation of the estimate; the centre adds 1/m to the variance of the
/// difference between a point and it. The factor is sqrt(1 + 1/m) / (1 - 1.2816 sqrt(v)). v is
/// (d3/d2)^2/m for ranges, (1 - c4^2)/(c4^2 m) for standard deviations, and for moving ranges of
/// two about 0.83/m, from their own and their neighbours' variance, which sigma_z of the p' and u'
/// charts is made of too. Charts of counts estimate the
/// centre alone: sqrt(1 + 1/m).
///
/// The need is that of W. A. Jensen, L. A. Jones-Farmer, C. W. Champ and W. H. Woodall, Journal of
/// Quality Technology 38(4) 2006; the formula is our own, and is checked by simulation.
///
/// `size` is the mean number of readings in a subgroup; it matters for ranges and standard
/// deviations only. Gives `None` for fewer than ten subgroups, where the approximation fails, for
/// sizes the chart can not have, for G and T, which [`crate::between_events::widening`] serves, and
/// for TSquared, which [`joint_factor`] serves.
/// Cost: constant.
///
/// ```
/// let factor = spc::widening::factor(spc::chart::ChartKind::Individuals, 25, 1.0);
/// assert!(factor.is_some_and(|factor| factor > 1.30 && factor < 1.35));
/// ```
pub fn factor(kind: ChartKind, subgroups: u32, size: f64) -> Option<f64> {
    if subgroups < 10 {
        return None;
    }
    let m = f64::from(subgroups);
    let centre = (1.0 + 1.0 / m).sqrt();
    let variation = match kind {
        ChartKind::Individuals | ChartKind::ThreeWay => moving_range_variation(m - 1.0),
        ChartKind::MeanRange | ChartKind::MedianRange => {
            let size = whole(size)?;
            (constants::d3(size)? / constants::d2(size)?).powi(2) / m
        }
        ChartKind::MeanS => (constants::c4(whole(size)?)?.powi(-2) - 1.0) / m,
        // Where sigma_z counts as 1 this is more than is needed.
        ChartKind::PPrime | ChartKind::UPrime => moving_range_variation(m - 1.0),
        ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => return Some(centre),
        // Their limits are not built on sigma: `between_events::widening`.
        ChartKind::G | ChartKind::T | ChartKind::TSquared => return None,
    };
    Some(centre / (1.0 - NINE_OF_TEN * variation.sqrt()))
}

/// Factor that keeps both promises: that of [`factor`] to nine baselines of ten, and that of
/// [`factor_on_average`] to all of them together.
///
/// The tenth baseline matters more the wider limits are. At three sigma all baselines together
/// give fewer false signals than promised once nine of ten keep their length; at 5.4 sigma, which
/// a run length of a million points leads to, they would give some three times as many after 50
/// points and twenty times as many after 25 (`benches/results/widths.csv`). Cost: that of a
/// quantile of Student's t.
///
/// ```
/// use spc::{chart::ChartKind, widening};
/// let both = |width| widening::factor_for_both(ChartKind::Individuals, 25, 1.0, width);
/// assert_eq!(both(3.0), widening::factor(ChartKind::Individuals, 25, 1.0));
/// assert!(both(5.0).is_some_and(|factor| factor > 1.6 && factor < 1.7));
/// ```
///
/// `None` as [`factor`]; for a width that [`factor_on_average`] does not have, that of `factor`.
pub fn factor_for_both(kind: ChartKind, subgroups: u32, size: f64, width: f64) -> Option<f64> {
    let of_ten = factor(kind, subgroups, size)?;
    let readings = whole(size).unwrap_or(1);
    let average = factor_on_average(kind, subgroups, readings, width);
    Some(average.map_or(of_ten, |average| average.max(of_ten)))
}

/// Factor by which limits estimated from `subgroups` samples of `size` must be widened, so that a
/// later in-control point falls outside as often as `width` promises for known limits.
///
/// The centre adds 1/m to the variance of the difference; an estimated sigma makes it Student's.
/// With v the squared coefficient of variation of the sigma estimate and nu the degrees of freedom
/// of a chi with that v, the factor is t(1 - alpha/2; nu) sqrt(1 + 1/m) / (width sqrt(1 + v)). v is
/// (d3/d2)^2/m or (1 - c4^2)/(m c4^2) for means, and for moving ranges follows from their serial
/// correlation (about 0.83/m), which sigma_z of PPrime and UPrime has too. The Student
/// approximation is that of C. P. Quesenberry, Journal of Quality Technology 25(4) 1993, to
/// estimated limits. Other attributes estimate the centre alone.
///
/// Over all baselines together the rate of false signals is kept; nearly half of them then have a
/// shorter run length than promised, which is why the program uses [`factor_for_both`]. Cost:
/// constant.
///
/// ```
/// use spc::{chart::ChartKind, widening};
/// let average = widening::factor_on_average(ChartKind::Individuals, 25, 1, 3.0);
/// assert!(average < widening::factor(ChartKind::Individuals, 25, 1.0));
/// ```
///
/// `None` for fewer than 2 samples, a size the chart cannot have, a width not in (0, 8], and for G
/// and T.
pub fn factor_on_average(kind: ChartKind, subgroups: u32, size: u32, width: f64) -> Option<f64> {
    if subgroups < 2 || size == 0 || !(width > 0.0 && width <= 8.0) {
        return None;
    }
    let m = f64::from(subgroups);
    let centre = (1.0 + 1.0 / m).sqrt();
    let variation = match kind {
        ChartKind::MeanRange | ChartKind::MedianRange => {
            (constants::d3(size)? / constants::d2(size)?).powi(2) / m
        }
        ChartKind::MeanS => constants::c4(size)?.powi(-2).mul_add(1.0 / m, -1.0 / m),
        ChartKind::Individuals | ChartKind::ThreeWay => moving_range_variation(m - 1.0),
        ChartKind::PPrime | ChartKind::UPrime => moving_range_variation(m - 1.0),
        ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => return Some(centre),
        ChartKind::G | ChartKind::T | ChartKind::TSquared => return None,
    };
    // Inverts v = 1/(2 nu) + 1/(8 nu^2), the expansion of a chi's squared variation.
    let freedom = (1.0 + (1.0 + 2.0 * variation).sqrt()) / (4.0 * variation);
    let tail = normal::below(-width);
    Some(student_upper(tail, freedom)? * centre / (width * (1.0 + variation).sqrt()))
}

/// Squared coefficient of variation of the mean of `count` moving ranges of two.
///
/// For |d| with d of variance 2: variance 2 - 4/pi; neighbours correlate by -1/2 before taking
/// magnitudes, which leaves a covariance of (4/pi) (sqrt(3)/2 + pi/12 - 1).
fn moving_range_variation(count: f64) -> f64 {
    let own = 2.0 - 4.0 / PI;
    let shared = 4.0 / PI * (0.75f64.sqrt() + PI / 12.0 - 1.0);
    (own * count + 2.0 * shared * (count - 1.0)) / (count * count) / (4.0 / PI)
}

/// The value Student's t exceeds with probability `tail`, by Newton's method.
fn student_upper(tail: f64, freedom: f64) -> Option<f64> {
    let t = StudentsT::new(0.0, 1.0, freedom).ok()?;
    let (mut low, mut high) = (0.0, 1.0);
    while t.sf(high) > tail {
        (low, high) = (high, 2.0 * high);
        if high > 1e12 {
            return None;
        }
    }
    for _ in 0..BISECTIONS {
        let middle = 0.5 * (low + high);
        if t.sf(middle) > tail {
            low = middle
        } else {
            high = middle
        }
    }
    let root = 0.5 * (low + high);
    let polished = root + (t.sf(root) - tail) / t.pdf(root);
    polished.is_finite().then_some(polished)
}

fn whole(size: f64) -> Option<u32> {
    let is_size = (2.0..=4_294_967_295.0).contains(&size);
    is_size.then(|| size.round() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::{Limits, Sample};
    use crate::simulation::Normals;

    /// The chance of a false signal a point, given limits, when points are standard normal.
    fn false_signal(limits: &Limits) -> f64 {
        let bounds = limits.bounds(1.0);
        normal::below(bounds.lower.unwrap()) + normal::below(-bounds.upper.unwrap())
    }

    /// Budgets lead to limits of 4.3 to 5.7 sigma, where the baselines that underestimate sigma
    /// most would make most of the false signals.
    #[test]
    fn all_baselines_together_keep_the_stated_rate_whatever_the_width() {
        let mut normal = Normals::new(20_260_302);
        for (m, width) in [(25, 3.8), (25, 4.8), (50, 4.8), (100, 5.4), (200, 5.7)] {
            let factor = factor_for_both(ChartKind::Individuals, m, 1.0, width).unwrap();
            let mut total = 0.0;
            for _ in 0..4_000 {
                let draw = |_| Sample {
                    size: 1.0,
                    value: normal.draw(),
                    spread: None,
                };
                let samples: Vec<Sample> = (0..m).map(draw).collect();
                let limits = Limits::estimate(ChartKind::Individuals, &samples, width * factor);
                total += false_signal(&limits.unwrap());
            }
            let promised = 2.0 * normal::below(-width);
            let rate = total / 4_000.0 / promised;
            assert!(rate > 0.05 && rate < 1.15, "{m} {width}: {rate}");
        }
    }

    /// 2,000 baselines: at least nine of ten, within three standard errors, keep the promise.
    #[test]
    fn nine_baselines_of_ten_keep_the_stated_run_length() {
        let promised = 2.0 * normal::below(-3.0);
        let mut normal = Normals::new(20_260_302);
        for m in [25, 50, 100, 300] {
            let mut kept = 0;
            for _ in 0..2_000 {
                let draw = |_| Sample {
                    size: 1.0,
                    value: normal.draw(),
                    spread: None,
                };
                let samples: Vec<Sample> = (0..m).map(draw).collect();
                let mut limits = Limits::estimate(ChartKind::Individuals, &samples, 3.0).unwrap();
                limits.width *= factor(ChartKind::Individuals, m, 1.0).unwrap();
                kept += usize::from(false_signal(&limits) <= promised);
            }
            let share = kept as f64 / 2_000.0;
            assert!((share - 0.9).abs() < 0.022, "{m}: {share}");
        }
    }

    #[test]
    fn more_subgroups_need_less() {
        let kinds = [
            ChartKind::Individuals,
            ChartKind::MeanRange,
            ChartKind::MeanS,
            ChartKind::P,
        ];
        for kind in kinds {
            let factors: Vec<f64> = [10, 25, 100, 1_000]
                .iter()
                .filter_map(|&m| factor(kind, m, 5.0))
                .collect();
            assert_eq!(factors.len(), 4);
            assert!(
                factors
                    .windows(2)
                    .all(|pair| pair[0] > pair[1] && pair[1] > 1.0)
            );
        }
        assert!(factor(ChartKind::Individuals, 9, 1.0).is_none());
    }

    #[test]
    fn student_quantiles_are_those_of_the_table() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (printed to 3 decimals).
        for (tail, freedom, tabled) in [
            (0.025, 10.0, 2.228),
            (0.001, 10.0, 4.143),
            (0.05, 1.0, 6.314),
            (0.001, 100.0, 3.174),
        ] {
            let found = student_upper(tail, freedom).unwrap();
            assert!((found - tabled).abs() <= 1.1e-3, "{found} {tabled}");
        }
    }

    #[test]
    fn short_baselines_are_refused_on_average_too() {
        assert_eq!(factor_on_average(ChartKind::MeanS, 1, 5, 3.0), None);
        assert_eq!(factor_on_average(ChartKind::MeanS, 20, 1, 3.0), None);
        assert_eq!(factor_on_average(ChartKind::MeanS, 20, 5, f64::NAN), None);
    }

    #[test]
    fn long_baselines_need_no_widening() {
        for kind in [
            ChartKind::Individuals,
            ChartKind::MeanRange,
            ChartKind::MeanS,
            ChartKind::P,
        ] {
            let factor = |m| factor_on_average(kind, m, 5, 3.0).unwrap();
            assert!((factor(1_000_000) - 1.0).abs() < 1e-4, "{kind:?}");
            assert!(
                factor(10) > factor(20) && factor(20) > factor(100),
                "{kind:?}"
            );
        }
    }

    /// Share of later points outside limits estimated from simulated baselines.
    fn simulated_false_alarms(kind: ChartKind, m: u32, size: u32) -> f64 {
        let mut normals = Normals::new(0x9e37_79b9_7f4a_7c15);
        let factor = factor_on_average(kind, m, size, 3.0).unwrap();
        let rounds = 20_000;
        let mut total = 0.0;
        for _ in 0..rounds {
            let samples: Vec<Sample> = (0..m)
                .map(|_| {
                    let mut moments = crate::moments::Moments::new();
                    (0..size).for_each(|_| moments.push(normals.draw()));
                    let value = moments.mean().unwrap();
                    let n = f64::from(size);
                    Sample {
                        size: n,
                        value,
                        spread: moments.standard_deviation(),
                    }
                })
                .collect();
            let bounds = Limits::estimate(kind, &samples, 3.0 * factor)
                .unwrap()
                .bounds(size.into());
            let root = f64::from(size).sqrt();
            total += normal::below(bounds.lower.unwrap() * root);
            total += normal::below(-bounds.upper.unwrap() * root);
        }
        total / f64::from(rounds)
    }

    #[test]
    fn widened_limits_keep_the_promised_rate() {
        // Unwidened, 20 individuals give about four times the promised 0.0027.
        for (kind, m, size) in [
            (ChartKind::MeanS, 20, 5),
            (ChartKind::Individuals, 20, 1),
            (ChartKind::MeanS, 8, 4),
        ] {
            let rate = simulated_false_alarms(kind, m, size);
            assert!((rate / 0.0027 - 1.0).abs() < 0.12, "{kind:?} {m}: {rate}");
        }
    }
}
