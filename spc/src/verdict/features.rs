//! Panels to a few figures, their changes and their covariance.
//!
//! Purpose: reduce cells to what the candidates speak of, panel by panel, so that the spread of
//! every figure is that between panels. Must not know faults. The one invariant: a figure is linear
//! in the logarithms and offsets of its panel, so changes of figures are figures of changes.

use super::candidates::Fitted;
use super::{DEGREES_MIN, PANELS_MIN, Panel, Setup, VerdictError};
use crate::attribution::Window;
use crate::matrix::{Matrix, dot};

/// A change of this part of a figure's own sigma is held against no explanation.
const INDIFFERENCE: f64 = 0.15;

/// Where each figure stands in the figures of a stroke.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    /// Log heights come first, then log areas, then the volume beside them.
    pub families: usize,
    /// Slopes of log height over x and y, of cells centred within their family.
    pub slopes: Option<usize>,
    /// Mean offsets in x and y.
    pub offsets: Option<usize>,
    /// Slopes of the offset in x over x and y, then of that in y.
    pub turns: Option<usize>,
    /// Figures of a stroke.
    pub width: usize,
    /// Strokes.
    pub strokes: usize,
    /// The mean place of each family from the middle of all cells.
    pub family_places: Vec<(f64, f64)>,
}

/// Changes of the figures of all strokes, whitened.
pub(super) struct Changes {
    /// Where the figures stand.
    pub layout: Layout,
    /// Mean height before, by family.
    pub heights: Vec<f64>,
    /// Whether the saw-tooth between wipes is known: it is then the last number.
    pub has_wipes: bool,
    /// The degrees of freedom of the covariance.
    pub degrees: f64,
    white: Vec<f64>,
    roots: Vec<Matrix>,
}

impl Changes {
    /// Numbers in the changes.
    pub(super) fn count(&self) -> usize {
        self.white.len()
    }

    /// The fit of "nothing moved".
    pub(super) fn null(&self) -> Fitted {
        Fitted {
            sizes: Vec::new(),
            rest: dot(&self.white, &self.white),
        }
    }

    /// The generalised least-squares fit; none where the sizes are not told apart.
    pub(super) fn fit(&self, columns: &[Vec<f64>]) -> Option<Fitted> {
        let columns: Vec<Vec<f64>> = columns.iter().map(|one| self.whiten(one)).collect();
        let size = columns.len();
        let root = Matrix::from_fn(size, |i, j| dot(&columns[i], &columns[j])).root();
        if !root.has_full_rank() {
            return None;
        }
        let sums: Vec<f64> = columns.iter().map(|one| dot(one, &self.white)).collect();
        let sizes = root.solve_upper(&root.solve_lower(&sums));
        let left = |(i, value): (usize, &f64)| {
            let explained: f64 = (0..size).map(|k| sizes[k] * columns[k][i]).sum();
            (value - explained).powi(2)
        };
        let rest = self.white.iter().enumerate().map(left).sum();
        Some(Fitted { sizes, rest })
    }

    fn whiten(&self, raw: &[f64]) -> Vec<f64> {
        let width = self.layout.width;
        let strokes = self.roots.iter().zip(raw.chunks(width));
        let mut white: Vec<f64> = strokes
            .flat_map(|(root, part)| root.solve_lower(part))
            .collect();
        // The saw-tooth is in units of its own error already.
        white.extend(raw.get(self.roots.len() * width));
        white
    }
}

