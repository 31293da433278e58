//! The time-dependent distribution model that an index stands under.
//!
//! Purpose: name how location, dispersion and shape behave over time. Must not know indices or how
//! the evidence was gathered. The one invariant: every combination of evidence has exactly one
//! model.
//!
//! Source: ISO 22514-1 and ISO 22514-2, the models A1, A2, B, C1 to C4 and D (from memory; check
//! the clause before it is quoted to a customer).

use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// How the location behaved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Location {
    /// Constant.
    Constant,
    /// It moved at random from subgroup to subgroup.
    Random,
    /// It moved steadily one way.
    Trend,
    /// It moved in steps, or at random and steadily at once.
    Steps,
}

/// How the dispersion behaved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dispersion {
    /// Constant.
    Constant,
    /// It varied.
    Varying,
}

/// Shape of the resulting distribution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Not clearly different from normal.
    Normal,
    /// Clearly not normal.
    NotNormal,
}

/// A model of ISO 22514.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TimeModel {
    /// Location and dispersion constant, normal.
    A1,
    /// Location and dispersion constant, not normal.
    A2,
    /// Location constant, dispersion varies.
    B,
    /// Location varies at random, dispersion constant, normal.
    C1,
    /// Location varies at random, dispersion constant, not normal.
    C2,
    /// Location varies steadily, dispersion constant.
    C3,
    /// Location varies at random and systematically, in steps, dispersion constant.
    C4,
    /// Location and dispersion vary.
    D,
}

impl TimeModel {
    /// The model that evidence names. Cost: constant.
    ///
    /// ```
    /// use spc::capability::time_model::{Dispersion, Location, Shape, TimeModel};
    /// let model = TimeModel::from_evidence(Location::Random, Dispersion::Constant, Shape::Normal);
    /// assert_eq!(model.name(), "C1");
    /// ```
    pub fn from_evidence(location: Location, dispersion: Dispersion, shape: Shape) -> Self {
        match (location, dispersion, shape) {
            (Location::Constant, Dispersion::Constant, Shape::Normal) => Self::A1,
            (Location::Constant, Dispersion::Constant, Shape::NotNormal) => Self::A2,
            (Location::Constant, Dispersion::Varying, _) => Self::B,
            (Location::Random, Dispersion::Constant, Shape::Normal) => Self::C1,
            (Location::Random, Dispersion::Constant, Shape::NotNormal) => Self::C2,
            (Location::Trend, Dispersion::Constant, _) => Self::C3,
            (Location::Steps, Dispersion::Constant, _) => Self::C4,
            (_, Dispersion::Varying, _) => Self::D,
        }
    }

    /// The standard's symbol.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::time_model::TimeModel;
    /// assert_eq!(TimeModel::C3.name(), "C3");
    /// ```
    pub fn name(self) -> &'static str {
        match self {
            Self::A1 => "A1",
            Self::A2 => "A2",
            Self::B => "B",
            Self::C1 => "C1",
            Self::C2 => "C2",
            Self::C3 => "C3",
            Self::C4 => "C4",
            Self::D => "D",
        }
    }

    /// What it says, in words.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::time_model::TimeModel;
    /// assert_eq!(TimeModel::C3.in_words(), "location drifts, dispersion constant");
    /// ```
    pub fn in_words(self) -> &'static str {
        match self {
            Self::A1 => "location and dispersion constant, normal",
            Self::A2 => "location and dispersion constant, not normal",
            Self::B => "location constant, dispersion varies",
            Self::C1 => "location varies at random, dispersion constant, normal",
            Self::C2 => "location varies at random, dispersion constant, not normal",
            Self::C3 => "location drifts, dispersion constant",
            Self::C4 => "location varies in steps, dispersion constant",
            Self::D => "location and dispersion vary",
        }
    }

    /// Whether the stream counts as in control under the standard: A1 and A2 only.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::capability::time_model::TimeModel;
    /// let inside = [TimeModel::A1, TimeModel::A2, TimeModel::B].map(TimeModel::is_in_control);
    /// assert_eq!(inside, [true, true, false]);
    /// ```
    pub fn is_in_control(self) -> bool {
        matches!(self, Self::A1 | Self::A2)
    }
}

/// Whether groups differ by more than the readings within them explain, at a level such as 0.01.
///
/// One-way analysis of variance with random groups (D. C. Montgomery, Design and Analysis of
/// Experiments, Wiley, chapter 3; from memory): the mean square between over that within has an F
/// distribution for a constant location. `groups` in any unit; empty ones are passed over. `None`
/// for fewer than two groups, no group of two readings, no variation within, a reading that is not
/// finite, or a level not inside 0 to 1. Cost: two passes.
///
/// ```
/// use spc::capability::time_model::varies_between;
/// let (low, high) = ([1.0, 1.1, 0.9], [5.0, 5.1, 4.9]);
/// assert_eq!(varies_between(&[&low, &high], 0.01), Some(true));
/// assert_eq!(varies_between(&[&low, &low], 0.01), Some(false));
/// ```
pub fn varies_between(groups: &[&[f64]], level: f64) -> Option<bool> {
    if !(level > 0.0 && level < 1.0) {
        return None;
    }
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let used: Vec<&[f64]> = groups
        .iter()
        .copied()
        .filter(|one| !one.is_empty())
        .collect();
    let count: f64 = used.iter().map(|one| one.len() as f64).sum();
    let grand = used.iter().map(|one| one.iter().sum::<f64>()).sum::<f64>() / count;
    let (mut between, mut within) = (0.0, 0.0);
    for group in &used {
        let own = mean(group);
        between += group.len() as f64 * (own - grand).powi(2);
        within += group.iter().map(|x| (x - own).powi(2)).sum::<f64>();
    }
    let (first, second) = (used.len() as f64 - 1.0, count - used.len() as f64);
    let ratio = (between / first) / (within / second);
    if !(first > 0.0 && second > 0.0 && within > 0.0 && ratio.is_finite()) {
        return None;
    }
    let law = FisherSnedecor::new(first, second).ok()?;
    Some(law.sf(ratio) <= level)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_that_can_not_be_compared_give_nothing() {
        assert_eq!(varies_between(&[], 0.01), None);
        assert_eq!(varies_between(&[&[1.0], &[2.0]], 0.01), None);
        assert_eq!(varies_between(&[&[1.0, 1.0], &[2.0, 2.0]], 0.01), None);
        assert_eq!(varies_between(&[&[1.0, f64::NAN], &[2.0, 3.0]], 0.01), None);
        assert_eq!(varies_between(&[&[1.0, 2.0], &[2.0, 3.0]], 1.0), None);
    }

    #[test]
    fn every_combination_has_its_model() {
        use TimeModel as M;
        let name =
            |location, dispersion, shape| TimeModel::from_evidence(location, dispersion, shape);
        let constant = Dispersion::Constant;
        let shapes = [Shape::Normal, Shape::NotNormal];
        let rows = [
            (Location::Constant, [M::A1, M::A2], M::B),
            (Location::Random, [M::C1, M::C2], M::D),
            (Location::Trend, [M::C3, M::C3], M::D),
            (Location::Steps, [M::C4, M::C4], M::D),
        ];
        for (location, steady, varying) in rows {
            for (shape, expected) in shapes.into_iter().zip(steady) {
                assert_eq!(name(location, constant, shape), expected);
                assert_eq!(name(location, Dispersion::Varying, shape), varying);
            }
        }
        assert!(M::A2.is_in_control() && !M::C1.is_in_control());
    }
}
