//! Distributions that capability is judged by.
//!
//! Purpose: shares and quantiles of a distribution with known parameters. Must not know how the
//! parameters were found. The one invariant: a distribution made by [`Distribution::new`] has
//! finite parameters in their range, and its quantiles rise with the share.

use crate::normal;
use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur, ln_gamma};
use std::f64::consts::PI;

/// A family of distributions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Family {
    /// Normal: location the mean, scale sigma.
    Normal,
    /// Logarithm of the distance from the bound is normal: location its mean, scale its sigma.
    LogNormal,
    /// Weibull of the distance from the bound: location the shape, scale the scale.
    Weibull,
    /// Gamma of the distance from the bound: location the shape, scale the scale.
    Gamma,
    /// Absolute value of a normal variable, about the bound: location the mean before folding,
    /// scale sigma before folding. A location of 0 is the half-normal distribution.
    FoldedNormal,
}

impl Family {
    /// Every family, in the order in which they are reported.
    pub const ALL: [Family; 5] = [
        Family::Normal,
        Family::LogNormal,
        Family::Weibull,
        Family::Gamma,
        Family::FoldedNormal,
    ];

    /// Name for a report.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::Family;
    /// assert_eq!(Family::LogNormal.name(), "lognormal");
    /// ```
    pub fn name(self) -> &'static str {
        match self {
            Family::Normal => "normal",
            Family::LogNormal => "lognormal",
            Family::Weibull => "Weibull",
            Family::Gamma => "gamma",
            Family::FoldedNormal => "folded normal",
        }
    }

    /// What its two parameters are called.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::Family;
    /// assert_eq!(Family::Weibull.parameters(), ("shape", "scale"));
    /// ```
    pub fn parameters(self) -> (&'static str, &'static str) {
        match self {
            Family::Normal => ("mean", "sigma"),
            Family::LogNormal => ("mean of logarithms", "sigma of logarithms"),
            Family::Weibull | Family::Gamma => ("shape", "scale"),
            Family::FoldedNormal => ("mean before folding", "sigma before folding"),
        }
    }
}

/// A distribution with its parameters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Distribution {
    family: Family,
    bound: f64,
    first: f64,
    second: f64,
}

/// Shape from which gamma and Weibull can not be told from a normal in double precision.
const SHAPE_MAX: f64 = 1e6;

impl Distribution {
    /// A distribution with its two parameters in the order of [`Family::parameters`].
    ///
    /// `bound` is the value below which no reading can lie, in the unit of the readings; the
    /// normal ignores it. `None` when a parameter is not finite, a sigma, shape or scale is not
    /// positive, a shape is above a million, or a mean before folding is negative.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// // Exponential with mean 1.5: its median is 1.5 ln 2.
    /// let exponential = Distribution::new(Family::Gamma, 0.0, 1.0, 1.5).expect("in range");
    /// assert!((exponential.quantile(0.5).expect("a share") - 1.5 * 2f64.ln()).abs() < 1e-12);
    /// ```
    pub fn new(family: Family, bound: f64, first: f64, second: f64) -> Option<Self> {
        let finite = [bound, first, second].into_iter().all(f64::is_finite);
        let first_fits = match family {
            Family::Normal | Family::LogNormal => true,
            Family::Weibull | Family::Gamma => first > 0.0 && first <= SHAPE_MAX,
            Family::FoldedNormal => first >= 0.0,
        };
        (finite && first_fits && second > 0.0).then_some(Self {
            family,
            bound,
            first,
            second,
        })
    }

    /// Its family.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// let known = Distribution::new(Family::Gamma, 0.0, 1.0, 1.5);
    /// assert_eq!(known.map(|known| known.family()), Some(Family::Gamma));
    /// ```
    pub fn family(&self) -> Family {
        self.family
    }

