//! Gradients over a panel: how much of a change is a plane over x and y.
//!
//! Purpose: tell a tilt of height, or a stretch of offsets, from a change of single places. Must
//! not know pads, only places. The one invariant: the plane is fitted to panel-level changes, and
//! its spread comes from the panels.

use super::{AttributionError, Changes, Interval, check_confidence, share};
use crate::matrix::Matrix;

/// Where a level lies on the panel: a pad, or the middle of a region of pads.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Along the panel, in any unit.
    pub x: f64,
    /// Across it, in the same unit.
    pub y: f64,
    /// What it counts for, such as its pads; above 0.
    pub weight: f64,
}

/// A plane through the changes: common + along_x (x - xbar) + along_y (y - ybar).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gradient {
    /// The change at the weighted middle of the places, in the unit of the figures.
    pub common: Interval,
    /// The slope in x, per unit of the places.
    pub along_x: Interval,
    /// The slope in y.
    pub along_y: Interval,
    /// Share of the weighted mean squared change that the two slopes explain, bias-corrected.
    pub share: Interval,
    /// The chance of slopes as large when there is no gradient.
    pub p: f64,
}

impl Changes {
    /// The weighted least-squares plane through the changes, one place a level.
    ///
    /// Levels may be single pads or regions (at most 128); `confidence` and `seed` as for
    /// [`Changes::attribute`]. The coefficients are linear in the changes, so their variance is
    /// that of the panels (N. R. Draper and H. Smith, Applied Regression Analysis, 3rd ed. 1998,
    /// chapter 9, for the weighted fit). Cost: as for [`Changes::attribute`].
    ///
    /// # Errors
    /// [`AttributionError`] for a confidence not inside 0 to 1, for a number of places other than
    /// that of the levels, for coordinates that are not finite or weights not above 0, and for
    /// places on one line, fewer than three included.
    ///
    /// ```
    /// use spc::attribution::{Changes, Figure, Place, Window};
    /// // Four corners, 100 mm apart in x: after panel 10 the right ones are 2 um higher.
    /// let places = [(0.0, 0.0), (0.0, 80.0), (100.0, 0.0), (100.0, 80.0)];
    /// let places = places.map(|(x, y)| Place { x, y, weight: 1.0 });
    /// let mut figures = Vec::new();
    /// for panel in 0..20_u64 {
    ///     for (level, place) in places.iter().enumerate() {
    ///         let is_after = panel >= 10;
    ///         let window = if is_after { Window::After } else { Window::Before };
    ///         let tilt = if is_after { 0.02 * place.x } else { 0.0 };
    ///         let noise = ((panel * 7 + level as u64 * 3) % 10) as f64 * 0.1;
    ///         figures.push(Figure { window, panel, level, value: 100.0 + tilt + noise });
    ///     }
    /// }
    /// let found = Changes::of(&figures, 4)?.plane(&places, 0.95, 1)?;
    /// assert!((found.along_x.value - 0.02).abs() < 1e-12 && found.along_y.value.abs() < 1e-12);
    /// // Half of the squared change is common to all: 1 um of the 0 and 2.
    /// assert!(found.p < 0.01 && (found.share.value - 0.5).abs() < 0.05);
    /// # Ok::<(), spc::attribution::AttributionError>(())
    /// ```
    pub fn plane(
        &self,
        places: &[Place],
        confidence: f64,
        seed: u64,
    ) -> Result<Gradient, AttributionError> {
        check_confidence(confidence)?;
        let [common, along_x, along_y] = coefficients(places, self.changes.len())?;
        let total: f64 = places.iter().map(|place| place.weight).sum();
        let weight = |i: usize| places[i].weight / total;
        let size = places.len();
        let all = Matrix::from_fn(size, |i, j| if i == j { weight(i) } else { 0.0 });
        let fitted = slope_form(places, &weight, (&along_x, &along_y));
        let rest = Matrix::from_fn(size, |i, j| all.at(i, j) - fitted.at(i, j));
        let tests = [&all, &fitted, &rest].map(|form| self.test(form));
        let draws = self.draws(tests[0].degrees, seed);
        let alpha = 1.0 - confidence;
        let parts = (tests[1].excess(), tests[2].excess());
        let share = share(parts, (&tests[1], &tests[2]), &draws, alpha, |d| {
            let own = fitted.quadratic(d);
            (own, all.quadratic(d) - own)
        });
        Ok(Gradient {
            common: self.linear(&common, alpha).0,
            along_x: self.linear(&along_x, alpha).0,
            along_y: self.linear(&along_y, alpha).0,
            share,
            p: tests[1].p,
        })
    }
}

/// The form that gives the weighted mean square of what the two slopes predict.
fn slope_form(
    places: &[Place],
    weight: &impl Fn(usize) -> f64,
    (along_x, along_y): (&[f64], &[f64]),
) -> Matrix {
    let centred = centred(places);
    let square = |pick: fn(&(f64, f64)) -> f64| {
        let one = |(i, place): (usize, &(f64, f64))| weight(i) * pick(place);
        centred.iter().enumerate().map(one).sum::<f64>()
    };
    let (xx, xy, yy) = (
        square(|(x, _)| x * x),
        square(|(x, y)| x * y),
        square(|(_, y)| y * y),
    );
    Matrix::from_fn(places.len(), |i, j| {
        along_x[i] * along_x[j] * xx
            + (along_x[i] * along_y[j] + along_y[i] * along_x[j]) * xy
            + along_y[i] * along_y[j] * yy
    })
}

/// Places from their weighted middle.
fn centred(places: &[Place]) -> Vec<(f64, f64)> {
    let total: f64 = places.iter().map(|place| place.weight).sum();
    let mean = |pick: fn(&Place) -> f64| {
        let weighted = places.iter().map(|place| place.weight * pick(place));
        weighted.sum::<f64>() / total
    };
    let (x, y) = (mean(|place| place.x), mean(|place| place.y));
    places
        .iter()
        .map(|place| (place.x - x, place.y - y))
        .collect()
}

/// The directions in the space of changes whose inner products are the coefficients.
fn coefficients(places: &[Place], levels: usize) -> Result<[Vec<f64>; 3], AttributionError> {
    let wrong = |words| Err(AttributionError::Places(words));
    if places.len() != levels {
        return wrong("a plane needs one place for each level");
    }
    let is_good = |place: &Place| {
        let numbers = [place.x, place.y, place.weight];
        numbers.iter().all(|number| number.is_finite()) && place.weight > 0.0
    };
    if !places.iter().all(is_good) {
        return wrong("a place needs finite coordinates and a weight above 0");
    }
    let centred = centred(places);
    let total: f64 = places.iter().map(|place| place.weight).sum();
    let sum = |pick: fn(&(f64, f64)) -> f64| {
        let weighted = places.iter().zip(&centred);
        weighted
            .map(|(place, at)| place.weight * pick(at))
            .sum::<f64>()
    };
    let (xx, xy, yy) = (
        sum(|(x, _)| x * x),
        sum(|(x, y)| x * y),
        sum(|(_, y)| y * y),
    );
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 * xx * yy || levels < 3 {
        return wrong("a plane needs three places that are not on one line");
    }
    let along = |pick: &dyn Fn(&(f64, f64)) -> f64| {
        let weighted = places.iter().zip(&centred);
        weighted
            .map(|(place, at)| place.weight * pick(at) / determinant)
            .collect()
    };
    Ok([
        places.iter().map(|place| place.weight / total).collect(),
        along(&|(x, y)| yy * x - xy * y),
        along(&|(x, y)| xx * y - xy * x),
    ])
}
