//! The detector of a linear drift of known slope: the yardstick for drifts.
//!
//! Purpose: its threshold and delay. Must not know the program's detectors. The one invariant: it
//! is two-sided, as they are.
//!
//! Signals when, for some onset, the log likelihood ratio of a drift of the known slope from there
//! on exceeds a threshold: the generalised likelihood ratio of a known change of unknown time. Its
//! in-control length is simulated with the mean drifting from a random point on and every signal
//! weighed by its likelihood, as `spc::runlength` does for CUSUMs.

use spc::simulation::Normals;

const RUNS: u32 = 3_000;
const SEED: u64 = 2_006;

/// Log likelihoods below this are dropped: a mean that is wrong for long only falls further.
const FORGET: f64 = -14.0;

#[derive(Clone, Copy)]
pub struct Reference {
    pub slope: f64,
    pub threshold: f64,
}

/// Open onsets of one side: age in points and log likelihood ratio.
#[derive(Default)]
struct Side(Vec<(f64, f64)>);

impl Side {
    /// Takes a point and gives the largest log likelihood ratio.
    fn push(&mut self, slope: f64, z: f64) -> f64 {
        self.0.push((0.0, 0.0));
        let mut largest = f64::NEG_INFINITY;
        for (age, ratio) in &mut self.0 {
            *age += 1.0;
            let mean = slope * *age;
            *ratio += mean * z - 0.5 * mean * mean;
            largest = largest.max(*ratio);
        }
        self.0.retain(|(_, ratio)| *ratio > FORGET);
        largest
    }

    fn sum(&self) -> f64 {
        self.0.iter().map(|(_, ratio)| ratio.exp()).sum()
    }
}

impl Reference {
    /// Mean delay of the drift present from the first point on.
    pub fn delay(self, runs: u32, seed: u64) -> f64 {
        let mut normals = Normals::new(seed);
        let mut total = 0.0;
        for _ in 0..runs {
            let (mut upper, mut lower) = (Side::default(), Side::default());
            let signal = (1..).find(|point| {
                let z = normals.draw() + self.slope * f64::from(*point);
                let largest = upper.push(self.slope, z).max(lower.push(self.slope, -z));
                largest > self.threshold
            });
            total += f64::from(signal.unwrap_or(0));
        }
        total / f64::from(runs)
    }

    /// In-control length, from the chance of a signal in two spans.
    fn in_control(self) -> f64 {
        let climb = (6.0 * self.threshold / (self.slope * self.slope)).cbrt();
        let span = (3.0 * climb) as usize;
        let mut normals = Normals::new(SEED);
        let (mut early, mut late, mut lost) = (0.0, 0.0, 0.0);
        for _ in 0..RUNS {
            if let Some((point, weight)) = self.run(2 * span, &mut normals) {
                let weight = weight / f64::from(RUNS);
                if point <= span {
                    early += weight;
                    lost += weight * (span - point) as f64;
                } else {
                    late += weight;
                }
            }
        }
        let hazard = -((-late / (1.0 - early)).ln_1p() / span as f64).exp_m1();
        span as f64 - lost + (1.0 - early) / hazard
    }

    /// One run that drifts upwards from a random point on: the signal and its weight. The two sides
    /// are alike, so the runs that drift downwards need not be drawn.
    fn run(self, points: usize, normals: &mut Normals) -> Option<(usize, f64)> {
        let onset = normals.below(points);
        let (mut upper, mut lower) = (Side::default(), Side::default());
        for point in 0..points {
            let age = (point + 1).saturating_sub(onset) as f64;
            let z = normals.draw() + self.slope * age;
            let (up, down) = (upper.push(self.slope, z), lower.push(self.slope, -z));
            if up.max(down) > self.threshold {
                let ahead = (points - point - 1) as f64;
                let mixed = 0.5 * (upper.sum() + lower.sum()) + ahead;
                return Some((point + 1, points as f64 / mixed));
            }
        }
        None
    }
}

/// The threshold for an in-control length, and the length it has. The same seed throughout makes
/// the length a steady function of the threshold.
pub fn threshold(slope: f64, length: f64) -> (f64, f64) {
    let at = |threshold: f64| Reference { slope, threshold }.in_control();
    let (mut low, mut high) = (1.0, 14.0);
    for _ in 0..10 {
        let middle = 0.5 * (low + high);
        if at(middle) < length {
            low = middle;
        } else {
            high = middle;
        }
    }
    let middle = 0.5 * (low + high);
    (middle, at(middle))
}