    /// Name for a report; the folded normal at its edge is called half-normal.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// let folded = |mean| Distribution::new(Family::FoldedNormal, 0.0, mean, 1.0);
    /// let name = |mean| folded(mean).map(|one| one.name());
    /// assert_eq!((name(0.0), name(0.5)), (Some("half-normal"), Some("folded normal")));
    /// ```
    pub fn name(&self) -> &'static str {
        if self.family == Family::FoldedNormal && self.first <= 0.0 {
            "half-normal"
        } else {
            self.family.name()
        }
    }

    /// Its parameters, in the order of [`Family::parameters`].
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// let known = Distribution::new(Family::Weibull, 0.0, 2.0, 1.5);
    /// assert_eq!(known.map(|known| known.parameters()), Some((2.0, 1.5)));
    /// ```
    pub fn parameters(&self) -> (f64, f64) {
        (self.first, self.second)
    }

    /// The bound; `None` for the normal, which has none.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// let bound = |family| Distribution::new(family, 0.5, 2.0, 1.5).and_then(|one| one.bound());
    /// assert_eq!((bound(Family::Weibull), bound(Family::Normal)), (Some(0.5), None));
    /// ```
    pub fn bound(&self) -> Option<f64> {
        (self.family != Family::Normal).then_some(self.bound)
    }

    /// Share at or below `x`, which is in the unit of the readings; 0 for NaN.
    ///
    /// Cost: constant; gamma, a series.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// // Weibull: 1 - 1/e lies below the scale, whatever the shape.
    /// let known = Distribution::new(Family::Weibull, 0.0, 2.7, 1.5).expect("in range");
    /// assert!((known.below(1.5) - (1.0 - (-1f64).exp())).abs() < 1e-12);
    /// assert_eq!(known.below(-1.0), 0.0);
    /// ```
    pub fn below(&self, x: f64) -> f64 {
        if x.is_nan() {
            return 0.0;
        }
        let y = x - self.bound;
        let (a, b) = (self.first, self.second);
        match self.family {
            Family::Normal => normal::below((x - a) / b),
            _ if y <= 0.0 => 0.0,
            Family::LogNormal => normal::below((y.ln() - a) / b),
            Family::Weibull => -(-(y / b).powf(a)).exp_m1(),
            Family::Gamma => checked_gamma_lr(a, (y / b).min(f64::MAX)).unwrap_or(1.0),
            // Both terms lie near Phi(-a/b), so a small share keeps its digits.
            Family::FoldedNormal => {
                (normal::below((y - a) / b) - normal::below((-y - a) / b)).max(0.0)
            }
        }
    }

    /// Share above `x`, without cancellation; 0 for NaN.
    ///
    /// Cost: constant; gamma, a series.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// // Tables of the normal distribution: 0.00135 above three sigma, 2.5 % above 1.96.
    /// let known = Distribution::new(Family::Normal, 0.0, 10.0, 2.0).expect("in range");
    /// assert!((known.above(16.0) - 0.001_349_898).abs() < 1e-9);
    /// assert!((known.above(10.0 + 2.0 * 1.959_964) - 0.025).abs() < 1e-8);
    /// ```
    pub fn above(&self, x: f64) -> f64 {
        if x.is_nan() {
            return 0.0;
        }
        let y = x - self.bound;
        let (a, b) = (self.first, self.second);
        match self.family {
            Family::Normal => normal::below((a - x) / b),
            _ if y <= 0.0 => 1.0,
            Family::LogNormal => normal::below((a - y.ln()) / b),
            Family::Weibull => (-(y / b).powf(a)).exp(),
            Family::Gamma => checked_gamma_ur(a, (y / b).min(f64::MAX)).unwrap_or(0.0),
            Family::FoldedNormal => normal::below((a - y) / b) + normal::below((-a - y) / b),
        }
    }

    /// The value below which a share `p` lies, in the unit of the readings.
    ///
    /// `None` unless 0 < p < 1. Closed form but for gamma and folded normal, which are found by
    /// bisection. Cost: constant or about 100 evaluations.
    ///
    /// ```
    /// use spc::distribution::{Distribution, Family};
    /// let known = Distribution::new(Family::Normal, 0.0, 10.0, 2.0).expect("in range");
    /// assert!(known.quantile(0.975).is_some_and(|x| (x - 13.919_928).abs() < 1e-6));
    /// assert_eq!(known.quantile(1.0), None);
    /// ```
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if !(p > 0.0 && p < 1.0) {
            return None;
        }
        let (a, b) = (self.first, self.second);
        let value = match self.family {
            Family::Normal => a + b * normal::quantile(p),
            Family::LogNormal => self.bound + (a + b * normal::quantile(p)).exp(),
            Family::Weibull => self.bound + b * (-(-p).ln_1p()).powf(1.0 / a),
            Family::Gamma | Family::FoldedNormal => self.bisected(p),
        };
        value.is_finite().then_some(value)
    }

    fn bisected(&self, p: f64) -> f64 {
        let reached = |x: f64| {
            if p > 0.5 {
                self.above(x) <= 1.0 - p
            } else {
                self.below(x) >= p
            }
        };
        let (mut low, mut high) = (0.0, self.second);
        while !reached(self.bound + high) && high < f64::MAX / 4.0 {
            low = high;
            high *= 2.0;
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if middle <= low || middle >= high {
                break;
            }
            if reached(self.bound + middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        self.bound + 0.5 * (low + high)
    }

    /// Logarithm of [`Distribution::below`]; finite, so that a far reading costs no statistic.
    pub(crate) fn log_below(&self, x: f64) -> f64 {
        match self.family {
            Family::Normal => normal::log_below((x - self.first) / self.second),
            _ => self.below(x).max(f64::MIN_POSITIVE).ln(),
        }
    }

    /// Logarithm of [`Distribution::above`]; finite likewise.
    pub(crate) fn log_above(&self, x: f64) -> f64 {
        match self.family {
            Family::Normal => normal::log_below((self.first - x) / self.second),
            _ => self.above(x).max(f64::MIN_POSITIVE).ln(),
        }
    }

    /// Logarithm of the density at a reading above the bound.
    pub(crate) fn log_density(&self, x: f64) -> f64 {
        let y = x - self.bound;
        let (a, b) = (self.first, self.second);
        let normal = |z: f64| -0.5 * z * z - 0.5 * (2.0 * PI).ln();
        match self.family {
            Family::Normal => normal((x - a) / b) - b.ln(),
            Family::LogNormal => normal((y.ln() - a) / b) - b.ln() - y.ln(),
            Family::Weibull => {
                let ratio = y / b;
                (a / b).ln() + (a - 1.0) * ratio.ln() - ratio.powf(a)
            }
            Family::Gamma => (a - 1.0) * y.ln() - y / b - ln_gamma(a) - a * b.ln(),
            Family::FoldedNormal => {
                // ln(exp(u) + exp(-u)) without overflow.
                let u = a * y / (b * b);
                let fold = u.abs() + (-2.0 * u.abs()).exp().ln_1p();
                let centre = 0.5 * (y * y + a * a) / (b * b);
                fold - centre - b.ln() - 0.5 * (2.0 * PI).ln()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quadrature::composite;

    fn examples() -> Vec<Distribution> {
        let new = |family, bound, first, second| {
            Distribution::new(family, bound, first, second).expect("in range")
        };
        vec![
            new(Family::Normal, 0.0, 10.0, 2.0),
            new(Family::LogNormal, 1.0, 0.5, 0.3),
            new(Family::Weibull, 0.0, 1.7, 3.0),
            new(Family::Weibull, -2.0, 0.8, 1.0),
            new(Family::Gamma, 0.0, 0.5, 2.0),
            new(Family::Gamma, 5.0, 225.0, 0.5),
            new(Family::FoldedNormal, 0.0, 0.0, 1.0),
            new(Family::FoldedNormal, 0.0, 1.5, 1.0),
        ]
    }

    #[test]
    fn quantiles_invert_the_shares() {
        for one in examples() {
            for p in [1e-6, 0.00135, 0.3, 0.5, 0.9, 0.99865, 1.0 - 1e-6] {
                let x = one.quantile(p).unwrap();
                assert!((one.below(x) - p).abs() < 1e-9 * p.max(1e-3), "{one:?} {p}");
                assert!((one.above(x) - (1.0 - p)).abs() < 1e-9, "{one:?} {p}");
            }
            assert_eq!(one.quantile(0.0), None);
            assert_eq!(one.quantile(f64::NAN), None);
        }
    }

    #[test]
    fn densities_integrate_to_the_shares() {
        for one in examples() {
            let (from, to) = (one.quantile(0.2).unwrap(), one.quantile(0.9).unwrap());
            let mass: f64 = composite(from, to, 40)
                .iter()
                .map(|(x, w)| w * one.log_density(*x).exp())
                .sum();
            assert!((mass - 0.7).abs() < 1e-9, "{one:?} {mass}");
        }
    }

    #[test]
    fn the_folded_normal_ends_in_the_half_normal() {
        let half = Distribution::new(Family::FoldedNormal, 0.0, 0.0, 1.0).unwrap();
        assert_eq!(half.name(), "half-normal");
        // The upper quartile of the normal.
        let median = half.quantile(0.5).unwrap();
        assert!((median - normal::quantile(0.75)).abs() < 1e-12);
    }

    #[test]
    fn parameters_out_of_range_make_no_distribution() {
        let new = Distribution::new;
        assert_eq!(new(Family::Normal, 0.0, 1.0, 0.0), None);
        assert_eq!(new(Family::Gamma, 0.0, -1.0, 1.0), None);
        assert_eq!(new(Family::Weibull, f64::NAN, 1.0, 1.0), None);
        assert_eq!(new(Family::FoldedNormal, 0.0, -0.1, 1.0), None);
    }
}
