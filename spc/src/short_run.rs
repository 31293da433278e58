//! Short runs: many parts on one chart, each reading against its own part's target.
//!
//! Purpose: make readings of parts that change from run to run comparable, so that one chart
//! follows the process and not the part. Must not know where targets come from. The one
//! invariant: a part whose target (or sigma, where it is needed) is not known gives an error and
//! never a value.
//!
//! Deviation from nominal (x - target) fits where all parts have the same spread; standardised
//! values (x - target)/(sigma/sqrt(n)) where they do not. D. C. Montgomery, Introduction to
//! Statistical Quality Control, Wiley, 6th ed. 2009, section 10.1; ISO 7870-8 (from memory).

use std::collections::BTreeMap;

use thiserror::Error;

use crate::chart::{ChartKind, Limits};
use crate::constants;

/// How readings of different parts are made comparable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// x - target, in the unit of the measure. Limits come from the deviations themselves:
    /// [`Limits::estimate`] with [`ChartKind::Individuals`].
    Deviation,
    /// (x - target)/(sigma/sqrt(n)), no unit. Limits are known: [`standardised_limits`].
    Standardised,
}

/// What is known of one part.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Part {
    /// The nominal value, or the mean of its history, in the unit of the measure.
    pub target: Option<f64>,
    /// Sigma of a single reading, in the unit of the measure.
    pub sigma: Option<f64>,
}

/// Which precondition failed.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ShortRunError {
    /// Nothing is known of the part.
    #[error("nothing is known of part {0:?}; give its target")]
    UnknownPart(String),
    /// The part has no target.
    #[error("part {0:?} has no target; give one, or chart it apart")]
    NoTarget(String),
    /// The part has no sigma, which standardised values need.
    #[error("part {0:?} has no sigma; give one from its history, or chart deviations")]
    NoSigma(String),
    /// A target is not finite, or a sigma not a positive finite number.
    #[error("part {part:?} has the {what} {value}; it must be a finite number{above}")]
    Part {
        /// The part.
        part: String,
        /// `target` or `sigma`.
        what: &'static str,
        /// The value given.
        value: f64,
        /// ` above 0`, or nothing.
        above: &'static str,
    },
    /// A reading or its deviation is not finite, or a size is not a positive number.
    #[error("a reading of part {part:?} or its size ({size}) is not a number that can be charted")]
    Reading {
        /// The part.
        part: String,
        /// The size given.
        size: f64,
    },
}

/// The parts of one chart.
#[derive(Clone, Debug, PartialEq)]
pub struct ShortRun {
    scale: Scale,
    parts: BTreeMap<String, Part>,
}

impl ShortRun {
    /// A chart of these parts.
    ///
    /// Cost: linear in the parts.
    ///
    /// # Errors
    /// [`ShortRunError::Part`] for a target that is not finite or a sigma that is not positive.
    /// A missing target or sigma is an error only once the part is met.
    ///
    /// ```
    /// use spc::short_run::{Part, Scale, ShortRun};
    /// let part = |sigma| Part { target: Some(120.0), sigma: Some(sigma) };
    /// let part = |sigma| [("fine".to_owned(), part(sigma))].into();
    /// assert!(ShortRun::new(Scale::Standardised, part(5.0)).is_ok());
    /// assert!(ShortRun::new(Scale::Standardised, part(0.0)).is_err());
    /// ```
    pub fn new(scale: Scale, parts: BTreeMap<String, Part>) -> Result<Self, ShortRunError> {
        for (part, known) in &parts {
            let refuse = |what, value, above| {
                Err(ShortRunError::Part {
                    part: part.clone(),
                    what,
                    value,
                    above,
                })
            };
            if let Some(target) = known.target.filter(|x| !x.is_finite()) {
                return refuse("target", target, "");
            }
            if let Some(sigma) = known.sigma.filter(|s| !(s.is_finite() && *s > 0.0)) {
                return refuse("sigma", sigma, " above 0");
            }
        }
        Ok(Self { scale, parts })
    }

    /// How readings are made comparable.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::short_run::{Scale, ShortRun};
    /// let chart = ShortRun::new(Scale::Deviation, [].into())?;
    /// assert_eq!(chart.scale(), Scale::Deviation);
    /// # Ok::<(), spc::short_run::ShortRunError>(())
    /// ```
    pub fn scale(&self) -> Scale {
        self.scale
    }

    /// What is plotted of `size` readings of a part with the mean `value`. Cost: a search for the
    /// part.
    ///
    /// # Errors
    /// [`ShortRunError`]: a part, target or sigma that is not known; a value or size that is no
    /// number to be charted.
    ///
    /// ```
    /// use spc::short_run::{Part, Scale, ShortRun};
    /// let part = Part { target: Some(120.0), sigma: Some(5.0) };
    /// let parts = [("fine pitch".to_owned(), part)].into();
    /// let chart = ShortRun::new(Scale::Standardised, parts)?;
    /// assert_eq!(chart.plotted("fine pitch", 125.0, 4.0)?, 2.0);
    /// assert!(chart.plotted("coarse", 150.0, 4.0).is_err());
    /// # Ok::<(), spc::short_run::ShortRunError>(())
    /// ```
    pub fn plotted(&self, part: &str, value: f64, size: f64) -> Result<f64, ShortRunError> {
        let name = || part.to_owned();
        let known = self.parts.get(part);
        let known = known.ok_or_else(|| ShortRunError::UnknownPart(name()))?;
        let target = known
            .target
            .ok_or_else(|| ShortRunError::NoTarget(name()))?;
        let plotted = match self.scale {
            Scale::Deviation => value - target,
            Scale::Standardised => {
                let sigma = known.sigma.ok_or_else(|| ShortRunError::NoSigma(name()))?;
                (value - target) / (sigma / size.sqrt())
            }
        };
        if plotted.is_finite() && size.is_finite() && size > 0.0 {
            Ok(plotted)
        } else {
            Err(ShortRunError::Reading { part: name(), size })
        }
    }
}

