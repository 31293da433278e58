//! Gauge or process: which kind of fault explains how height, area, volume and offsets moved
//! together.
//!
//! Purpose: a first verdict on a shift of printed paste, for someone who stands at the line. Must
//! not know names of strokes, families or boards. The one invariant: a verdict is given only when
//! one explanation holds most of the weight and fits; otherwise it is `Undecided`.
//!
//! Each panel gives a few figures ([`mod@features`]): log height and log area by aperture family,
//! log volume beside them, slopes over the panel, offsets. Their changes d = mean after - mean
//! before, by stroke, are compared with what each fault predicts, d = X b ([`mod@candidates`]):
//!
//! | fault | prediction |
//! | --- | --- |
//! | gain | log height alike on all pads, volume with it, area unmoved |
//! | reference step | the same height added on all pads: log height by 1 / height |
//! | one stroke | only panels of one stroke moved |
//! | tilt | log height changes as a plane over the panel |
//! | clogging | small apertures lose area and volume, again after every wipe |
//! | alignment | offsets change alike, or turn |
//! | stretch | offsets change in proportion to the place |
//! | deposit | height and area change together on all pads |
//! | family | one aperture family alone |
//!
//! The covariance of the figures is that of the panels before the onset, with correlations shrunk
//! towards 0 as J. Schaefer and K. Strimmer (Statistical Applications in Genetics and Molecular
//! Biology 4(1) 2005) do. With q the generalised sum of squares of d - X b, K numbers in d and nu
//! degrees of freedom, the log-likelihood is -(nu + K)/2 ln(1 + q/nu), as for a multivariate t. The
//! weight of an explanation is its likelihood with b at its best, less ln(panels)/2 for each number
//! in b (G. Schwarz, Annals of Statistics 6(2) 1978). Before the data, "nothing" weighs as much as
//! all faults together. A form of a fault counts only if it is nine times as likely as the same
//! without the numbers that mark it: otherwise it is a simpler one. A change of every figure by a
//! small part of its own sigma (0.15) is not held against any explanation.
//!
//! The patterns are common practice of stencil printing. That a moved height reference is a main
//! error of paste inspection is in Prasad and others, 2019 (from memory). `tests` states the sizes
//! at which 200 planted faults of each kind were told at least nine times in ten.

use statrs::distribution::{ContinuousCDF, FisherSnedecor};
use thiserror::Error;

use crate::attribution::Window;

mod candidates;
mod features;
#[cfg(test)]
mod tests;

use candidates::{Candidate, Fitted};
use features::Changes;

/// Panels of a stroke on each side at least.
const PANELS_MIN: usize = 3;

/// Degrees of freedom of the reference at least.
const DEGREES_MIN: usize = 8;

/// The weight from which an explanation is taken.
const DECIDED: f64 = 0.9;

/// An explanation that fits worse than this is none.
const MISFIT: f64 = 0.001;

/// What was measured of every panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// Groups of pads: one aperture family at one place (a board position, a region).
    pub cells: Vec<Cell>,
    /// The aperture size of each family, such as the area ratio or the opening; only the order
    /// counts. Equal sizes, also where they are not known, never count as clogging. Their number is
    /// that of the families.
    pub apertures: Vec<f64>,
    /// How many strokes there are: 1 where they are not told apart.
    pub strokes: usize,
}

/// A group of pads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// The family, counted from 0.
    pub family: usize,
    /// Its middle on the panel, in any unit; tilt and stretch are judged only when every cell has
    /// one and they do not lie on one line.
    pub place: Option<(f64, f64)>,
}

/// One panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Which side of the onset.
    pub window: Window,
    /// The stroke, counted from 0.
    pub stroke: usize,
    /// Prints since the stencil was wiped, where known.
    pub since_wipe: Option<f64>,
    /// The means of each cell, in the order of the setup.
    pub deposits: Vec<Deposit>,
}

/// Means over the pads of a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deposit {
    /// Height, above 0, in the unit of the gauge.
    pub height: f64,
    /// Area, above 0, in any unit.
    pub area: f64,
    /// Volume, above 0, in any unit.
    pub volume: f64,
    /// Signed offsets in x and y, where measured.
    pub offset: Option<(f64, f64)>,
}

/// Where a change comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Nothing moved beyond the spread between panels.
    Nothing,
    /// The measurement.
    Gauge,
    /// The print.
    Process,
    /// The figures do not say.
    Undecided,
}