/// The changes of a study.
pub(super) fn changes(setup: &Setup, panels: &[Panel]) -> Result<Changes, VerdictError> {
    check(setup, panels)?;
    let layout = layout(setup, panels);
    let rows: Vec<Vec<f64>> = panels.iter().map(|one| row(setup, &layout, one)).collect();
    let chosen = |window, stroke| {
        let pairs = panels.iter().zip(&rows);
        let own = pairs.filter(move |(one, _)| one.window == window && one.stroke == stroke);
        own.map(|(_, row)| row.as_slice()).collect::<Vec<&[f64]>>()
    };
    let mut residuals: Vec<Vec<f64>> = Vec::new();
    let (mut raw, mut factors) = (Vec::new(), Vec::new());
    for stroke in 0..setup.strokes {
        let (before, after) = (
            chosen(Window::Before, stroke),
            chosen(Window::After, stroke),
        );
        let (mean, later) = (mean(&before, layout.width), mean(&after, layout.width));
        let less = |row: &&[f64]| row.iter().zip(&mean).map(|(a, b)| a - b).collect();
        residuals.extend(before.iter().map(less));
        raw.extend(later.iter().zip(&mean).map(|(a, b)| a - b));
        factors.push(1.0 / before.len() as f64 + 1.0 / after.len() as f64);
    }
    let degrees = (residuals.len() - setup.strokes) as f64;
    let spread = shrunk(&residuals, degrees, layout.width);
    let root = |factor: &f64| {
        let allowed = |i| INDIFFERENCE.powi(2) * spread.at(i, i);
        let entry = |i, j| factor * spread.at(i, j) + if i == j { allowed(i) } else { 0.0 };
        Matrix::from_fn(layout.width, entry).root()
    };
    let tooth = saw_tooth(setup, panels, &rows);
    raw.extend(tooth);
    let mut changes = Changes {
        heights: heights(setup, panels),
        has_wipes: tooth.is_some(),
        degrees,
        white: Vec::new(),
        roots: factors.iter().map(root).collect(),
        layout,
    };
    changes.white = changes.whiten(&raw);
    Ok(changes)
}

fn check(setup: &Setup, panels: &[Panel]) -> Result<(), VerdictError> {
    let families = setup.apertures.len();
    let in_use = |family| setup.cells.iter().any(|cell| cell.family == family);
    let known = setup.cells.iter().all(|cell| cell.family < families);
    if families == 0 || !known || !(0..families).all(in_use) {
        let words = "every cell needs a family, and every family a cell";
        return Err(VerdictError::Setup(words));
    }
    let places = setup.cells.iter().filter_map(|cell| cell.place);
    let is_finite = places.clone().all(|(x, y)| x.is_finite() && y.is_finite());
    if !is_finite || setup.apertures.iter().any(|size| !size.is_finite()) {
        let words = "places and apertures must be finite numbers";
        return Err(VerdictError::Setup(words));
    }
    for (panel, one) in panels.iter().enumerate() {
        let refuse = |problem| Err(VerdictError::Panel { panel, problem });
        if one.stroke >= setup.strokes || one.deposits.len() != setup.cells.len() {
            return refuse("its stroke or its cells are not those of the setup");
        }
        let is_above = |value: f64| value.is_finite() && value > 0.0;
        let is_good = one.deposits.iter().all(|deposit| {
            let (x, y) = deposit.offset.unwrap_or_default();
            let whole = is_above(deposit.height) && is_above(deposit.area);
            whole && is_above(deposit.volume) && x.is_finite() && y.is_finite()
        });
        if !is_good || one.since_wipe.is_some_and(|prints| !prints.is_finite()) {
            return refuse("heights, areas and volumes must be above 0, all numbers finite");
        }
    }
    enough(setup, panels)
}

fn enough(setup: &Setup, panels: &[Panel]) -> Result<(), VerdictError> {
    let count = |window, stroke| {
        let own = |one: &&Panel| one.window == window && one.stroke == stroke;
        panels.iter().filter(own).count()
    };
    let all: usize = (0..setup.strokes).map(|s| count(Window::Before, s)).sum();
    for stroke in 0..setup.strokes {
        let (before, after) = (count(Window::Before, stroke), count(Window::After, stroke));
        let few = before.min(after) < PANELS_MIN || all < setup.strokes + DEGREES_MIN;
        if few {
            return Err(VerdictError::TooFew {
                stroke,
                before,
                after,
            });
        }
    }
    if setup.strokes == 0 {
        return Err(VerdictError::Setup("there is at least one stroke"));
    }
    Ok(())
}

fn layout(setup: &Setup, panels: &[Panel]) -> Layout {
    let families = setup.apertures.len();
    let has_offsets = panels
        .iter()
        .flat_map(|panel| &panel.deposits)
        .all(|deposit| deposit.offset.is_some());
    let has_plane = |places: Option<Vec<(f64, f64)>>| {
        places.is_some_and(|places| determinant(&places).is_some())
    };
    let mut width = 2 * families + 1;
    let mut next = |wanted: bool, more: usize| {
        let start = width;
        width += if wanted { more } else { 0 };
        wanted.then_some(start)
    };
    let slopes = next(has_plane(within_families(setup)), 2);
    let offsets = next(has_offsets, 2);
    let turns = next(has_offsets && has_plane(from_middle(setup)), 4);
    let family_places = from_middle(setup).map_or_else(Vec::new, |places| {
        let one = |family| {
            let cells = setup.cells.iter().zip(&places);
            let own: Vec<(f64, f64)> = cells
                .filter(|(cell, _)| cell.family == family)
                .map(|(_, place)| *place)
                .collect();
            middle(&own)
        };
        (0..families).map(one).collect()
    });
    Layout {
        families,
        slopes,
        offsets,
        turns,
        width,
        strokes: setup.strokes,
        family_places,
    }
}

