//! What the readings behind an index look like: shape, quantiles, model over time, checks.
//!
//! Judges one reading of each unit, so that units count and not readings. Must not know the store
//! or a page. The one invariant: every candidate and every check is told with its figures, whether
//! it helped or not.

use serde::Serialize;
use spc::baseline::{Check, Checked, examine, examine_gauge, stability};
use spc::capability::quantile::{
    EMPIRICAL_MIN, Empirical, QuantileIndices, Quantiles, empirical, indices,
};
use spc::capability::time_model::{Dispersion, Location, Shape, TimeModel};
use spc::capability::{Specification, time_model};
use spc::distribution::Distribution;
use spc::fit::{Candidate, Fit, Reason, Selection, select};
use spc::simulation::Normals;

use crate::output;
use crate::store::query::PointRow;
use crate::store::readings::UnitReadings;

/// The p-value at or below which a check warns.
const LEVEL: f64 = 0.01;

/// The confidence of all bounds.
const CONFIDENCE: f64 = 0.95;

/// No length, area or share lies below; families that need a bound take this one.
const BOUND: f64 = 0.0;

/// All that is known beside mean and sigma.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Evidence {
    /// Units that gave a reading each to be judged.
    pub judged: usize,
    /// The test of normality and the choice of a distribution.
    pub distribution: Option<Chosen>,
    /// Indices from quantiles, where the normal is clearly rejected.
    pub quantiles: Option<QuantileFigures>,
    /// The time-dependent model of ISO 22514.
    pub time_model: Option<Model>,
    /// What was checked.
    pub checks: Vec<CheckRow>,
    /// The readings judged, one of each unit.
    #[serde(skip)]
    pub(crate) sample: Vec<f64>,
}

/// The distribution chosen among candidates.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Chosen {
    /// Its name.
    pub name: &'static str,
    /// Why it.
    pub reason: &'static str,
    /// Different values among the readings judged; few make every fit look bad.
    pub distinct: usize,
    /// All candidates.
    pub candidates: Vec<CandidateRow>,
    #[serde(skip)]
    fitted: Option<(Fit, Reason)>,
}

/// A family and what came of fitting it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CandidateRow {
    /// The family.
    pub name: &'static str,
    /// What its parameters are, and what they are called.
    pub parameters: Vec<(&'static str, f64)>,
    /// The value no reading can lie below, where the family has one.
    pub bound: Option<f64>,
    /// Logarithm of the likelihood.
    pub log_likelihood: Option<f64>,
    /// Anderson-Darling statistic, modified for the size of the sample.
    pub anderson_darling: Option<f64>,
    /// Chance of so large a statistic if the family is right.
    pub p_value: Option<f64>,
    /// Why it was not fitted.
    pub problem: Option<&'static str>,
}

/// Indices from the 0.135 %, 50 % and 99.865 % points.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct QuantileFigures {
    /// Where the points come from.
    pub basis: String,
    /// 0.135 % point.
    pub low: f64,
    /// Median.
    pub median: f64,
    /// 99.865 % point.
    pub high: f64,
    /// Bounds of the points in that order, where the readings themselves gave them.
    pub bounds: Vec<(Option<f64>, Option<f64>)>,
    /// Cp or Pp; absent with one limit.
    pub spread_index: Option<f64>,
    /// Cpk or Ppk.
    pub nearest_index: f64,
}

/// A time-dependent model.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Model {
    /// The symbol of the standard.
    pub symbol: &'static str,
    /// What it says.
    pub meaning: &'static str,
}

/// A check with its figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckRow {
    /// Its name.
    pub check: &'static str,
    /// What the statistic is.
    pub statistic: &'static str,
    /// The statistic.
    pub value: f64,
    /// The value beyond which it warns, where there is one.
    pub bound: Option<f64>,
    /// Chance of such a statistic from a stable normal stream.
    pub p_value: Option<f64>,
    /// Whether it warns.
    pub warns: bool,
}

impl Chosen {
    /// The distribution as it was fitted.
    pub fn law(&self) -> Option<&Distribution> {
        self.fitted.as_ref().map(|(fit, _)| &fit.distribution)
    }

    /// The fit, where it is not the normal.
    fn other(&self) -> Option<&Distribution> {
        match &self.fitted {
            Some((fit, Reason::AnotherFits)) => Some(&fit.distribution),
            _ => None,
        }
    }

