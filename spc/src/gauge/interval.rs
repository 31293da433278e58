//! Confidence bounds of sums and differences of mean squares.
//!
//! Purpose: the modified large-sample method. Must not know which component is meant. The one
//! invariant: a single mean square gets its exact chi-square bounds.
//!
//! Source: N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu, Journal of
//! Statistical Computation and Simulation 35, 1990, 135-143, as set out in R. K. Burdick and F. A.
//! Graybill, Confidence Intervals on Variance Components, Marcel Dekker 1992, section 3.3 (from
//! memory; coverage is checked by simulation in the tests of this crate).

use crate::capability::interval::chi_square_quantile;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// One mean square in a linear combination.
#[derive(Clone, Copy, Debug)]
pub(super) struct Term {
    pub coefficient: f64,
    pub mean_square: f64,
    pub freedom: f64,
}

impl Term {
    fn size(&self) -> f64 {
        self.coefficient.abs() * self.mean_square
    }
}

/// Bounds of the sum of coefficient times expected mean square, not below zero; `tail` is the
/// chance left out on each side.
pub(super) fn bounds(terms: &[Term], tail: f64) -> (f64, f64) {
    let estimate: f64 = terms.iter().map(|t| t.coefficient * t.mean_square).sum();
    let used = || terms.iter().filter(|term| term.freedom > 0.0);
    let plus: Vec<&Term> = used().filter(|term| term.coefficient > 0.0).collect();
    let minus: Vec<&Term> = used().filter(|term| term.coefficient < 0.0).collect();
    let lower = estimate - reach(&plus, &minus, tail).sqrt();
    let upper = estimate + reach_up(&plus, &minus, tail).sqrt();
    (lower.max(0.0), upper.max(0.0))
}

/// 1 - 1/F with the upper point of F for infinite second degrees of freedom.
fn shrink(freedom: f64, tail: f64) -> f64 {
    1.0 - freedom / chi_square_quantile(1.0 - tail, freedom)
}

/// 1/F - 1 with the lower point.
fn grow(freedom: f64, tail: f64) -> f64 {
    freedom / chi_square_quantile(tail, freedom) - 1.0
}

/// The square of the distance down: V_L of the paper.
fn reach(plus: &[&Term], minus: &[&Term], tail: f64) -> f64 {
    let mut sum = 0.0;
    for q in plus {
        sum += (shrink(q.freedom, tail) * q.size()).powi(2);
    }
    for r in minus {
        sum += (grow(r.freedom, tail) * r.size()).powi(2);
    }
    for q in plus {
        for r in minus {
            let f = fisher_quantile(1.0 - tail, q.freedom, r.freedom);
            let own = (shrink(q.freedom, tail) * f).powi(2) + grow(r.freedom, tail).powi(2);
            sum += ((f - 1.0).powi(2) - own) / f * q.size() * r.size();
        }
    }
    (sum + within(plus, tail)).max(0.0)
}

/// The square of the distance up: V_U of the paper.
fn reach_up(plus: &[&Term], minus: &[&Term], tail: f64) -> f64 {
    let mut sum = 0.0;
    for q in plus {
        sum += (grow(q.freedom, tail) * q.size()).powi(2);
    }
    for r in minus {
        sum += (shrink(r.freedom, tail) * r.size()).powi(2);
    }
    for q in plus {
        for r in minus {
            let f = fisher_quantile(tail, q.freedom, r.freedom);
            let own = (grow(q.freedom, tail) * f).powi(2) + shrink(r.freedom, tail).powi(2);
            sum += ((1.0 - f).powi(2) - own) / f * q.size() * r.size();
        }
    }
    (sum + within(minus, tail)).max(0.0)
}

/// What two mean squares of the same sign share.
fn within(terms: &[&Term], tail: f64) -> f64 {
    let mut sum = 0.0;
    for (place, q) in terms.iter().enumerate() {
        for t in &terms[place + 1..] {
            let (a, b) = (q.freedom, t.freedom);
            let both = (shrink(a + b, tail) * (a + b)).powi(2) / (a * b);
            let own = shrink(a, tail).powi(2) * a / b + shrink(b, tail).powi(2) * b / a;
            sum += (both - own) / (terms.len() - 1) as f64 * q.size() * t.size();
        }
    }
    sum
}

/// Quantile of the F distribution, by bisection on the library's distribution function.
fn fisher_quantile(p: f64, first: f64, second: f64) -> f64 {
    let Ok(law) = FisherSnedecor::new(first, second) else {
        return 1.0;
    };
    let (mut low, mut high) = (0.0, 1.0);
    while law.cdf(high) < p && high < 1e12 {
        high *= 2.0;
    }
    while high - low > 1e-13 * high {
        let middle = 0.5 * (low + high);
        if law.cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// P(F >= value).
pub(super) fn fisher_above(value: f64, first: f64, second: f64) -> Option<f64> {
    let law = FisherSnedecor::new(first, second).ok()?;
    let p = law.sf(value.max(0.0));
    p.is_finite().then_some(p.clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn f_quantiles_are_those_of_the_table() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.3, upper 5 % points.
        for (first, second, tabled) in [(1.0, 10.0, 4.965), (5.0, 20.0, 2.711), (10.0, 5.0, 4.735)]
        {
            let found = fisher_quantile(0.95, first, second);
            assert!((found - tabled).abs() < 6e-4, "{first} {second}: {found}");
        }
    }

    #[test]
    fn a_single_mean_square_has_exact_bounds() {
        let term = Term {
            coefficient: 0.5,
            mean_square: 4.0,
            freedom: 9.0,
        };
        let (lower, upper) = bounds(&[term], 0.025);
        // Chi-square points of 9 degrees of freedom: 19.023 and 2.700 (handbook, 1.3.6.7.4).
        assert!((lower - 18.0 / 19.0228).abs() < 1e-4, "{lower}");
        assert!((upper - 18.0 / 2.70039).abs() < 1e-4, "{upper}");
    }
}
