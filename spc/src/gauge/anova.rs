//! Gauge study by analysis of variance.
//!
//! Purpose: components of variance of a crossed study with random parts and operators. Must not
//! know ranges. The one invariant: the sums of squares add up to the total, to rounding.

use super::interval::{Term, bounds, fisher_above};
use super::{Component, Components, GaugeError, Study, check_confidence};

/// p-value of the interaction above which the manual's practice pools it with the repeatability.
pub const POOLED_ABOVE: f64 = 0.25;

/// Whether the interaction keeps a line of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Interaction {
    /// Always kept.
    Kept,
    /// Always pooled with the repeatability.
    Pooled,
    /// Pooled when its p-value is above the level given, such as [`POOLED_ABOVE`].
    PooledAbove(f64),
}

/// A line of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Sum of squares, in the unit of the gauge squared.
    pub sum_of_squares: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Sum of squares over degrees of freedom.
    pub mean_square: f64,
    /// Ratio to the mean square it is tested against; `None` where there is none or it is zero.
    pub f: Option<f64>,
    /// Chance of so large a ratio without the effect.
    pub p_value: Option<f64>,
}

/// The analysis of a study.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Anova {
    /// Parts; tested against the interaction, or the pooled error.
    pub part: Line,
    /// Operators; `None` with one operator. Tested likewise.
    pub operator: Option<Line>,
    /// Operators by parts, as computed, tested against the repeatability; `None` with one operator.
    pub interaction: Option<Line>,
    /// Repeatability: trials within part and operator.
    pub repeatability: Line,
    /// Interaction and repeatability together, where they were pooled.
    pub pooled: Option<Line>,
    /// All values about their mean.
    pub total: Line,
    /// The components of variance.
    pub components: Components,
    /// Confidence of the components' bounds.
    pub confidence: f64,
}

/// Analyses a crossed study.
///
/// With p parts, o operators, r trials and mean squares of parts, operators, interaction and
/// repeatability: EV^2 = MSe, interaction (MSpo - MSe)/r, AV^2 = (MSo - MSpo)/(p r), PV^2 =
/// (MSp - MSpo)/(o r); without interaction MSpo and MSe are both the pooled error (AIAG, MSA, 4th
/// ed., chapter III, section B and appendix A; from memory). GRR^2 is the sum of the first three.
/// Bounds: the modified large-sample method (Burdick, Borror and Montgomery 2003), widened to hold
/// the estimate where a negative component was set to zero. With one operator the interaction and
/// the operators fall away. Cost: one pass for each part and operator.
///
/// # Errors
/// [`GaugeError`] for a confidence not inside 0 to 1 or a pooling level not in 0 to 1.
///
/// ```
/// use spc::gauge::{Study, anova::{Interaction, analyse}};
/// let values = vec![1.0, 1.2, 1.1, 1.3, 4.0, 4.2, 4.1, 4.3];
/// let study = Study::new(2, 2, 2, values).expect("complete");
/// let found = analyse(&study, Interaction::Kept, 0.95).expect("a usable level");
/// assert!((found.repeatability.mean_square - 0.02).abs() < 1e-12);
/// ```
pub fn analyse(
    study: &Study,
    interaction: Interaction,
    confidence: f64,
) -> Result<Anova, GaugeError> {
    check_confidence(confidence)?;
    if let Interaction::PooledAbove(given) = interaction
        && !(0.0..=1.0).contains(&given)
    {
        return Err(GaugeError::Parameter {
            what: "level of pooling",
            range: "between 0 and 1",
            given,
        });
    }
    let sums = Sums::of(study);
    let error = line(sums.repeatability, sums.freedom.repeatability, None);
    let crossed = (study.operators > 1)
        .then(|| line(sums.interaction, sums.freedom.interaction, Some(&error)));
    let pool = match (interaction, &crossed) {
        (Interaction::Kept, _) | (_, None) => false,
        (Interaction::Pooled, _) => true,
        (Interaction::PooledAbove(level), Some(line)) => line.p_value.is_none_or(|p| p > level),
    };
    let pooled = pool.then(|| {
        line(
            sums.repeatability + sums.interaction,
            sums.freedom.repeatability + sums.freedom.interaction,
            None,
        )
    });
    let against = pooled.or(crossed).unwrap_or(error);
    let part = line(sums.part, sums.freedom.part, Some(&against));
    let operator =
        (study.operators > 1).then(|| line(sums.operator, sums.freedom.operator, Some(&against)));
    let total = sums.part + sums.operator + sums.interaction + sums.repeatability;
    let kept = if pool { None } else { crossed };
    let lines = Lines {
        part,
        operator,
        interaction: kept,
        error: pooled.unwrap_or(error),
    };
    Ok(Anova {
        part,
        operator,
        interaction: crossed,
        repeatability: error,
        pooled,
        total: line(total, study.values.len() as f64 - 1.0, None),
        components: lines.components(study, 0.5 * (1.0 - confidence)),
        confidence,
    })
}