/// A kind of fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The gauge scales heights.
    Gain,
    /// The height reference of the gauge moved.
    ReferenceStep,
    /// One stroke alone.
    OneStroke(usize),
    /// A plane over the panel.
    Tilt,
    /// Small apertures clog.
    Clogging,
    /// Stencil and board are displaced or turned.
    Alignment,
    /// The board or the stencil is stretched.
    Stretch,
    /// More or less paste on all pads.
    Deposit,
    /// One aperture family alone, on all strokes.
    Family(usize),
}

impl Fault {
    /// What the fault says of the origin.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::verdict::{Fault, Origin};
    /// let origins = [Fault::Gain, Fault::Clogging].map(Fault::origin);
    /// assert_eq!(origins, [Origin::Gauge, Origin::Process]);
    /// ```
    pub fn origin(self) -> Origin {
        match self {
            Fault::Gain | Fault::ReferenceStep => Origin::Gauge,
            _ => Origin::Process,
        }
    }

    /// What it means, for a process engineer; `names` gives the names of strokes and families.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::verdict::{Fault, Names};
    /// let names = Names { strokes: vec!["front".to_owned()], families: Vec::new() };
    /// let words = Fault::OneStroke(0).in_words(&names);
    /// assert!(words.starts_with("only prints of the front stroke moved"));
    /// ```
    pub fn in_words(self, names: &Names) -> String {
        let named = |list: &[String], place: usize| {
            let number = || (place + 1).to_string();
            list.get(place).cloned().unwrap_or_else(number)
        };
        match self {
            Fault::Gain => "height and volume scaled alike on all pads and area stayed (gain \
                            of the gauge)"
                .to_owned(),
            Fault::ReferenceStep => "the same height came on top of all pads and area stayed \
                                     (height reference of the gauge)"
                .to_owned(),
            Fault::OneStroke(stroke) => {
                let stroke = named(&names.strokes, stroke);
                format!("only prints of the {stroke} stroke moved (blade or pressure)")
            }
            Fault::Tilt => {
                "height changed as a plane over the panel (board support or levelling)".to_owned()
            }
            Fault::Clogging => {
                "small apertures lost area and volume (clogging or ageing paste)".to_owned()
            }
            Fault::Alignment => {
                "all offsets moved or turned together (alignment of stencil and board)".to_owned()
            }
            Fault::Stretch => {
                "offsets grew with the place on the panel (stretch of board or stencil)".to_owned()
            }
            Fault::Deposit => {
                "height and area changed together on all pads (amount of paste)".to_owned()
            }
            Fault::Family(family) => {
                let family = named(&names.families, family);
                format!("only the aperture family {family} moved, on all strokes")
            }
        }
    }
}

/// Names for sentences; a missing one becomes its number.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Names {
    /// Of strokes.
    pub strokes: Vec<String>,
    /// Of aperture families.
    pub families: Vec<String>,
}

/// What speaks for one fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// The fault.
    pub fault: Fault,
    /// Its share of the weight of all explanations, "nothing" included.
    pub weight: f64,
    /// How well its best form fits: the chance of a worse fit if it were true.
    pub fit: f64,
    /// The sizes in its best form, in the order of [`mod@candidates`]: changes of logarithms
    /// (0.05 is about 5 %), of the gauge's unit, or of offsets.
    pub sizes: Vec<f64>,
}

/// A first verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Gauge, process, nothing or undecided.
    pub origin: Origin,
    /// The kind of fault, where one holds nine tenths of the weight; the origin may be clear
    /// without it.
    pub fault: Option<Fault>,
    /// All faults that could be judged, by falling weight.
    pub evidence: Vec<Evidence>,
    /// The weight of "nothing moved".
    pub nothing: f64,
    /// Panels before and after.
    pub panels: (usize, usize),
}

/// Why there is no verdict.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum VerdictError {
    /// The setup contradicts itself.
    #[error("{0}")]
    Setup(&'static str),
    /// A panel does not fit the setup.
    #[error("panel {panel}: {problem}")]
    Panel {
        /// Its place in the list.
        panel: usize,
        /// What is wrong.
        problem: &'static str,
    },
    /// Too few panels.
    #[error(
        "stroke {stroke} has {before} panels before and {after} after the onset; a verdict needs \
         {PANELS_MIN} of each stroke on both sides and {DEGREES_MIN} more before than strokes"
    )]
    TooFew {
        /// The stroke.
        stroke: usize,
        /// Its panels before.
        before: usize,
        /// Its panels after.
        after: usize,
    },
}

