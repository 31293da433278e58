//! Gauge studies: how much of what is measured is the measurement.
//!
//! Purpose: split the variation of a study into its components, by analysis of variance and by
//! ranges. Must not know files, labels or pages. The one invariant: no component is negative; one
//! that came out so is zero and says that it was.
//!
//! Source: AIAG, Measurement Systems Analysis, 4th ed. 2010, chapter III (from memory); R. K.
//! Burdick, C. M. Borror and D. C. Montgomery, Journal of Quality Technology 35(4) 2003, 342-354.

pub mod anova;
mod interval;
pub mod nested;
pub mod range;
#[cfg(test)]
mod tests;

use thiserror::Error;

/// Sigmas that a component is compared with the tolerance by.
pub const TOLERANCE_SIGMAS: f64 = 6.0;
/// Widths of the gauge's spread between categories of parts: the manual's rounded root of 2.
pub const CATEGORY_FACTOR: f64 = 1.41;

/// A balanced crossed study: every operator measures every part equally often.
#[derive(Clone, Debug, PartialEq)]
pub struct Study {
    parts: usize,
    operators: usize,
    trials: usize,
    /// Part by part, in it operator by operator, in it trial by trial.
    values: Vec<f64>,
}

/// Which precondition of a gauge study failed. Positions count from 0.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum GaugeError {
    /// Too few of a kind.
    #[error("a gauge study needs at least {needed} {what}, {found} given")]
    TooFew {
        /// Parts, operators or trials, or the groups of a level.
        what: &'static str,
        /// How many are needed.
        needed: usize,
        /// How many were given.
        found: usize,
    },
    /// The number of values is not that of a complete study.
    #[error("a complete study of this shape has {needed} values, {found} given")]
    Shape {
        /// Values that the shape asks for.
        needed: usize,
        /// Values given.
        found: usize,
    },
    /// A value is not finite.
    #[error("value {0} of the study is not a finite number")]
    NotFinite(usize),
    /// Nothing varies.
    #[error("the values of the study do not vary; check the resolution of the gauge")]
    NoVariation,
    /// Sums of squares overflow or vanish.
    #[error("the values are too large or too alike for their variance to be computed")]
    OutOfRange,
    /// A level, confidence or tolerance is not in its range.
    #[error("the {what} must be {range}, not {given}")]
    Parameter {
        /// What it is.
        what: &'static str,
        /// The range it must lie in.
        range: &'static str,
        /// What was given.
        given: f64,
    },
}

impl Study {
    /// A complete study; `values` part by part, in it operator by operator, in it trial by trial,
    /// in the unit of the gauge.
    ///
    /// At least 2 parts, 1 operator and 2 trials. With one operator (an automatic station) there is
    /// no reproducibility to estimate.
    ///
    /// Cost: linear.
    ///
    /// # Errors
    /// [`GaugeError`] for too few parts, operators or trials, a number of values that does not
    /// match, a value that is not finite, or no variation at all.
    ///
    /// ```
    /// use spc::gauge::Study;
    /// let study = Study::new(2, 1, 2, vec![1.0, 1.1, 2.0, 2.1]).expect("complete");
    /// assert_eq!((study.parts(), study.operators(), study.trials()), (2, 1, 2));
    /// ```
    pub fn new(
        parts: usize,
        operators: usize,
        trials: usize,
        values: Vec<f64>,
    ) -> Result<Self, GaugeError> {
        for (what, needed, found) in [
            ("parts", 2, parts),
            ("operators", 1, operators),
            ("trials", 2, trials),
        ] {
            if found < needed {
                return Err(GaugeError::TooFew {
                    what,
                    needed,
                    found,
                });
            }
        }
        let needed = parts.saturating_mul(operators).saturating_mul(trials);
        check_values(&values, needed)?;
        Ok(Self {
            parts,
            operators,
            trials,
            values,
        })
    }

