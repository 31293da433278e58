//! From the false alerts that a line may have in a shift to the thresholds of one stream.
//!
//! Must not know points or signals. The one invariant: a version of limits gets the same thresholds
//! whatever the order in which readings came within the horizon.

use std::collections::BTreeMap;

use spc::budget::{LENGTH_FLOOR, allocate};
use spc::chart::ChartKind;
use spc::cusum;
use spc::detection;
use spc::ewma::Ewma;
use spc::runlength::{self, RunLengthError};

use crate::config::{Characteristic, Config, Detector, RUN_LENGTH_MAX};
use crate::words::Station;

use super::atom::AtomKey;
use super::chart::LimitsVersion;
use super::detect::Detection;
use super::rates::{Rates, StationOnLine};

/// Steps of run lengths in a decade; a run length is rounded up to the next.
const STEPS_A_DECADE: f64 = 20.0;

/// The head start of cumulative sums costs as many false alerts as so many more points.
const HEAD_START_POINTS: f64 = 50.0;

/// The narrowest limits that a run length leads to, in sigmas.
const WIDTH_MIN: f64 = 3.0;

/// What one stream may spend.
pub struct Budget<'a> {
    /// How often the line is judged.
    pub rates: &'a Rates,
    /// Where the stream is measured.
    pub station: &'a StationOnLine,
    /// Minutes of a shift.
    pub shift_minutes: f64,
    /// False alerts that the station may have on the line in a shift.
    pub allowed: f64,
    /// Finds thresholds.
    pub solver: &'a mut Solver,
    /// What was said of versions that can still change.
    pub told: &'a BTreeMap<u32, LimitsVersion>,
}

impl Budget<'_> {
    /// What the limits from a baseline are watched with.
    ///
    /// # Errors
    ///
    /// When no threshold has the run length that is needed.
    pub fn detection(
        &mut self,
        what: &Characteristic,
        version: u32,
        (from, to): (&AtomKey, &AtomKey),
    ) -> Result<Detection, RunLengthError> {
        if let Some(stated) = what.run_length {
            return self.solver.solve(what, f64::from(stated));
        }
        let Some(rate) = self.rates.per_minute(self.station, from.0, to.0) else {
            // The counts of a baseline so long ago are gone; what was said of it stands.
            let told = self.told.get(&version);
            return match told.filter(|told| told.from == *from && told.to == *to) {
                Some(told) => Ok(told.detection.clone()),
                None => self.solver.solve(what, LENGTH_FLOOR),
            };
        };
        let points = rate * self.shift_minutes;
        // The budget is above 0 and a rate never negative, so this always has an answer.
        let needed = allocate(self.allowed, points).map_or(LENGTH_FLOOR, |found| found.run_length);
        let solved = self.solver.solve(what, stepped(needed))?;
        Ok(Detection {
            points_per_shift: Some(points),
            ..solved
        })
    }
}

/// Minutes that a shift lasts on average: shifts share a day.
pub fn shift_minutes(config: &Config) -> f64 {
    match config.shifts.len() {
        0 => 8.0 * 60.0,
        shifts => 24.0 * 60.0 / shifts as f64,
    }
}

/// The false alerts in a shift that a station on a line may have: the line's budget, divided
/// among its stations by the number of characteristics that they have.
///
/// A share of its own for each station keeps a station whose files come at the end of the shift
/// from changing what the others judge by.
pub fn allowed(config: &Config, (station, line): &StationOnLine) -> f64 {
    let on_line = |what: &&Characteristic| {
        let mut feeds = config.feeds.iter();
        line.is_empty()
            || feeds.any(|feed| feed.station == what.station && feed.line.as_str() == line.as_ref())
    };
    let all: Vec<Station> = config
        .characteristics
        .iter()
        .filter(on_line)
        .map(|what| what.station)
        .collect();
    let own = all.iter().filter(|other| *other == station).count();
    config.false_alerts_per_shift * own as f64 / all.len().max(1) as f64
}

