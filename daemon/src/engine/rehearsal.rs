//! A characteristic's detectors on made points: how often they signal without cause, and how soon
//! with one.
//!
//! Measured points are normal, counts follow the law of their chart at a stated level, and
//! measures that are charted together are independent, which loses nothing: T-squared is the same
//! in all coordinates. Limits, widening, scores, sums and rules are those of the engine, which
//! judges every made point as it would a measured one; limits of counts alone need no made points,
//! for their run lengths are known. Must not know streams, the record or a clock. The one
//! invariant: the same seed gives the same figures.

use std::collections::BTreeMap;
use std::sync::Arc;

use spc::chart::ChartKind;
use spc::level::Level;
use spc::runlength::{Change, Effort, Method, RunLength, RunLengthError, Scheme, Waiting};
use spc::simulation::Normals;
use spc::{chart, detection};

use crate::config::{Characteristic, Detector, Subgroup};

use super::atom::{Atom, Content};
use super::budget::{Budget, STEPPED_MAX, Solver};
use super::chart::{ChartState, Evaluated, Evaluation};
use super::detect::Detection;
use super::early::early_weight;
use super::effects::PointKind;
use super::rates::Rates;

mod counts;
mod made;

/// Points in control between the limits and the change. Runs that signal in them are drawn anew.
pub const QUIET_BEFORE: u32 = 50;

/// Points of all runs of one change at most.
const POINTS_MAX: u64 = 1_000_000;

/// Points of one run at most.
const RUN_POINTS_MAX: u64 = 20_000;

/// Readings of a made panel, where the chart takes its spread.
const READINGS_OF_PANEL: usize = 100;

/// Readings of a made subgroup, where the configuration does not say.
const READINGS: usize = 5;

/// Points until a change is signalled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Delay {
    /// The mean; of the runs that were given up at the bound, the points so far count.
    pub mean: f64,
    /// Its standard error.
    pub error: f64,
    /// Points within which half of the runs have signalled; nothing where too many were given up.
    pub half: Option<f64>,
    /// The same for nine runs of ten.
    pub ninety: Option<f64>,
}

/// How often a change within a baseline is signalled before there are limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Early {
    /// The share of made streams.
    pub share: f64,
    /// Its standard error.
    pub error: f64,
}

/// How a made stream ended.
enum End {
    /// So many points after the change.
    Signalled(u64),
    /// Before the change.
    FalselySignalled,
    /// At the bound.
    GivenUp,
}

/// One characteristic at one run length.
pub struct Rehearsal {
    what: Characteristic,
    /// Where what is charted is counted.
    level: Option<Level>,
    solver: Solver,
    rates: Rates,
}

impl Rehearsal {
    /// What is rehearsed. Of counts, how they vary depends on how many there are: nothing without a
    /// level that their chart can have.
    #[must_use]
    pub fn new(what: &Characteristic, run_length: f64, level: Option<Level>) -> Option<Rehearsal> {
        let is_counted = what.subject.is_counted();
        let level = level.filter(|level| is_counted && level.is_usable());
        let bounded = run_length.round().clamp(1.0, STEPPED_MAX);
        (level.is_some() || !is_counted).then(|| Rehearsal {
            what: Characteristic {
                run_length: Some(bounded as u32),
                ..what.clone()
            },
            level,
            solver: Solver::default(),
            rates: Rates::new(0),
        })
    }

    /// What the points are watched with.
    ///
    /// # Errors
    ///
    /// When no threshold has the run length.
    pub fn detection(&mut self) -> Result<Detection, RunLengthError> {
        let stated = self.what.run_length.map_or(1.0, f64::from);
        let readings = size(&self.what) as u32;
        self.solver.solve(&self.what, stated, readings)
    }

