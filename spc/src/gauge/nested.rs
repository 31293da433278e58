//! Components of variance of a balanced nested study, of any depth.
//!
//! Purpose: lots, panels in lots, positions in panels, readings in positions: how much each level
//! adds. Must not know what the levels are. The one invariant: the component of a level is its mean
//! square less that of the level inside it, over the readings of one group.

use super::interval::{Term, bounds};
use super::{Component, GaugeError, check_confidence, check_values};

/// One level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Groups of this level in each group of the one outside it.
    pub groups: usize,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Mean square, in the unit of the readings squared.
    pub mean_square: f64,
    /// What the level adds to the variance of a reading.
    pub component: Component,
}

/// The components of a nested study.
#[derive(Clone, Debug, PartialEq)]
pub struct Nested {
    /// Mean of all readings.
    pub mean: f64,
    /// The levels, outermost first; the last one is the reading itself.
    pub levels: Vec<Level>,
    /// Sum of the components: the variance of a reading taken at random.
    pub total_variance: f64,
}

/// Components of a balanced nested study.
///
/// `groups` gives how many groups each level has in one of the level outside it, outermost first,
/// the readings last, each at least 2: `[30, 3, 5]` is 30 cassettes of 3 wafers of 5 sites. The
/// `values` lie in that order, the innermost running fastest. Component of level l: (MS_l -
/// MS_(l+1)) over the readings in one of its groups (S. R. Searle, G. Casella and C. E. McCulloch,
/// Variance Components, Wiley 1992, section 3.6; from memory). Bounds as in
/// [`super::anova::analyse`]. Cost: one pass for each level.
///
/// # Errors
/// [`GaugeError`] for no level or one with fewer than two groups, a number of values that does not
/// match, a value that is not finite, no variation, or a confidence not inside 0 to 1.
///
/// ```
/// let values = vec![1.0, 3.0, 11.0, 13.0];
/// let found = spc::gauge::nested::nested(&[2, 2], &values, 0.95).expect("balanced");
/// assert!((found.levels[1].component.variance - 2.0).abs() < 1e-12);
/// assert!((found.levels[0].component.variance - 49.0).abs() < 1e-12);
/// ```
pub fn nested(groups: &[usize], values: &[f64], confidence: f64) -> Result<Nested, GaugeError> {
    check_confidence(confidence)?;
    let too_few = |what, needed, found| GaugeError::TooFew {
        what,
        needed,
        found,
    };
    if groups.is_empty() {
        return Err(too_few("levels", 1, 0));
    }
    if let Some(found) = groups.iter().find(|count| **count < 2) {
        return Err(too_few("groups of each level", 2, *found));
    }
    let needed = groups.iter().copied().fold(1, usize::saturating_mul);
    check_values(values, needed)?;
    let mean = average(values);
    let mut outer_means = vec![mean];
    let mut size = values.len();
    let mut lines = Vec::new();
    for count in groups {
        size /= count;
        let means: Vec<f64> = values.chunks(size).map(average).collect();
        let mut squares = 0.0;
        for (place, own) in means.iter().enumerate() {
            squares += (own - outer_means[place / count]).powi(2);
        }
        let freedom = (outer_means.len() * (count - 1)) as f64;
        lines.push((*count, size, freedom, size as f64 * squares / freedom));
        outer_means = means;
    }
    let levels = levels(&lines, 0.5 * (1.0 - confidence));
    Ok(Nested {
        mean,
        total_variance: levels.iter().map(|one| one.component.variance).sum(),
        levels,
    })
}

fn average(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// From groups, readings of a group, degrees of freedom and mean square of each level.
fn levels(lines: &[(usize, usize, f64, f64)], tail: f64) -> Vec<Level> {
    let level = |(place, line): (usize, &(usize, usize, f64, f64))| {
        let (groups, size, freedom, mean_square) = *line;
        let scale = 1.0 / size as f64;
        let mut terms = vec![Term {
            coefficient: scale,
            mean_square,
            freedom,
        }];
        let inside = lines.get(place + 1);
        terms.extend(inside.map(|(_, _, freedom, mean_square)| Term {
            coefficient: -scale,
            mean_square: *mean_square,
            freedom: *freedom,
        }));
        let estimate: f64 = terms.iter().map(|t| t.coefficient * t.mean_square).sum();
        Level {
            groups,
            freedom,
            mean_square,
            component: Component {
                variance: estimate.max(0.0),
                was_negative: estimate < 0.0,
                bounds: Some(bounds(&terms, tail)),
            },
        }
    };
    lines.iter().enumerate().map(level).collect()
}
