//! Which strata explain a shift: one print stroke, one panel position, one aperture family, one
//! fixture, a gradient over the panel, or all of it alike.
//!
//! Purpose: compare panels before an onset with panels after it, one key at a time. Must not know
//! what a key is called. The one invariant: panels are the replicates. Readings of one panel share
//! stencil, paste and stroke, so figures of one panel count as one draw however many levels they
//! are of, and every variance here comes from the spread between panels.
//!
//! Changes d_l = mean after - mean before, one a level, with the covariance V of K.-Y. Liang and
//! S. L. Zeger, Biometrika 73(1) 1986 (panels as clusters, n/(n - 1) for few of them). Quadratic
//! forms d'Md are tested by the F approximation of E. Brunner, H. Dette and A. Munk, Journal of the
//! American Statistical Association 92, 1997 (after G. E. P. Box, Annals of Mathematical Statistics
//! 25, 1954, Theorem 3.1): F = d'Md / tr(MV) with tr(MV)^2/tr(MVMV) and
//! tr(MV)^2 / sum of tr((MV_g)^2)/(n_g - 1) degrees of freedom, g being groups of panels that cover
//! the same levels. A single change is then Welch's t.
//!
//! Intervals of shares are percentiles of the parametric bootstrap (B. Efron and R. Tibshirani, An
//! Introduction to the Bootstrap, 1993, section 6.5): changes drawn from a t distribution about the
//! observed ones with their covariance. A share that a test does not tell from 0 or from 1 has that
//! end in its interval.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};
use thiserror::Error;

use crate::matrix::{Matrix, dot};
use crate::simulation::Normals;

mod plane;
#[cfg(test)]
mod tests;

pub use plane::{Gradient, Place};

/// Levels of one key at most: work grows with their third power.
const LEVELS_MAX: usize = 128;

/// Draws behind an interval.
const DRAWS: usize = 1_000;

/// A level has moved if its change is significant and at least this share of the largest.
const MOVED_SHARE: f64 = 0.25;

/// Before or after the onset.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Window {
    /// The reference: panels before the earliest likely onset.
    Before,
    /// Panels from the onset on.
    After,
}

/// One panel's figure at one level of a key: the mean of the panel's readings there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    /// Which side of the onset.
    pub window: Window,
    /// The panel, by any number of the caller's; figures of one panel move together.
    pub panel: u64,
    /// The level, counted from 0: a stroke, a position, a family, a region of pads.
    pub level: usize,
    /// The figure, in the unit of the measure or as its logarithm.
    pub value: f64,
}

/// A number with the interval that covers it as often as was asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// The best single number.
    pub value: f64,
    /// The lower end.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// What became of one level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelChange {
    /// Panels before and after.
    pub panels: (usize, usize),
    /// Mean after less mean before, in the unit of the figures, with its t interval.
    pub change: Interval,
    /// Welch's t of the change; infinite sizes do not occur, a change without spread gives 0.
    pub t: f64,
    /// Its degrees of freedom.
    pub degrees: f64,
    /// The chance of a change as large without a cause.
    pub p: f64,
    /// d_l^2 / sum of d^2, bias-corrected: the part of the change that sits here. With a change
    /// common to all of L levels it is 1/L.
    pub share: Interval,
}

/// Which levels explain the shift.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// No change that can be told from the spread between panels.
    Nothing,
    /// Common to all levels: all moved alike, so the key does not explain it.
    Common,
    /// These levels moved and the others did not, or moved less than a quarter as far; by falling
    /// share.
    Levels(Vec<usize>),
    /// All levels moved, but not alike.
    Uneven,
    /// There is a change, but the panels are too few to say whether levels differ.
    Undecided,
}

/// One key's explanation of a shift.
#[derive(Clone, Debug, PartialEq)]
pub struct Attribution {
    /// Each level, in the caller's order.
    pub levels: Vec<LevelChange>,
    /// Share of the mean squared change that lies between levels, bias-corrected; the rest is
    /// common to all. If one of L levels moved it is 1 - 1/L, if all moved alike 0.
    pub between: Interval,
    /// The chance of differences between levels as large when all moved alike.
    pub p_alike: f64,
    /// The chance of changes as large when nothing moved.
    pub p_nothing: f64,
    /// The answer in one word.
    pub answer: Answer,
}

