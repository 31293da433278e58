//! Distributions fitted to readings by maximum likelihood, and the choice among them.
//!
//! Purpose: find the distribution that quantile indices rest on, in the open. Must not know
//! specifications. The one invariant: a selection holds every candidate with its figures or the
//! reason why it could not be fitted, and says why the chosen one was chosen.
//!
//! Fits: N. L. Johnson, S. Kotz and N. Balakrishnan, Continuous Univariate Distributions 1, 2nd
//! ed., Wiley 1994, chapters 13 (normal), 14 (lognormal), 17 (gamma, eq. 17.45) and 21 (Weibull);
//! F. C. Leone, L. S. Nelson and R. B. Nottingham, Technometrics 3(4) 1961 (folded normal). All
//! from memory. Tests of fit: R. B. D'Agostino and M. A. Stephens (eds.), Goodness-of-Fit
//! Techniques, Marcel Dekker 1986, chapter 4.

mod goodness;
mod likelihood;

use crate::distribution::{Distribution, Family};
use crate::readings::{ReadingsError, ascending, check, distinct};

pub use goodness::Judgement;

/// Readings below which no p-value of a fit is published.
const READINGS_MIN: usize = 8;
/// p-value below which a normal distribution counts as clearly rejected.
pub const REJECTED_BELOW: f64 = 0.005;
/// p-value from which another distribution counts as clearly fitting.
pub const FITS_FROM: f64 = 0.05;

/// Why a family could not be fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unfit {
    /// A reading lies at or below the bound of the family.
    AtOrBelowBound(f64),
    /// The likelihood has no maximum inside the range of the parameters.
    NoMaximum,
    /// The fold lies more than four sigma away: no different from the normal.
    SameAsNormal,
}

impl Unfit {
    /// The reason in words.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::{distribution::Family, fit};
    /// let readings = [0.0, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.1];
    /// let found = fit::one(Family::LogNormal, &readings, 0.0)?;
    /// let reason = found.outcome.err().map(|unfit| unfit.in_words());
    /// assert_eq!(reason, Some("a reading lies at or below the bound"));
    /// # Ok::<(), spc::readings::ReadingsError>(())
    /// ```
    pub fn in_words(self) -> &'static str {
        match self {
            Unfit::AtOrBelowBound(_) => "a reading lies at or below the bound",
            Unfit::NoMaximum => "the likelihood has no maximum in range",
            Unfit::SameAsNormal => "the fold is too far away to matter",
        }
    }
}

/// A fitted distribution with its figures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// The distribution.
    pub distribution: Distribution,
    /// Logarithm of the likelihood. All families have two parameters, so it compares them as
    /// Akaike's criterion would.
    pub log_likelihood: f64,
    /// Anderson-Darling distance and p-value.
    pub judgement: Judgement,
}

/// One family and what came of fitting it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Candidate {
    /// The family.
    pub family: Family,
    /// The fit, or why there is none.
    pub outcome: Result<Fit, Unfit>,
}

/// Why the chosen distribution was chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// The normal is not clearly rejected.
    NormalNotRejected,
    /// The normal is clearly rejected and another family clearly fits.
    AnotherFits,
    /// The normal is clearly rejected, and so is or may be every other family; the normal stands
    /// for want of a better one, and its tails are not to be trusted.
    NothingFits,
}

impl Reason {
    /// The reason in words.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::fit::Reason;
    /// assert_eq!(Reason::NormalNotRejected.in_words(), "the normal is not clearly rejected");
    /// ```
    pub fn in_words(self) -> &'static str {
        match self {
            Reason::NormalNotRejected => "the normal is not clearly rejected",
            Reason::AnotherFits => "the normal is clearly rejected and this one clearly fits",
            Reason::NothingFits => "the normal is clearly rejected, but nothing else clearly fits",
        }
    }
}

/// Every candidate, and the one chosen.
#[derive(Clone, Debug, PartialEq)]
pub struct Selection {
    /// All families, in the order of [`Family::ALL`].
    pub candidates: Vec<Candidate>,
    /// The chosen distribution.
    pub chosen: Fit,
    /// Why.
    pub reason: Reason,
    /// Readings.
    pub readings: usize,
    /// Different values among them; few of them make every fit look bad.
    pub distinct: usize,
}

impl Selection {
    /// The candidate of a family.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::distribution::Family;
    /// let readings: Vec<f64> = (1..60).map(|i| (f64::from(i) / 20.0).exp()).collect();
    /// let found = spc::fit::select(&readings, 0.0)?;
    /// let weibull = found.candidate(Family::Weibull).expect("every family is a candidate");
    /// assert!(weibull.outcome.is_ok_and(|fit| fit.log_likelihood <= 0.0));
    /// # Ok::<(), spc::readings::ReadingsError>(())
    /// ```
    pub fn candidate(&self, family: Family) -> Option<&Candidate> {
        self.candidates.iter().find(|one| one.family == family)
    }
}