    fn rejects_normal(&self) -> bool {
        matches!(self.fitted, Some((_, reason)) if reason != Reason::NormalNotRejected)
    }
}

impl Evidence {
    /// Parts per million outside the limits under the chosen distribution, where it is not the
    /// normal.
    pub fn expected_ppm(&self, limits: &Specification) -> Option<f64> {
        let law = self.distribution.as_ref()?.other()?;
        let below = limits.lower.map_or(0.0, |lower| law.below(lower));
        let above = limits.upper.map_or(0.0, |upper| law.above(upper));
        Some(1e6 * (below + above))
    }

    /// The model with what it rests on: units, not readings.
    pub fn in_words(&self, model: &str) -> String {
        let judged = self.normality_p().map(|p| {
            let p = output::significant_to(p, 2);
            format!(
                " (normality p = {p} on a reading of each of {} units)",
                self.judged
            )
        });
        let time = self
            .time_model
            .as_ref()
            .map(|one| format!("; time model {}: {}", one.symbol, one.meaning));
        format!(
            "{model}{}{}",
            judged.unwrap_or_default(),
            time.unwrap_or_default()
        )
    }

    /// The distribution chosen, where it is no worse than another by which the figures go.
    pub(crate) fn law(&self) -> Option<&Distribution> {
        match &self.distribution.as_ref()?.fitted {
            Some((fit, _)) => Some(&fit.distribution),
            None => None,
        }
    }

    /// Whether the normal is clearly rejected.
    pub fn rejects_normal(&self) -> bool {
        self.distribution
            .as_ref()
            .is_some_and(Chosen::rejects_normal)
    }

    /// The p-value of the normal distribution.
    pub fn normality_p(&self) -> Option<f64> {
        let candidates = &self.distribution.as_ref()?.candidates;
        let normal = candidates.iter().find(|one| one.name == "normal")?;
        normal.p_value
    }

    /// The index of the nearer side from quantiles.
    pub fn quantile_index(&self) -> Option<f64> {
        self.quantiles.as_ref().map(|found| found.nearest_index)
    }

    /// The symbol of the time-dependent model.
    pub fn time_symbol(&self) -> Option<&'static str> {
        self.time_model.as_ref().map(|model| model.symbol)
    }

    /// The warnings in words, with their figures.
    pub fn warnings(&self) -> Vec<String> {
        let warning = self.checks.iter().filter(|row| row.warns);
        warning.map(CheckRow::in_words).collect()
    }
}

impl CheckRow {
    fn of(checked: &Checked) -> CheckRow {
        CheckRow {
            check: checked.check.name(),
            statistic: checked.check.statistic(),
            value: checked.statistic,
            bound: checked.bound,
            p_value: checked.p_value,
            warns: checked.warns,
        }
    }

    fn in_words(&self) -> String {
        let number = |number| output::significant_to(number, 3);
        let check = Check::from_name(self.check);
        let meaning = check.map_or("", |one| one.warning());
        let against = match (self.p_value, self.bound) {
            (Some(p), _) => format!(", p = {}", output::significant_to(p, 2)),
            (None, Some(bound)) => format!(", bound {}", number(bound)),
            (None, None) => String::new(),
        };
        format!(
            "{meaning} ({} {}{against})",
            self.statistic,
            number(self.value)
        )
    }
}

/// Gathers the evidence on a stream's readings and points.
pub fn gather(units: &[UnitReadings], points: &[PointRow], limits: &Specification) -> Evidence {
    let judged = one_of_each(units);
    let plotted: Vec<&PointRow> = points.iter().filter(|point| !point.late).collect();
    let series: Vec<f64> = plotted.iter().map(|point| point.value).collect();
    let mut checks: Vec<CheckRow> = Vec::new();
    // What can not be checked (too few points, no spread) is told by the index itself.
    for found in [examine(&series, LEVEL), examine_gauge(&judged, LEVEL)] {
        checks.extend(found.unwrap_or_default().iter().map(CheckRow::of));
    }
    let distribution = select(&judged, BOUND).ok().map(|found| chosen(&found));
    let quantiles = distribution
        .as_ref()
        .filter(|chosen| chosen.rejects_normal())
        .and_then(|chosen| quantile_figures(chosen, units, limits));
    let time_model = distribution
        .as_ref()
        .map(|chosen| model(chosen, units, &plotted, &series));
    Evidence {
        judged: judged.len(),
        distribution,
        quantiles,
        time_model,
        checks,
        sample: judged,
    }
}

