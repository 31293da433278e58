//! Gauss-Legendre quadrature.
//!
//! Purpose: nodes, weights and a composite rule for smooth integrands. Must not know statistics.
//! The one invariant: an m-point rule integrates polynomials up to degree 2m - 1 exactly, to
//! rounding.

use std::sync::OnceLock;

const COMPOSITE_NODES: usize = 16;

/// Nodes and weights on [-1, 1], by Newton's method on the Legendre polynomial; `count` >= 1.
pub(crate) fn gauss_legendre(count: usize) -> Vec<(f64, f64)> {
    let m = count as f64;
    (0..count)
        .map(|i| {
            // Tricomi's first guess, good enough for Newton to converge to the right root.
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (m + 0.5)).cos();
            for _ in 0..100 {
                let (value, slope) = legendre(count, x);
                let step = value / slope;
                x -= step;
                if step.abs() < 1e-16 {
                    break;
                }
            }
            let slope = legendre(count, x).1;
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Legendre polynomial of the given degree and its derivative.
fn legendre(degree: usize, x: f64) -> (f64, f64) {
    let (mut previous, mut current) = (1.0, x);
    for j in 2..=degree {
        let j = j as f64;
        (previous, current) = (
            current,
            ((2.0 * j - 1.0) * x * current - (j - 1.0) * previous) / j,
        );
    }
    let slope = degree as f64 * (x * current - previous) / (x * x - 1.0);
    (current, slope)
}

/// Nodes and weights of the composite 16-point rule with equal panels on [from, to].
pub(crate) fn composite(from: f64, to: f64, panels: u32) -> Vec<(f64, f64)> {
    static RULE: OnceLock<Vec<(f64, f64)>> = OnceLock::new();
    let rule = RULE.get_or_init(|| gauss_legendre(COMPOSITE_NODES));
    let half = (to - from) / (2.0 * f64::from(panels));
    (0..panels)
        .flat_map(|panel| {
            let middle = from + half * f64::from(2 * panel + 1);
            rule.iter().map(move |(x, w)| (middle + half * x, half * w))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integrates_polynomials_exactly() {
        for count in [1usize, 2, 5, 16, 40] {
            let degree = 2 * count as i32 - 2;
            let sum: f64 = gauss_legendre(count)
                .iter()
                .map(|(x, w)| w * x.powi(degree))
                .sum();
            let exact = 2.0 / (f64::from(degree) + 1.0);
            assert!((sum - exact).abs() < 1e-13, "{count}: {sum} {exact}");
        }
    }

    #[test]
    fn composite_rule_integrates_an_exponential() {
        let sum: f64 = composite(0.0, 3.0, 2)
            .iter()
            .map(|(x, w)| w * x.exp())
            .sum();
        assert!((sum - (3f64.exp() - 1.0)).abs() < 1e-12);
    }
}