/// The verdict on a shift.
///
/// Panels in any order; those before the onset must be in control, and the onset must not have been
/// chosen among these figures by looking for the largest change, or "nothing" is too rare. Cost:
/// panels times cells, and some hundred small least-squares fits.
///
/// ```
/// use spc::attribution::Window;
/// use spc::verdict::{self, Cell, Deposit, Fault, Origin, Panel, Setup};
/// // Two families; from panel 24 on the gauge reads 6 % high.
/// let cells = [0, 1].map(|family| Cell { family, place: None }).to_vec();
/// let setup = Setup { cells, apertures: vec![0.6, 0.9], strokes: 1 };
/// let noise = [0.8, -1.1, 0.3, 1.4, -0.6, -0.8, 0.2];
/// let panels: Vec<Panel> = (0..40).map(|i| {
///     let gain = if i < 24 { 1.0 } else { 1.06 };
///     let n = |step: usize| noise[(i * step) % 7] + noise[(i + step) % 5];
///     let deposit = |height: f64, step| {
///         let (height, area) = ((height + n(step)) * gain, 95.0 + 0.3 * n(step + 1));
///         let volume = height * area * (1.0 + 1e-3 * n(step + 2));
///         Deposit { height, area, volume, offset: None }
///     };
///     let window = if i < 24 { Window::Before } else { Window::After };
///     let deposits = vec![deposit(80.0, 1), deposit(130.0, 3)];
///     Panel { window, stroke: 0, since_wipe: None, deposits }
/// }).collect();
/// let found = verdict::judge(&setup, &panels).unwrap();
/// assert_eq!((found.origin, found.fault), (Origin::Gauge, Some(Fault::Gain)));
/// ```
///
/// # Errors
/// [`VerdictError`] for a setup without cells or with a family that there is not, for a panel with
/// other cells or with a height, area or volume that is not above 0, and for too few panels.
pub fn judge(setup: &Setup, panels: &[Panel]) -> Result<Verdict, VerdictError> {
    let changes = features::changes(setup, panels)?;
    let scale = Scale {
        degrees: changes.degrees,
        count: changes.count() as f64,
        panels: panels.len() as f64,
    };
    let null = changes.null();
    let offered = candidates::offered(setup, &changes);
    let forms: Vec<(Fault, Option<Fitted>)> = offered
        .iter()
        .map(|form| (form.fault, scale.fit(&changes, form)))
        .collect();
    let (nothing, evidence) = weigh(&scale, &null, &forms);
    let null_fit = scale.chance(&null);
    let (origin, fault) = decide(&evidence, (nothing, null_fit));
    let side = |window| panels.iter().filter(|panel| panel.window == window).count();
    Ok(Verdict {
        origin,
        fault,
        evidence,
        nothing,
        panels: (side(Window::Before), side(Window::After)),
    })
}

/// What turns a rest into a likelihood.
struct Scale {
    degrees: f64,
    /// Numbers in the changes.
    count: f64,
    panels: f64,
}

impl Scale {
    /// Schwarz's criterion: the log-likelihood less what the sizes cost.
    fn score(&self, fitted: &Fitted) -> f64 {
        let likelihood = -0.5 * (self.degrees + self.count) * (fitted.rest / self.degrees).ln_1p();
        likelihood - 0.5 * fitted.sizes.len() as f64 * self.panels.ln()
    }

    /// The fit of a form whose sizes are what its fault does, and whose marks are told from none by
    /// the odds of a decision: a gain with a trace of area is still a gain.
    fn fit(&self, changes: &Changes, form: &Candidate) -> Option<Fitted> {
        let fitted = changes.fit(&form.columns)?;
        let without = changes.fit(form.columns.get(form.marks..).unwrap_or_default())?;
        let gain = self.score(&fitted) - self.score(&without);
        let odds = DECIDED / (1.0 - DECIDED);
        (form.allows(&fitted.sizes) && gain > odds.ln()).then_some(fitted)
    }

