//! What a stream is watched for beside its limits: lasting shifts, by cumulative sums or a
//! weighted average on scores that start themselves.
//!
//! Must not know where thresholds come from, alerts or files. The one invariant: what a detector
//! remembers follows from the points since its limits were set, and is bounded whatever comes.

use spc::chart::{ChartKind, Limits, Sample};
use spc::cusum::{Cusum, CusumState};
use spc::ewma::{Ewma, EwmaState};
use spc::selfstart::SelfStart;

use super::effects::SignalFacts;

/// The name of the detector that is a set of cumulative sums.
pub const CUSUM: &str = "cusum";

/// The name of the detector that is an exponentially weighted moving average.
pub const EWMA: &str = "ewma";

/// What a version of limits is watched with, and how seldom it may be wrong.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Detection {
    /// The mean number of points from one false alert to the next.
    pub run_length: f64,
    /// Points in a shift of the station on its line, which the run length follows from; absent
    /// where the configuration states the run length or no rate was known.
    pub points_per_shift: Option<f64>,
    /// The width of limits that the run length leads to, where points beyond them are signals.
    pub width: Option<f64>,
    /// The set of cumulative sums.
    pub cusums: Option<[Cusum; 3]>,
    /// The weighted average.
    pub ewma: Option<Ewma>,
}

/// What the detectors remember.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DetectorState {
    /// The points that scores are taken against: the baseline's, and later ones in control.
    pub reference: SelfStart,
    /// The sums.
    pub cusums: [CusumState; 3],
    /// The average.
    pub ewma: EwmaState,
}

/// A signal of a detector, with its own estimate of the shift in sigmas.
pub struct Found {
    /// The signal.
    pub signal: SignalFacts,
    /// The estimate.
    pub shift: f64,
}

impl DetectorState {
    /// The state when limits have just been set.
    pub fn start(detection: &Detection, limits: &Limits, baseline: &[Sample]) -> DetectorState {
        let z = |sample: &Sample| limits.standardised(sample.value, sample.size);
        let starts = detection.cusums.map(|set| set.map(|one| one.start()));
        DetectorState {
            reference: SelfStart::of(baseline.iter().map(z)),
            cusums: starts.unwrap_or_default(),
            ewma: EwmaState::default(),
        }
    }

    /// Judges a point, `z` sigmas from the centre of its limits.
    pub fn judge(
        &mut self,
        detection: &Detection,
        limits: &Limits,
        sample: &Sample,
        z: f64,
    ) -> Vec<Found> {
        let score = match limits.kind {
            ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U | ChartKind::G => {
                spc::probability::score(limits, sample.value, sample.size)
            }
            _ => self.reference.score(z),
        };
        let Some(score) = score else {
            return Vec::new();
        };
        let cusum = detection.cusums.and_then(|set| self.sum(&set, score));
        let ewma = detection.ewma.and_then(|ewma| self.average(ewma, score));
        cusum.into_iter().chain(ewma).collect()
    }

    /// Adds a score to the sums. Of several that signal, the farthest beyond its threshold tells
    /// side and size.
    fn sum(&mut self, set: &[Cusum; 3], score: f64) -> Option<Found> {
        let mut farthest: Option<(f64, Found)> = None;
        for (one, state) in set.iter().zip(&mut self.cusums) {
            if let Some(side) = one.push(state, score) {
                let reach = state.upper.max(state.lower) / one.threshold;
                let shift = one.mean_since(state, side).unwrap_or(0.0);
                let signal = SignalFacts { by: CUSUM, side };
                if farthest.as_ref().is_none_or(|(other, _)| reach > *other) {
                    farthest = Some((reach, Found { signal, shift }));
                }
            }
            // A sum goes on after a signal, but no farther than its threshold: it signals while
            // the shift lasts and comes down soon when it is over.
            state.upper = state.upper.min(one.threshold);
            state.lower = state.lower.min(one.threshold);
        }
        farthest.map(|(_, found)| found)
    }

    fn average(&mut self, ewma: Ewma, score: f64) -> Option<Found> {
        let side = ewma.push(&mut self.ewma, score)?;
        Some(Found {
            signal: SignalFacts { by: EWMA, side },
            shift: self.ewma.average,
        })
    }

    /// Whether a detector is back where a new one would start: within half its threshold.
    pub fn is_calm(&self, detection: &Detection, by: &str) -> bool {
        let of_set = |set: [Cusum; 3]| {
            set.iter()
                .zip(&self.cusums)
                .all(|(one, state)| state.upper.max(state.lower) <= 0.5 * one.threshold)
        };
        let of_average = |ewma: Ewma| self.ewma.average.abs() <= 0.5 * ewma.limit(self.ewma.points);
        match by {
            CUSUM => detection.cusums.is_none_or(of_set),
            EWMA => detection.ewma.is_none_or(of_average),
            _ => true,
        }
    }
}

/// Whether a rule's name is that of a detector of lasting shifts.
#[must_use]
pub fn is_detector(by: &str) -> bool {
    by == CUSUM || by == EWMA
}
