//! When a change began: the most likely first affected point and a set that covers it.
//!
//! Purpose: tell which boards to hold after a signal. Must not know boards or signals. The one
//! invariant: the most likely onset is in the set.
//!
//! Maximum likelihood: for a step T. R. Samuel, J. J. Pignatiello and J. A. Calvin, Quality
//! Engineering 10(3) 1998, the t that maximises (T - t) zbar(t..T)^2; for a linear drift M. B.
//! Perry and J. J. Pignatiello, Quality Technology and Quantitative Management 3(3) 2006 (the same
//! for counts: with J. R. Simpson, Quality and Reliability Engineering International 22(4) 2006),
//! the t that maximises (sum of j z)^2 / (sum of j^2) with j = 1, 2, .. from t on. The set follows
//! J. J. Pignatiello and T. R. Samuel, Journal of Quality Technology 33(1) 2001, in keeping the
//! points of high likelihood; the cut is made by accumulated normalised likelihood. (From memory.)

use thiserror::Error;

/// How the mean moves from the onset on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// At once, and stays.
    Step,
    /// By `slope` sigmas with every point, the first affected one included.
    Drift {
        /// Sigmas a point.
        slope: f64,
    },
}

/// A change in a series, positions counting from 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Onset {
    /// Most likely first affected point.
    pub first_affected: usize,
    /// Mean from there to the end, in sigmas from the centre.
    pub shift: f64,
    /// Step or drift.
    pub shape: Shape,
    /// Points at which the change plausibly began, ascending; may have gaps.
    pub set: Vec<usize>,
    /// Normalised likelihood the set holds, at least the coverage asked for.
    pub coverage: f64,
}

impl Onset {
    /// Earliest point of the set: where a containment should begin.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// // In control for ten points, then three sigma higher.
    /// let z = [0.1, -0.4, 0.6, -0.2, 0.3, -0.5, 0.2, 0.0, -0.1, 0.4, 3.2, 2.7, 3.1, 2.9];
    /// let found = spc::onset::step(&z, 0.9)?;
    /// assert_eq!((found.first_affected, found.earliest()), (10, 10));
    /// # Ok::<(), spc::onset::OnsetError>(())
    /// ```
    pub fn earliest(&self) -> usize {
        self.set.first().copied().unwrap_or(self.first_affected)
    }
}

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum OnsetError {
    /// No points.
    #[error("an onset needs at least one point")]
    Empty,
    /// A point is not finite.
    #[error("point {0} of the series is not a finite number")]
    NotFinite(usize),
    /// The coverage is not inside 0 to 1.
    #[error("the coverage must lie between 0 and 1, not {0}")]
    Coverage(f64),
}

/// The most likely step change in standardised points that ends at the last one.
///
/// `z` are distances from a known centre in sigmas of the point, from a time known to be in control
/// up to the signal. Each start t is weighed by the likelihood of a mean shift from t on, with the
/// unknown shift integrated out evenly: exp((T - t) zbar^2 / 2) / sqrt(T - t). `first_affected`
/// maximises (T - t) zbar^2; the set takes starts by falling weight until it holds `coverage`
/// (such as 0.9). Cost grows with T log T.
///
/// ```
/// let found = spc::onset::step(&[0.1, -0.2, 0.3, 5.0, 5.1, 4.9], 0.9)?;
/// assert_eq!((found.first_affected, found.earliest()), (3, 3));
/// # Ok::<(), spc::onset::OnsetError>(())
/// ```
///
/// # Errors
/// [`OnsetError`] for an empty or non-finite series or a coverage not inside 0 to 1. A single point
/// gives that point.
pub fn step(z: &[f64], coverage: f64) -> Result<Onset, OnsetError> {
    check(z, coverage)?;
    let series = [tails(z)];
    let weights = normalised(&[summed(&series, Tail::step_weight)]);
    found(&series, Kind::Step, &weights, coverage)
}