struct Freedom {
    part: f64,
    operator: f64,
    interaction: f64,
    repeatability: f64,
}

struct Sums {
    part: f64,
    operator: f64,
    interaction: f64,
    repeatability: f64,
    freedom: Freedom,
}

impl Sums {
    fn of(study: &Study) -> Self {
        let (p, o, r) = (
            study.parts as f64,
            study.operators as f64,
            study.trials as f64,
        );
        let grand = study.mean_where(|_, _| true);
        let (parts, operators) = (study.part_means(), study.operator_means());
        let squares = |means: &[f64]| -> f64 { means.iter().map(|m| (m - grand).powi(2)).sum() };
        let (mut interaction, mut repeatability) = (0.0, 0.0);
        for (place, cell) in study.cells().enumerate() {
            let mean = cell.iter().sum::<f64>() / r;
            let row = parts[place / study.operators];
            let column = operators[place % study.operators];
            interaction += r * (mean - row - column + grand).powi(2);
            repeatability += cell.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
        }
        Self {
            part: o * r * squares(&parts),
            operator: p * r * squares(&operators),
            interaction,
            repeatability,
            freedom: Freedom {
                part: p - 1.0,
                operator: o - 1.0,
                interaction: (p - 1.0) * (o - 1.0),
                repeatability: p * o * (r - 1.0),
            },
        }
    }
}

fn line(sum_of_squares: f64, freedom: f64, against: Option<&Line>) -> Line {
    let mean_square = sum_of_squares / freedom;
    let error = against.filter(|line| line.mean_square > 0.0);
    let f = error.map(|line| mean_square / line.mean_square);
    let f = f.filter(|ratio| ratio.is_finite());
    let p_value = f
        .zip(error)
        .and_then(|(ratio, line)| fisher_above(ratio, freedom, line.freedom));
    Line {
        sum_of_squares,
        freedom,
        mean_square,
        f,
        p_value,
    }
}

struct Lines {
    part: Line,
    operator: Option<Line>,
    interaction: Option<Line>,
    error: Line,
}

impl Lines {
    fn components(&self, study: &Study, tail: f64) -> Components {
        let r = study.trials as f64;
        let of_operator = 1.0 / (study.parts as f64 * r);
        let of_part = 1.0 / (study.operators as f64 * r);
        // What part and operator are compared with: the interaction, else the error.
        let middle = self.interaction.unwrap_or(self.error);
        let repeatability = combined(&[(1.0, self.error)], tail);
        let interaction = self
            .interaction
            .map(|line| combined(&[(1.0 / r, line), (-1.0 / r, self.error)], tail));
        let reproducibility = self
            .operator
            .map(|line| combined(&[(of_operator, line), (-of_operator, middle)], tail));
        let part = combined(&[(of_part, self.part), (-of_part, middle)], tail);
        let mut gauge = vec![(1.0, self.error)];
        if let Some(line) = self.operator {
            gauge.extend([(of_operator, line), (-of_operator, middle)]);
        }
        if let Some(line) = self.interaction {
            gauge.extend([(1.0 / r, line), (-1.0 / r, self.error)]);
        }
        let own = |one: Option<Component>| one.map_or(0.0, |one| one.variance);
        let variance = repeatability.variance + own(reproducibility) + own(interaction);
        let mut all = gauge.clone();
        all.extend([(of_part, self.part), (-of_part, middle)]);
        Components {
            repeatability,
            reproducibility,
            interaction,
            gauge: summed(variance, &gauge, tail),
            part,
            total: summed(variance + part.variance, &all, tail),
        }
    }
}

/// A component that is a combination of mean squares.
fn combined(terms: &[(f64, Line)], tail: f64) -> Component {
    let estimate: f64 = terms.iter().map(|(k, line)| k * line.mean_square).sum();
    Component {
        variance: estimate.max(0.0),
        was_negative: estimate < 0.0,
        bounds: Some(bounds(&merged(terms), tail)),
    }
}

/// A sum of components, none of them negative.
fn summed(variance: f64, terms: &[(f64, Line)], tail: f64) -> Component {
    let (lower, upper) = bounds(&merged(terms), tail);
    Component {
        variance,
        was_negative: false,
        bounds: Some((lower.min(variance), upper.max(variance))),
    }
}

/// Terms with the coefficients of the same mean square added up.
fn merged(terms: &[(f64, Line)]) -> Vec<Term> {
    let mut merged: Vec<(f64, Line)> = Vec::new();
    for (coefficient, line) in terms {
        match merged.iter_mut().find(|(_, known)| known == line) {
            Some((sum, _)) => *sum += coefficient,
            None => merged.push((*coefficient, *line)),
        }
    }
    merged
        .into_iter()
        .filter(|(coefficient, _)| coefficient.abs() > 1e-12)
        .map(|(coefficient, line)| Term {
            coefficient,
            mean_square: line.mean_square,
            freedom: line.freedom,
        })
        .collect()
}