    /// The in-control run length of everything that is switched on, for a known mean and sigma, or
    /// a known level. The limits of the spread count as a chart of their own.
    ///
    /// # Errors
    ///
    /// When there is none, or it is beyond what can be simulated.
    pub fn in_control(&mut self, effort: Effort) -> Result<RunLength, RunLengthError> {
        let detection = self.detection()?;
        let limits = match self.what.detection.contains(&Detector::Limits) {
            true => self.what.limit_width.or(detection.width),
            false => None,
        };
        if let Some(level) = self.level {
            return self.in_control_at(&level, &detection, effort);
        }
        if let (ChartKind::TSquared, Some(width)) = (self.what.chart, limits) {
            return known(Waiting::steady(chart::false_alarm(width))?);
        }
        let scheme = Scheme {
            limits,
            rules: self.what.rules.clone(),
            ewmas: detection.ewma.into_iter().collect(),
            cusums: detection.cusums.into_iter().flatten().collect(),
        };
        let found = scheme.average(Change::None, effort)?;
        let readings = size(&self.what) as u32;
        let chance = |width| detection::spread_alarm(self.what.chart, readings, width);
        let Some(chance) = limits.and_then(chance) else {
            return Ok(found);
        };
        let kept = 1.0 / (1.0 + found.mean * chance);
        Ok(RunLength {
            mean: found.mean * kept,
            standard_error: found.standard_error * kept * kept,
            ninety: None,
            ..found
        })
    }

    /// Points until a change is signalled that begins [`QUIET_BEFORE`] points after the limits were
    /// set, over `runs` made streams, each with a baseline of its own. Nothing when none signals.
    ///
    /// # Errors
    ///
    /// When no threshold has the run length.
    pub fn delay(
        &mut self,
        change: Change,
        runs: usize,
        seed: u64,
    ) -> Result<Option<Delay>, RunLengthError> {
        let detection = self.detection()?;
        if let Some(level) = self.level
            && self.has_limits_alone()
        {
            return self.delay_at(&level, &detection, change).map(Some);
        }
        let before = self.what.baseline as u64 + u64::from(QUIET_BEFORE);
        let span = (before, before + RUN_POINTS_MAX);
        let mut normals = Normals::new(seed);
        let (mut delays, mut given_up, mut abandoned, mut points) = (Vec::new(), 0, 0, 0);
        while delays.len() < runs && points < POINTS_MAX {
            let (made, end) = self.run(ChartState::new(), change, span, &mut normals);
            points += made;
            match end {
                End::Signalled(after) => delays.push(after as f64),
                End::GivenUp => {
                    given_up += RUN_POINTS_MAX;
                    abandoned += 1;
                }
                End::FalselySignalled => {}
            }
        }
        Ok(summary(delays, given_up as f64, abandoned))
    }

    /// How often a change that begins half way through the baseline is signalled before it ends,
    /// over `runs` made streams. Nothing where baselines are not watched.
    pub fn early(&mut self, change: Change, runs: usize, seed: u64) -> Option<Early> {
        early_weight(&self.what, 1.0)?;
        let baseline = self.what.baseline as u64;
        let mut normals = Normals::new(seed);
        let (mut judged, mut signalled) = (0, 0);
        for _ in 0..runs {
            match self
                .run(
                    ChartState::new(),
                    change,
                    (baseline / 2, baseline),
                    &mut normals,
                )
                .1
            {
                End::Signalled(_) => {
                    signalled += 1;
                    judged += 1;
                }
                End::GivenUp => judged += 1,
                End::FalselySignalled => {}
            }
        }
        let share = f64::from(signalled) / f64::from(judged);
        (judged > 0).then(|| Early {
            share,
            error: (share * (1.0 - share) / f64::from(judged)).sqrt(),
        })
    }

    /// Whether limits are all that judges a point.
    fn has_limits_alone(&self) -> bool {
        self.what.detection == [Detector::Limits] && self.what.rules.is_empty()
    }

    /// One made stream that changes after so many points and ends after so many: its points, and
    /// how it ended.
    fn run(
        &mut self,
        mut state: ChartState,
        change: Change,
        (before, last): (u64, u64),
        normals: &mut Normals,
    ) -> (u64, End) {
        let mut run = Evaluation {
            stream: 0,
            what: &self.what,
            budget: Budget {
                rates: &self.rates,
                station: &(self.what.station, Arc::from("")),
                shift_minutes: 1.0,
                allowed: 1.0,
                solver: &mut self.solver,
                told: &BTreeMap::new(),
            },
            pads: None,
            found: Evaluated::default(),
        };
        let mut made = 0u64;
        loop {
            made += 1;
            let since = made.saturating_sub(before);
            let now = if since > 0 { change } else { Change::None };
            let (content, sample) = made::point(&self.what, self.level, (now, since), normals);
            state.chart(&atom(made, content), PointKind::Whole, sample, &mut run);
            let signals = run
                .found
                .points
                .last()
                .is_some_and(|point| !point.signals.is_empty());
            run.found.points.clear();
            match (signals, since) {
                (true, 0) => return (made, End::FalselySignalled),
                (true, _) => return (made, End::Signalled(since)),
                (false, _) if made >= last => return (made, End::GivenUp),
                (false, _) => {}
            }
        }
    }
}