/// The most likely linear drift in standardised points that ends at the last one.
///
/// As [`step`], for a mean that grows by the same amount with every point from the onset on. A
/// start weighs exp(gain), gain being half of (sum of j z)^2 / (sum of j^2): the slope is
/// integrated out in proportion to the root of the information on it (H. Jeffreys' prior), because
/// a drift leaves so little trace at first that an even weight would favour late starts. For the
/// same reason the set holds half of what `coverage` leaves out as well.
///
/// Cost: as [`step`].
///
/// ```
/// use spc::onset::{Shape, drift};
/// let mean = |i: i32| if i < 20 { 0.0 } else { 0.3 * f64::from(i - 19) };
/// let series: Vec<f64> = (0..40).map(mean).collect();
/// let found = drift(&series, 0.9)?;
/// assert_eq!(found.first_affected, 20);
/// assert!(matches!(found.shape, Shape::Drift { slope } if (slope - 0.3).abs() < 1e-9));
/// # Ok::<(), spc::onset::OnsetError>(())
/// ```
///
/// # Errors
/// As [`step`].
pub fn drift(z: &[f64], coverage: f64) -> Result<Onset, OnsetError> {
    check(z, coverage)?;
    let series = [tails(z)];
    let weights = normalised(&[summed(&series, |tail| tail.gain(Kind::Drift))]);
    found(&series, Kind::Drift, &weights, generous(coverage))
}

/// The most likely change, a step or a linear drift, that ends at the last point.
///
/// The shape is the one of higher maximised likelihood (both have an onset and a size, so nothing
/// is to be deducted), and so is `first_affected`. The set weighs each start by the likelihoods of
/// both shapes together, as in [`step`] and [`drift`]: a few points after the onset the two cannot
/// be told apart, and a set that trusted the chosen one would miss too often. As far as the weight
/// lies with a drift, the set holds half of what `coverage` leaves out as well. How often it covers
/// the true onset when the default detection signals is in `benches/results/onsets.csv`. Cost as
/// [`step`].
///
/// ```
/// use spc::onset::{Shape, estimate};
/// let found = estimate(&[0.1, -0.2, 0.3, 5.0, 5.1, 4.9], 0.9)?;
/// assert_eq!((found.first_affected, found.shape), (3, Shape::Step));
/// # Ok::<(), spc::onset::OnsetError>(())
/// ```
///
/// # Errors
/// As [`step`].
pub fn estimate(z: &[f64], coverage: f64) -> Result<Onset, OnsetError> {
    check(z, coverage)?;
    likeliest(&[tails(z)], coverage)
}

/// The most likely change of several measures together, that ends at the last point.
///
/// `points` are independent scores of each point, as many as measures
/// ([`crate::t_squared::TSquared::scores`]). As [`estimate`], of a shift or a slope in any
/// direction: likelihoods of the measures multiply, and each measure's size is integrated out.
/// `shift` and `slope` are lengths, in sigmas along the direction of the change.
///
/// Cost: as [`estimate`], times the measures.
///
/// ```
/// use spc::onset::estimate_joint;
/// let point = |i: usize| if i < 12 { vec![0.3, -0.2] } else { vec![2.0, 2.0] };
/// let found = estimate_joint(&(0..18).map(point).collect::<Vec<_>>(), 0.9)?;
/// assert_eq!(found.first_affected, 12);
/// # Ok::<(), spc::onset::OnsetError>(())
/// ```
///
/// # Errors
/// As [`step`]; [`OnsetError::NotFinite`] also for a point that has another number of measures than
/// the first, or none.
pub fn estimate_joint(points: &[Vec<f64>], coverage: f64) -> Result<Onset, OnsetError> {
    let measures = points.first().map_or(0, Vec::len);
    if let Some(index) = points
        .iter()
        .position(|one| one.len() != measures || measures == 0)
    {
        return Err(OnsetError::NotFinite(index));
    }
    let series = |measure: usize| points.iter().map(|one| one[measure]).collect();
    let all: Vec<Vec<f64>> = (0..measures.max(1)).map(series).collect();
    all.iter().try_for_each(|z| check(z, coverage))?;
    let tails: Vec<Vec<Tail>> = all.iter().map(|z| tails(z)).collect();
    likeliest(&tails, coverage)
}