/// Rounds a run length up to the next step, within its bounds. Rates that differ a little lead to
/// the same thresholds.
#[must_use]
pub fn stepped(run_length: f64) -> f64 {
    let over = (run_length / LENGTH_FLOOR).max(1.0);
    let steps = (over.log10() * STEPS_A_DECADE - 1e-9).ceil().max(0.0);
    let length = LENGTH_FLOOR * 10.0_f64.powf(steps / STEPS_A_DECADE);
    length.round().min(f64::from(RUN_LENGTH_MAX))
}

/// Solves thresholds once for each question.
#[derive(Debug, Default)]
pub struct Solver {
    solved: BTreeMap<Question, Detection>,
}

/// What thresholds depend on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Question {
    run_length: u64,
    limits: bool,
    spread: bool,
    cusum: bool,
    ewma_weight: Option<u64>,
}

impl Question {
    fn of(what: &Characteristic, run_length: f64) -> Question {
        let has = |detector| what.detection.contains(&detector);
        let spread = matches!(
            what.chart,
            ChartKind::MeanRange | ChartKind::MeanS | ChartKind::MedianRange | ChartKind::ThreeWay
        );
        let limits = has(Detector::Limits);
        Question {
            run_length: run_length.to_bits(),
            limits,
            spread: limits && spread,
            cusum: has(Detector::Cusum),
            ewma_weight: has(Detector::Ewma).then(|| what.ewma_weight.to_bits()),
        }
    }

    /// Schemes that share the false alerts: limits and sums, whose joint run length is known,
    /// count as one.
    fn parts(&self) -> f64 {
        let parts = [
            self.limits || self.cusum,
            self.spread,
            self.ewma_weight.is_some(),
        ];
        parts.iter().filter(|part| **part).count() as f64
    }

    fn solve(&self, run_length: f64) -> Result<Detection, RunLengthError> {
        let own = run_length * self.parts();
        let (width, set) = match (self.limits, self.cusum) {
            (true, true) => {
                let joint = detection::thresholds(own)?;
                (Some(joint.width), Some(joint.cusums()))
            }
            (true, false) => (Some(detection::limits_width(own)?), None),
            (false, true) => (None, Some(cusum::set_for_run_length(own)?)),
            (false, false) => (None, None),
        };
        let chance = HEAD_START_POINTS / (6.0 * run_length);
        let ewma = match self.ewma_weight.map(f64::from_bits) {
            Some(weight) => Some(Ewma {
                weight,
                width: runlength::ewma_width(weight, own)?,
            }),
            None => None,
        };
        Ok(Detection {
            run_length,
            points_per_shift: None,
            width: width.map(|width| width.max(WIDTH_MIN)),
            cusums: set.map(|set| set.map(|one| one.with_head_start(chance))),
            ewma,
        })
    }
}

impl Solver {
    /// The detection of a characteristic for a run length. Schemes whose joint run length is not
    /// known share the false alerts evenly, as if no two of them ever came together: the run
    /// length is kept at least.
    ///
    /// # Errors
    ///
    /// When no threshold has this run length.
    pub fn solve(
        &mut self,
        what: &Characteristic,
        run_length: f64,
    ) -> Result<Detection, RunLengthError> {
        let question = Question::of(what, run_length);
        if let Some(known) = self.solved.get(&question) {
            return Ok(known.clone());
        }
        let solved = question.solve(run_length)?;
        self.solved.insert(question, solved.clone());
        Ok(solved)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn run_lengths_are_rounded_up_within_their_bounds() {
        assert!((stepped(0.0) - LENGTH_FLOOR).abs() < 1e-12);
        assert!((stepped(f64::NAN) - LENGTH_FLOOR).abs() < 1e-12);
        assert!((stepped(3700.0) - 3700.0).abs() < 1e-9);
        assert!((stepped(1e12) - f64::from(RUN_LENGTH_MAX)).abs() < 1e-9);
        for needed in [371.0, 1_000.0, 5_432.1, 99_999.0] {
            let got = stepped(needed);
            assert!(got >= needed && got < 1.13 * needed, "{needed}: {got}");
        }
    }
}