/// Limits of standardised values: centre 0, sigma 1, mean moving range d2(2); no baseline.
///
/// They hold as far as targets and sigmas are known; errors of a target shift all its points.
/// `None` for a width that is not positive and finite.
///
/// Cost: constant.
///
/// ```
/// let limits = spc::short_run::standardised_limits(3.0).expect("a positive width");
/// assert_eq!(limits.bounds(1.0).upper, Some(3.0));
/// let ranges = limits.moving_range_bounds().and_then(|bounds| bounds.upper);
/// assert!(ranges.is_some_and(|upper| (upper - 3.686).abs() < 5e-4));
/// ```
pub fn standardised_limits(width: f64) -> Option<Limits> {
    (width.is_finite() && width > 0.0).then(|| Limits {
        kind: ChartKind::Individuals,
        width,
        subgroups: 0,
        centre: 0.0,
        sigma: 1.0,
        moving_range: constants::d2(2),
        sigma_within: None,
        sigma_between: None,
        joint: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::Sample;
    use proptest::prelude::*;

    fn chart(scale: Scale, target: Option<f64>, sigma: Option<f64>) -> ShortRun {
        let parts = [("A".to_owned(), Part { target, sigma })].into();
        ShortRun::new(scale, parts).unwrap()
    }

    #[test]
    fn what_is_not_known_is_named() {
        let bare = chart(Scale::Deviation, None, None);
        let found = bare.plotted("A", 1.0, 1.0).unwrap_err();
        assert_eq!(found, ShortRunError::NoTarget("A".into()));
        let found = bare.plotted("B", 1.0, 1.0).unwrap_err();
        assert_eq!(found, ShortRunError::UnknownPart("B".into()));
        let bare = chart(Scale::Standardised, Some(1.0), None);
        let found = bare.plotted("A", 1.0, 1.0).unwrap_err();
        assert_eq!(found, ShortRunError::NoSigma("A".into()));
        let good = chart(Scale::Standardised, Some(1.0), Some(2.0));
        for (value, size) in [
            (f64::NAN, 1.0),
            (1.0, 0.0),
            (1.0, -2.0),
            (2.0, f64::NAN),
            (f64::INFINITY, 1.0),
        ] {
            let found = good.plotted("A", value, size);
            assert!(matches!(found, Err(ShortRunError::Reading { .. })));
        }
        for (target, sigma) in [(f64::NAN, 1.0), (1.0, 0.0), (1.0, f64::INFINITY)] {
            let part = Part {
                target: Some(target),
                sigma: Some(sigma),
            };
            let found = ShortRun::new(Scale::Deviation, [("A".to_owned(), part)].into());
            assert!(matches!(found, Err(ShortRunError::Part { .. })));
        }
        assert!(standardised_limits(0.0).is_none() && standardised_limits(f64::NAN).is_none());
    }

    proptest! {
        /// A part that is moved and stretched as a whole is charted as before.
        #[test]
        fn standardised_values_do_not_depend_on_the_part(
            values in prop::collection::vec(-3.0..3.0f64, 2..20),
            target in -1e3..1e3f64,
            sigma in 1e-3..1e3f64,
            size in 1..9u32,
        ) {
            let size = f64::from(size);
            let unit = chart(Scale::Standardised, Some(0.0), Some(1.0));
            let part = chart(Scale::Standardised, Some(target), Some(sigma));
            for z in values {
                let moved = part.plotted("A", target + sigma * z, size).unwrap();
                let plain = unit.plotted("A", z, size).unwrap();
                let rounding = 1e-12 * (1.0 + target.abs() / sigma) * size.sqrt();
                prop_assert!((moved - plain).abs() < 10.0 * rounding, "{} {}", moved, plain);
            }
        }

        /// Parts of equal spread give the limits of one part.
        #[test]
        fn deviations_of_two_parts_have_the_limits_of_one(
            values in prop::collection::vec(-3.0..3.0f64, 4..20),
        ) {
            let part = |target| Part { target: Some(target), sigma: None };
            let parts = [("A".to_owned(), part(100.0)), ("B".to_owned(), part(140.0))].into();
            let both = ShortRun::new(Scale::Deviation, parts).unwrap();
            let single = |value| Sample { size: 1.0, value, spread: None };
            let plotted = |(i, x): (usize, &f64)| {
                let (name, target) = if i % 2 == 0 { ("A", 100.0) } else { ("B", 140.0) };
                single(both.plotted(name, target + x, 1.0).unwrap())
            };
            let mixed: Vec<Sample> = values.iter().enumerate().map(plotted).collect();
            let plain: Vec<Sample> = values.iter().map(|x| single(*x)).collect();
            let estimate = |samples: &[Sample]| {
                Limits::estimate(ChartKind::Individuals, samples, 3.0).unwrap()
            };
            let (mixed, plain) = (estimate(&mixed), estimate(&plain));
            prop_assert!((mixed.centre - plain.centre).abs() < 1e-12 * 1e3);
            prop_assert!((mixed.sigma - plain.sigma).abs() < 1e-12 * 1e3);
        }
    }
}