/// The likelier shape of independent series, and the starts that both shapes leave likely.
fn likeliest(series: &[Vec<Tail>], coverage: f64) -> Result<Onset, OnsetError> {
    let of = |kind: Kind| summed(series, |tail| tail.gain(kind));
    let (steps, drifts) = (of(Kind::Step), of(Kind::Drift));
    let best = |gains: &[f64]| gains.iter().copied().fold(0.0, f64::max);
    let kind = if best(&drifts) > best(&steps) {
        Kind::Drift
    } else {
        Kind::Step
    };
    // A drift is weighed as heavily beside a step as where there is one measure alone.
    let more = series.len().saturating_sub(1) as f64;
    let dimmed = |(gain, tail): (&f64, &Tail)| gain - 0.5 * more * tail.count.ln();
    let counts = series.first().into_iter().flatten();
    let drifts = drifts.iter().zip(counts).map(dimmed).collect();
    let both = [summed(series, Tail::step_weight), drifts];
    let [of_step, of_drift] = both.each_ref().map(|logs| log_sum(logs));
    let share = 1.0 / (1.0 + (of_step - of_drift).exp());
    let held = coverage + share * (generous(coverage) - coverage);
    found(series, kind, &normalised(&both), held)
}

/// The figures of independent series, added up at each start.
fn summed(series: &[Vec<Tail>], figure: impl Fn(&Tail) -> f64) -> Vec<f64> {
    let starts = series.first().map_or(0, Vec::len);
    let at = |start: usize| series.iter().map(|tails| figure(&tails[start])).sum();
    (0..starts).map(at).collect()
}

/// Log of a sum of exponentials, without overflow.
fn log_sum(logs: &[f64]) -> f64 {
    let highest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    highest
        + logs
            .iter()
            .map(|one| (one - highest).exp())
            .sum::<f64>()
            .ln()
}

/// Half of what a coverage leaves out, added to it.
fn generous(coverage: f64) -> f64 {
    0.5 * (1.0 + coverage)
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Step,
    Drift,
}

/// What the points from one position to the end add up to.
#[derive(Clone, Copy, Default)]
struct Tail {
    count: f64,
    /// Sum of z.
    plain: f64,
    /// Sum of j z, j counting from 1 at the position.
    rising: f64,
}

impl Tail {
    /// Sum of j^2.
    fn squares(self) -> f64 {
        self.count * (self.count + 1.0) * (2.0 * self.count + 1.0) / 6.0
    }

    /// Log likelihood ratio of the best size against no change.
    fn gain(self, kind: Kind) -> f64 {
        match kind {
            Kind::Step => 0.5 * self.plain * self.plain / self.count,
            Kind::Drift => 0.5 * self.rising * self.rising / self.squares(),
        }
    }

    /// Log of the likelihood of a step with its size integrated out evenly.
    fn step_weight(&self) -> f64 {
        self.gain(Kind::Step) - 0.5 * self.count.ln()
    }
}

fn check(z: &[f64], coverage: f64) -> Result<(), OnsetError> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(OnsetError::Coverage(coverage));
    }
    if z.is_empty() {
        return Err(OnsetError::Empty);
    }
    match z.iter().position(|value| !value.is_finite()) {
        Some(index) => Err(OnsetError::NotFinite(index)),
        None => Ok(()),
    }
}

/// The tails of all positions, from the end backwards: each point enters in front, which moves all
/// others one up in j.
fn tails(z: &[f64]) -> Vec<Tail> {
    let mut tail = Tail::default();
    let mut tails: Vec<Tail> = z
        .iter()
        .rev()
        .map(|value| {
            tail.count += 1.0;
            tail.plain += value;
            tail.rising += tail.plain;
            tail
        })
        .collect();
    tails.reverse();
    tails
}