/// Mean, error and quantile. Points of runs that were given up count, as if the next point came
/// from the same waiting on: all points over all signals.
fn summary(mut delays: Vec<f64>, given_up: f64, abandoned: usize) -> Option<Delay> {
    let count = delays.len() as f64;
    if delays.is_empty() {
        return None;
    }
    let mean = (delays.iter().sum::<f64>() + given_up) / count;
    let squares: f64 = delays.iter().map(|delay| (delay - mean).powi(2)).sum();
    let deviation = match abandoned {
        0 if delays.len() > 1 => (squares / (count - 1.0)).sqrt(),
        _ => mean,
    };
    delays.sort_by(f64::total_cmp);
    let all = delays.len() + abandoned;
    let within = |tenths: usize| {
        let place = (all * tenths).div_ceil(10).saturating_sub(1);
        delays.get(place).copied()
    };
    Some(Delay {
        mean,
        error: deviation / count.sqrt(),
        half: within(5),
        ninety: within(9),
    })
}

fn atom(made: u64, content: Content) -> Atom {
    Atom {
        at: made as i64,
        unit: Arc::from(""),
        setup: Vec::new(),
        content,
        pads: None,
    }
}

/// Readings of a made subgroup.
fn size(what: &Characteristic) -> usize {
    match (what.chart, what.subgroup) {
        (ChartKind::ThreeWay, _) => READINGS_OF_PANEL,
        (_, Subgroup::Consecutive(size)) => size,
        _ => READINGS,
    }
}

