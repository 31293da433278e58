//! `driftvane gauge`: how much of what a station measures is the measurement.
//!
//! Needs no configuration. Must not know streams. The one invariant: a study is complete (every
//! operator measured every part equally often), or it is refused with what is missing.

use std::collections::BTreeMap;

use serde::Serialize;
use spc::gauge::anova::{Anova, Interaction, Line, POOLED_ABOVE, analyse};
use spc::gauge::range::ranges;
use spc::gauge::{Component, Components, GaugeError, Study};

use super::CommandError;
use crate::feeds::study::{Measurement, StudyError, StudyFile, read, refused};
use crate::output::{self, Format, Table};

/// The component of the gauge as a whole.
pub(crate) const GAUGE: &str = "gauge (GRR)";

/// The confidence of all bounds.
const CONFIDENCE: f64 = 0.95;

/// A share of the total variation below which a gauge passes: common practice of the trade.
const GOOD_BELOW: f64 = 10.0;
/// A share above which it does not.
const POOR_ABOVE: f64 = 30.0;

/// The analysis of a study.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GaugeStudy {
    /// The file.
    pub file: String,
    /// Parts measured.
    pub parts: usize,
    /// Operators or stations; 1 where the file tells none apart.
    pub operators: usize,
    /// Trials of each on each part.
    pub trials: usize,
    /// The lower specification limit.
    pub lower: Option<f64>,
    /// The upper specification limit.
    pub upper: Option<f64>,
    /// Whether the interaction was pooled with the repeatability.
    pub interaction_pooled: bool,
    /// GRR in percent of the total variation.
    pub gauge_of_variation: f64,
    /// GRR in percent of the tolerance.
    pub gauge_of_tolerance: Option<f64>,
    /// Categories of parts that the gauge tells apart.
    pub distinct_categories: Option<u32>,
    /// What common practice says of the gauge.
    pub verdict: &'static str,
    /// The table of the analysis of variance.
    pub anova: Vec<AnovaRow>,
    /// The components, by both methods.
    pub components: Vec<ComponentRow>,
    /// Parts and operators whose range of trials is beyond its limit, to be measured again.
    pub ranges_beyond: Vec<String>,
    /// The confidence of the bounds.
    pub confidence: f64,
}

/// A line of the analysis of variance.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AnovaRow {
    /// Where the variation comes from.
    pub source: &'static str,
    /// Sum of squares.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Mean square.
    pub mean_square: f64,
    /// Its ratio to what it is tested against.
    pub f: Option<f64>,
    /// The chance of such a ratio without the effect.
    pub p_value: Option<f64>,
}

/// A component of variance.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ComponentRow {
    /// `anova` or `ranges`.
    pub method: &'static str,
    /// The component.
    pub component: &'static str,
    /// Its standard deviation, in the unit of the values.
    pub sigma: f64,
    /// The lower bound of sigma.
    pub sigma_lower: Option<f64>,
    /// The upper bound of sigma.
    pub sigma_upper: Option<f64>,
    /// Its share of the variance, in percent.
    pub contribution: f64,
    /// Its sigma over that of the total, in percent.
    pub of_variation: f64,
    /// Six of its sigmas over the tolerance, in percent.
    pub of_tolerance: Option<f64>,
    /// Whether its estimate came out negative and was set to 0.
    pub was_negative: bool,
}

impl From<StudyError> for CommandError {
    fn from(error: StudyError) -> CommandError {
        CommandError::Refused(error.to_string())
    }
}

/// Analyses the study of a file.
///
/// # Errors
///
/// When the file is no study, the study is not complete, or the limits are not in order.
pub fn study(
    file: &StudyFile,
    (lower, upper): (Option<f64>, Option<f64>),
    level: f64,
) -> Result<GaugeStudy, CommandError> {
    let tolerance = tolerance(lower, upper)?;
    let arranged = arrange(file, &read(file)?)?;
    let wrong =
        |error: GaugeError| CommandError::Refused(format!("{}: {error}", file.path.display()));
    let found =
        analyse(&arranged.study, Interaction::PooledAbove(level), CONFIDENCE).map_err(wrong)?;
    let by_range = ranges(&arranged.study).map_err(wrong)?;
    let mut components = component_rows("anova", &found.components, tolerance).map_err(wrong)?;
    let share = found
        .components
        .share(&found.components.gauge, tolerance)
        .map_err(wrong)?;
    components.extend(component_rows("ranges", &by_range.components, tolerance).map_err(wrong)?);
    let beyond = by_range.beyond.iter();
    Ok(GaugeStudy {
        file: file.path.display().to_string(),
        parts: arranged.study.parts(),
        operators: arranged.study.operators(),
        trials: arranged.study.trials(),
        lower,
        upper,
        interaction_pooled: found.pooled.is_some(),
        gauge_of_variation: share.of_variation,
        gauge_of_tolerance: share.of_tolerance,
        distinct_categories: found.components.distinct_categories(),
        verdict: verdict(share.of_variation),
        anova: anova_rows(&found),
        components,
        ranges_beyond: beyond.map(|cell| arranged.name(*cell)).collect(),
        confidence: CONFIDENCE,
    })
}