    /// Parts measured.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::gauge::Study;
    /// let study = Study::new(2, 1, 3, vec![1.0, 1.1, 1.0, 2.0, 2.1, 2.1])?;
    /// assert_eq!(study.parts(), 2);
    /// # Ok::<(), spc::gauge::GaugeError>(())
    /// ```
    pub fn parts(&self) -> usize {
        self.parts
    }

    /// Operators (or stations) measuring.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::gauge::Study;
    /// let study = Study::new(2, 1, 3, vec![1.0, 1.1, 1.0, 2.0, 2.1, 2.1])?;
    /// assert_eq!(study.operators(), 1);
    /// # Ok::<(), spc::gauge::GaugeError>(())
    /// ```
    pub fn operators(&self) -> usize {
        self.operators
    }

    /// Trials of each operator on each part.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::gauge::Study;
    /// let study = Study::new(2, 1, 3, vec![1.0, 1.1, 1.0, 2.0, 2.1, 2.1])?;
    /// assert_eq!(study.trials(), 3);
    /// # Ok::<(), spc::gauge::GaugeError>(())
    /// ```
    pub fn trials(&self) -> usize {
        self.trials
    }

    /// The trials of each operator on each part, part by part.
    fn cells(&self) -> impl Iterator<Item = &[f64]> {
        self.values.chunks(self.trials)
    }

    /// Mean of the values for which the test of part and operator holds.
    fn mean_where(&self, wanted: impl Fn(usize, usize) -> bool) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0);
        for (place, cell) in self.cells().enumerate() {
            if wanted(place / self.operators, place % self.operators) {
                sum += cell.iter().sum::<f64>();
                count += cell.len() as f64;
            }
        }
        sum / count
    }

    fn part_means(&self) -> Vec<f64> {
        let mean = |wanted| self.mean_where(|part, _| part == wanted);
        (0..self.parts).map(mean).collect()
    }

    fn operator_means(&self) -> Vec<f64> {
        let mean = |wanted| self.mean_where(|_, operator| operator == wanted);
        (0..self.operators).map(mean).collect()
    }
}

fn check_values(values: &[f64], needed: usize) -> Result<(), GaugeError> {
    if values.len() != needed {
        return Err(GaugeError::Shape {
            needed,
            found: values.len(),
        });
    }
    if let Some(index) = values.iter().position(|x| !x.is_finite()) {
        return Err(GaugeError::NotFinite(index));
    }
    let first = values.first().copied().unwrap_or_default();
    if values.iter().all(|x| x.total_cmp(&first).is_eq()) {
        return Err(GaugeError::NoVariation);
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let squares: f64 = values.iter().map(|x| (x - mean) * (x - mean)).sum();
    if mean.is_finite() && squares.is_finite() && squares > 0.0 {
        Ok(())
    } else {
        Err(GaugeError::OutOfRange)
    }
}

fn check_confidence(confidence: f64) -> Result<(), GaugeError> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(())
    } else {
        Err(GaugeError::Parameter {
            what: "confidence",
            range: "between 0 and 1",
            given: confidence,
        })
    }
}

/// A component of variance, in the unit of the gauge squared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Component {
    /// The variance; never negative.
    pub variance: f64,
    /// Whether the estimate came out negative and was set to zero.
    pub was_negative: bool,
    /// Bounds of the variance, where the method gives them.
    pub bounds: Option<(f64, f64)>,
}

impl Component {
    fn without_bounds(variance: f64) -> Self {
        Self {
            variance: variance.max(0.0),
            was_negative: variance < 0.0,
            bounds: None,
        }
    }

    /// Its standard deviation, in the unit of the gauge.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::gauge::Component;
    /// let component = Component { variance: 0.04, was_negative: false, bounds: None };
    /// assert!((component.sigma() - 0.2).abs() < 1e-15);
    /// ```
    pub fn sigma(&self) -> f64 {
        self.variance.sqrt()
    }
}