    /// The chance of a rest as large, by F with the degrees of freedom of the reference.
    fn chance(&self, fitted: &Fitted) -> f64 {
        let left = (self.count - fitted.sizes.len() as f64).max(1.0);
        let law = FisherSnedecor::new(left, self.degrees);
        law.map_or(1.0, |law| law.sf(fitted.rest / left))
    }
}

/// The weight of nothing and, falling, of each fault with a form that counts. The forms of a fault
/// share its weight before the data, those that do not count included.
fn weigh(scale: &Scale, null: &Fitted, forms: &[(Fault, Option<Fitted>)]) -> (f64, Vec<Evidence>) {
    let mut kinds: Vec<Fault> = Vec::new();
    for (fault, _) in forms {
        if !kinds.contains(fault) {
            kinds.push(*fault);
        }
    }
    let counted = forms.iter().filter_map(|(_, fitted)| fitted.as_ref());
    let scores = counted.map(|fitted| scale.score(fitted));
    let highest = scores.fold(scale.score(null), f64::max);
    let nothing = 0.5 * (scale.score(null) - highest).exp();
    let mut evidence = Vec::new();
    for fault in &kinds {
        let own = || forms.iter().filter(|(one, _)| one == fault);
        let fitted: Vec<&Fitted> = own().filter_map(|(_, fitted)| fitted.as_ref()).collect();
        let sum: f64 = fitted
            .iter()
            .map(|one| (scale.score(one) - highest).exp())
            .sum();
        let best = fitted
            .into_iter()
            .max_by(|a, b| scale.score(a).total_cmp(&scale.score(b)));
        evidence.extend(best.map(|best| Evidence {
            fault: *fault,
            weight: 0.5 / kinds.len() as f64 * sum / own().count() as f64,
            fit: scale.chance(best),
            sizes: best.sizes.clone(),
        }));
    }
    let total = nothing + evidence.iter().map(|one| one.weight).sum::<f64>();
    evidence.iter_mut().for_each(|one| one.weight /= total);
    evidence.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    (nothing / total, evidence)
}

fn decide(evidence: &[Evidence], (nothing, null_fit): (f64, f64)) -> (Origin, Option<Fault>) {
    let of = |origin: Origin| {
        let own = evidence.iter().filter(|one| one.fault.origin() == origin);
        own.map(|one| one.weight).sum::<f64>()
    };
    if nothing >= DECIDED && null_fit >= MISFIT {
        return (Origin::Nothing, None);
    }
    let Some(best) = evidence.first().filter(|best| best.fit >= MISFIT) else {
        return (Origin::Undecided, None);
    };
    let origin = best.fault.origin();
    if of(origin) < DECIDED {
        return (Origin::Undecided, None);
    }
    (origin, (best.weight >= DECIDED).then_some(best.fault))
}

impl Verdict {
    /// The verdict in a sentence without a full stop. It claims no more than the weights say.
    ///
    /// Cost: that of the sentence.
    ///
    /// ```
    /// use spc::verdict::{Names, Origin, Verdict};
    /// let found = Verdict {
    ///     origin: Origin::Nothing, fault: None, evidence: Vec::new(),
    ///     nothing: 0.98, panels: (40, 16),
    /// };
    /// let names = Names { strokes: Vec::new(), families: Vec::new() };
    /// assert_eq!(found.in_words(&names), "nothing moved beyond the spread between panels");
    /// ```
    pub fn in_words(&self, names: &Names) -> String {
        let likely = |origin: Origin| {
            let own = self.evidence.iter();
            let own = own.filter(|one| one.fault.origin() == origin && one.weight >= 0.05);
            let words: Vec<String> = own.map(|one| one.fault.in_words(names)).collect();
            words.join("; or ")
        };
        match (self.origin, self.fault) {
            (Origin::Nothing, _) => "nothing moved beyond the spread between panels".to_owned(),
            (Origin::Gauge, _) => format!(
                "points to the gauge: {}; measure a reference board again to be sure",
                likely(Origin::Gauge)
            ),
            (Origin::Process, Some(fault)) => {
                format!("points to the process: {}", fault.in_words(names))
            }
            (Origin::Process, None) => {
                format!("points to the process: {}", likely(Origin::Process))
            }
            (Origin::Undecided, _) => "undecided between gauge and process: no known pattern \
                                       explains the figures clearly better than the others"
                .to_owned(),
        }
    }
}