/// A run length that needs no simulation.
fn known(waiting: Waiting) -> Result<RunLength, RunLengthError> {
    Ok(RunLength {
        mean: waiting.mean,
        standard_error: 0.0,
        ninety: Some(waiting.ninety),
        method: Method::Exact,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Subject;
    use crate::engine::tests::rehearsed;

    #[test]
    fn delays_on_made_streams_are_those_of_the_detectors() {
        // Known mean and sigma bound the delay from below; a baseline of 50 costs a little.
        let what = rehearsed("individuals", 50);
        let mut rehearsal = Rehearsal::new(&what, 1_000.0, None).expect("measured");
        let detection = rehearsal.detection().expect("solved");
        let scheme = Scheme {
            limits: detection.width,
            cusums: detection.cusums.into_iter().flatten().collect(),
            ..Scheme::default()
        };
        for size in [1.0, 3.0] {
            let effort = Effort {
                runs: 2_000,
                ..Effort::default()
            };
            let known = scheme
                .delay(Change::Step(size), QUIET_BEFORE, effort)
                .expect("known");
            let found = rehearsal
                .delay(Change::Step(size), 300, 1)
                .expect("run")
                .expect("found");
            assert!(found.mean > 0.9 * known.mean, "{size}: {found:?} {known:?}");
            assert!(found.mean < 2.0 * known.mean, "{size}: {found:?} {known:?}");
            assert!(found.ninety.is_some_and(|ninety| ninety >= found.mean));
        }
    }

    #[test]
    fn the_in_control_length_is_the_one_asked_for_at_least() {
        for (chart, length) in [
            ("individuals", 1_000.0),
            ("mean-s", 1_000.0),
            ("mean-range", 5_000.0),
            ("three-way", 20_000.0),
        ] {
            let mut rehearsal =
                Rehearsal::new(&rehearsed(chart, 25), length, None).expect("measured");
            let found = rehearsal.in_control(Effort::default()).expect("simulated");
            assert!(
                found.mean > 0.9 * length && found.mean < 1.5 * length,
                "{chart}: {found:?}"
            );
        }
    }

    #[test]
    fn an_average_beside_others_keeps_the_length_that_was_asked_for() {
        for beside in [
            vec![Detector::Limits],
            vec![Detector::Limits, Detector::Cusum],
        ] {
            let mut what = rehearsed("individuals", 50);
            what.detection = beside;
            what.detection.push(Detector::Ewma);
            let mut rehearsal = Rehearsal::new(&what, 1_000.0, None).expect("measured");
            let effort = Effort {
                runs: 1_500,
                ..Effort::default()
            };
            let found = rehearsal.in_control(effort).expect("simulated");
            let off = found.mean / 1_000.0 - 1.0;
            assert!(off.abs() < 0.1, "{:?}: {found:?}", what.detection);
        }
    }

    #[test]
    fn a_watched_baseline_hardly_ever_signals_without_cause() {
        // Of 25 points 21 are judged: with a run length of 500 about 4 % of baselines, less while
        // the sums fill.
        let mut rehearsal =
            Rehearsal::new(&rehearsed("individuals", 25), 500.0, None).expect("measured");
        let none = rehearsal.early(Change::None, 2_000, 1).expect("watched");
        assert!(none.share > 0.0 && none.share < 21.0 / 500.0, "{none:?}");
        let found = rehearsal.early(Change::Step(4.0), 300, 1).expect("watched");
        assert!(found.share > 0.5, "{found:?}");
        let mut limits = rehearsed("individuals", 25);
        limits.detection = vec![Detector::Limits];
        let mut limits = Rehearsal::new(&limits, 500.0, None).expect("measured");
        assert_eq!(limits.early(Change::Step(4.0), 20, 1), None);
    }

    /// The chance that a noncentral chi-square variable of two degrees exceeds a value, as the
    /// mixture over a Poisson law that it is.
    fn two_measures_beyond(limit: f64, distance: f64) -> f64 {
        let (half, rate) = (0.5 * limit, 0.5 * distance * distance);
        // The tail of two plus two j degrees is that of a Poisson law of mean `half` up to j.
        let (mut term, mut tail) = ((-half).exp(), 0.0);
        let (mut weight, mut beyond) = ((-rate).exp(), 0.0);
        for j in 0..200 {
            tail += term;
            beyond += weight * tail;
            term *= half / f64::from(j + 1);
            weight *= rate / f64::from(j + 1);
        }
        beyond
    }

    /// C. A. Lowry, W. H. Woodall, C. W. Champ and S. E. Rigdon, Technometrics 34(1) 1992, the
    /// chart of chi-square of two measures with an in-control length of 200 (from memory): 115.5,
    /// 41.9, 15.8, 6.9 and 2.2 for 0.5, 1, 1.5, 2 and 3 sigma.
    #[test]
    fn several_measures_together_are_found_as_soon_as_published() {
        let published = [
            (0.5, 115.5),
            (1.0, 41.9),
            (1.5, 15.8),
            (2.0, 6.9),
            (3.0, 2.2),
        ];
        // Of two measures chi-square is exponential: 1 in 200 beyond 2 ln 200.
        let limit = 2.0 * 200f64.ln();
        for (size, length) in published {
            let known = 1.0 / two_measures_beyond(limit, size);
            assert!((known - length).abs() < 0.051, "{size}: {known}");
        }
        let mut what = rehearsed("individuals", 200);
        what.chart = ChartKind::TSquared;
        what.subject = Subject::Measures(vec!["x".to_owned(), "y".to_owned()]);
        what.detection = vec![Detector::Limits];
        what.limit_width = Some(detection::limits_width(200.0).expect("in range"));
        what.widen = false;
        let mut rehearsal = Rehearsal::new(&what, 500.0, None).expect("rehearsed");
        let exact = rehearsal.in_control(Effort::default()).expect("known");
        assert!((exact.mean - 200.0).abs() < 1e-6 && exact.method == Method::Exact);
        for (size, length) in [(1.0, 41.9), (2.0, 6.9)] {
            let found = rehearsal.delay(Change::Step(size), 250, 1).expect("run");
            let found = found.expect("found");
            // A baseline of 200 finds it a little later than a known covariance.
            let (low, high) = (0.92 * length, 1.12 * length);
            let error = 3.0 * found.error;
            assert!(
                found.mean > low - error && found.mean < high + error,
                "{size}: {found:?}"
            );
        }
    }

    #[test]
    fn a_change_too_small_for_the_detectors_is_told_as_none() {
        assert_eq!(summary(Vec::new(), 1e6, 50), None);
        let cut = summary(vec![10.0, 20.0], 70.0, 1).expect("two signals");
        assert!((cut.mean - 50.0).abs() < 1e-9 && cut.ninety.is_none());
    }
}
