//! Average run lengths: how long until a chart, or several charts together, signal.
//!
//! Purpose: say how often a choice of detectors signals without cause and how soon it signals
//! with one; choose thresholds for a stated in-control length. Must not know data. The one
//! invariant: lengths are counted in points, are for independent normal points with known centre
//! and sigma, and are at least 1.
//!
//! | detectors switched on | method | error |
//! | --- | --- | --- |
//! | limits, rules on zones | Markov chain | rounding |
//! | one CUSUM | integral equation ([`cusum_two_sided`]) | below 1e-6 |
//! | limits of counts, or of several measures | the chance of a point ([`Waiting`]) | rounding |
//! | one EWMA | integral equation ([`ewma_from_start`]) | below 1e-6 |
//! | others that signal often | seeded simulation of whole runs | standard error given |
//! | others that signal rarely | seeded simulation under tilted measures | standard error given |
//!
//! The chain is that of C. W. Champ and W. H. Woodall, Technometrics 29(4) 1987.

mod chain;
mod integral;
mod plain;
mod tilted;
mod waiting;

pub use integral::{
    ARL_MAX, cusum_one_sided, cusum_threshold, cusum_two_sided, ewma, ewma_from_start, ewma_width,
};

pub use waiting::Waiting;

use crate::cusum::{Cusum, CusumState};
use crate::ewma::{Ewma, EwmaState};
use crate::rules::{Rule, RuleState};
use thiserror::Error;

/// Widest threshold or limit considered, in sigmas.
const REACH_MAX: f64 = 60.0;

/// Which precondition failed.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum RunLengthError {
    /// A parameter is outside its range.
    #[error("{name} is {value}; it must be {needed}")]
    Parameter {
        /// Which parameter.
        name: &'static str,
        /// The value given.
        value: f64,
        /// What is allowed.
        needed: &'static str,
    },
    /// The equations have no usable solution: the length is beyond what doubles resolve.
    #[error("the run length is too long to be computed; choose a lower threshold")]
    TooLong,
    /// Nothing could ever signal.
    #[error("nothing is switched on, so there is no run length; name limits, a rule or a detector")]
    NothingOn,
    /// The simulation saw no signal in the points that it may spend.
    #[error("no signal in {points} simulated points; allow more points or lower a threshold")]
    NoSignal {
        /// Points spent.
        points: u64,
    },
}

/// What is switched on for one stream; all of it looks at the same standardised points.
///
/// ```
/// use spc::runlength::{Change, Effort, Scheme};
/// use spc::rules::Rule;
/// // Champ and Woodall 1987 (from memory): 3 sigma with four run rules signals every 91.75 points.
/// let scheme = Scheme {
///     limits: Some(3.0),
///     rules: vec![Rule::TwoOfThree2s, Rule::FourOfFive1s, Rule::Run8],
///     ..Scheme::default()
/// };
/// let found = scheme.average(Change::None, Effort::default())?;
/// assert!((found.mean - 91.75).abs() < 0.01 && found.standard_error < 1e-9);
/// # Ok::<(), spc::runlength::RunLengthError>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scheme {
    /// Half width of the control limits in sigmas of the point; strictly beyond them signals.
    pub limits: Option<f64>,
    /// Run rules.
    pub rules: Vec<Rule>,
    /// Exponentially weighted averages, with limits that widen from the first point.
    pub ewmas: Vec<Ewma>,
    /// Two-sided cumulative sums, each from its own head start.
    pub cusums: Vec<Cusum>,
}

/// What the detectors of a [`Scheme`] remember between points.
#[derive(Clone, Debug, PartialEq)]
pub struct Progress {
    rules: RuleState,
    ewmas: Vec<EwmaState>,
    cusums: Vec<CusumState>,
}

/// What happens to the mean of the points, in sigmas of the point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Nothing: the in-control length.
    None,
    /// The mean moves by this much at the first point and stays.
    Step(f64),
    /// The mean moves by this much with every point, the first included.
    Drift(f64),
}

impl Change {
    /// The mean of the `point`-th point since the change, counting from 1.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::runlength::Change;
    /// assert_eq!((Change::Step(1.5).mean_at(4), Change::Drift(0.5).mean_at(4)), (1.5, 2.0));
    /// ```
    pub fn mean_at(self, point: u64) -> f64 {
        match self {
            Change::None => 0.0,
            Change::Step(size) => size,
            Change::Drift(slope) => slope * point as f64,
        }
    }
}

