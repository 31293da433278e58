//! The constants of Shewhart charts, for any subgroup size.
//!
//! Purpose: d2, d3 and c4 of normal samples and the chart factors made of them. Must not know
//! data. The one invariant: every value is computed, to about 1e-12, from the definition, and is
//! `None` exactly when the subgroup size is below 2.
//!
//! Definitions as in the table of factors in A. M. Joglekar, Statistical Methods for Six Sigma,
//! Wiley 2003, Appendix G (after ASTM).

use crate::normal;
use crate::quadrature::composite;
use std::f64::consts::PI;
use std::sync::OnceLock;

/// Range constants up to 1024 are kept; larger ones take about 0.1 s at every call.
const MEMO_SIZE: usize = 1025;
/// Above this size the range of a sample has sharp edges and the panels are made finer.
const COARSE_SIZE_MAX: u32 = 100;
/// Above this size c4 is taken from its asymptotic series.
const RECURRENCE_SIZE_MAX: u32 = 200;

/// Mean and standard deviation of the range of n standard normal values.
#[derive(Clone, Copy, Debug)]
struct RangeMoments {
    d2: f64,
    d3: f64,
}

/// All factors of one subgroup size, for limits at three standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factors {
    /// Mean range of a standard normal sample.
    pub d2: f64,
    /// Standard deviation of that range.
    pub d3: f64,
    /// Mean standard deviation of a standard normal sample.
    pub c4: f64,
    /// 3/sqrt(n): limits of the mean from a known sigma.
    pub a: f64,
    /// 3/(d2 sqrt(n)): limits of the mean from the mean range.
    pub a2: f64,
    /// 3/(c4 sqrt(n)): limits of the mean from the mean standard deviation.
    pub a3: f64,
    /// Lower limit of s per mean s.
    pub b3: f64,
    /// Upper limit of s per mean s.
    pub b4: f64,
    /// Lower limit of s per sigma.
    pub b5: f64,
    /// Upper limit of s per sigma.
    pub b6: f64,
    /// Lower limit of R per sigma.
    pub d1_limit: f64,
    /// Upper limit of R per sigma.
    pub d2_limit: f64,
    /// Lower limit of R per mean R.
    pub d3_limit: f64,
    /// Upper limit of R per mean R.
    pub d4_limit: f64,
    /// 3/d2: limits of individuals from the mean range.
    pub e2: f64,
}

/// Mean range of n independent standard normal values, in sigmas; `None` for n < 2.
///
/// d2 = integral of 1 - Phi(x)^n - (1 - Phi(x))^n over the real line.
///
/// Cost: an integral, kept up to a size of 1024; beyond, about 0.1 s.
///
/// ```
/// // A. M. Joglekar, Statistical Methods for Six Sigma, 2003, App. G.
/// assert!(spc::constants::d2(5).is_some_and(|d2| (d2 - 2.326).abs() < 5e-4));
/// assert_eq!(spc::constants::d2(1), None);
/// ```
pub fn d2(n: u32) -> Option<f64> {
    Some(range_moments(n)?.d2)
}

/// Standard deviation of the range of n standard normal values, in sigmas; `None` for n < 2.
///
/// d3 = sqrt(E R^2 - d2^2), E R^2 = 2 times the integral of r P(R > r) over r > 0, with
/// P(R <= r) = n times the integral of phi(x) (Phi(x + r) - Phi(x))^(n - 1).
///
/// Cost: an integral, kept up to a size of 1024; beyond, about 0.1 s.
///
/// ```
/// // A. M. Joglekar, Statistical Methods for Six Sigma, 2003, App. G.
/// assert!(spc::constants::d3(5).is_some_and(|d3| (d3 - 0.864).abs() < 5e-4));
/// assert_eq!(spc::constants::d3(1), None);
/// ```
pub fn d3(n: u32) -> Option<f64> {
    Some(range_moments(n)?.d3)
}

/// Mean of the sample standard deviation (divisor n - 1), in sigmas; `None` for n < 2.
///
/// c4 = sqrt(2/(n - 1)) Gamma(n/2) / Gamma((n - 1)/2).
///
/// Cost: constant.
///
/// ```
/// // A. M. Joglekar, Statistical Methods for Six Sigma, 2003, App. G.
/// assert!(spc::constants::c4(5).is_some_and(|c4| (c4 - 0.9400).abs() < 5e-5));
/// assert_eq!(spc::constants::c4(1), None);
/// ```
pub fn c4(n: u32) -> Option<f64> {
    if n < 2 {
        return None;
    }
    if n > RECURRENCE_SIZE_MAX {
        return Some(c4_series(n));
    }
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let index = usize::try_from(n - 2).ok()?;
    TABLE.get_or_init(c4_table).get(index).copied()
}