/// Why there is no answer.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum AttributionError {
    /// Too few or too many levels.
    #[error("a key needs 1 to {LEVELS_MAX} levels to compare, not {0}; compare fewer")]
    Levels(usize),
    /// A figure names a level that there is not.
    #[error("level {0} of a figure is not below the number of levels")]
    Level(usize),
    /// A level has fewer than two panels on one side.
    #[error("level {level} has {panels} panels {window:?} the onset; it needs 2, leave it out")]
    TooFew {
        /// The level.
        level: usize,
        /// The side.
        window: Window,
        /// Its panels.
        panels: usize,
    },
    /// Two figures of one panel, window and level.
    #[error("panel {panel} has two figures at level {level}; give their mean")]
    Twice {
        /// The panel.
        panel: u64,
        /// The level.
        level: usize,
    },
    /// A number is not finite.
    #[error("the figure of panel {0} is not a finite number")]
    NotFinite(u64),
    /// The confidence is not inside 0 to 1.
    #[error("the confidence must lie between 0 and 1, not {0}")]
    Confidence(f64),
    /// Places that do not fit the levels, or carry no plane.
    #[error("{0}")]
    Places(&'static str),
}

/// Changes of all levels of one key, with their covariance.
#[derive(Clone, Debug)]
pub struct Changes {
    changes: Vec<f64>,
    panels: Vec<(usize, usize)>,
    covariance: Matrix,
    /// Covariance that each group of panels adds, and its degrees of freedom.
    groups: Vec<(Matrix, f64)>,
}

/// An F test of a quadratic form of the changes.
struct Test {
    form: f64,
    noise: f64,
    degrees: f64,
    p: f64,
}

impl Changes {
    /// Gathers figures, in any order, of `levels` levels.
    ///
    /// A panel need not have a figure at every level: a stroke or a fixture has panels of its own,
    /// positions and families share theirs. Cost: panels times levels squared.
    ///
    /// # Errors
    /// [`AttributionError`] for no or too many levels, a level out of range, fewer than two panels
    /// of a level before or after, a repeated or a non-finite figure.
    ///
    /// ```
    /// use spc::attribution::{AttributionError, Changes, Figure, Window};
    /// let lone = Figure { window: Window::Before, panel: 1, level: 0, value: 100.0 };
    /// let (level, window, panels) = (0, Window::Before, 1);
    /// let too_few = AttributionError::TooFew { level, window, panels };
    /// assert_eq!(Changes::of(&[lone], 1).err(), Some(too_few));
    /// ```
    pub fn of(figures: &[Figure], levels: usize) -> Result<Self, AttributionError> {
        if levels == 0 || levels > LEVELS_MAX {
            return Err(AttributionError::Levels(levels));
        }
        let rows = by_panel(figures, levels)?;
        let mut sums = BTreeMap::new();
        for window in [Window::Before, Window::After] {
            for level in 0..levels {
                let found = rows.iter().filter(|((side, _), _)| *side == window);
                let values: Vec<f64> = found.filter_map(|(_, row)| row[level]).collect();
                let panels = values.len();
                if panels < 2 {
                    return Err(AttributionError::TooFew {
                        level,
                        window,
                        panels,
                    });
                }
                let mean = values.iter().sum::<f64>() / panels as f64;
                sums.insert((window, level), (panels, mean));
            }
        }
        let of = |window, level| sums[&(window, level)];
        let change = |level| of(Window::After, level).1 - of(Window::Before, level).1;
        let panels = |level| (of(Window::Before, level).0, of(Window::After, level).0);
        let groups = groups(&rows, levels, of);
        let zero = Matrix::zeros(levels);
        Ok(Self {
            changes: (0..levels).map(change).collect(),
            panels: (0..levels).map(panels).collect(),
            covariance: groups.iter().fold(zero, |sum, (part, _)| sum.plus(part)),
            groups,
        })
    }

    /// Mean after less mean before, by level, in the unit of the figures. Cost: constant.
    ///
    /// ```
    /// use spc::attribution::{Changes, Figure, Window};
    /// let figure = |(panel, value)| {
    ///     let window = if panel < 2 { Window::Before } else { Window::After };
    ///     Figure { window, panel, level: 0, value }
    /// };
    /// let figures: Vec<Figure> = (0..).zip([100.0, 102.0, 104.0, 106.0]).map(figure).collect();
    /// assert_eq!(Changes::of(&figures, 1)?.changes(), [4.0]);
    /// # Ok::<(), spc::attribution::AttributionError>(())
    /// ```
    pub fn changes(&self) -> &[f64] {
        &self.changes
    }