/// How much work a simulation may do, and its seed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Effort {
    /// Seed; the same seed gives the same result.
    pub seed: u64,
    /// Runs to simulate; the relative error falls with their root (1 % at 10,000).
    pub runs: u32,
    /// Points to simulate at most over all runs.
    pub points_max: u64,
}

impl Default for Effort {
    /// 10,000 runs, at most 50 million points.
    fn default() -> Self {
        Self {
            seed: 1,
            runs: 10_000,
            points_max: 50_000_000,
        }
    }
}

/// How a length was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// By a Markov chain or an integral equation.
    Exact,
    /// By simulation.
    Simulated,
}

/// A run length in points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RunLength {
    /// The average.
    pub mean: f64,
    /// Standard error of the average; 0 when it is exact.
    pub standard_error: f64,
    /// Points within which nine runs of ten have signalled; `None` where the method does not tell.
    pub ninety: Option<f64>,
    /// How it was found.
    pub method: Method,
}

impl RunLength {
    fn exact(mean: f64, ninety: Option<f64>) -> Self {
        Self {
            mean,
            standard_error: 0.0,
            ninety,
            method: Method::Exact,
        }
    }
}

impl Scheme {
    /// The state before the first point, or after a restart.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::{rules::Rule, runlength::Scheme};
    /// let rules = vec![Rule::Run8];
    /// let scheme = Scheme { limits: Some(3.0), rules, ..Scheme::default() };
    /// let mut progress = scheme.start();
    /// assert!(!scheme.push(&mut progress, 0.5));
    /// assert_ne!(progress, scheme.start());
    /// ```
    pub fn start(&self) -> Progress {
        Progress {
            rules: RuleState::default(),
            ewmas: vec![EwmaState::default(); self.ewmas.len()],
            cusums: self.cusums.iter().map(Cusum::start).collect(),
        }
    }

    /// Takes the next point, `z` sigmas from the centre, and says whether anything signals.
    ///
    /// `progress` is one of this scheme's [`Scheme::start`]. Cost: constant.
    ///
    /// ```
    /// use spc::{rules::Rule, runlength::Scheme};
    /// let rules = vec![Rule::Run8];
    /// let scheme = Scheme { limits: Some(3.0), rules, ..Scheme::default() };
    /// let mut progress = scheme.start();
    /// let signals: Vec<bool> = (0..8).map(|_| scheme.push(&mut progress, 0.5)).collect();
    /// assert_eq!(signals.iter().position(|signals| *signals), Some(7));
    /// assert!(scheme.push(&mut progress, -3.1));
    /// ```
    pub fn push(&self, progress: &mut Progress, z: f64) -> bool {
        let mut signals = self.limits.is_some_and(|width| z.abs() > width);
        for (chart, state) in self.ewmas.iter().zip(&mut progress.ewmas) {
            signals |= chart.push(state, z).is_some();
        }
        for (chart, state) in self.cusums.iter().zip(&mut progress.cusums) {
            signals |= chart.push(state, z).is_some();
        }
        if !self.rules.is_empty() {
            signals |= !progress.rules.push(z, z, &self.rules).is_empty();
        }
        signals
    }

    /// Average run length from a new start (zero state, or the head start of the CUSUMs), with the
    /// change present from the first point on.
    ///
    /// By the method of the table above; `effort` matters only to simulations. A long in-control
    /// length is not waited for: rare signals of CUSUMs, averages and limits are simulated under
    /// tilted measures, so 1e8 costs no more than 1e4. Cost in points: `runs` times a run, or times
    /// about 1,000 for rare signals.
    ///
    /// ```
    /// use spc::runlength::{Change, Effort, Scheme};
    /// let scheme = Scheme { limits: Some(3.0), ..Scheme::default() };
    /// // D. C. Montgomery and G. C. Runger, 3rd ed. 2003, p. 617: 43.9.
    /// let found = scheme.average(Change::Step(1.0), Effort::default())?;
    /// assert!((found.mean - 43.9).abs() < 0.01);
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    ///
    /// # Errors
    /// [`RunLengthError`] when nothing is switched on, for a parameter out of its range, an effort
    /// without runs, or when no signal is seen in the points allowed.
    pub fn average(&self, change: Change, effort: Effort) -> Result<RunLength, RunLengthError> {
        self.check(change, effort)?;
        let shift = match change {
            Change::None => Some(0.0),
            Change::Step(size) => Some(size),
            Change::Drift(_) => None,
        };
        match (&self.ewmas[..], &self.cusums[..], shift) {
            ([], [], _) if chain::has_zones_only(&self.rules) => {
                return chain::length(self, change, effort.points_max);
            }
            ([], [one], Some(shift)) if self.limits.is_none() && self.rules.is_empty() => {
                let (k, h, start) = (one.reference, one.threshold, one.head_start);
                return Ok(RunLength::exact(cusum_two_sided(k, h, shift, start)?, None));
            }
            ([one], [], Some(shift)) if self.limits.is_none() && self.rules.is_empty() => {
                return Ok(RunLength::exact(ewma_from_start(one, shift)?, None));
            }
            _ => {}
        }
        if let (Some(shift), true) = (shift, self.rules.is_empty())
            && plain::is_rare(self, change, effort)
            && let Some(found) = tilted::length(self, shift, effort)
        {
            return Ok(found);
        }
        plain::length(self, change, 0, effort)
    }

