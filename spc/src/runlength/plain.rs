//! Run lengths by simulating whole runs.
//!
//! Purpose: mean and 90 % quantile of any combination, when signals are not rare. Must not know
//! how a detector works. The one invariant: no more points are drawn than the effort allows.

use super::{Change, Effort, Method, RunLength, RunLengthError, Scheme};
use crate::simulation::Normals;

/// Points of the look that decides whether signals are rare, and signals below which they are.
const LOOK_POINTS: u64 = 100_000;
const LOOK_SIGNALS: usize = 60;

/// Whether a short look sees fewer signals than it takes to simulate whole runs.
pub(super) fn is_rare(scheme: &Scheme, change: Change, effort: Effort) -> bool {
    let look = Effort {
        points_max: LOOK_POINTS,
        runs: LOOK_SIGNALS as u32,
        ..effort
    };
    runs(scheme, change, 0, look).0.len() < LOOK_SIGNALS
}

/// Mean, error and quantile over simulated runs.
///
/// When the points run out first, the points of the unfinished run count too: all points over all
/// signals, which is the maximum likelihood estimate for the geometric tail of long runs.
pub(super) fn length(
    scheme: &Scheme,
    change: Change,
    warm_up: u32,
    effort: Effort,
) -> Result<RunLength, RunLengthError> {
    let (mut lengths, unfinished) = runs(scheme, change, warm_up, effort);
    if lengths.is_empty() {
        let points = effort.points_max;
        return Err(RunLengthError::NoSignal { points });
    }
    let count = lengths.len() as f64;
    let total: f64 = lengths.iter().sum();
    let mean = (total + unfinished) / count;
    let squares: f64 = lengths.iter().map(|length| (length - mean).powi(2)).sum();
    let has_all_runs = lengths.len() == effort.runs as usize;
    let spread = if has_all_runs && lengths.len() > 1 {
        (squares / (count - 1.0)).sqrt()
    } else {
        mean
    };
    lengths.sort_by(f64::total_cmp);
    let place = (0.9 * count).ceil() as usize;
    Ok(RunLength {
        mean,
        standard_error: spread / count.sqrt(),
        ninety: lengths.get(place.saturating_sub(1)).copied(),
        method: Method::Simulated,
    })
}

/// Lengths of the finished runs, and the points of the one that was cut off.
fn runs(scheme: &Scheme, change: Change, warm_up: u32, effort: Effort) -> (Vec<f64>, f64) {
    let mut normals = Normals::new(effort.seed);
    let mut lengths = Vec::new();
    let mut spent = 0u64;
    while lengths.len() < effort.runs as usize {
        let mut progress = scheme.start();
        let is_quiet = (0..warm_up).all(|_| {
            spent += 1;
            !scheme.push(&mut progress, normals.draw())
        });
        if spent >= effort.points_max {
            return (lengths, 0.0);
        }
        if !is_quiet {
            continue;
        }
        let mut length = 0u64;
        loop {
            length += 1;
            let z = normals.draw() + change.mean_at(length);
            if scheme.push(&mut progress, z) {
                break;
            }
            if spent + length >= effort.points_max {
                return (lengths, length as f64);
            }
        }
        spent += length;
        lengths.push(length as f64);
    }
    (lengths, 0.0)
}
