//! Charts of rare events: the count (g) or time (t) from one event to the next.
//!
//! Purpose: exact limits where defects are so rare that most samples have none. Must not know
//! clocks or units; values are plain counts or times. The one invariant: limits are quantiles of
//! the geometric or exponential law itself, never three sigma of a skewed variable.
//!
//! With a chance p of an event at every unit inspected, the number of units up to and including
//! the next event is geometric, P(X > x) = (1 - p)^x, x = 1, 2, ...; with events at a constant
//! rate the time to the next is exponential, P(T > t) = exp(-t/mean). Both have no memory, so the
//! count may begin anywhere. Short values mean that events became frequent, long ones that they
//! became rare. T. N. Goh, International Journal of Quality and Reliability Management 4(1) 1987;
//! M. Xie, T. N. Goh and P. Ranjan, Reliability Engineering and System Safety 77(2) 2002 (both
//! from memory); charts of this family are those of ISO 7870-5.

use crate::capability::interval::chi_square_quantile;
use crate::chart::{Bounds, LimitsError};
use crate::normal;

/// What is counted from one event to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Law {
    /// Units inspected, the one with the event included: whole numbers from 1.
    Geometric,
    /// Time, in any unit: numbers from 0.
    Exponential,
}

/// How the chance of a false signal is shared between the two limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tails {
    /// Half of it on each side. A slight worsening then makes signals rarer before it makes them
    /// more frequent.
    Equal,
    /// So that the average run length is longest in control (unbiased): any change makes signals
    /// more frequent.
    Unbiased,
}

/// An estimated law of what lies between events. Plain fields, to be stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BetweenEvents {
    /// What is counted.
    pub law: Law,
    /// Mean from one event to the next: units (above 1) or time (above 0).
    pub mean: f64,
    /// Events the mean rests on; 0 for a mean that is known.
    pub events: u32,
}

