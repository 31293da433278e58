//! How much wider control limits have to be because few subgroups made them.

use crate::chart::ChartKind;
use crate::constants;
use crate::runlength::moving_range_variation;

/// The standard normal 90 % quantile.
const NINE_OF_TEN: f64 = 1.281_551_565_544_600_4;

/// Factor on the width of estimated limits such that nine baselines of ten have at least the
/// in-control run length that the width promises for known limits.
///
/// One baseline in ten underestimates sigma by a factor of 1 - 1.2816 sqrt(v) or more, v being the
/// squared coefficient of variation of the estimate; the centre adds 1/m to the variance of the
/// difference between a point and it. The factor is sqrt(1 + 1/m) / (1 - 1.2816 sqrt(v)). v is
/// (d3/d2)^2/m for ranges, (1 - c4^2)/(c4^2 m) for standard deviations, and for moving ranges of
/// two about 0.83/m, from their own and their neighbours' variance. Charts of counts estimate the
/// centre alone: sqrt(1 + 1/m).
///
/// The need is that of W. A. Jensen, L. A. Jones-Farmer, C. W. Champ and W. H. Woodall, Journal of
/// Quality Technology 38(4) 2006; the formula is our own, and is checked by simulation.
///
/// `size` is the mean number of readings in a subgroup; it matters for ranges and standard
/// deviations only. Gives `None` for fewer than ten subgroups, where the approximation fails, and
/// for sizes the chart can not have. Cost: constant.
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
        ChartKind::MeanRange => {
            let size = whole(size)?;
            (constants::d3(size)? / constants::d2(size)?).powi(2) / m
        }
        ChartKind::MeanS => (constants::c4(whole(size)?)?.powi(-2) - 1.0) / m,
        ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => return Some(centre),
    };
    Some(centre / (1.0 - NINE_OF_TEN * variation.sqrt()))
}

fn whole(size: f64) -> Option<u32> {
    let is_size = (2.0..=4_294_967_295.0).contains(&size);
    is_size.then(|| size.round() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::{Limits, Sample};
    use crate::normal;

    /// A fixed stream of uniform numbers (splitmix64), turned normal by Box and Muller.
    struct Normal(u64);

    impl Normal {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        }

        fn next(&mut self) -> f64 {
            let (a, b) = (1.0 - self.uniform(), self.uniform());
            (-2.0 * a.ln()).sqrt() * (2.0 * std::f64::consts::PI * b).cos()
        }
    }

    /// The chance of a false signal a point, given limits, when points are standard normal.
    fn false_signal(limits: &Limits) -> f64 {
        let bounds = limits.bounds(1.0);
        normal::below(bounds.lower.unwrap()) + normal::below(-bounds.upper.unwrap())
    }

    /// 2,000 baselines: at least nine of ten, within three standard errors, keep the promise.
    #[test]
    fn nine_baselines_of_ten_keep_the_stated_run_length() {
        let promised = 2.0 * normal::below(-3.0);
        let mut normal = Normal(20_260_302);
        for m in [25, 50, 100, 300] {
            let mut kept = 0;
            for _ in 0..2_000 {
                let draw = |_| Sample {
                    size: 1.0,
                    value: normal.next(),
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
}
