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

/// The name of the set of sums that watches a baseline.
pub const STARTING: &str = "self_starting_cusum";

/// Points of a baseline that make the first reference; the next one is the first that is judged.
const STARTING_AFTER: u32 = 4;

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
    /// Those among the newest that an alert would take back: they came while a sum was high.
    pub held: SelfStart,
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
            held: SelfStart::default(),
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
        let score = match learns(limits.kind) {
            true => self.learnt().score(z),
            false => spc::probability::score(limits, sample.value, sample.size),
        };
        let Some(score) = score else {
            return Vec::new();
        };
        let cusum = detection
            .cusums
            .and_then(|set| self.sum(&set, score, CUSUM));
        let ewma = detection.ewma.and_then(|ewma| self.average(ewma, score));
        cusum.into_iter().chain(ewma).collect()
    }

    /// Adds a score to the sums. Of several that signal, the farthest beyond its threshold tells
    /// side and size.
    fn sum(&mut self, set: &[Cusum; 3], score: f64, by: &'static str) -> Option<Found> {
        let mut farthest: Option<(f64, Found)> = None;
        for (one, state) in set.iter().zip(&mut self.cusums) {
            if let Some(side) = one.push(state, score) {
                let reach = state.upper.max(state.lower) / one.threshold;
                let shift = one.mean_since(state, side).unwrap_or(0.0);
                let signal = SignalFacts { by, side };
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

    /// Learns from a point in control, `z` sigmas from the centre of its limits.
    ///
    /// Every point counts for the next score. Only so are scores independent of one another and of
    /// the error of a short baseline, and thresholds keep the run length that they are made for
    /// (`spc::selfstart`); scores that share that error for as long as a sum is high give two to
    /// three times as many false alerts in the first hundred points after a baseline of 50
    /// (`spc/benches/results/learning.csv`). But while a sum is above half its threshold a shift
    /// may be under way, and what is learnt then can be taken back.
    pub fn learn(&mut self, detection: &Detection, z: f64) {
        if self.is_calm(detection, CUSUM) {
            self.reference = self.learnt();
            self.held = SelfStart::default();
            self.reference.take(z);
        } else {
            self.held.take(z);
        }
    }

    /// Takes back what was learnt since a sum is high: an alert says that it is of a fault.
    pub fn unlearn(&mut self) {
        self.held = SelfStart::default();
    }

    /// All points that the next one is compared with.
    fn learnt(&self) -> SelfStart {
        let mut all = self.reference;
        all.join(&self.held);
        all
    }

    /// Judges a point of a baseline, of this weight, against the points before it.
    pub fn judge_early(&mut self, set: &[Cusum; 3], value: f64, weight: f64) -> Option<Found> {
        let judged = self.reference.count >= STARTING_AFTER;
        let score = self.reference.score_weighted(value, weight);
        self.sum(set, score.filter(|_| judged)?, STARTING)
    }

    /// Whether the sums are back within half their thresholds.
    pub fn is_calm_set(&self, set: &[Cusum; 3]) -> bool {
        let mut sums = set.iter().zip(&self.cusums);
        sums.all(|(one, state)| state.upper.max(state.lower) <= 0.5 * one.threshold)
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
        let of_set = |set: [Cusum; 3]| self.is_calm_set(&set);
        let of_average = |ewma: Ewma| self.ewma.average.abs() <= 0.5 * ewma.limit(self.ewma.points);
        match by {
            CUSUM => detection.cusums.is_none_or(of_set),
            EWMA => detection.ewma.is_none_or(of_average),
            _ => true,
        }
    }
}

/// Whether scores of a chart's points start themselves and learn; of others the law is known, which
/// needs nothing but the baseline's rate.
fn learns(chart: ChartKind) -> bool {
    match chart {
        ChartKind::Individuals
        | ChartKind::MeanRange
        | ChartKind::MedianRange
        | ChartKind::MeanS
        | ChartKind::ThreeWay
        | ChartKind::PPrime
        | ChartKind::UPrime => true,
        ChartKind::P | ChartKind::Np | ChartKind::C | ChartKind::U => false,
        // Neither sums nor averages look at the last one.
        ChartKind::G | ChartKind::T | ChartKind::TSquared => false,
    }
}

/// Whether a rule's name is that of a detector of lasting shifts.
#[must_use]
pub fn is_detector(by: &str) -> bool {
    by == CUSUM || by == EWMA || by == STARTING
}

#[cfg(test)]
mod tests {
    use super::*;
    use spc::cusum;
    use spc::simulation::Normals;

    fn watched() -> Detection {
        let sum = |reference, threshold| Cusum {
            reference,
            threshold,
            head_start: 0.0,
        };
        Detection {
            cusums: Some([sum(0.25, 10.0), sum(0.5, 6.0), sum(1.0, 3.0)]),
            ..Detection::default()
        }
    }

    #[test]
    fn what_is_learnt_while_a_sum_is_high_is_taken_back_by_an_alert() {
        let detection = watched();
        let mut state = DetectorState {
            reference: SelfStart::of((0..25).map(|i| f64::from(i % 5) - 2.0)),
            ..DetectorState::default()
        };
        let mut all = state.reference;
        [0.2, 2.0, 1.0, 0.0].iter().for_each(|z| all.take(*z));
        state.learn(&detection, 0.2);
        assert_eq!((state.reference.count, state.held.count), (26, 0));
        state.cusums[2].upper = 1.6;
        state.learn(&detection, 2.0);
        state.learn(&detection, 1.0);
        assert_eq!((state.reference.count, state.held.count), (26, 2));
        assert_eq!(state.learnt().count, 28);
        let mut alerted = state;
        alerted.unlearn();
        assert_eq!(
            (alerted.reference, alerted.learnt()),
            (state.reference, state.reference)
        );
        state.cusums[2].upper = 1.4;
        state.learn(&detection, 0.0);
        assert_eq!((state.reference.count, state.held.count), (29, 0));
        assert!((state.reference.mean - all.mean).abs() < 1e-12);
        assert!((state.reference.squares - all.squares).abs() < 1e-12);
    }
    /// Of streams in control as many signal soon after a baseline of 15 as their run length says.
    /// Scores that do not count the points under a high sum make that more than twice as many.
    #[test]
    fn a_short_baseline_brings_no_more_false_alerts_than_any() {
        let (length, points, streams) = (5_000.0, 100, 6_000);
        let detection = Detection {
            cusums: Some(cusum::set_for_run_length(length).unwrap()),
            ..Detection::default()
        };
        let sample = |value| Sample {
            size: 1.0,
            value,
            spread: None,
        };
        let limits = Limits::estimate(ChartKind::Individuals, &[-1.0, 1.0].map(sample), 3.0);
        let limits = limits.unwrap();
        let mut normals = Normals::new(4_711);
        let mut alerts = 0;
        for _ in 0..streams {
            let mut state = DetectorState {
                reference: SelfStart::of((0..15).map(|_| normals.draw())),
                ..DetectorState::default()
            };
            let mut signals = || {
                let z = normals.draw();
                let found = state.judge(&detection, &limits, &sample(z), z);
                state.learn(&detection, z);
                !found.is_empty()
            };
            alerts += usize::from((0..points).any(|_| signals()));
        }
        // 120 are expected, somewhat fewer while the sums fill; the standard error is 9 %.
        let part = alerts as f64 * length / (points * streams) as f64;
        assert!(part > 0.5 && part < 1.2, "{part}");
    }
}
