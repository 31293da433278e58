//! From the false alerts that a line may have in a shift to the thresholds of one stream.
//!
//! Must not know points or signals. The one invariant: a version of limits gets the same thresholds
//! whatever the order in which readings came within the horizon.

use std::collections::BTreeMap;

use spc::budget::{LENGTH_FLOOR, allocate};
use spc::chart::ChartKind;
use spc::cusum::{self, Cusum};
use spc::detection::{self, Beside};
use spc::ewma::Ewma;
use spc::runlength::{self, RunLengthError};

use crate::config::{Characteristic, Config, Detector};
use crate::words::Station;

use super::atom::AtomKey;
use super::chart::LimitsVersion;
use super::detect::Detection;
use super::rates::{Rates, StationOnLine, station_of, units_a_point};
use super::stream::StreamName;

/// Steps of run lengths in a decade; a run length is rounded up to the next.
const STEPS_A_DECADE: f64 = 20.0;

/// The longest run length that a budget leads to: with the limits of the spread, and an average
/// beside them, thresholds are solved for up to twice as long for each of the two.
pub const STEPPED_MAX: f64 = 2.5e7;

/// The head start of cumulative sums costs as many false alerts as so many more points.
const HEAD_START_POINTS: f64 = 50.0;

/// The narrowest limits that a run length leads to, in sigmas.
const WIDTH_MIN: f64 = 3.0;

/// The widest limits that a spread can lead to, in sigmas.
const WIDTH_MAX: f64 = 20.0;

/// Halvings of an interval that holds a threshold.
const BISECTIONS: u32 = 40;

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
    /// What the limits from a baseline of subgroups of so many readings are watched with.
    ///
    /// # Errors
    ///
    /// When no threshold has the run length that is needed.
    pub fn detection(
        &mut self,
        what: &Characteristic,
        version: u32,
        (from, to): (&AtomKey, &AtomKey),
        size: u32,
    ) -> Result<Detection, RunLengthError> {
        if let Some(stated) = what.run_length {
            return self.solver.solve(what, f64::from(stated), size);
        }
        let Some(rate) = self.rates.per_minute(self.station, from.0, to.0) else {
            // The counts of a baseline so long ago are gone; what was said of it stands.
            let told = self.told.get(&version);
            return match told.filter(|told| told.from == *from && told.to == *to) {
                Some(told) => Ok(told.detection.clone()),
                None => self.solver.solve(what, LENGTH_FLOOR, size),
            };
        };
        let points = rate * self.shift_minutes;
        let solved = self.solver.solve(what, self.needed(points), size)?;
        Ok(Detection {
            points_per_shift: Some(points),
            ..solved
        })
    }

    /// The sums that watch a baseline between two of its points, without head start: a start says
    /// nothing about points that come before there is anything to compare with. Nothing while no
    /// rate is known.
    ///
    /// They are those of limits and sums together, although there are no limits yet, so the run
    /// length is at least the one that is needed. Those that come with the limits are a little
    /// higher where spreads and averages have a part of the budget.
    pub fn starting_sums(&self, what: &Characteristic, from: i64, to: i64) -> Option<[Cusum; 3]> {
        let rate = || self.rates.per_complete_minute(self.station, from, to);
        let length = match what.run_length {
            Some(stated) => f64::from(stated),
            None => self.needed(rate()? * self.shift_minutes),
        };
        let joint = detection::thresholds(length.max(detection::LENGTH_MIN)).ok()?;
        let plain = |sum: Cusum| Cusum {
            head_start: 0.0,
            ..sum
        };
        Some(joint.cusums().map(plain))
    }

    /// The run length that so many points in a shift need.
    fn needed(&self, points: f64) -> f64 {
        needed(self.allowed, points)
    }
}

/// The run length that so many points in a shift need, of which so many may be false alerts.
fn needed(allowed: f64, points: f64) -> f64 {
    // The budget is above 0 and a rate never negative, so this always has an answer.
    let needed = allocate(allowed, points).map_or(LENGTH_FLOOR, |found| found.run_length);
    stepped(needed)
}

