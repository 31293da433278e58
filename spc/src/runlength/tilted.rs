//! Run lengths of rare signals by simulation under tilted measures.
//!
//! Purpose: long in-control lengths at the cost of short ones. Must not know run rules. The one
//! invariant: every simulated signal is weighed by its true likelihood, so the estimated chances
//! are unbiased whatever the tilt.
//!
//! A run of fixed length is drawn with its mean moved as one of the detectors would have to see it
//! to signal: for a side of a CUSUM with reference k a lasting shift of 2 k from a random point on;
//! for a side of an average the cheapest path to the limit at a random point; for a limit one
//! random point beyond it. The likelihood ratio of the mixture over detectors and points is carried
//! along; for CUSUMs it is the sum R = (1 + R) exp(theta w - theta^2/2) of A. N. Shiryaev and S. W.
//! Roberts. At a signal the mixture's likelihood is at least that of the detector that signals, so
//! weights are bounded and the relative error hardly depends on how rare the signal is (D.
//! Siegmund, Annals of Statistics 4(4) 1976; for maxima, H. P. Chan and T. L. Lai, Annals of
//! Applied Probability 17(2) 2007, both from memory).
//!
//! From P(T <= n) and P(n < T <= 2n) follow the points survived up to n and the constant hazard
//! after it: the length is their sum with a geometric tail.

use super::{Effort, Method, RunLength, Scheme};
use crate::normal;
use crate::simulation::Normals;

/// Groups of runs whose scatter gives the standard error.
const GROUPS: u32 = 25;

/// Weakest tilt with which a signal counts as rare.
const TILT_MIN: f64 = 0.1;

/// Points in the first of the two spans, at least and at most.
const SPAN_MIN: f64 = 50.0;
const SPAN_MAX: f64 = 4_000.0;

/// How the mean is moved for one side of one detector.
enum Path {
    /// By `theta` from a random point on; `has_head_start` favours the first point.
    Lasting { theta: f64, has_head_start: bool },
    /// Towards the limit at a random point t: peaks[t - 1] there, falling backwards by `keep`.
    Reach { keep: f64, peaks: Vec<f64> },
    /// Beyond `width` on one side at a random point, which by itself has this chance.
    Beyond { side: f64, width: f64, chance: f64 },
}

/// Likelihood of one path, carried along a run.
#[derive(Clone, Copy)]
struct Likelihood {
    /// Sum over the points so far at which the path may have begun or ended.
    sum: f64,
    /// Likelihood of a shift from the first point on.
    first: f64,
    /// Weighted sum of the points so far.
    reached: f64,
}

/// Weighted signals of one group of runs.
#[derive(Clone, Copy, Default)]
struct Tally {
    early: f64,
    late: f64,
    /// Points lost to early signals within the first span.
    lost: f64,
}

/// In-control or shifted length; `None` when a side signals too readily for a tilt.
pub(super) fn length(scheme: &Scheme, shift: f64, effort: Effort) -> Option<RunLength> {
    let span = span(scheme, shift)?;
    let paths = paths(scheme, shift, 2 * span)?;
    let runs = effort.runs.div_ceil(GROUPS);
    let mut normals = Normals::new(effort.seed);
    let mut groups = Vec::new();
    for _ in 0..GROUPS {
        let mut tally = Tally::default();
        for _ in 0..runs {
            let Some((point, weight)) = run(scheme, &paths, shift, &mut normals) else {
                continue;
            };
            let weight = weight / f64::from(runs);
            if point <= span {
                tally.early += weight;
                tally.lost += weight * (span - point) as f64;
            } else {
                tally.late += weight;
            }
        }
        groups.push(tally);
    }
    let part = 1.0 / f64::from(GROUPS);
    let all = groups.iter().fold(Tally::default(), |sum, one| Tally {
        early: sum.early + part * one.early,
        late: sum.late + part * one.late,
        lost: sum.lost + part * one.lost,
    });
    let mean = with_tail(all, span)?;
    let each: Option<Vec<f64>> = groups.iter().map(|one| with_tail(*one, span)).collect();
    let squares: f64 = each?.iter().map(|length| (length - mean).powi(2)).sum();
    let variance = squares / f64::from(GROUPS - 1);
    Some(RunLength {
        mean,
        standard_error: (variance / f64::from(GROUPS)).sqrt(),
        ninety: None,
        method: Method::Simulated,
    })
}

/// Points survived in the first span, and a geometric tail with the hazard of the second.
fn with_tail(tally: Tally, span: usize) -> Option<f64> {
    let first = span as f64 - tally.lost;
    let alive = 1.0 - tally.early;
    let share = tally.late / alive;
    let is_usable = alive > 0.0 && share > 0.0 && share < 1.0;
    // 1 - (1 - hazard)^span = share.
    let hazard = -((-share).ln_1p() / span as f64).exp_m1();
    is_usable.then(|| first + alive / hazard)
}

/// Points until the start is forgotten: several times what the slowest detector remembers.
fn span(scheme: &Scheme, shift: f64) -> Option<usize> {
    let mut span = SPAN_MIN;
    for chart in &scheme.cusums {
        let slack = chart.reference - shift.abs();
        if 2.0 * slack < TILT_MIN {
            return None;
        }
        span = span.max(4.0 * chart.threshold / slack + 8.0 / (slack * slack));
    }
    for chart in &scheme.ewmas {
        span = span.max(12.0 / chart.weight);
    }
    (span <= SPAN_MAX).then_some(span as usize)
}