/// Fits one family to readings above a bound.
///
/// `readings` in any unit and order, at least 8; `bound` in the same unit, the value no reading can
/// lie below (0 for a length), unused by the normal. Normal: mean and the deviation with divisor
/// n - 1, as indices use it; the others by maximum likelihood with the bound known. Cost: n times
/// about 100; the folded normal's p-value is simulated (see [`Judgement`]).
///
/// # Errors
/// [`ReadingsError`] for fewer than 8 readings, one that is not finite, no spread, or a bound that
/// is not finite. A family that does not suit is not an error but an [`Unfit`] outcome.
///
/// ```
/// use spc::{distribution::Family, fit};
/// let readings: Vec<f64> = (1..60).map(|i| (f64::from(i) / 20.0).exp()).collect();
/// let found = fit::one(Family::LogNormal, &readings, 0.0).expect("usable readings");
/// let (mean, _) = found.outcome.expect("above the bound").distribution.parameters();
/// assert!((mean - 1.5).abs() < 1e-12);
/// ```
pub fn one(family: Family, readings: &[f64], bound: f64) -> Result<Candidate, ReadingsError> {
    check(readings, READINGS_MIN)?;
    check_bound(bound)?;
    Ok(candidate(family, &ascending(readings), bound))
}

/// Fits every family and chooses one, in the open.
///
/// The normal is kept unless it is clearly rejected (p below 0.005) and another family clearly fits
/// (p of at least 0.05); of several, the one with the greatest likelihood. Where nothing fits, the
/// normal is returned with that reason. Input and cost as for [`one`], for each family. With
/// thousands of readings any family may be rejected over trifles; quantiles of the readings
/// themselves ([`crate::capability::quantile::empirical`]) are the way then.
///
/// # Errors
/// As [`one`].
///
/// ```
/// use spc::fit::{Reason, select};
/// let readings: Vec<f64> = (0..40).map(|i| f64::from(i % 8) + f64::from(i % 5)).collect();
/// let found = select(&readings, -1.0).expect("usable readings");
/// assert_eq!(found.reason, Reason::NormalNotRejected);
/// assert_eq!(found.candidates.len(), 5);
/// ```
pub fn select(readings: &[f64], bound: f64) -> Result<Selection, ReadingsError> {
    check(readings, READINGS_MIN)?;
    check_bound(bound)?;
    let sorted = ascending(readings);
    let candidates: Vec<Candidate> = Family::ALL
        .into_iter()
        .map(|family| candidate(family, &sorted, bound))
        .collect();
    let normal = candidates
        .iter()
        .find(|one| one.family == Family::Normal)
        .and_then(|one| one.outcome.ok())
        .ok_or(ReadingsError::OutOfRange)?;
    let (chosen, reason) = choose(normal, &candidates);
    Ok(Selection {
        candidates,
        chosen,
        reason,
        readings: sorted.len(),
        distinct: distinct(&sorted),
    })
}

fn check_bound(bound: f64) -> Result<(), ReadingsError> {
    if bound.is_finite() {
        Ok(())
    } else {
        Err(ReadingsError::Parameter("bound of the readings"))
    }
}

fn choose(normal: Fit, candidates: &[Candidate]) -> (Fit, Reason) {
    if normal.judgement.p_value >= REJECTED_BELOW {
        return (normal, Reason::NormalNotRejected);
    }
    let fitting = candidates
        .iter()
        .filter_map(|one| one.outcome.ok())
        .filter(|fit| fit.judgement.p_value >= FITS_FROM);
    match fitting.max_by(|a, b| a.log_likelihood.total_cmp(&b.log_likelihood)) {
        Some(best) => (best, Reason::AnotherFits),
        None => (normal, Reason::NothingFits),
    }
}

fn candidate(family: Family, sorted: &[f64], bound: f64) -> Candidate {
    let outcome = likelihood::maximum(family, sorted, bound).and_then(|distribution| {
        let log_likelihood: f64 = sorted.iter().map(|x| distribution.log_density(*x)).sum();
        let judgement = goodness::judge(&distribution, sorted);
        if log_likelihood.is_finite() && judgement.modified.is_finite() {
            Ok(Fit {
                distribution,
                log_likelihood,
                judgement,
            })
        } else {
            Err(Unfit::NoMaximum)
        }
    });
    Candidate { family, outcome }
}

#[cfg(test)]
mod tests;
