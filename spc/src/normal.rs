//! The standard normal distribution.
//!
//! Purpose: density, distribution function and quantile in one place. Must not know charts. The
//! one invariant: both tails are computed without cancellation.

use statrs::function::erf::erfc_inv;
use std::f64::consts::{PI, SQRT_2};

/// From here on the continued fraction converges fast; below, the series does.
const TAIL_FROM: f64 = 2.0;

/// Density at `x`.
pub(crate) fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// Probability of a value at or below `x`.
pub(crate) fn below(x: f64) -> f64 {
    let tail = 0.5 * erfc(x.abs() / SQRT_2);
    if x < 0.0 { tail } else { 1.0 - tail }
}

/// Logarithm of [`below`]; finite however far out, by the first terms of 26.2.12 in Abramowitz
/// and Stegun where the probability itself vanishes.
pub(crate) fn log_below(x: f64) -> f64 {
    if x > -35.0 {
        return below(x).ln();
    }
    let square = x * x;
    -0.5 * square - (-x).ln() - 0.5 * (2.0 * PI).ln() + (-1.0 / square).ln_1p()
}

/// The value below which a share `p` lies, 0 < p < 1.
pub(crate) fn quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -quantile(1.0 - p);
    }
    let mut x = -SQRT_2 * erfc_inv(2.0 * p);
    // The library's inverse has about ten digits; each Newton step doubles them.
    for _ in 0..2 {
        x -= (below(x) - p) / density(x);
    }
    x
}

/// Complementary error function for x >= 0. The library's version has only about ten digits,
/// which shows in d2. Series 7.1.6 and continued fraction 7.1.14 of M. Abramowitz and
/// I. A. Stegun, Handbook of Mathematical Functions, 1964.
fn erfc(x: f64) -> f64 {
    let scale = (-x * x).exp() / PI.sqrt();
    if x < TAIL_FROM {
        let (mut term, mut sum, mut odd) = (x, x, 1.0);
        while term > 1e-17 * sum {
            odd += 2.0;
            term *= 2.0 * x * x / odd;
            sum += term;
        }
        return 1.0 - 2.0 * scale * sum;
    }
    // Evaluated from the far end; the terms needed fall with the square of x.
    let terms = 4 + (200.0 / (x * x)) as u32;
    let fraction = (1..=terms)
        .rev()
        .fold(x, |rest, k| x + 0.5 * f64::from(k) / rest);
    scale / fraction
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantile_inverts_the_distribution_function() {
        for p in [1e-9, 0.00135, 0.025, 0.3, 0.5, 0.8, 0.975, 0.99865] {
            assert!((below(quantile(p)) - p).abs() < 1e-15 + 1e-13 * p, "{p}");
        }
    }

    #[test]
    fn tails_are_the_tabled_ones() {
        // Abramowitz and Stegun, Tables 26.1 and 26.2: 1 - Phi(1), Phi(-3), Phi(-5) (from memory).
        for (x, tail) in [
            (1.0, 0.158_655_253_931_457),
            (3.0, 1.349_898_031_630_09e-3),
            (5.0, 2.866_515_718_79e-7),
        ] {
            assert!((below(-x) / tail - 1.0).abs() < 1e-11, "{x}");
        }
    }

    #[test]
    fn the_logarithm_goes_on_where_the_probability_vanishes() {
        let step = log_below(-35.0 - 1e-9) - log_below(-35.0 + 1e-9);
        assert!((step + 2e-9 * 35.0).abs() < 1e-5, "{step}");
        assert!(log_below(-1e6).is_finite());
    }

    #[test]
    fn series_and_fraction_meet() {
        let at = SQRT_2 * TAIL_FROM;
        let step = below(-at * (1.0 - 1e-13)) - below(-at * (1.0 + 1e-13));
        assert!((step - 2e-13 * at * density(at)).abs() < 1e-13 * below(-at));
    }

    #[test]
    fn quantile_of_0_975_is_the_tabled_value() {
        // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1: 1.96; digits from memory.
        assert!((quantile(0.975) - 1.959963984540054).abs() < 1e-14);
    }
}