/// What common practice says of a gauge's share of the total variation, in percent.
pub(crate) fn verdict(of_variation: f64) -> &'static str {
    if of_variation < GOOD_BELOW {
        "good: below 10 %"
    } else if of_variation <= POOR_ABOVE {
        "conditional: 10 to 30 %"
    } else {
        "not fit: above 30 %"
    }
}

fn tolerance(lower: Option<f64>, upper: Option<f64>) -> Result<Option<f64>, CommandError> {
    match lower.zip(upper) {
        Some((lower, upper)) if !((upper - lower).is_finite() && upper > lower) => {
            let text = format!("the lower limit {lower} is not below the upper one {upper}");
            Err(CommandError::Usage(text))
        }
        both => Ok(both.map(|(lower, upper)| upper - lower)),
    }
}

/// A complete study with the names of its parts and operators.
struct Arranged {
    study: Study,
    parts: Vec<String>,
    operators: Vec<String>,
}

impl Arranged {
    fn name(&self, (part, operator): (usize, usize)) -> String {
        let name = |names: &[String], place: usize| names.get(place).cloned().unwrap_or_default();
        let operator = name(&self.operators, operator);
        let part = name(&self.parts, part);
        if operator.is_empty() {
            part
        } else {
            format!("{part} by {operator}")
        }
    }
}

/// Sorts measurements into parts, operators and trials, in the order of the file.
fn arrange(file: &StudyFile, rows: &[Measurement]) -> Result<Arranged, CommandError> {
    let refuse =
        |line, reason: String, fix| CommandError::from(refused(&file.path, line, reason, fix));
    let names = |of: &dyn Fn(&Measurement) -> String| -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for row in rows {
            let name = of(row);
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names
    };
    let (parts, operators) = (
        names(&|row| row.part.clone()),
        names(&|row| row.operator.clone()),
    );
    let mut cells: BTreeMap<(&str, &str), Vec<&Measurement>> = BTreeMap::new();
    for row in rows {
        let cell = cells.entry((&row.part, &row.operator)).or_default();
        if let Some(first) = cell.iter().find(|known| known.trial == row.trial) {
            let what = place(&row.part, &row.operator);
            let reason = format!(
                "trial {} of {what} is in line {}, too",
                row.trial, first.line
            );
            return Err(refuse(
                Some(row.line),
                reason,
                "give each trial its own number",
            ));
        }
        cell.push(row);
    }
    let trials = cells.values().map(Vec::len).max().unwrap_or(0);
    let mut values = Vec::new();
    for part in &parts {
        for operator in &operators {
            let cell = cells.get(&(part.as_str(), operator.as_str()));
            let found = cell.map_or(0, Vec::len);
            if found != trials {
                let reason = format!("{} has {found} trials of {trials}", place(part, operator));
                let fix = "measure what is missing, or take the part out: every operator has to \
                           measure every part equally often";
                return Err(refuse(None, reason, fix));
            }
            values.extend(cell.into_iter().flatten().map(|row| row.value));
        }
    }
    let study = Study::new(parts.len(), operators.len(), trials, values).map_err(|error| {
        refuse(
            None,
            error.to_string(),
            "see the README for what a study needs",
        )
    })?;
    Ok(Arranged {
        study,
        parts,
        operators,
    })
}

fn place(part: &str, operator: &str) -> String {
    if operator.is_empty() {
        format!("part {part}")
    } else {
        format!("part {part} by {operator}")
    }
}