    /// Which levels explain the shift.
    ///
    /// All levels weigh alike. `confidence` (such as 0.95) is that of every interval and, as its
    /// complement, the level of every test; `seed` fixes the draws. Cost: 1,000 draws times levels
    /// squared.
    ///
    /// ```
    /// use spc::attribution::{Answer, Changes, Figure, Window};
    /// // Front strokes (level 0) stay at 100 um; back strokes (level 1) fall by 5 um.
    /// let noise = [0.4, -0.7, 0.2, 0.9, -0.5, -0.3];
    /// let mut figures = Vec::new();
    /// for (panel, noise) in (0..24).zip(noise.into_iter().cycle()) {
    ///     let window = if panel < 12 { Window::Before } else { Window::After };
    ///     let level = panel % 2;
    ///     let fall = if panel >= 12 && level == 1 { 5.0 } else { 0.0 };
    ///     let value = 100.0 + noise - fall;
    ///     figures.push(Figure { window, panel: panel as u64, level, value });
    /// }
    /// let found = Changes::of(&figures, 2).unwrap().attribute(0.95, 1).unwrap();
    /// assert_eq!(found.answer, Answer::Levels(vec![1]));
    /// assert!(found.levels[1].share.value > 0.9);
    /// ```
    ///
    /// # Errors
    /// [`AttributionError::Confidence`] for a confidence not inside 0 to 1.
    pub fn attribute(&self, confidence: f64, seed: u64) -> Result<Attribution, AttributionError> {
        check_confidence(confidence)?;
        let size = self.changes.len();
        let weight = 1.0 / size as f64;
        let all = Matrix::from_fn(size, |i, j| if i == j { weight } else { 0.0 });
        let common = Matrix::from_fn(size, |_, _| weight * weight);
        let between = Matrix::from_fn(size, |i, j| all.at(i, j) - common.at(i, j));
        let tests = [&all, &common, &between].map(|form| self.test(form));
        let draws = self.draws(tests[0].degrees, seed);
        let alpha = 1.0 - confidence;
        let levels = self.level_changes(&draws, alpha);
        let parts = (tests[2].excess(), tests[1].excess());
        let between = share(parts, (&tests[2], &tests[1]), &draws, alpha, |d| {
            let mean = d.iter().sum::<f64>() * weight;
            let square = dot(d, d) * weight;
            (square - mean * mean, mean * mean)
        });
        let (p_nothing, p_alike) = (tests[0].p, tests[2].p);
        let answer = answer(&levels, between, (p_nothing, p_alike), alpha);
        Ok(Attribution {
            levels,
            between,
            p_alike,
            p_nothing,
            answer,
        })
    }

    fn level_changes(&self, draws: &[Vec<f64>], alpha: f64) -> Vec<LevelChange> {
        let size = self.changes.len();
        let only = |level: usize| {
            let alone = move |place| f64::from(u8::from(place == level));
            let others = move |place| 1.0 - alone(place);
            [self.test_of_levels(alone), self.test_of_levels(others)]
        };
        let tests: Vec<[Test; 2]> = (0..size).map(only).collect();
        let whole: f64 = tests.iter().map(|[own, _]| own.excess()).sum();
        let level = |level: usize| {
            let mut direction = vec![0.0; size];
            direction[level] = 1.0;
            let (change, t, degrees, p) = self.linear(&direction, alpha);
            let [own, rest] = &tests[level];
            let parts = (own.excess(), whole - own.excess());
            let split = |d: &[f64]| {
                let own = d[level] * d[level];
                (own, dot(d, d) - own)
            };
            LevelChange {
                panels: self.panels[level],
                change,
                t,
                degrees,
                p,
                share: share(parts, (own, rest), draws, alpha, split),
            }
        };
        (0..size).map(level).collect()
    }

    /// A linear function of the changes with its t interval, t, degrees of freedom and p.
    fn linear(&self, direction: &[f64], alpha: f64) -> (Interval, f64, f64, f64) {
        let value = dot(direction, &self.changes);
        let variance = self.covariance.quadratic(direction);
        let spread = |(part, degrees): &(Matrix, f64)| part.quadratic(direction).powi(2) / degrees;
        let doubt: f64 = self.groups.iter().map(spread).sum();
        let degrees = degrees_of(variance, doubt);
        let error = variance.sqrt();
        let t = if error > 0.0 { value / error } else { 0.0 };
        let Ok(law) = StudentsT::new(0.0, 1.0, degrees) else {
            // Degrees of freedom are at least one, so the law exists.
            return (Interval::at(value), t, degrees, 1.0);
        };
        let reach = law.inverse_cdf(1.0 - alpha / 2.0) * error;
        let interval = Interval {
            value,
            low: value - reach,
            high: value + reach,
        };
        (interval, t, degrees, 2.0 * law.sf(t.abs()))
    }