/// A reading of each unit, drawn at random but always the same.
fn one_of_each(units: &[UnitReadings]) -> Vec<f64> {
    let mut draw = Normals::new(0x7061_6e65_6c73);
    units
        .iter()
        .filter_map(|unit| {
            unit.values
                .get(draw.below(unit.values.len().max(1)))
                .copied()
        })
        .collect()
}

fn chosen(found: &Selection) -> Chosen {
    Chosen {
        name: found.chosen.distribution.name(),
        reason: found.reason.in_words(),
        distinct: found.distinct,
        candidates: found.candidates.iter().map(candidate_row).collect(),
        fitted: Some((found.chosen, found.reason)),
    }
}

fn candidate_row(candidate: &Candidate) -> CandidateRow {
    let fit = candidate.outcome.as_ref().ok();
    let (first, second) = candidate.family.parameters();
    CandidateRow {
        name: fit.map_or(candidate.family.name(), |fit| fit.distribution.name()),
        parameters: fit.map_or_else(Vec::new, |fit| {
            let (a, b) = fit.distribution.parameters();
            vec![(first, a), (second, b)]
        }),
        bound: fit.and_then(|fit| fit.distribution.bound()),
        log_likelihood: fit.map(|fit| fit.log_likelihood),
        anderson_darling: fit.map(|fit| fit.judgement.modified),
        p_value: fit.map(|fit| fit.judgement.p_value),
        problem: candidate.outcome.err().map(|reason| reason.in_words()),
    }
}

/// From the fitted distribution; where none fits, from the readings themselves if there are enough.
fn quantile_figures(
    chosen: &Chosen,
    units: &[UnitReadings],
    limits: &Specification,
) -> Option<QuantileFigures> {
    if let Some(law) = chosen.other() {
        let points = Quantiles::of(law)?;
        let found = indices(limits, &points).ok()?;
        let basis = format!("fitted {} distribution", law.name());
        return Some(figures(basis, &points, Vec::new(), &found));
    }
    let all: Vec<f64> = units.iter().flat_map(|unit| unit.values.clone()).collect();
    let found = empirical(&all, CONFIDENCE).ok()?;
    let points = found.values();
    let bounds = |one: &Empirical| (one.lower, one.upper);
    let bounds = [&found.low, &found.median, &found.high]
        .map(bounds)
        .to_vec();
    let indices = indices(limits, &points).ok()?;
    let basis = format!(
        "the {} readings themselves ({EMPIRICAL_MIN} needed); bounds take them for independent",
        found.readings
    );
    Some(figures(basis, &points, bounds, &indices))
}

fn figures(
    basis: String,
    points: &Quantiles,
    bounds: Vec<(Option<f64>, Option<f64>)>,
    found: &QuantileIndices,
) -> QuantileFigures {
    QuantileFigures {
        basis,
        low: points.low,
        median: points.median,
        high: points.high,
        bounds,
        spread_index: found.spread,
        nearest_index: found.nearest,
    }
}

/// The model that signals, shift, trend, the spread between units and the shape name.
fn model(chosen: &Chosen, units: &[UnitReadings], points: &[&PointRow], series: &[f64]) -> Model {
    let fired = |wanted: &dyn Fn(&str) -> bool| {
        let mut signals = points.iter().flat_map(|point| &point.signals);
        signals.any(|(rule, _)| wanted(rule))
    };
    let spread = |rule: &str| rule == crate::engine::SPREAD_BEYOND_LIMITS;
    let dispersion = if fired(&spread) {
        Dispersion::Varying
    } else {
        Dispersion::Constant
    };
    let shift = stability::shift(series).ok();
    let shift = shift.filter(|found| found.p_value <= LEVEL);
    let by_step = shift.map(|found| {
        let square = found.statistic * found.statistic;
        square / (square + series.len() as f64 - 2.0)
    });
    // Limits of a skewed stream give signals without any movement; only the tests count there.
    let signalled = !chosen.rejects_normal() && fired(&|rule| !spread(rule));
    // Of a series that moves, the better of a line and a step says how.
    let location = if by_step.is_some_and(|share| trend_share(series) > share) {
        Location::Trend
    } else if by_step.is_some() || signalled {
        Location::Steps
    } else if varies_between(units) {
        Location::Random
    } else {
        Location::Constant
    };
    let shape = if chosen.rejects_normal() {
        Shape::NotNormal
    } else {
        Shape::Normal
    };
    let model = TimeModel::from_evidence(location, dispersion, shape);
    Model {
        symbol: model.name(),
        meaning: model.in_words(),
    }
}

