//! How soon steps and drifts are found, beside the best that is possible for a known size.
//!
//! Purpose: the detection figures of the README. Must not choose thresholds for the program. The
//! one invariant: what is compared has the same joint in-control length, from the same start, to
//! the error given.

use crate::reference::{self, Reference};
use crate::thresholds::joint;
use crate::write;
use spc::cusum;
use spc::detection;
use spc::runlength::{self, Change, Effort, RunLength, Scheme};

const SEED: u64 = 40_961;

fn effort(runs: u32) -> Effort {
    Effort {
        seed: SEED,
        runs,
        points_max: 2_000_000_000,
    }
}

fn must<T, E: std::fmt::Display>(result: Result<T, E>) -> T {
    match result {
        Ok(value) => value,
        Err(why) => panic!("{why}"),
    }
}

/// The three sums alone, and with limits; both without head start.
fn rivals(length: f64) -> [(&'static str, Scheme); 2] {
    let set = Scheme {
        cusums: must(cusum::set_for_run_length(length)).to_vec(),
        ..Scheme::default()
    };
    // The table is for a start with head start; without, the length is a little longer.
    let without = |length: f64| {
        let mut scheme = must(detection::thresholds(length)).scheme();
        for sum in &mut scheme.cusums {
            sum.head_start = 0.0;
        }
        scheme
    };
    let default = without(length * length / joint(&without(length), SEED + 1).mean);
    [("three sums", set), ("limits and three sums", default)]
}

fn excess(found: RunLength, best: f64) -> String {
    let percent = 100.0 * (found.mean / best - 1.0);
    let error = 100.0 * found.standard_error / best;
    format!("{:.3},{percent:+.1},{error:.1}", found.mean)
}

/// Steps against the CUSUM tuned to each.
pub fn steps() {
    let mut rows = Vec::new();
    for length in [500.0, 10_000.0] {
        for (name, scheme) in rivals(length) {
            let in_control = joint(&scheme, SEED).mean;
            for shift in [0.5, 0.75, 1.0, 1.5, 2.0, 3.0] {
                let h = must(runlength::cusum_threshold(0.5 * shift, length));
                let best = must(runlength::cusum_two_sided(0.5 * shift, h, shift, 0.0));
                let found = must(scheme.delay(Change::Step(shift), 0, effort(100_000)));
                let late = must(scheme.delay(Change::Step(shift), 100, effort(20_000)));
                let started = match name {
                    "three sums" => String::new(),
                    _ => {
                        let fast = must(detection::thresholds(length)).scheme();
                        let fast = must(fast.delay(Change::Step(shift), 0, effort(20_000)));
                        format!("{:.3}", fast.mean)
                    }
                };
                rows.push(format!(
                    "{name},{length},{in_control:.0},{shift},{best:.3},{},{:.3},{started}",
                    excess(found, best),
                    late.mean
                ));
            }
        }
    }
    let header = "detectors,in_control_length,simulated_in_control,shift_sigma,tuned_cusum,delay,\
                  excess_percent,error_percent,after_100_in_control,after_restart";
    write::results("steps", header, &rows);
}

/// Linear drifts against the likelihood ratio of the known slope.
pub fn drifts() {
    let mut rows = Vec::new();
    for length in [500.0, 10_000.0] {
        for slope in [0.005, 0.01, 0.02, 0.05] {
            let (threshold, reached) = reference::threshold(slope, length);
            let best = Reference { slope, threshold }.delay(20_000, SEED);
            for (name, scheme) in rivals(length) {
                let found = must(scheme.delay(Change::Drift(slope), 0, effort(50_000)));
                rows.push(format!(
                    "{name},{length},{slope},{reached:.0},{best:.2},{}",
                    excess(found, best)
                ));
            }
        }
    }
    let header = "detectors,in_control_length,slope_sigma,reference_in_control,known_slope,delay,\
                  excess_percent,error_percent";
    write::results("drifts", header, &rows);
}