/// The run length of the sums that watched a baseline between two of its points, told again from
/// the units that streams have had: stream, minute, units. Nothing where no rate was known.
#[must_use]
pub fn starting_length(
    config: &Config,
    stream: &StreamName,
    units: &[(StreamName, i64, u64)],
    (from, to): (i64, i64),
) -> Option<f64> {
    let what = &config.characteristics[stream.characteristic];
    if let Some(stated) = what.run_length {
        return Some(f64::from(stated));
    }
    let station = station_of(config, stream);
    let mut rates = Rates::new(config.lateness_us);
    for (name, at, count) in units {
        let what = &config.characteristics[name.characteristic];
        rates.add(&station_of(config, name), units_a_point(what), *at, *count);
    }
    let rate = rates.per_complete_minute(&station, from, to)?;
    let points = rate * shift_minutes(config);
    Some(needed(allowed(config, &station), points))
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

/// The sums that watch each of many pads, for a run length of each: those of limits and sums
/// together, although pads have no limits, which makes it somewhat longer still.
pub fn pad_sums(run_length: f64) -> Option<[Cusum; 3]> {
    let length = next_step(run_length).min(detection::LENGTH_MAX);
    let joint = detection::thresholds(length).ok()?;
    let plain = |sum: Cusum| Cusum {
        head_start: 0.0,
        ..sum
    };
    Some(joint.cusums().map(plain))
}

/// Rounds a run length up to the next step, within its bounds. Rates that differ a little lead to
/// the same thresholds.
#[must_use]
pub fn stepped(run_length: f64) -> f64 {
    next_step(run_length).round().min(STEPPED_MAX)
}

fn next_step(run_length: f64) -> f64 {
    let over = (run_length / LENGTH_FLOOR).max(1.0);
    let steps = (over.log10() * STEPS_A_DECADE - 1e-9).ceil().max(0.0);
    LENGTH_FLOOR * 10.0_f64.powf(steps / STEPS_A_DECADE)
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
    /// The spread that is judged, with the readings that it is of.
    spread: Option<(Spread, u32)>,
    cusum: bool,
    ewma_weight: Option<u64>,
    /// Whether single pads are watched as well.
    pads: bool,
}

/// How many times the stream's run length all its pads together have: as many as may give false
/// alerts beside one another, which is limits and sums, a weighted average, and the pads.
pub fn parts(what: &Characteristic) -> f64 {
    let has = |detector| what.detection.contains(&detector);
    let beside = has(Detector::Ewma) && (has(Detector::Limits) || has(Detector::Cusum));
    1.0 + f64::from(u8::from(beside)) + f64::from(u8::from(what.watch_pads))
}

/// Which spread of a subgroup is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Spread {
    Range,
    Deviation,
}

impl Question {
    fn of(what: &Characteristic, run_length: f64, size: u32) -> Question {
        let has = |detector| what.detection.contains(&detector);
        let spread = match what.chart {
            ChartKind::MeanRange | ChartKind::MedianRange => Some((Spread::Range, size)),
            ChartKind::MeanS | ChartKind::ThreeWay => Some((Spread::Deviation, size)),
            _ => None,
        };
        let limits = has(Detector::Limits);
        Question {
            run_length: run_length.to_bits(),
            limits,
            spread: spread.filter(|_| limits),
            cusum: has(Detector::Cusum),
            ewma_weight: has(Detector::Ewma).then(|| what.ewma_weight.to_bits()),
            pads: what.watch_pads,
        }
    }

    fn solve(&self, run_length: f64) -> Result<Detection, RunLengthError> {
        // Single pads get as much of the budget as the stream itself.
        let length = run_length * (1.0 + f64::from(u8::from(self.pads)));
        // An average and what is beside it share evenly: each has the same length of its own, so
        // much longer that together they have the one asked for.
        let weight = self.ewma_weight.map(f64::from_bits);
        let own = match (weight, self.beside()) {
            (Some(weight), Some(beside)) => {
                length * detection::average_factor(beside, weight, length)?
            }
            _ => length,
        };
        let (width, set) = self.limits_and_sums(own)?;
        let chance = HEAD_START_POINTS / (6.0 * run_length);
        let ewma = match weight {
            Some(weight) => Some(Ewma {
                weight,
                width: runlength::ewma_width(weight, own)?,
            }),
            None => None,
        };
        Ok(Detection {
            run_length,
            points_per_shift: None,
            width,
            cusums: set.map(|set| set.map(|one| one.with_head_start(chance))),
            ewma,
        })
    }
}

type Thresholds = (Option<f64>, Option<[Cusum; 3]>);