/// Whether the units differ by more than the readings within them explain.
fn varies_between(units: &[UnitReadings]) -> bool {
    let groups: Vec<&[f64]> = units.iter().map(|unit| unit.values.as_slice()).collect();
    time_model::varies_between(&groups, LEVEL).unwrap_or(false)
}

/// Share of the variance that a straight line over the points explains; 0 for fewer than ten.
fn trend_share(series: &[f64]) -> f64 {
    let n = series.len() as f64;
    if n < 10.0 {
        return 0.0;
    }
    let (middle, mean) = ((n - 1.0) / 2.0, series.iter().sum::<f64>() / n);
    let (mut across, mut along, mut both) = (0.0, 0.0, 0.0);
    for (place, value) in series.iter().enumerate() {
        let (x, y) = (place as f64 - middle, value - mean);
        across += y * y;
        along += x * x;
        both += x * y;
    }
    if across > 0.0 {
        both * both / (along * across)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(at: i64, values: Vec<f64>) -> UnitReadings {
        UnitReadings {
            at,
            unit: format!("P{at}"),
            values,
        }
    }

    fn limits() -> Specification {
        Specification::new(None, None, Some(40.0)).expect("one limit")
    }

    /// Units of one reading: exponentials of evenly spread normal scores, in an order that looks
    /// random.
    fn skewed() -> (Vec<UnitReadings>, Vec<PointRow>) {
        let mut draw = Normals::new(4);
        let values: Vec<f64> = (0..150).map(|_| (1.5 + 0.6 * draw.draw()).exp()).collect();
        let point = |(at, value): (usize, &f64)| PointRow {
            at: at as i64,
            unit: format!("P{at}"),
            late: false,
            size: 1.0,
            value: *value,
            spread: None,
            version: 1,
            baseline: false,
            signals: Vec::new(),
            leading: None,
        };
        let units = values
            .iter()
            .enumerate()
            .map(|(at, x)| unit(at as i64, vec![*x]));
        (
            units.collect(),
            values.iter().enumerate().map(point).collect(),
        )
    }

    #[test]
    fn a_skewed_stream_gets_its_own_distribution_and_warnings() {
        let (units, points) = skewed();
        let found = gather(&units, &points, &limits());
        let chosen = found.distribution.as_ref().unwrap();
        assert_eq!((chosen.name, chosen.candidates.len()), ("lognormal", 5));
        let figures = found.quantiles.as_ref().unwrap();
        // exp(1.5) and exp(1.5 + 3 0.6) are 4.48 and 27.1.
        assert!((figures.median - 4.48).abs() < 0.6 && (figures.high - 27.1).abs() < 9.0);
        let index = (40.0 - figures.median) / (figures.high - figures.median);
        assert!((figures.nearest_index - index).abs() < 1e-12);
        assert_eq!(found.time_model.as_ref().unwrap().symbol, "A2");
        assert!(found.expected_ppm(&limits()).unwrap() > 1.0);
        let warnings = found.warnings().join("; ");
        assert!(
            warnings.contains("skewed") && warnings.contains("p = "),
            "{warnings}"
        );
    }

    #[test]
    fn units_count_and_not_their_readings() {
        let units: Vec<UnitReadings> = (0..40).map(|at| unit(at, vec![at as f64; 500])).collect();
        let found = gather(&units, &[], &limits());
        assert_eq!(found.judged, 40);
        assert!(found.checks.iter().all(|row| row.check != "shift"));
    }

    #[test]
    fn a_line_is_a_trend_and_a_step_is_none() {
        let line: Vec<f64> = (0..30).map(|i| f64::from(i) + f64::from(i % 3)).collect();
        assert!(trend_share(&line) > 0.9);
        assert!(trend_share(&[1.0; 30]).abs() < 1e-12 && trend_share(&[]).abs() < 1e-12);
    }
}