fn anova_rows(found: &Anova) -> Vec<AnovaRow> {
    let row = |source, line: &Line| AnovaRow {
        source,
        sum_of_squares: line.sum_of_squares,
        freedom: line.freedom,
        mean_square: line.mean_square,
        f: line.f,
        p_value: line.p_value,
    };
    let optional = |source, line: &Option<Line>| line.as_ref().map(|line| row(source, line));
    [
        Some(row("part", &found.part)),
        optional("operator", &found.operator),
        optional("operator by part", &found.interaction),
        Some(row("repeatability", &found.repeatability)),
        optional("pooled repeatability", &found.pooled),
        Some(row("total", &found.total)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn component_rows(
    method: &'static str,
    of: &Components,
    tolerance: Option<f64>,
) -> Result<Vec<ComponentRow>, GaugeError> {
    let row = |component, one: &Component| {
        let share = of.share(one, tolerance)?;
        Ok(ComponentRow {
            method,
            component,
            sigma: one.sigma(),
            sigma_lower: one.bounds.map(|(lower, _)| lower.sqrt()),
            sigma_upper: one.bounds.map(|(_, upper)| upper.sqrt()),
            contribution: share.contribution,
            of_variation: share.of_variation,
            of_tolerance: share.of_tolerance,
            was_negative: one.was_negative,
        })
    };
    [
        ("repeatability (EV)", Some(of.repeatability)),
        ("reproducibility (AV)", of.reproducibility),
        ("operator by part", of.interaction),
        (GAUGE, Some(of.gauge)),
        ("part (PV)", Some(of.part)),
        ("total (TV)", Some(of.total)),
    ]
    .iter()
    .filter_map(|(name, one)| one.as_ref().map(|one| row(*name, one)))
    .collect()
}

/// The level above which an interaction is pooled, unless another is asked for.
#[must_use]
pub fn usual_level() -> f64 {
    POOLED_ABOVE
}

/// Prints the analysis of a study.
///
/// # Errors
///
/// As [`study`], and when standard output can not be written.
pub fn print(
    file: &StudyFile,
    limits: (Option<f64>, Option<f64>),
    level: f64,
    format: Format,
) -> Result<(), CommandError> {
    if !(0.0..=1.0).contains(&level) {
        let text = format!("--pool-above is a chance between 0 and 1, not {level}");
        return Err(CommandError::Usage(text));
    }
    let found = study(file, limits, level)?;
    let mut table = Table::new(&[
        "method",
        "component",
        "sigma",
        "sigma at least",
        "sigma at most",
        "% of variance",
        "% of variation",
        "% of tolerance",
    ]);
    for row in &found.components {
        table.push(vec![
            row.method.into(),
            row.component.into(),
            row.sigma.into(),
            row.sigma_lower.into(),
            row.sigma_upper.into(),
            row.contribution.into(),
            row.of_variation.into(),
            row.of_tolerance.into(),
        ]);
    }
    if format == Format::Table {
        output::print(&summary(&found))?;
    }
    Ok(output::print_rows(format, &table, &found)?)
}

/// The study in words.
fn summary(found: &GaugeStudy) -> String {
    let number = output::significant;
    let mut lines = vec![format!(
        "{} parts, {} {}, {} trials each",
        found.parts,
        found.operators,
        if found.operators == 1 {
            "operator or station"
        } else {
            "operators"
        },
        found.trials
    )];
    let tested = found
        .anova
        .iter()
        .find(|row| row.source == "operator by part");
    if let Some(p_value) = tested.and_then(|row| row.p_value) {
        let done = if found.interaction_pooled {
            "pooled"
        } else {
            "kept"
        };
        lines.push(format!(
            "interaction {done}: p = {}",
            output::significant_to(p_value, 2)
        ));
    }
    lines.push(format!(
        "gauge: {} % of the total variation; {}",
        number(found.gauge_of_variation),
        found.verdict
    ));
    match found.distinct_categories {
        Some(count) => lines.push(format!(
            "distinct categories: {count}; 5 or more are asked for"
        )),
        None => lines.push("the gauge shows no variation: check its resolution".to_owned()),
    }
    for cell in &found.ranges_beyond {
        lines.push(format!(
            "measure again: {cell}, the range of its trials is beyond the limit"
        ));
    }
    // Names come from the file; nothing in them may move a cursor.
    let clean = |line: &String| line.replace(char::is_control, "\u{fffd}");
    lines.iter().map(|line| clean(line) + "\n").collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &[(&str, &str, &str, f64)]) -> Vec<Measurement> {
        let row = |(line, (part, operator, trial, value)): (usize, &(&str, &str, &str, f64))| {
            Measurement {
                part: (*part).to_owned(),
                operator: (*operator).to_owned(),
                trial: (*trial).to_owned(),
                value: *value,
                line: line + 2,
            }
        };
        text.iter().enumerate().map(row).collect()
    }

    fn refused(text: &[(&str, &str, &str, f64)]) -> String {
        let file = StudyFile::new("s.csv".into());
        match arrange(&file, &rows(text)) {
            Err(error) => error.to_string(),
            Ok(_) => panic!("a study that is not complete was taken"),
        }
    }

    #[test]
    fn what_is_missing_is_named() {
        let twice = refused(&[("P1", "A", "1", 1.0), ("P1", "A", "1", 2.0)]);
        assert!(
            twice.contains("s.csv:3") && twice.contains("line 2"),
            "{twice}"
        );
        let missing = refused(&[
            ("P1", "A", "1", 1.0),
            ("P1", "A", "2", 2.0),
            ("P2", "A", "1", 3.0),
        ]);
        assert!(
            missing.contains("part P2 by A has 1 trials of 2"),
            "{missing}"
        );
        let one = refused(&[("P1", "", "1", 1.0), ("P1", "", "2", 2.0)]);
        assert!(one.contains("at least 2 parts"), "{one}");
        assert!(refused(&[]).contains("at least 2 parts"));
    }

    #[test]
    fn limits_out_of_order_are_refused() {
        assert!(tolerance(Some(2.0), Some(1.0)).is_err());
        assert!(tolerance(Some(f64::NEG_INFINITY), Some(1.0)).is_err());
        assert_eq!(tolerance(Some(1.0), None).ok(), Some(None));
    }

    #[test]
    fn the_verdict_follows_the_share() {
        assert!(verdict(9.9).starts_with("good"));
        assert!(verdict(10.0).starts_with("conditional"));
        assert!(verdict(30.1).starts_with("not fit"));
    }
}