    fn test(&self, form: &Matrix) -> Test {
        let product = form.times(&self.covariance);
        let spread = |(part, degrees): &(Matrix, f64)| form.times(part).trace_of_square() / degrees;
        Test::of(
            form.quadratic(&self.changes),
            (product.trace(), product.trace_of_square()),
            self.groups.iter().map(spread).sum(),
        )
    }

    /// The same for a sum of squares of some levels, which costs less.
    fn test_of_levels(&self, weight: impl Fn(usize) -> f64) -> Test {
        let size = self.changes.len();
        let weights: Vec<f64> = (0..size).map(weight).collect();
        let square = |part: &Matrix| part.squared_entries(&weights);
        let spread = |(part, degrees): &(Matrix, f64)| square(part) / degrees;
        let noise = (0..size).map(|i| weights[i] * self.covariance.at(i, i));
        let form = (0..size).map(|i| weights[i] * self.changes[i].powi(2));
        Test::of(
            form.sum(),
            (noise.sum(), square(&self.covariance)),
            self.groups.iter().map(spread).sum(),
        )
    }

    /// Changes as other panels might have shown them. The chi-square in the t is drawn by the cube
    /// root transform of E. B. Wilson and M. M. Hilferty, 1931.
    fn draws(&self, degrees: f64, seed: u64) -> Vec<Vec<f64>> {
        let root = self.covariance.root();
        let mut normals = Normals::new(seed);
        let part = 2.0 / (9.0 * degrees);
        let one = |_| {
            let scale = (1.0 - part + normals.draw() * part.sqrt()).powi(3);
            let stretch = scale.max(1e-3).sqrt().recip();
            let noise: Vec<f64> = self.changes.iter().map(|_| normals.draw()).collect();
            let noise = root.times_vector(&noise);
            let add = |(change, noise): (&f64, f64)| change + stretch * noise;
            self.changes.iter().zip(noise).map(add).collect()
        };
        (0..DRAWS).map(one).collect()
    }
}

impl Test {
    /// d'Md, tr(MV) with tr(MVMV), and the sum of tr((MV_g)^2)/(n_g - 1).
    fn of(form: f64, (noise, square): (f64, f64), doubt: f64) -> Self {
        let degrees = degrees_of(noise, doubt);
        // One level has nothing between levels, and figures without spread tell nothing.
        let p = match FisherSnedecor::new(noise * noise / square, degrees) {
            Ok(law) if noise > 0.0 => law.sf(form / noise),
            _ => 1.0,
        };
        Self {
            form,
            noise,
            degrees,
            p,
        }
    }

    /// What is left of the form after what noise alone puts into it.
    fn excess(&self) -> f64 {
        (self.form - self.noise).max(0.0)
    }
}

impl Interval {
    fn at(value: f64) -> Self {
        Self {
            value,
            low: value,
            high: value,
        }
    }
}

fn check_confidence(confidence: f64) -> Result<(), AttributionError> {
    let inside = confidence > 0.0 && confidence < 1.0;
    inside
        .then_some(())
        .ok_or(AttributionError::Confidence(confidence))
}

/// Satterthwaite's degrees of freedom; without any doubt, enough to count as known.
fn degrees_of(variance: f64, doubt: f64) -> f64 {
    let degrees = variance * variance / doubt;
    if degrees.is_finite() {
        degrees.clamp(1.0, 1e6)
    } else {
        1.0
    }
}

type Row = Vec<Option<f64>>;

fn by_panel(
    figures: &[Figure],
    levels: usize,
) -> Result<BTreeMap<(Window, u64), Row>, AttributionError> {
    let mut rows: BTreeMap<(Window, u64), Row> = BTreeMap::new();
    for figure in figures {
        let (panel, level) = (figure.panel, figure.level);
        if level >= levels {
            return Err(AttributionError::Level(level));
        }
        if !figure.value.is_finite() {
            return Err(AttributionError::NotFinite(panel));
        }
        let row = rows
            .entry((figure.window, panel))
            .or_insert_with(|| vec![None; levels]);
        if row[level].replace(figure.value).is_some() {
            return Err(AttributionError::Twice { panel, level });
        }
    }
    Ok(rows)
}

