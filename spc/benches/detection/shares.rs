//! How the false signals are best shared between the limits and the sums.
//!
//! Purpose: the figures behind `spc::detection::LIMITS_LENGTH`. Must not choose anything for the
//! program. The one invariant: every row has the same joint in-control length, to the error of the
//! simulation.

use crate::thresholds::{joint, members};
use crate::write;
use spc::ewma::Ewma;
use spc::runlength::{self, Change, Effort, RunLengthError, Scheme};
use spc::{cusum, detection};

const SEED: u64 = 92_821;
const SHIFTS: [f64; 6] = [0.5, 0.75, 1.0, 1.5, 2.0, 3.0];

/// Delays in percent over the tuned sum for limits of so many times the length of each sum.
pub fn make() {
    let mut rows = Vec::new();
    for length in [500.0, 10_000.0] {
        for times in [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0] {
            let scheme = solved(length, times);
            let excess = SHIFTS.map(|shift| format!("{:+.1}", excess(&scheme, length, shift)));
            let width = scheme.limits.unwrap_or(f64::NAN);
            rows.push(format!(
                "{length},{times},{width:.3},{:.0},{}",
                joint(&scheme, SEED + 1).mean,
                excess.join(",")
            ));
        }
    }
    let header = "in_control_length,limits_over_sums,width,simulated_in_control,excess_05,\
                  excess_075,excess_1,excess_15,excess_2,excess_3";
    write::results("shares", header, &rows);
}

/// How many times the joint length a weighted average and what is beside it need alone, if both are
/// given the same: a file of results, and `spc/src/detection/averages.rs`.
pub fn averages() {
    let (mut rows, mut table) = (Vec::new(), String::from(HEAD));
    for beside in ["limits", "sums", "limits and sums"] {
        table += "    [\n";
        for length in [370.0, 5_000.0, 100_000.0] {
            let factor = |weight| {
                let own = own_with_average(beside, length, weight);
                (weight, format!("{:.2}", own / length))
            };
            let factors = [0.05, 0.1, 0.2, 0.4, 0.8].map(factor);
            let row =
                |(weight, factor): &(f64, String)| format!("{beside},{length},{weight},{factor}");
            rows.extend(factors.iter().map(row));
            let factors = factors.map(|(_, factor)| factor);
            table += &format!("        [{}],\n", factors.join(", "));
        }
        table += "    ],\n";
    }
    table += "];\n";
    write::file("src/detection/averages.rs", &table);
    let header = "beside,in_control_length,weight,own_over_joint";
    write::results("averages", header, &rows);
}

const HEAD: &str = "\
//! How many times the joint length an average and what is beside it need alone, made by the slower
//! suite.
//!
//! Purpose: rows to interpolate in. Must not be edited; `cargo bench -p driftvane-spc --bench
//! detection -- averages` writes this file. The one invariant: lengths and weights rise.

/// Joint in-control lengths of the rows.
pub(super) const LENGTHS: [f64; 3] = [370.0, 5000.0, 100000.0];

/// Weights of the columns.
pub(super) const WEIGHTS: [f64; 5] = [0.05, 0.1, 0.2, 0.4, 0.8];

/// Own over joint length beside limits, beside sums, and beside both.
pub(super) const FACTORS: [[[f64; 5]; 3]; 3] = [
";

fn own_with_average(beside: &str, length: f64, weight: f64) -> f64 {
    let effort = Effort {
        seed: SEED,
        runs: 8_000,
        points_max: 2_000_000_000,
    };
    (0..4).fold(1.6 * length, |own, _| {
        let scheme = with_average(beside, own, weight);
        own * length / must(scheme.average(Change::None, effort)).mean
    })
}

/// A weighted average beside others, each with the same length of its own.
fn with_average(beside: &str, own: f64, weight: f64) -> Scheme {
    let mut scheme = match beside {
        "limits" => Scheme {
            limits: Some(must(detection::limits_width(own))),
            ..Scheme::default()
        },
        "sums" => Scheme {
            cusums: must(cusum::set_for_run_length(own)).to_vec(),
            ..Scheme::default()
        },
        _ => must(detection::thresholds(own)).scheme(),
    };
    for sum in &mut scheme.cusums {
        sum.head_start = 0.0;
    }
    let width = must(runlength::ewma_width(weight, own));
    scheme.ewmas = vec![Ewma { weight, width }];
    scheme
}

fn must<T>(result: Result<T, RunLengthError>) -> T {
    match result {
        Ok(value) => value,
        Err(why) => panic!("{why}"),
    }
}

/// Without head start, as the tuned sum is.
fn solved(length: f64, times: f64) -> Scheme {
    let mut own = 2.4 * length;
    for _ in 0..4 {
        own *= length / joint(&members(own, Some(times), 0.0), SEED).mean;
    }
    members(own, Some(times), 0.0)
}

fn excess(scheme: &Scheme, length: f64, shift: f64) -> f64 {
    let effort = Effort {
        seed: SEED,
        runs: 100_000,
        points_max: 2_000_000_000,
    };
    let best = runlength::cusum_threshold(0.5 * shift, length)
        .and_then(|h| runlength::cusum_two_sided(0.5 * shift, h, shift, 0.0));
    let found = scheme.delay(Change::Step(shift), 0, effort);
    match (best, found) {
        (Ok(best), Ok(found)) => 100.0 * (found.mean / best - 1.0),
        (best, found) => panic!("{best:?} {found:?}"),
    }
}