fn middle(places: &[(f64, f64)]) -> (f64, f64) {
    let count = places.len().max(1) as f64;
    let add = |sum: (f64, f64), at: &(f64, f64)| (sum.0 + at.0 / count, sum.1 + at.1 / count);
    places.iter().fold((0.0, 0.0), add)
}

fn from_middle(setup: &Setup) -> Option<Vec<(f64, f64)>> {
    let places: Option<Vec<(f64, f64)>> = setup.cells.iter().map(|cell| cell.place).collect();
    let places = places?;
    let (x, y) = middle(&places);
    Some(places.iter().map(|at| (at.0 - x, at.1 - y)).collect())
}

/// Places from the middle of their own family, so that slopes hold no difference of families.
fn within_families(setup: &Setup) -> Option<Vec<(f64, f64)>> {
    let places = from_middle(setup)?;
    let of = |family| {
        let cells = setup.cells.iter().zip(&places);
        let own = cells.filter(|(cell, _)| cell.family == family);
        middle(&own.map(|(_, place)| *place).collect::<Vec<_>>())
    };
    let middles: Vec<(f64, f64)> = (0..setup.apertures.len()).map(of).collect();
    let less = |(cell, at): (&super::Cell, &(f64, f64))| {
        let middle = middles[cell.family];
        (at.0 - middle.0, at.1 - middle.1)
    };
    Some(setup.cells.iter().zip(&places).map(less).collect())
}

/// The sums of squares and products of centred places with their determinant; none on a line.
fn determinant(places: &[(f64, f64)]) -> Option<(f64, f64, f64, f64)> {
    let sum = |pick: fn(&(f64, f64)) -> f64| places.iter().map(pick).sum::<f64>();
    let (xx, xy, yy) = (sum(|p| p.0 * p.0), sum(|p| p.0 * p.1), sum(|p| p.1 * p.1));
    let determinant = xx * yy - xy * xy;
    (determinant > 1e-9 * xx * yy).then_some((xx, xy, yy, determinant))
}

/// Slopes of values over centred places.
fn slopes(values: &[f64], places: &[(f64, f64)]) -> [f64; 2] {
    let Some((xx, xy, yy, determinant)) = determinant(places) else {
        return [0.0; 2];
    };
    let pairs = || values.iter().zip(places);
    let vx: f64 = pairs().map(|(value, at)| value * at.0).sum();
    let vy: f64 = pairs().map(|(value, at)| value * at.1).sum();
    [
        (vx * yy - vy * xy) / determinant,
        (vy * xx - vx * xy) / determinant,
    ]
}

/// The figures of a panel.
fn row(setup: &Setup, layout: &Layout, panel: &Panel) -> Vec<f64> {
    let logs: Vec<[f64; 3]> = panel
        .deposits
        .iter()
        .map(|deposit| [deposit.height.ln(), deposit.area.ln(), deposit.volume.ln()])
        .collect();
    let of_family = |family: usize, which: usize| {
        let cells = setup.cells.iter().zip(&logs);
        let own = cells.filter(|(cell, _)| cell.family == family);
        let own: Vec<f64> = own.map(|(_, log)| log[which]).collect();
        own.iter().sum::<f64>() / own.len() as f64
    };
    let mut row: Vec<f64> = (0..2)
        .flat_map(|which| (0..layout.families).map(move |family| (family, which)))
        .map(|(family, which)| of_family(family, which))
        .collect();
    let beside = logs
        .iter()
        .map(|[height, area, volume]| volume - height - area);
    row.push(beside.sum::<f64>() / logs.len() as f64);
    if let (Some(_), Some(places)) = (layout.slopes, within_families(setup)) {
        let heights: Vec<f64> = logs.iter().map(|log| log[0]).collect();
        row.extend(slopes(&heights, &places));
    }
    let offset = |deposit: &super::Deposit| deposit.offset.unwrap_or_default();
    let (x, y): (Vec<f64>, Vec<f64>) = panel.deposits.iter().map(offset).unzip();
    if layout.offsets.is_some() {
        row.extend([&x, &y].map(|all| all.iter().sum::<f64>() / all.len() as f64));
    }
    if let (Some(_), Some(places)) = (layout.turns, from_middle(setup)) {
        row.extend(slopes(&x, &places));
        row.extend(slopes(&y, &places));
    }
    row
}