/// Weights of each start, summed over the shapes, that add up to 1.
fn normalised(logs: &[Vec<f64>]) -> Vec<f64> {
    let highest = logs
        .iter()
        .flatten()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let count = logs.first().map_or(0, Vec::len);
    let weight = |t: usize| logs.iter().map(|one| (one[t] - highest).exp()).sum::<f64>();
    let weights: Vec<f64> = (0..count).map(weight).collect();
    let total: f64 = weights.iter().sum();
    weights.iter().map(|weight| weight / total).collect()
}

fn found(
    series: &[Vec<Tail>],
    kind: Kind,
    weights: &[f64],
    coverage: f64,
) -> Result<Onset, OnsetError> {
    let gains = summed(series, |tail| tail.gain(kind));
    // Of equally likely starts the latest is taken.
    let best = (0..gains.len())
        .max_by(|a, b| gains[*a].total_cmp(&gains[*b]))
        .ok_or(OnsetError::Empty)?;
    let (set, held) = likely_set(best, coverage, weights);
    let size = |figure: &dyn Fn(&Tail) -> f64| match series {
        [one] => figure(&one[best]),
        several => {
            let squares = several.iter().map(|tails| figure(&tails[best]).powi(2));
            squares.sum::<f64>().sqrt()
        }
    };
    let shape = match kind {
        Kind::Step => Shape::Step,
        Kind::Drift => Shape::Drift {
            slope: size(&|tail| tail.rising / tail.squares()),
        },
    };
    Ok(Onset {
        first_affected: best,
        shift: size(&|tail| tail.plain / tail.count),
        shape,
        set,
        coverage: held,
    })
}