    /// Simulated delay between a change and the signal, when the change comes after `warm_up`
    /// points in control without a signal (0: at a new start).
    ///
    /// Runs that signal during the warm-up are drawn again; the delay counts from the first changed
    /// point, which gives 1 when that point signals. `ninety` is always told. A warm-up of 50
    /// points or more gives the steady-state delay. Cost in points: `runs` times both.
    ///
    /// ```
    /// use spc::{cusum, runlength::{Change, Effort, Scheme}};
    /// let cusums = cusum::set_for_run_length(500.0)?.to_vec();
    /// let scheme = Scheme { cusums, ..Scheme::default() };
    /// let effort = Effort { runs: 1_000, ..Effort::default() };
    /// let found = scheme.delay(Change::Step(1.0), 50, effort)?;
    /// assert!(found.mean < 11.5 && found.ninety.is_some_and(|ninety| ninety > found.mean));
    /// # Ok::<(), spc::runlength::RunLengthError>(())
    /// ```
    ///
    /// # Errors
    /// As [`Scheme::average`].
    pub fn delay(
        &self,
        change: Change,
        warm_up: u32,
        effort: Effort,
    ) -> Result<RunLength, RunLengthError> {
        self.check(change, effort)?;
        plain::length(self, change, warm_up, effort)
    }

    fn check(&self, change: Change, effort: Effort) -> Result<(), RunLengthError> {
        let is_off = self.limits.is_none() && self.rules.is_empty();
        if is_off && self.ewmas.is_empty() && self.cusums.is_empty() {
            return Err(RunLengthError::NothingOn);
        }
        let reach = |name, value: f64| {
            let allowed = value > 0.0 && value <= REACH_MAX;
            check(name, value, allowed, "above 0 and at most 60")
        };
        self.limits
            .map_or(Ok(()), |width| reach("the width of the limits", width))?;
        for chart in &self.ewmas {
            let (name, weight) = ("the weight of the newest point", chart.weight);
            check(
                name,
                weight,
                (0.01..=1.0).contains(&weight),
                "from 0.01 to 1",
            )?;
            reach("the width of the average's limits", chart.width)?;
        }
        for chart in &self.cusums {
            let (k, h, start) = (chart.reference, chart.threshold, chart.head_start);
            let allowed = (0.0..=REACH_MAX).contains(&k);
            check("the reference value k", k, allowed, "from 0 to 60")?;
            reach("the threshold h", h)?;
            let allowed = (0.0..h).contains(&start);
            check("the head start", start, allowed, "from 0 to below h")?;
        }
        let size = match change {
            Change::None => 0.0,
            Change::Step(size) | Change::Drift(size) => size,
        };
        let allowed = size.abs() <= REACH_MAX;
        check("the shift", size, allowed, "from -60 to 60")?;
        let runs = f64::from(effort.runs);
        check("the number of runs", runs, runs >= 1.0, "at least 1")
    }
}

fn check(
    name: &'static str,
    value: f64,
    allowed: bool,
    needed: &'static str,
) -> Result<(), RunLengthError> {
    if allowed {
        return Ok(());
    }
    Err(RunLengthError::Parameter {
        name,
        value,
        needed,
    })
}

/// Rounding in a singular system shows as a length that is not finite or below 1.
fn plausible(length: f64) -> Result<f64, RunLengthError> {
    if length.is_finite() && length >= 1.0 - 1e-9 {
        Ok(length.max(1.0))
    } else {
        Err(RunLengthError::TooLong)
    }
}

#[cfg(test)]
mod tests;