impl Question {
    /// What an average is beside.
    fn beside(&self) -> Option<Beside> {
        match (self.limits, self.cusum) {
            (true, false) => Some(Beside::Limits),
            (false, true) => Some(Beside::Sums),
            (true, true) => Some(Beside::LimitsAndSums),
            (false, false) => None,
        }
    }

    /// The width of limits and the sums that have a run length together, the limits of the spread
    /// included: the shortest length of the two at which what is left is enough for the spread, of
    /// up to twice the whole. A spread of few readings needs wider limits still.
    fn limits_and_sums(&self, run_length: f64) -> Result<Thresholds, RunLengthError> {
        let chance = |width: f64| self.spread_alarm(width);
        let left = |length: f64| 1.0 / run_length - 1.0 / length;
        let fits = |length: f64| -> Result<bool, RunLengthError> {
            let (width, _) = self.at(length)?;
            Ok(chance(width.unwrap_or(WIDTH_MIN)) <= left(length))
        };
        if self.spread.is_none() {
            return self.at(run_length);
        }
        let (mut low, mut high) = (run_length, 2.0 * run_length);
        if !fits(high)? {
            let (width, set) = self.at(high)?;
            return Ok((width.map(|from| wider(from, left(high), chance)), set));
        }
        for _ in 0..BISECTIONS {
            let middle = 0.5 * (low + high);
            match fits(middle)? {
                true => high = middle,
                false => low = middle,
            }
        }
        self.at(high)
    }

    /// Limits and sums alone, for a run length of both together.
    fn at(&self, run_length: f64) -> Result<Thresholds, RunLengthError> {
        let (width, set) = match (self.limits, self.cusum) {
            (true, true) => {
                let joint = detection::thresholds(run_length)?;
                (Some(joint.width), Some(joint.cusums()))
            }
            (true, false) => (Some(detection::limits_width(run_length)?), None),
            (false, true) => (None, Some(cusum::set_for_run_length(run_length)?)),
            (false, false) => (None, None),
        };
        Ok((width.map(|width| width.max(WIDTH_MIN)), set))
    }

    /// The chance that the spread of a subgroup is beyond limits of a width.
    fn spread_alarm(&self, width: f64) -> f64 {
        let Some((spread, size)) = self.spread else {
            return 0.0;
        };
        let kind = match spread {
            Spread::Range => ChartKind::MeanRange,
            Spread::Deviation => ChartKind::MeanS,
        };
        // One reading has no spread that could signal.
        detection::spread_alarm(kind, size, width).unwrap_or(0.0)
    }
}

/// The narrowest width from `from` on at which a falling chance is at most `allowed`.
fn wider(from: f64, allowed: f64, chance: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (from, WIDTH_MAX);
    for _ in 0..BISECTIONS {
        let middle = 0.5 * (low + high);
        match chance(middle) <= allowed {
            true => high = middle,
            false => low = middle,
        }
    }
    high
}

impl Solver {
    /// The detection of a characteristic for a run length, of a baseline of subgroups of so many
    /// readings.
    /// Limits and sums are solved together with the limits of the spread, and those together with
    /// a weighted average beside them. Run rules are outside of it.
    ///
    /// # Errors
    ///
    /// When no threshold has this run length.
    pub fn solve(
        &mut self,
        what: &Characteristic,
        run_length: f64,
        size: u32,
    ) -> Result<Detection, RunLengthError> {
        let question = Question::of(what, run_length, size);
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
        assert!((stepped(1e12) - STEPPED_MAX).abs() < 1e-9);
        for needed in [371.0, 1_000.0, 5_432.1, 99_999.0, 4.6e6] {
            let got = stepped(needed);
            assert!(got >= needed && got < 1.13 * needed, "{needed}: {got}");
        }
    }

    /// One false alert in a shift among 15,560 streams of 37 panels an hour takes 4.6 million
    /// points from one to the next: every pad of a large panel with five measures each.
    #[test]
    fn thresholds_are_found_for_every_pad_of_a_large_panel() {
        use crate::engine::tests::rehearsed;
        let width = |what: &Characteristic, length: f64| {
            let solved = Solver::default().solve(what, length, 100).unwrap();
            assert!(solved.cusums.is_some());
            solved.width.unwrap()
        };
        for chart in ["individuals", "mean-range", "mean-s", "three-way"] {
            let what = rehearsed(chart, 25);
            let few = width(&what, 500_000.0);
            let many = width(&what, stepped(4.6e6));
            assert!(few < many && many < width(&what, STEPPED_MAX), "{chart}");
        }
    }
}