/// c4 from n = 2 on. g(n) = Gamma(n/2)/Gamma((n-1)/2) obeys g(n) g(n+1) = (n-1)/2, from
/// g(2) = 1/sqrt(pi).
fn c4_table() -> Vec<f64> {
    let mut ratio = 1.0 / PI.sqrt();
    let step = |n: u32| {
        let c4 = (2.0 / f64::from(n - 1)).sqrt() * ratio;
        ratio = f64::from(n - 1) / (2.0 * ratio);
        c4
    };
    (2..=RECURRENCE_SIZE_MAX).map(step).collect()
}

/// All factors of subgroup size n at three standard deviations; `None` for n < 2.
///
/// Lower factors of R and s are floored at 0.
///
/// Cost: that of [`d2`].
///
/// ```
/// // A. M. Joglekar, Statistical Methods for Six Sigma, 2003, App. G, for 5.
/// let five = spc::constants::factors(5).expect("at least 2");
/// assert!((five.a2 - 0.577).abs() < 5e-4 && (five.a3 - 1.427).abs() < 5e-4);
/// assert!(five.b3 == 0.0 && (five.b4 - 2.089).abs() < 5e-4);
/// ```
pub fn factors(n: u32) -> Option<Factors> {
    let RangeMoments { d2, d3 } = range_moments(n)?;
    let c4 = c4(n)?;
    let root = f64::from(n).sqrt();
    let s_width = 3.0 * spread_of_s(c4);
    Some(Factors {
        d2,
        d3,
        c4,
        a: 3.0 / root,
        a2: 3.0 / (d2 * root),
        a3: 3.0 / (c4 * root),
        b3: (1.0 - s_width / c4).max(0.0),
        b4: 1.0 + s_width / c4,
        b5: (c4 - s_width).max(0.0),
        b6: c4 + s_width,
        d1_limit: (d2 - 3.0 * d3).max(0.0),
        d2_limit: d2 + 3.0 * d3,
        d3_limit: (1.0 - 3.0 * d3 / d2).max(0.0),
        d4_limit: 1.0 + 3.0 * d3 / d2,
        e2: 3.0 / d2,
    })
}

/// Standard deviation of s per sigma, given its mean c4: sqrt(1 - c4^2).
pub(crate) fn spread_of_s(c4: f64) -> f64 {
    ((1.0 - c4) * (1.0 + c4)).sqrt()
}

/// A subgroup size as an integer of at least 2, if it is one.
pub(crate) fn whole_size(size: f64) -> Option<u32> {
    let whole = size >= 2.0 && size <= f64::from(u32::MAX) && size.fract().abs() < 1e-9;
    whole.then_some(size as u32)
}

/// The range of n >= 2 standard normal values that a share `p` does not exceed, 0 < p < 1.
pub(crate) fn range_quantile(n: u32, p: f64) -> f64 {
    let size = f64::from(n);
    let grid = normal_grid(refinement(n));
    let (mut low, mut high) = (0.0, 20.0);
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if range_at_most(middle, size, &grid) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
}

/// Expansion of Gamma(z + 1/2)/(Gamma(z) sqrt(z)) at z = (n - 1)/2; the first term left out is
/// below 1e-15 for n > 200.
fn c4_series(n: u32) -> f64 {
    let y = 2.0 / f64::from(n - 1);
    let tail = 5.0 / 1024.0 + y * (-21.0 / 32768.0 - y * 399.0 / 262144.0);
    1.0 + y * (-1.0 / 8.0 + y * (1.0 / 128.0 + y * tail))
}

fn range_moments(n: u32) -> Option<RangeMoments> {
    static MEMO: [OnceLock<RangeMoments>; MEMO_SIZE] = [const { OnceLock::new() }; MEMO_SIZE];
    if n < 2 {
        return None;
    }
    if n == 2 {
        // Every moving range asks for it, and the range of two is the half-normal of variance 2.
        return Some(RangeMoments {
            d2: 2.0 / PI.sqrt(),
            d3: (2.0 - 4.0 / PI).sqrt(),
        });
    }
    let slot = usize::try_from(n).ok().and_then(|index| MEMO.get(index));
    Some(match slot {
        Some(slot) => *slot.get_or_init(|| integrate_range(n, refinement(n))),
        None => integrate_range(n, refinement(n)),
    })
}

