//! The noncentral t distribution.
//!
//! Purpose: the exact law of a sample mean's distance from a limit in sample deviations, which
//! one-sided capability indices and tolerance factors rest on. Must not know specifications. The
//! one invariant: probabilities lie in 0 to 1 and fall as the noncentrality grows.
//!
//! T = (Z + delta) / S with Z standard normal and S^2 chi-square over its degrees of freedom, so
//! P(T <= t) is the mean of Phi(t S - delta) over S (D. B. Owen, Technometrics 10(3) 1968, section
//! 2). The integral is taken numerically and divided by that of the density of S on the same
//! nodes, so no gamma function limits its digits, at any degrees of freedom.

use crate::normal;
use crate::quadrature::composite;

/// How far the density of S is followed, in its asymptotic deviations 1/sqrt(2 nu).
const REACH: f64 = 12.0;
/// Phi is 0 or 1 to double precision this far from its middle.
const NORMAL_REACH: f64 = 9.0;
const PANELS: u32 = 24;

/// P(T <= t) for `freedom` >= 1 degrees of freedom and noncentrality `delta`.
///
/// Cost: about 1,200 evaluations of the normal distribution function.
pub(crate) fn below(t: f64, freedom: f64, delta: f64) -> f64 {
    let unit = 1.0 / (2.0 * freedom).sqrt();
    let (from, to) = ((1.0 - REACH * unit).max(0.0), 1.0 + REACH * unit);
    // Phi(t s - delta) turns from 0 to 1 around s = delta / t; its turn gets panels of its own.
    let (middle, half) = (delta / t, NORMAL_REACH / t.abs());
    let mut cuts = vec![from];
    for cut in [middle - half, middle + half] {
        if cut.is_finite() && cut > from && cut < to {
            cuts.push(cut);
        }
    }
    cuts.push(to);
    let (mut mass, mut total) = (0.0, 0.0);
    for pair in cuts.windows(2) {
        for (s, weight) in composite(pair[0], pair[1], PANELS) {
            let log = (freedom - 1.0) * s.ln() - 0.5 * freedom * (s * s - 1.0);
            let density = weight * log.exp();
            total += density;
            mass += density * normal::below(t * s - delta);
        }
    }
    (mass / total).clamp(0.0, 1.0)
}

/// The noncentrality at which P(T <= t) is `p`, 0 < p < 1. Cost: about 50 of [`below`].
pub(crate) fn noncentrality(t: f64, freedom: f64, p: f64) -> f64 {
    // Phi((t s - delta)) near s = 1 gives the start; the step doubles until it brackets.
    let start = t - normal::quantile(p);
    let mut step = 1.0 + t.abs() / freedom.sqrt();
    let (mut low, mut high) = (start - step, start + step);
    while below(t, freedom, low) < p {
        step *= 2.0;
        low -= step;
    }
    while below(t, freedom, high) > p {
        step *= 2.0;
        high += step;
    }
    while high - low > 1e-12 * (1.0 + high.abs().max(low.abs())) {
        let middle = 0.5 * (low + high);
        if below(t, freedom, middle) > p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantile, by bisection.
    fn quantile(p: f64, freedom: f64, delta: f64) -> f64 {
        let (mut low, mut high) = (-1e3, 1e3);
        while high - low > 1e-11 {
            let middle = 0.5 * (low + high);
            if below(middle, freedom, delta) < p {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    #[test]
    fn one_sided_tolerance_factors_are_the_published_ones() {
        // M. G. Natrella, Experimental Statistics, NBS Handbook 91, 1963, Table A-7 (from memory):
        // readings, share covered, factor at 95 % confidence.
        for (n, share, tabled) in [
            (5.0, 0.90, 3.407),
            (10.0, 0.90, 2.355),
            (10.0, 0.95, 2.911),
            (10.0, 0.99, 3.981),
            (20.0, 0.95, 2.396),
            (50.0, 0.99, 2.862),
            (100.0, 0.95, 1.927),
        ] {
            let delta = normal::quantile(share) * f64::sqrt(n);
            let factor = quantile(0.95, n - 1.0, delta) / n.sqrt();
            assert!((factor - tabled).abs() < 1.01e-3, "{n} {share}: {factor}");
        }
        // NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3: 43 readings, 90 %, confidence
        // 99 %, factor 1.8740 (from memory).
        let delta = normal::quantile(0.9) * 43f64.sqrt();
        let factor = quantile(0.99, 42.0, delta) / 43f64.sqrt();
        assert!((factor - 1.8740).abs() < 5e-5, "{factor}");
    }

    #[test]
    fn without_noncentrality_it_is_the_t_distribution() {
        // Closed forms: one degree of freedom 1/2 + atan(t)/pi, two 1/2 + t/(2 sqrt(2 + t^2)).
        for t in [-30.0f64, -2.0, -0.1, 0.0, 0.7, 5.0, 400.0] {
            let cauchy = 0.5 + t.atan() / std::f64::consts::PI;
            let two = 0.5 + t / (2.0 * (2.0 + t * t).sqrt());
            assert!((below(t, 1.0, 0.0) - cauchy).abs() < 1e-12, "{t}");
            assert!((below(t, 2.0, 0.0) - two).abs() < 1e-12, "{t}");
        }
    }

    #[test]
    fn at_zero_and_mirrored_it_has_its_closed_forms() {
        for delta in [-3.0, 0.5, 8.0] {
            let at_zero = below(0.0, 7.0, delta);
            assert!((at_zero - normal::below(-delta)).abs() < 1e-14);
            let mirrored = below(2.5, 7.0, delta) + below(-2.5, 7.0, -delta);
            assert!((mirrored - 1.0).abs() < 1e-13, "{delta}");
        }
    }

    #[test]
    fn the_noncentrality_inverts_the_distribution() {
        for (t, freedom) in [(0.5, 1.0), (-4.0, 9.0), (25.0, 29.0), (500.0, 9_999.0)] {
            for p in [0.025, 0.5, 0.975] {
                let delta = noncentrality(t, freedom, p);
                assert!(
                    (below(t, freedom, delta) - p).abs() < 1e-10,
                    "{t} {freedom} {p}"
                );
            }
        }
    }
}