fn mean(rows: &[&[f64]], width: usize) -> Vec<f64> {
    let one = |place: usize| rows.iter().map(|row| row[place]).sum::<f64>() / rows.len() as f64;
    (0..width).map(one).collect()
}

/// The covariance with correlations shrunk by the share of their sum of squares that is error.
fn shrunk(residuals: &[Vec<f64>], degrees: f64, width: usize) -> Matrix {
    let entry = |i: usize, j: usize| {
        let products = residuals.iter().map(|row| row[i] * row[j]);
        products.sum::<f64>() / degrees
    };
    let plain = Matrix::from_fn(width, entry);
    let correlation = |i: usize, j: usize| {
        let scale = (plain.at(i, i) * plain.at(j, j)).sqrt();
        if scale > 0.0 {
            plain.at(i, j) / scale
        } else {
            0.0
        }
    };
    let pairs = (0..width).flat_map(|i| (0..i).map(move |j| (i, j)));
    let (mut error, mut square) = (0.0, 0.0);
    for (i, j) in pairs {
        let r = correlation(i, j);
        error += (1.0 - r * r).powi(2) / degrees;
        square += r * r;
    }
    let keep = if square > 0.0 {
        1.0 - (error / square).min(1.0)
    } else {
        0.0
    };
    Matrix::from_fn(width, |i, j| {
        plain.at(i, j) * if i == j { 1.0 } else { keep }
    })
}

/// Mean height before, by family.
fn heights(setup: &Setup, panels: &[Panel]) -> Vec<f64> {
    let of = |family: usize| {
        let before = panels.iter().filter(|one| one.window == Window::Before);
        let cells = before.flat_map(|one| setup.cells.iter().zip(&one.deposits));
        let own = cells.filter(|(cell, _)| cell.family == family);
        let all: Vec<f64> = own.map(|(_, deposit)| deposit.height).collect();
        all.iter().sum::<f64>() / all.len() as f64
    };
    (0..setup.apertures.len()).map(of).collect()
}

/// How much the fall of small areas with each print since a wipe has grown, in its own errors.
fn saw_tooth(setup: &Setup, panels: &[Panel], rows: &[Vec<f64>]) -> Option<f64> {
    let prints: Option<Vec<f64>> = panels.iter().map(|one| one.since_wipe).collect();
    let prints = prints?;
    let place = setup.apertures.len() + smallest(setup);
    let slope = |window: Window| {
        let (mut xx, mut xy, mut yy, mut count) = (0.0, 0.0, 0.0, 0.0);
        for stroke in 0..setup.strokes {
            let own: Vec<(f64, f64)> = (0..panels.len())
                .filter(|&i| panels[i].window == window && panels[i].stroke == stroke)
                .map(|i| (prints[i], rows[i][place]))
                .collect();
            let (x, y) = middle(&own);
            for at in &own {
                xx += (at.0 - x).powi(2);
                xy += (at.0 - x) * (at.1 - y);
                yy += (at.1 - y).powi(2);
            }
            count += own.len() as f64 - 1.0;
        }
        let error = (yy - xy * xy / xx) / (count - 1.0) / xx;
        (xx > 0.0 && error > 0.0).then_some((xy / xx, error))
    };
    let (before, after) = (slope(Window::Before)?, slope(Window::After)?);
    Some((after.0 - before.0) / (after.1 + before.1).sqrt())
}

/// The family with the smallest aperture.
pub(super) fn smallest(setup: &Setup) -> usize {
    by_aperture(setup).first().copied().unwrap_or(0)
}

/// Families by growing aperture.
pub(super) fn by_aperture(setup: &Setup) -> Vec<usize> {
    let mut order: Vec<usize> = (0..setup.apertures.len()).collect();
    order.sort_by(|a, b| setup.apertures[*a].total_cmp(&setup.apertures[*b]));
    order
}