fn refinement(n: u32) -> u32 {
    if n > COARSE_SIZE_MAX { 4 } else { 1 }
}

fn integrate_range(n: u32, refine: u32) -> RangeMoments {
    let size = f64::from(n);
    let grid = normal_grid(refine);
    let d2: f64 = grid
        .iter()
        .map(|node| node.weight * d2_integrand(node, size))
        .sum();
    let second: f64 = composite(0.0, 20.0, 20 * refine)
        .into_iter()
        .map(|(r, weight)| 2.0 * weight * r * (1.0 - range_at_most(r, size, &grid)))
        .sum();
    RangeMoments {
        d2,
        d3: (second - d2 * d2).max(0.0).sqrt(),
    }
}

/// Beyond 10 sigma even the largest of 2^32 values is not found (probability below 1e-13).
fn normal_grid(refine: u32) -> Vec<Node> {
    composite(-10.0, 10.0, 20 * refine)
        .into_iter()
        .map(Node::at)
        .collect()
}

/// A node of the integration over x, with what does not depend on r.
struct Node {
    x: f64,
    weight: f64,
    below: f64,
    above: f64,
    mass: f64,
}

impl Node {
    fn at((x, weight): (f64, f64)) -> Self {
        let mass = weight * normal::density(x);
        Self {
            x,
            weight,
            below: normal::below(x),
            above: normal::below(-x),
            mass,
        }
    }
}

/// 1 - Phi^n - (1 - Phi)^n by logarithms, so that a large n does not lose the tails.
fn d2_integrand(node: &Node, n: f64) -> f64 {
    let some_above = -(n * (-node.above).ln_1p()).exp_m1();
    some_above - (n * (-node.below).ln_1p()).exp()
}

/// The share of ranges of n >= 2 standard normal values that exceed r.
pub(crate) fn range_above(n: u32, r: f64) -> f64 {
    let at_most = range_at_most(r, f64::from(n), &normal_grid(refinement(n)));
    (1.0 - at_most).clamp(0.0, 1.0)
}

fn range_at_most(r: f64, n: f64, grid: &[Node]) -> f64 {
    let inside = |node: &Node| (normal::below(node.x + r) - node.below).max(0.0);
    n * grid
        .iter()
        .map(|node| node.mass * inside(node).powf(n - 1.0))
        .sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: Option<f64>, expected: f64, tolerance: f64) {
        let found = found.unwrap();
        assert!(
            (found - expected).abs() <= tolerance,
            "{found} is not {expected}"
        );
    }

    #[test]
    fn sizes_below_two_have_no_constants() {
        for n in [0, 1] {
            assert!(d2(n).is_none() && d3(n).is_none() && c4(n).is_none());
            assert!(factors(n).is_none());
        }
    }

    #[test]
    fn two_and_three_match_closed_forms() {
        // Range of two: |X1 - X2| is half normal with scale sqrt(2).
        let two = integrate_range(2, 1);
        close(d2(2), two.d2, 1e-13);
        close(d3(2), two.d3, 1e-12);
        close(d2(3), 3.0 / PI.sqrt(), 1e-13);
        close(c4(2), (2.0 / PI).sqrt(), 1e-15);
        close(c4(3), PI.sqrt() / 2.0, 1e-15);
    }

    #[test]
    fn tabled_values_of_large_samples() {
        // E. S. Pearson, Biometrika 24 (1932), table of the mean range: 5.0152 at 100 and
        // 6.48287 at 1000 (from memory, as tabulated by L. H. C. Tippett, Biometrika 17, 1925).
        close(d2(100), 5.01519, 1e-4);
        close(d2(1000), 6.48287, 1e-4);
    }

    #[test]
    fn coarse_and_fine_panels_agree_at_the_switch() {
        let coarse = integrate_range(COARSE_SIZE_MAX, 1);
        let fine = integrate_range(COARSE_SIZE_MAX, 2);
        assert!((coarse.d2 - fine.d2).abs() < 1e-12, "{coarse:?} {fine:?}");
        assert!((coarse.d3 - fine.d3).abs() < 1e-11, "{coarse:?} {fine:?}");
    }

    #[test]
    fn series_continues_the_recurrence() {
        let recurrence = c4(RECURRENCE_SIZE_MAX).unwrap();
        assert!((c4_series(RECURRENCE_SIZE_MAX) - recurrence).abs() < 1e-14);
    }
}