/// The components of a crossed study.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Components {
    /// EV: trials of one operator on one part.
    pub repeatability: Component,
    /// AV: operators; `None` for a study with one operator.
    pub reproducibility: Option<Component>,
    /// Operators by parts; `None` where it was pooled or can not be told apart.
    pub interaction: Option<Component>,
    /// GRR: all of the above together.
    pub gauge: Component,
    /// PV: the parts themselves.
    pub part: Component,
    /// TV: gauge and parts together.
    pub total: Component,
}

/// A component as shares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Its sigma over that of the total, in percent. These do not add up to 100.
    pub of_variation: f64,
    /// Its variance over that of the total, in percent.
    pub contribution: f64,
    /// Six of its sigmas over the tolerance, in percent; `None` without two limits.
    pub of_tolerance: Option<f64>,
}

impl Components {
    /// A component's shares, given the tolerance U - L in the unit of the gauge.
    ///
    /// Cost: constant.
    ///
    /// # Errors
    /// [`GaugeError`] for a tolerance that is not finite and positive, or a total of zero.
    ///
    /// ```
    /// use spc::gauge::{Component, Components};
    /// // AIAG, Measurement Systems Analysis (from memory): EV 0.199933, AV 0.226838, GRR 0.302373,
    /// // PV 1.042327, TV 1.085301; the gauge is 27.86 % of the variation.
    /// let (was_negative, bounds) = (false, None);
    /// let of = |sigma: f64| Component { variance: sigma * sigma, was_negative, bounds };
    /// let found = Components {
    ///     repeatability: of(0.199_933), reproducibility: Some(of(0.226_838)), interaction: None,
    ///     gauge: of(0.302_373), part: of(1.042_327), total: of(1.085_301),
    /// };
    /// let share = found.share(&found.gauge, None)?;
    /// assert!((share.of_variation - 27.86).abs() < 0.005);
    /// assert!(found.share(&found.gauge, Some(0.0)).is_err());
    /// # Ok::<(), spc::gauge::GaugeError>(())
    /// ```
    pub fn share(&self, of: &Component, tolerance: Option<f64>) -> Result<Share, GaugeError> {
        if let Some(given) = tolerance.filter(|t| !(t.is_finite() && *t > 0.0)) {
            return Err(GaugeError::Parameter {
                what: "tolerance",
                range: "a positive number",
                given,
            });
        }
        if self.total.variance <= 0.0 {
            return Err(GaugeError::NoVariation);
        }
        let ratio = of.variance / self.total.variance;
        Ok(Share {
            of_variation: 100.0 * ratio.sqrt(),
            contribution: 100.0 * ratio,
            of_tolerance: tolerance.map(|t| 100.0 * TOLERANCE_SIGMAS * of.sigma() / t),
        })
    }

    /// ndc: how many categories of parts the gauge tells apart, 1.41 PV / GRR rounded down, at
    /// least 1; `None` where the gauge shows no variation.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::gauge::{Component, Components};
    /// // AIAG, Measurement Systems Analysis (from memory): EV 0.199933, AV 0.226838, GRR 0.302373,
    /// // PV 1.042327, TV 1.085301; 4 categories.
    /// let (was_negative, bounds) = (false, None);
    /// let of = |sigma: f64| Component { variance: sigma * sigma, was_negative, bounds };
    /// let found = Components {
    ///     repeatability: of(0.199_933), reproducibility: Some(of(0.226_838)), interaction: None,
    ///     gauge: of(0.302_373), part: of(1.042_327), total: of(1.085_301),
    /// };
    /// assert_eq!(found.distinct_categories(), Some(4));
    /// ```
    pub fn distinct_categories(&self) -> Option<u32> {
        let ratio = CATEGORY_FACTOR * self.part.sigma() / self.gauge.sigma();
        // Above what a u32 holds the cast saturates.
        ratio.is_finite().then_some((ratio as u32).max(1))
    }
}