fn likely_set(best: usize, coverage: f64, weights: &[f64]) -> (Vec<usize>, f64) {
    let mut order: Vec<usize> = (0..weights.len()).collect();
    order.sort_by(|a, b| weights[*b].total_cmp(&weights[*a]));
    let (mut set, mut held) = (vec![best], weights[best]);
    for t in order {
        if held >= coverage {
            break;
        }
        if t != best {
            set.push(t);
            held += weights[t];
        }
    }
    set.sort_unstable();
    (set, held.min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;

    #[test]
    fn unusable_series_are_refused() {
        assert_eq!(step(&[], 0.9), Err(OnsetError::Empty));
        assert_eq!(step(&[1.0, f64::NAN], 0.9), Err(OnsetError::NotFinite(1)));
        assert_eq!(step(&[1.0], 1.0), Err(OnsetError::Coverage(1.0)));
        assert_eq!(step(&[2.0], 0.9).unwrap().set, [0]);
    }

    #[test]
    fn a_clear_step_is_found_exactly() {
        let mut series = [0.1, -0.2, 0.3, -0.1, 0.2, -0.3].repeat(3);
        series.extend([5.0, 5.2, 4.9, 5.1]);
        let found = step(&series, 0.9).unwrap();
        assert_eq!((found.first_affected, found.earliest()), (18, 18));
        assert!((found.shift - 5.05).abs() < 1e-12);
        let mirrored: Vec<f64> = series.iter().map(|z| -z).collect();
        assert_eq!(step(&mirrored, 0.9).unwrap().first_affected, 18);
    }

    #[test]
    fn the_set_covers_the_true_onset_as_often_as_it_says() {
        // 50 points in control, then a shift; looked at 15 points later.
        for shift in [1.0, 1.5, 3.0] {
            let mut normals = Normals::new(0x853c_49e6_748f_ea9b);
            let rounds = 2000;
            let mut covered = 0;
            for _ in 0..rounds {
                let mut series: Vec<f64> = (0..65).map(|_| normals.draw()).collect();
                series[50..].iter_mut().for_each(|z| *z += shift);
                covered += usize::from(step(&series, 0.9).unwrap().set.contains(&50));
            }
            let share = covered as f64 / f64::from(rounds);
            assert!(share > 0.87, "shift {shift}: {share}");
        }
    }

    /// How often the set covers the true onset when the default detection signals, `before` points
    /// in control having passed, and how often the shape is called a drift.
    fn covered_at_signal(length: f64, before: usize, mean: impl Fn(usize) -> f64) -> (f64, f64) {
        let scheme = crate::detection::thresholds(length).unwrap().scheme();
        let mut normals = Normals::new(20_061_006);
        let (rounds, mut done, mut covered, mut drifts) = (400, 0, 0, 0);
        while done < rounds {
            let mut state = scheme.start();
            let mut series = Vec::new();
            let signals = loop {
                let since = (series.len() + 1).saturating_sub(before);
                let moved = if since > 0 { mean(since) } else { 0.0 };
                series.push(normals.draw() + moved);
                if scheme.push(&mut state, series[series.len() - 1]) {
                    break series.len() > before;
                }
            };
            if signals {
                let found = estimate(&series, 0.9).unwrap();
                done += 1;
                covered += usize::from(found.set.contains(&before));
                drifts += usize::from(matches!(found.shape, Shape::Drift { .. }));
            }
        }
        let share = |count: usize| count as f64 / f64::from(rounds);
        (share(covered), share(drifts))
    }

    #[test]
    fn the_set_covers_the_onset_when_a_step_is_signalled() {
        for length in [370.0, 10_000.0] {
            for shift in [1.0, 2.0, 3.0] {
                let (covered, _) = covered_at_signal(length, 60, |_| shift);
                assert!(covered >= 0.85, "{length} {shift}: {covered}");
            }
        }
    }

    #[test]
    fn the_set_covers_the_onset_when_a_drift_is_signalled() {
        for length in [370.0, 10_000.0] {
            for slope in [0.01, 0.02, 0.05] {
                let (covered, _) = covered_at_signal(length, 60, |j| slope * j as f64);
                assert!(covered >= 0.85, "{length} {slope}: {covered}");
            }
        }
    }

    #[test]
    fn the_set_covers_the_onset_of_several_measures() {
        let mut normals = Normals::new(8_081);
        for measures in [2, 4] {
            let covered = (0..1_000).filter(|_| {
                let mut draw = |i: usize| {
                    let shift = if i < 40 { 0.0 } else { 1.0 };
                    (0..measures).map(|_| normals.draw() + shift).collect()
                };
                let points: Vec<Vec<f64>> = (0..52).map(&mut draw).collect();
                estimate_joint(&points, 0.9).unwrap().set.contains(&40)
            });
            let share = covered.count() as f64 / 1_000.0;
            assert!(share > 0.88, "{measures}: {share}");
        }
    }

    #[test]
    fn one_measure_together_is_one_measure() {
        let z: Vec<f64> = (0..30)
            .map(|i: i32| f64::from(i * 7 % 5) - 2.0 + f64::from(i / 20))
            .collect();
        let points: Vec<Vec<f64>> = z.iter().map(|z| vec![*z]).collect();
        assert_eq!(estimate_joint(&points, 0.9), estimate(&z, 0.9));
        assert_eq!(estimate_joint(&[], 0.9), Err(OnsetError::Empty));
        let ragged = [vec![1.0, 2.0], vec![1.0]];
        assert_eq!(estimate_joint(&ragged, 0.9), Err(OnsetError::NotFinite(1)));
    }

    #[test]
    fn long_changes_are_told_apart_by_their_shape() {
        let mut normals = Normals::new(41);
        let mut right = 0;
        for _ in 0..200 {
            let noise: Vec<f64> = (0..120).map(|_| normals.draw()).collect();
            let with = |mean: &dyn Fn(usize) -> f64| {
                let moved = (0..120).map(|i| noise[i] + if i < 60 { 0.0 } else { mean(i - 59) });
                estimate(&moved.collect::<Vec<f64>>(), 0.9).unwrap().shape
            };
            right += usize::from(with(&|_| 1.5) == Shape::Step);
            right += usize::from(matches!(with(&|j| 0.05 * j as f64), Shape::Drift { .. }));
        }
        assert!(right >= 380, "{right} of 400");
    }
}