fn paths(scheme: &Scheme, shift: f64, points: usize) -> Option<Vec<Path>> {
    let mut paths = Vec::new();
    for chart in &scheme.cusums {
        let has_head_start = chart.head_start > 0.0;
        for theta in [
            2.0 * (chart.reference - shift),
            -2.0 * (chart.reference + shift),
        ] {
            paths.push(Path::Lasting {
                theta,
                has_head_start,
            });
        }
    }
    let reach = |weight: f64, limit: &dyn Fn(u32) -> f64, side: f64| {
        let keep = 1.0 - weight;
        let peak = |point: usize| {
            let point = u32::try_from(point).unwrap_or(u32::MAX);
            let drawn = shift * (1.0 - keep.powf(f64::from(point)));
            (side * limit(point) - drawn) / (weight * squares(keep, f64::from(point)))
        };
        let peaks: Vec<f64> = (1..=points).map(peak).collect();
        let is_rare = peaks.iter().all(|peak| side * peak > TILT_MIN);
        is_rare.then_some(Path::Reach { keep, peaks })
    };
    for side in [1.0, -1.0] {
        for chart in &scheme.ewmas {
            paths.push(reach(chart.weight, &|point| chart.limit(point), side)?);
        }
        if let Some(limit) = scheme.limits {
            let width = limit - side * shift;
            let chance = normal::below(-width);
            let is_rare = width > TILT_MIN && chance > f64::MIN_POSITIVE;
            let path = Path::Beyond {
                side,
                width,
                chance,
            };
            paths.push(is_rare.then_some(path)?);
        }
    }
    Some(paths)
}

/// Sum of keep^(2 j) over the first `count` powers.
fn squares(keep: f64, count: f64) -> f64 {
    (1.0 - keep.powf(2.0 * count)) / (1.0 - keep * keep)
}

/// One run under a random path: the point of the signal and its weight, if there is one.
fn run(scheme: &Scheme, paths: &[Path], shift: f64, normals: &mut Normals) -> Option<(usize, f64)> {
    let span = span(scheme, shift)?;
    let points = 2 * span;
    let chosen = paths.get(normals.below(paths.len()))?;
    let at = chosen.draw_point(points, normals);
    let blank = Likelihood {
        sum: 0.0,
        first: 1.0,
        reached: 0.0,
    };
    let mut likelihoods = vec![blank; paths.len()];
    let mut progress = scheme.start();
    for point in 1..=points {
        let w = chosen.draw(point, at, normals);
        for (path, likelihood) in paths.iter().zip(&mut likelihoods) {
            path.weigh(likelihood, point, w);
        }
        if scheme.push(&mut progress, w + shift) {
            let pairs = paths.iter().zip(&likelihoods);
            let total: f64 = pairs
                .map(|(path, one)| path.mixed(one, point, points))
                .sum();
            return Some((point, paths.len() as f64 / total));
        }
    }
    None
}

impl Path {
    fn draw_point(&self, points: usize, normals: &mut Normals) -> usize {
        match self {
            Path::Lasting {
                has_head_start: true,
                ..
            } if normals.uniform() < 0.5 => 1,
            _ => 1 + normals.below(points),
        }
    }

    /// The deviation of a point from its true mean, when the path begins or ends at `at`.
    fn draw(&self, point: usize, at: usize, normals: &mut Normals) -> f64 {
        match self {
            Path::Lasting { theta, .. } if point >= at => normals.draw() + theta,
            Path::Reach { keep, peaks } if point <= at => {
                let peak = peaks.get(at - 1).copied().unwrap_or(0.0);
                normals.draw() + peak * keep.powi((at - point) as i32)
            }
            Path::Beyond { side, chance, .. } if point == at => {
                -side * normal::quantile(chance * normals.uniform())
            }
            _ => normals.draw(),
        }
    }

    fn weigh(&self, likelihood: &mut Likelihood, point: usize, w: f64) {
        match self {
            Path::Lasting { theta, .. } => {
                let gain = (theta * w - 0.5 * theta * theta).exp();
                likelihood.sum = (1.0 + likelihood.sum) * gain;
                likelihood.first *= gain;
            }
            Path::Reach { keep, peaks } => {
                likelihood.reached = keep * likelihood.reached + w;
                let peak = peaks.get(point - 1).copied().unwrap_or(0.0);
                let own = squares(*keep, point as f64);
                likelihood.sum += (peak * likelihood.reached - 0.5 * peak * peak * own).exp();
            }
            Path::Beyond {
                side,
                width,
                chance,
            } => {
                likelihood.sum += if side * w > *width { 1.0 / chance } else { 0.0 };
            }
        }
    }

    /// Likelihood of the points up to `point`, averaged over where the path begins or ends.
    fn mixed(&self, likelihood: &Likelihood, point: usize, points: usize) -> f64 {
        let count = points as f64;
        match self {
            Path::Lasting { has_head_start, .. } => {
                // A shift that has not begun leaves the points as they are: likelihood 1.
                let even = (likelihood.sum + (points - point) as f64) / count;
                if *has_head_start {
                    0.5 * (likelihood.first + even)
                } else {
                    even
                }
            }
            Path::Reach { keep, peaks } => {
                let own = squares(*keep, point as f64);
                let ahead = |t: usize| {
                    let peak = peaks.get(t - 1).copied().unwrap_or(0.0);
                    let seen = peak * keep.powi((t - point) as i32);
                    (seen * likelihood.reached - 0.5 * seen * seen * own).exp()
                };
                let rest: f64 = (point + 1..=points).map(ahead).sum();
                (likelihood.sum + rest) / count
            }
            Path::Beyond { .. } => (likelihood.sum + (points - point) as f64) / count,
        }
    }
}