/// What each group of panels, alike in window and in levels covered, adds to the covariance.
fn groups(
    rows: &BTreeMap<(Window, u64), Row>,
    levels: usize,
    of: impl Fn(Window, usize) -> (usize, f64),
) -> Vec<(Matrix, f64)> {
    let mut found: BTreeMap<(Window, Vec<bool>), (Matrix, f64)> = BTreeMap::new();
    for ((window, _), row) in rows {
        let covered: Vec<bool> = row.iter().map(Option::is_some).collect();
        // The residual, with the factor that makes the variance of a mean unbiased.
        let residual = |(level, value): (usize, &Option<f64>)| {
            let (panels, mean) = of(*window, level);
            let few = (panels as f64 * (panels as f64 - 1.0)).sqrt();
            value.map_or(0.0, |value| (value - mean) / few)
        };
        let residuals: Vec<f64> = row.iter().enumerate().map(residual).collect();
        let fresh = || (Matrix::zeros(levels), -1.0);
        let (sum, degrees) = found.entry((*window, covered)).or_insert_with(fresh);
        *degrees += 1.0;
        for i in (0..levels).filter(|&i| row[i].is_some()) {
            for j in (0..levels).filter(|&j| row[j].is_some()) {
                sum.add(i, j, residuals[i] * residuals[j]);
            }
        }
    }
    let one = |(sum, degrees): (Matrix, f64)| (sum, degrees.max(1.0));
    found.into_values().map(one).collect()
}

/// A part of the whole change, given what part and rest hold beyond noise, with percentiles of the
/// draws, and with an end of 0 or 1 where a test does not exclude it. Drawn squares carry noise
/// twice, once of the panels seen and once of the draw.
fn share(
    (own, other): (f64, f64),
    (part, rest): (&Test, &Test),
    draws: &[Vec<f64>],
    alpha: f64,
    split: impl Fn(&[f64]) -> (f64, f64),
) -> Interval {
    let ratio = |own: f64, other: f64| {
        let whole = own + other;
        if whole > 0.0 { own / whole } else { 0.0 }
    };
    let drawn = |d: &Vec<f64>| {
        let (own, other) = split(d);
        let less = |form: f64, test: &Test| (form - 2.0 * test.noise).max(0.0);
        ratio(less(own, part), less(other, rest))
    };
    let mut shares: Vec<f64> = draws.iter().map(drawn).collect();
    let last = shares.len() - 1;
    let mut quantile = |p: f64| {
        let place = (p * last as f64).round() as usize;
        *shares
            .select_nth_unstable_by(place.min(last), f64::total_cmp)
            .1
    };
    let ends = (quantile(alpha / 2.0), quantile(1.0 - alpha / 2.0));
    let low = if part.p >= alpha { 0.0 } else { ends.0 };
    let high = if rest.p >= alpha { 1.0 } else { ends.1 };
    let value = ratio(own, other);
    Interval {
        value,
        low: low.min(value),
        high: high.max(value),
    }
}

fn answer(
    levels: &[LevelChange],
    between: Interval,
    (p_nothing, p_alike): (f64, f64),
    alpha: f64,
) -> Answer {
    if p_nothing >= alpha {
        return Answer::Nothing;
    }
    if p_alike >= alpha {
        // One of two levels alone would put half of the change between levels.
        let alike = between.high < 0.5;
        return if alike {
            Answer::Common
        } else {
            Answer::Undecided
        };
    }
    let largest = levels.iter().map(|level| level.change.value.abs());
    let least = MOVED_SHARE * largest.fold(0.0, f64::max);
    let each = alpha / levels.len() as f64;
    let has_moved = |level: &LevelChange| level.p < each && level.change.value.abs() >= least;
    let mut moved: Vec<usize> = (0..levels.len())
        .filter(|&place| has_moved(&levels[place]))
        .collect();
    moved.sort_by(|a, b| {
        let share = |place: &usize| levels[*place].share.value;
        share(b).total_cmp(&share(a)).then(a.cmp(b))
    });
    match moved.len() {
        0 => Answer::Undecided,
        all if all == levels.len() => Answer::Uneven,
        _ => Answer::Levels(moved),
    }
}