impl BetweenEvents {
    /// The law with the mean of the given counts or times, one an event.
    ///
    /// The mean is the maximum likelihood estimate: total over events. Cost: linear.
    ///
    /// # Errors
    /// [`LimitsError::TooFewSamples`] for fewer than two; [`LimitsError::NotFinite`];
    /// [`LimitsError::Value`] for a negative time or a count that is not whole and at least 1;
    /// [`LimitsError::ZeroVariance`] where every unit has an event or all times are 0.
    ///
    /// ```
    /// use spc::between_events::{BetweenEvents, Law};
    /// let found = BetweenEvents::estimate(Law::Geometric, &[800.0, 1500.0, 700.0])?;
    /// assert_eq!(found.mean, 1000.0);
    /// # Ok::<(), spc::chart::LimitsError>(())
    /// ```
    pub fn estimate(law: Law, values: &[f64]) -> Result<Self, LimitsError> {
        if values.len() < 2 {
            return Err(LimitsError::TooFewSamples {
                found: values.len(),
                needed: 2,
            });
        }
        for (index, value) in values.iter().enumerate() {
            check(law, index, *value)?;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        if !mean.is_finite() {
            return Err(LimitsError::NotFinite { index: 0 });
        }
        let least = match law {
            Law::Geometric => 1.0,
            Law::Exponential => 0.0,
        };
        if mean <= least {
            return Err(LimitsError::ZeroVariance);
        }
        Ok(Self {
            law,
            mean,
            events: u32::try_from(values.len()).unwrap_or(u32::MAX),
        })
    }

    /// The decay of P(X > x) = exp(-hazard x): -ln(1 - p) or 1/mean. `None` for a mean that the
    /// law cannot have.
    pub(crate) fn hazard(&self) -> Option<f64> {
        let hazard = match self.law {
            Law::Geometric => -(-1.0 / self.mean).ln_1p(),
            Law::Exponential => 1.0 / self.mean,
        };
        (self.mean.is_finite() && hazard.is_finite() && hazard > 0.0).then_some(hazard)
    }

    /// Control limits for a chance `alpha` of a false signal at an event.
    ///
    /// A value strictly beyond a limit signals. Exponential: lower l mean, upper u mean, with
    /// 1 - e^-l = e^-u = alpha/2 for [`Tails::Equal`], and l e^-l = u e^-u, 1 - e^-l + e^-u =
    /// alpha for [`Tails::Unbiased`] (the derivative of the signal's chance by the mean is 0).
    /// Geometric: the least and greatest whole numbers whose tails hold at most the chance of
    /// those of the exponential law with the same decay, so that the chance of a false signal is
    /// at most alpha. Centre: the median, which half of the values do not exceed. Gives `None`
    /// unless 0 < alpha < 1 and the mean is one that the law can have. Cost: some thousand
    /// exponentials for unbiased tails.
    ///
    /// ```
    /// use spc::between_events::{BetweenEvents, Law, Tails};
    /// let known = BetweenEvents { law: Law::Exponential, mean: 100.0, events: 0 };
    /// let limits = known.bounds(0.0027, Tails::Equal).expect("a mean above 0");
    /// assert!((limits.upper.expect("always there") - 660.77).abs() < 0.01);
    /// ```
    pub fn bounds(&self, alpha: f64, tails: Tails) -> Option<Bounds> {
        if !(alpha > 0.0 && alpha < 1.0) {
            return None;
        }
        let hazard = self.hazard()?;
        let (low, high) = match tails {
            Tails::Equal => (-(-0.5 * alpha).ln_1p(), -(0.5 * alpha).ln()),
            Tails::Unbiased => unbiased(alpha),
        };
        let (low, high) = (low / hazard, high / hazard);
        let (lower, upper) = match self.law {
            Law::Exponential => (low, high),
            // P(X < lower) = 1 - exp(-hazard (lower - 1)); P(X > upper) = exp(-hazard upper).
            Law::Geometric => (low.floor() + 1.0, high.ceil()),
        };
        let centre = std::f64::consts::LN_2 / hazard;
        (upper.is_finite() && centre.is_finite()).then_some(Bounds {
            lower: Some(lower),
            centre,
            upper: Some(upper),
        })
    }

    /// Average number of events to a signal when the mean has become `mean`: 1 over the chance
    /// that a value lies strictly beyond the limits.
    ///
    /// `None` for a mean that the law cannot have; infinite where nothing can signal.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::between_events::{BetweenEvents, Law, Tails};
    /// let known = BetweenEvents { law: Law::Exponential, mean: 100.0, events: 0 };
    /// let limits = known.bounds(0.0027, Tails::Unbiased).expect("a mean above 0");
    /// let length = |mean| known.average_run_length(&limits, mean).expect("a mean above 0");
    /// assert!((length(100.0) - 370.4).abs() < 0.1);
    /// assert!(length(80.0) < length(100.0) && length(120.0) < length(100.0));
    /// ```
    pub fn average_run_length(&self, bounds: &Bounds, mean: f64) -> Option<f64> {
        let hazard = Self { mean, ..*self }.hazard()?;
        let below = bounds.lower.map_or(0.0, |lower| {
            let last = match self.law {
                Law::Geometric => lower - 1.0,
                Law::Exponential => lower,
            };
            -(-hazard * last.max(0.0)).exp_m1()
        });
        let above = bounds.upper.map_or(0.0, |upper| (-hazard * upper).exp());
        Some(1.0 / (below + above).min(1.0))
    }

    /// Normal score of a value: the normal quantile of its (mid-)probability, so that run rules
    /// and sums meet the normal variable they are made for. Positive for long values; within 8.
    /// `None` for a value or mean that the law cannot have.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::between_events::{BetweenEvents, Law, Tails};
    /// let known = BetweenEvents { law: Law::Exponential, mean: 100.0, events: 0 };
    /// // The median is ln 2 means; the limits of 0.27 % lie at three sigma.
    /// assert!(known.score(100.0 * 2f64.ln()).is_some_and(|score| score.abs() < 1e-9));
    /// let lower = known.bounds(0.0026998, Tails::Equal).and_then(|limits| limits.lower);
    /// let score = lower.and_then(|lower| known.score(lower)).expect("a mean above 0");
    /// assert!((score + 3.0).abs() < 1e-4);
    /// ```
    pub fn score(&self, value: f64) -> Option<f64> {
        let hazard = self.hazard()?;
        check(self.law, 0, value).ok()?;
        let above = match self.law {
            Law::Exponential => (-hazard * value).exp(),
            // Half of the probability of the value itself counts on either side.
            Law::Geometric => (-hazard * value).exp() * 0.5 * (1.0 + hazard.exp()),
        };
        let below = match self.law {
            Law::Exponential => -(-hazard * value).exp_m1(),
            Law::Geometric => 1.0 - above,
        };
        let score = if above < 0.5 {
            -normal::quantile(above.max(f64::MIN_POSITIVE))
        } else {
            normal::quantile(below.clamp(f64::MIN_POSITIVE, 0.5))
        };
        Some(score.clamp(-8.0, 8.0))
    }

    /// Interval for the mean from the events it rests on, by the gamma law of their total:
    /// 2 total/chi2(1 -/+ (1 - confidence)/2; 2 events). For counts it is that of the decay, right
    /// where events are rare. `None` for a known mean, or a confidence not within 0 to 1.
    ///
    /// Cost: two quantiles of chi-square, constant.
    ///
    /// ```
    /// use spc::between_events::{BetweenEvents, Law};
    /// let ten = BetweenEvents { law: Law::Exponential, mean: 100.0, events: 10 };
    /// let (low, high) = ten.mean_interval(0.9).expect("ten events");
    /// // Chi-square of 20 degrees: 31.410 and 10.851 (tables, such as NIST/SEMATECH e-Handbook
    /// // 1.3.6.7.4; from memory).
    /// assert!((low - 2000.0 / 31.410).abs() < 0.01 && (high - 2000.0 / 10.851).abs() < 0.01);
    /// ```
    pub fn mean_interval(&self, confidence: f64) -> Option<(f64, f64)> {
        if self.events == 0 || !(confidence > 0.0 && confidence < 1.0) {
            return None;
        }
        let freedom = 2.0 * f64::from(self.events);
        let total = freedom / self.hazard()?;
        let tail = 0.5 * (1.0 - confidence);
        let at = |p: f64| match self.law {
            Law::Exponential => total / chi_square_quantile(p, freedom),
            // 1/p from the decay -ln(1 - p).
            Law::Geometric => -1.0 / (-chi_square_quantile(p, freedom) / total).exp_m1(),
        };
        Some((at(1.0 - tail), at(tail)))
    }
}

/// Factor on the width (in sigmas of a normal variable with the same chance of a false signal)
/// such that nine baselines of ten of so many events keep that chance with unbiased tails.
///
/// The mean is misjudged by a factor r with 2 events r of chi-square law with 2 events degrees of
/// freedom; limits l r and u r then signal falsely with chance 1 - e^(-l r) + e^(-u r). The width
/// is that at which the larger of the chances at the 5 % and 95 % quantiles of r is the wanted
/// one. `None` for fewer than ten events, a width not in (0, 6], or where no width within twice
/// the wanted one does. Cost: about a hundred solutions for the limits.
///
/// ```
/// let factor = spc::between_events::widening(3.0, 50).expect("enough events");
/// assert!(factor > 1.0 && factor < 1.5);
/// ```
pub fn widening(width: f64, events: u32) -> Option<f64> {
    if events < 10 || !(width > 0.0 && width <= 6.0) {
        return None;
    }
    let freedom = 2.0 * f64::from(events);
    let misjudged = [0.05, 0.95].map(|p| chi_square_quantile(p, freedom) / freedom);
    let wanted = 2.0 * normal::below(-width);
    let keeps = |factor: f64| {
        let (low, high) = unbiased(2.0 * normal::below(-factor * width));
        let chance = |r: f64| -(-low * r).exp_m1() + (-high * r).exp();
        misjudged.iter().all(|r| chance(*r) <= wanted)
    };
    if !keeps(2.0) {
        return None;
    }
    let (mut low, mut high) = (1.0, 2.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if keeps(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

fn check(law: Law, index: usize, value: f64) -> Result<(), LimitsError> {
    if !value.is_finite() {
        return Err(LimitsError::NotFinite { index });
    }
    let (is_right, needed) = match law {
        Law::Geometric => (
            value >= 1.0 && value.fract().abs() < 1e-9,
            "a count up to and with the next event is a whole number of at least 1",
        ),
        Law::Exponential => (value >= 0.0, "a time between events cannot be negative"),
    };
    if is_right {
        Ok(())
    } else {
        Err(LimitsError::Value {
            index,
            value,
            needed,
        })
    }
}

/// l and u with l e^-l = u e^-u and 1 - e^-l + e^-u = alpha, by bisection over l in 0 to 1.
fn unbiased(alpha: f64) -> (f64, f64) {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    for _ in 0..200 {
        let l = 0.5 * (low + high);
        if -(-l).exp_m1() + (-partner(l)).exp() < alpha {
            low = l;
        } else {
            high = l;
        }
    }
    let l = 0.5 * (low + high);
    (l, partner(l))
}

/// The u above 1 with u - ln u = l - ln l, by Newton's method from above, where it is monotone.
fn partner(l: f64) -> f64 {
    let level = l - l.ln();
    let mut u = 2.0 * level + 1.0;
    for _ in 0..100 {
        let step = (u - u.ln() - level) / (1.0 - 1.0 / u);
        if !step.is_finite() || step.abs() <= 1e-15 * u {
            break;
        }
        u = (u - step).max(1.0);
    }
    u
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Normals;
    use proptest::prelude::*;

    fn known(law: Law, mean: f64) -> BetweenEvents {
        BetweenEvents {
            law,
            mean,
            events: 0,
        }
    }

    #[test]
    fn failed_preconditions_are_named() {
        let estimate = BetweenEvents::estimate;
        let few = LimitsError::TooFewSamples {
            found: 1,
            needed: 2,
        };
        assert_eq!(estimate(Law::Exponential, &[1.0]), Err(few));
        let found = estimate(Law::Exponential, &[1.0, f64::NAN]);
        assert_eq!(found, Err(LimitsError::NotFinite { index: 1 }));
        for (law, value) in [
            (Law::Exponential, -1.0),
            (Law::Geometric, 0.0),
            (Law::Geometric, 1.5),
        ] {
            let found = estimate(law, &[3.0, value]);
            assert!(matches!(found, Err(LimitsError::Value { index: 1, .. })));
        }
        let flat = Err(LimitsError::ZeroVariance);
        assert_eq!(estimate(Law::Geometric, &[1.0, 1.0]), flat);
        assert_eq!(estimate(Law::Exponential, &[0.0, 0.0]), flat);
        let huge = estimate(Law::Exponential, &[f64::MAX, f64::MAX]);
        assert_eq!(huge, Err(LimitsError::NotFinite { index: 0 }));
        for mean in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            for law in [Law::Exponential, Law::Geometric] {
                let law = known(law, mean);
                assert!(law.bounds(0.01, Tails::Unbiased).is_none() && law.score(2.0).is_none());
            }
        }
        let law = known(Law::Exponential, 1.0);
        assert!(law.bounds(0.0, Tails::Equal).is_none());
        assert!(law.bounds(f64::NAN, Tails::Equal).is_none());
        assert!(law.mean_interval(0.9).is_none());
        assert!(widening(3.0, 9).is_none() && widening(f64::NAN, 50).is_none());
    }

    /// The tails of the geometric law, summed term by term.
    #[test]
    fn counts_have_the_tightest_limits_within_their_chance() {
        let (p, alpha) = (0.004f64, 0.0027);
        let bounds = known(Law::Geometric, 1.0 / p)
            .bounds(alpha, Tails::Equal)
            .unwrap();
        let up_to = |x: f64| -> f64 {
            (1..=x as u32)
                .map(|x| p * (1.0 - p).powi(x as i32 - 1))
                .sum()
        };
        let (lower, upper) = (bounds.lower.unwrap(), bounds.upper.unwrap());
        assert!(up_to(lower - 1.0) <= alpha / 2.0 && up_to(lower) > alpha / 2.0);
        assert!(1.0 - up_to(upper) <= alpha / 2.0 && 1.0 - up_to(upper - 1.0) > alpha / 2.0);
    }

    #[test]
    fn nine_baselines_of_ten_keep_the_promised_run_length() {
        for events in [20, 60] {
            let width = 3.0 * widening(3.0, events).unwrap();
            let alpha = 2.0 * normal::below(-width);
            let mut draws = Normals::new(3);
            let rounds = 4000;
            let kept = (0..rounds).filter(|_| {
                let times: Vec<f64> = (0..events).map(|_| -draws.uniform().ln()).collect();
                let found = BetweenEvents::estimate(Law::Exponential, &times).unwrap();
                let bounds = found.bounds(alpha, Tails::Unbiased).unwrap();
                found.average_run_length(&bounds, 1.0).unwrap() >= 370.398
            });
            // Two tails of 5 % at most; standard error 0.5 %.
            let share = kept.count() as f64 / f64::from(rounds);
            assert!((0.885..0.97).contains(&share), "{events}: {share}");
        }
    }

    #[test]
    fn the_interval_covers_the_mean_as_often_as_it_says() {
        let mut draws = Normals::new(11);
        let rounds = 4000;
        let covered = (0..rounds).filter(|_| {
            let times: Vec<f64> = (0..8).map(|_| -draws.uniform().ln()).collect();
            let found = BetweenEvents::estimate(Law::Exponential, &times).unwrap();
            let (low, high) = found.mean_interval(0.9).unwrap();
            low <= 1.0 && 1.0 <= high
        });
        let share = covered.count() as f64 / f64::from(rounds);
        assert!((share - 0.9).abs() < 0.015, "{share}");
    }

    proptest! {
        #[test]
        fn times_scale_and_no_nan_leaves(
            times in prop::collection::vec(0.001..1e4f64, 2..40),
            scale in 1e-3..1e3f64,
            alpha in 1e-6..0.5f64,
        ) {
            let scaled: Vec<f64> = times.iter().map(|t| scale * t).collect();
            let base = BetweenEvents::estimate(Law::Exponential, &times).unwrap();
            let moved = BetweenEvents::estimate(Law::Exponential, &scaled).unwrap();
            for tails in [Tails::Equal, Tails::Unbiased] {
                let (base, moved) = (base.bounds(alpha, tails), moved.bounds(alpha, tails));
                let (a, b) = (base.unwrap().upper.unwrap(), moved.unwrap().upper.unwrap());
                prop_assert!((scale * a / b - 1.0).abs() < 1e-9);
                let (a, b) = (base.unwrap().lower.unwrap(), moved.unwrap().lower.unwrap());
                prop_assert!((scale * a / b - 1.0).abs() < 1e-9);
                prop_assert!(b <= moved.unwrap().upper.unwrap());
            }
            let score = moved.score(scaled[0]).unwrap();
            prop_assert!((score - base.score(times[0]).unwrap()).abs() < 1e-9);
        }

        /// In control the signal's chance is alpha, and the run length is longest there.
        #[test]
        fn unbiased_limits_have_the_longest_run_in_control(
            alpha in 1e-5..0.2f64,
            ratio in 0.2..5.0f64,
        ) {
            let law = known(Law::Exponential, 1.0);
            let bounds = law.bounds(alpha, Tails::Unbiased).unwrap();
            let own = law.average_run_length(&bounds, 1.0).unwrap();
            prop_assert!((own * alpha - 1.0).abs() < 1e-9);
            let other = law.average_run_length(&bounds, ratio).unwrap();
            prop_assert!(other <= own * (1.0 + 1e-9));
        }

        #[test]
        fn counts_never_exceed_their_chance(mean in 1.01..1e6f64, alpha in 1e-5..0.2f64) {
            let law = known(Law::Geometric, mean);
            for tails in [Tails::Equal, Tails::Unbiased] {
                let bounds = law.bounds(alpha, tails).unwrap();
                let length = law.average_run_length(&bounds, mean).unwrap();
                prop_assert!(length * alpha >= 1.0 - 1e-9);
                prop_assert!(law.score(1.0).unwrap().is_finite());
                prop_assert!(law.score(1e12).unwrap().is_finite());
            }
        }
    }
}
