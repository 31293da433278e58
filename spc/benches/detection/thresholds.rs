//! The thresholds of the default detection, for in-control lengths from 100 to 1e8.
//!
//! Purpose: make `spc/src/detection/table.rs`. Must not know delays. The one invariant: every
//! member of the set has the same in-control length of its own, to the error of the integral
//! equation.

use crate::write;
use spc::cusum::{Cusum, SET_REFERENCES};
use spc::runlength::{self, Change, Effort, Scheme};

const SEED: u64 = 20_261_125;
const CHECK_SEED: u64 = 7_041_776;
const RUNS: u32 = 100_000;
const DEGREE: usize = 4;

/// Every quarter of a decade.
fn lengths(from: f64, to: f64) -> Vec<f64> {
    let steps = (4.0 * (to / from).log10()).round() as i32;
    (0..=steps)
        .map(|i| from * 10f64.powf(0.25 * f64::from(i)))
        .collect()
}

/// The three sums, each with the same in-control length of its own, and limits (if wanted) with so
/// many times that length.
pub fn members(own: f64, limits: Option<f64>, head_start: f64) -> Scheme {
    let sums = SET_REFERENCES.map(|reference| {
        let threshold = match runlength::cusum_threshold(reference, own) {
            Ok(threshold) => threshold,
            Err(why) => panic!("k {reference}, length {own}: {why}"),
        };
        Cusum {
            reference,
            threshold,
            head_start: head_start * threshold,
        }
    });
    let width = |times: f64| match spc::detection::limits_width(times * own) {
        Ok(width) => width,
        Err(why) => panic!("{own}: {why}"),
    };
    Scheme {
        limits: limits.map(width),
        cusums: sums.to_vec(),
        ..Scheme::default()
    }
}

pub fn joint(scheme: &Scheme, seed: u64) -> runlength::RunLength {
    let effort = Effort {
        seed,
        runs: RUNS,
        points_max: 2_000_000_000,
    };
    match scheme.average(Change::None, effort) {
        Ok(found) => found,
        Err(why) => panic!("{scheme:?}: {why}"),
    }
}

/// How many times longer the members' own lengths are than the joint one, over ln(own length).
struct Factor(Vec<f64>);

impl Factor {
    /// Simulated at every quarter of a decade and smoothed by a polynomial in ln(own).
    fn simulate(limits: Option<f64>, head_start: f64) -> (Self, f64) {
        let mut points = Vec::new();
        for own in lengths(150.0, 6e8) {
            let found = joint(&members(own, limits, head_start), SEED);
            println!(
                "own {own:.4e} joint {:.4e} error {:.2e}",
                found.mean, found.standard_error
            );
            points.push((centred(own), (own / found.mean).ln()));
        }
        let fitted = Self(fit(&points));
        let miss = |(x, y): &(f64, f64)| (fitted.log_at(*x) - y).abs();
        let worst = points.iter().map(miss).fold(0.0, f64::max);
        (fitted, worst)
    }

    fn log_at(&self, x: f64) -> f64 {
        self.0.iter().rev().fold(0.0, |sum, c| sum * x + c)
    }

    /// The own length that gives a joint one, by fixed point: the factor hardly changes.
    fn own(&self, joint: f64) -> f64 {
        (0..60).fold(2.0 * joint, |own, _| {
            joint * self.log_at(centred(own)).exp()
        })
    }
}

/// ln(own) on about -1 to 1, so that powers stay tame.
fn centred(own: f64) -> f64 {
    (own.ln() - 12.5) / 7.5
}

/// Least squares polynomial, by the normal equations and Gauss-Jordan elimination.
fn fit(points: &[(f64, f64)]) -> Vec<f64> {
    let size = DEGREE + 1;
    let sum = |term: &dyn Fn(f64, f64) -> f64| points.iter().map(|(x, y)| term(*x, *y)).sum();
    let row = |i: i32| {
        let products = (0..size as i32).map(|j| sum(&|x, _| x.powi(i + j)));
        products.chain([sum(&|x, y| y * x.powi(i))]).collect()
    };
    let mut rows: Vec<Vec<f64>> = (0..size as i32).map(row).collect();
    for pivot in 0..size {
        let top: Vec<f64> = rows[pivot]
            .iter()
            .map(|cell| cell / rows[pivot][pivot])
            .collect();
        for (i, row) in rows.iter_mut().enumerate() {
            let factor = row[pivot];
            if i != pivot {
                row.iter_mut()
                    .zip(&top)
                    .for_each(|(cell, above)| *cell -= factor * above);
            }
        }
        rows[pivot] = top;
    }
    rows.iter().map(|row| row[size]).collect()
}

/// The table of `spc/src/detection/table.rs`, and its check with another seed.
pub fn make() {
    let limits = Some(spc::detection::LIMITS_LENGTH);
    let (factor, worst) = Factor::simulate(limits, 0.5);
    println!(
        "the smoothed factor is within {:.2} % of every simulated one",
        100.0 * worst
    );
    let mut table = String::from(HEAD);
    let mut rows = Vec::new();
    for length in lengths(100.0, 1e8) {
        let scheme = members(factor.own(length), limits, 0.5);
        let h: Vec<f64> = scheme.cusums.iter().map(|sum| sum.threshold).collect();
        let width = scheme.limits.unwrap_or_default();
        table += &format!(
            "    [{length:.1}, {width:.5}, {:.5}, {:.5}, {:.5}],\n",
            h[0], h[1], h[2]
        );
        let found = joint(&scheme, CHECK_SEED);
        let plain = joint(&members(factor.own(length), limits, 0.0), CHECK_SEED);
        rows.push(format!(
            "{length:.1},{width:.5},{:.5},{:.5},{:.5},{:.1},{:.1},{:.1}",
            h[0], h[1], h[2], found.mean, found.standard_error, plain.mean
        ));
    }
    table += "];\n";
    write::file("src/detection/table.rs", &table);
    let header = "in_control_length,width,h_025,h_05,h_1,simulated_with_head_start,\
                  standard_error,simulated_without";
    write::results("thresholds", header, &rows);
}

/// Own over joint length of the three sums alone, for `spc/src/cusum.rs`.
pub fn set_factors() {
    let (factor, worst) = Factor::simulate(None, 0.0);
    println!(
        "the smoothed factor is within {:.2} % of every simulated one",
        100.0 * worst
    );
    let row = |length: f64| format!("{length:.1},{:.4}", factor.own(length) / length);
    let rows: Vec<String> = lengths(100.0, 1e8).into_iter().map(row).collect();
    write::results("set", "in_control_length,own_over_joint", &rows);
}

const HEAD: &str = "\
//! Thresholds of the default detection, made by the slower suite.
//!
//! Purpose: rows to interpolate in. Must not be edited; `cargo bench -p driftvane-spc --bench
//! detection -- thresholds` writes this file. The one invariant: every column rises.

/// In-control length, width of the limits, h for k = 0.25, 0.5 and 1.
pub(super) const ROWS: [[f64; 5]; 25] = [
";
