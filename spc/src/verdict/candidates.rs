//! What each fault predicts for the figures of a panel.
//!
//! Purpose: one place for the patterns, so that a printing engineer can read and dispute them. Must
//! not know data. The one invariant: a candidate is linear, and each of its columns is a direction
//! in which its fault moves the figures.

use super::features::{Changes, Layout, by_aperture};
use super::{Fault, Setup};

/// One form of a fault.
pub(super) struct Candidate {
    /// The fault.
    pub fault: Fault,
    /// What a unit of each size does to the figures of all strokes.
    pub columns: Vec<Vec<f64>>,
    /// How many columns, from the first, mark the fault; the others go with simpler ones too.
    pub marks: usize,
    /// What the sizes must be like.
    pub sign: Sign,
}

/// What the sizes of a form must be like.
#[derive(Clone, Copy)]
pub(super) enum Sign {
    /// Anything.
    Any,
    /// The first size, a change of area, is a fall, and so is that of volume: area and height.
    AreaFalls,
    /// The first size is not a fall, which would be clogging.
    AreaRises,
    /// As `AreaFalls`, and the last size, the saw-tooth, points down.
    ToothFalls,
}

/// A fit.
pub(super) struct Fitted {
    /// The sizes.
    pub sizes: Vec<f64>,
    /// What is left: a generalised sum of squares.
    pub rest: f64,
}

impl Candidate {
    /// Whether fitted sizes are what the fault does.
    pub(super) fn allows(&self, sizes: &[f64]) -> bool {
        let area = sizes.first().copied().unwrap_or(0.0);
        let loses = |shapes: &[f64]| area < 0.0 && shapes.iter().sum::<f64>() < 0.0;
        match self.sign {
            Sign::Any => true,
            Sign::AreaFalls => loses(sizes),
            Sign::AreaRises => area >= 0.0,
            Sign::ToothFalls => {
                let (tooth, shapes) = sizes.split_last().unwrap_or((&0.0, &[]));
                *tooth < 0.0 && loses(shapes)
            }
        }
    }
}

/// Builds columns of the figures of all strokes.
struct Columns<'a> {
    layout: &'a Layout,
    length: usize,
}

impl Columns<'_> {
    /// A column with these (figure, value) entries on one stroke, or on all.
    fn of(&self, stroke: Option<usize>, entries: &[(usize, f64)]) -> Vec<f64> {
        let mut column = vec![0.0; self.length];
        for number in 0..self.layout.strokes {
            if stroke.is_none_or(|only| only == number) {
                for (figure, value) in entries {
                    column[number * self.layout.width + figure] += value;
                }
            }
        }
        column
    }

    fn heights(&self, stroke: Option<usize>, families: &[usize]) -> Vec<f64> {
        let entries: Vec<(usize, f64)> = families.iter().map(|&family| (family, 1.0)).collect();
        self.of(stroke, &entries)
    }

    fn areas(&self, stroke: Option<usize>, families: &[usize]) -> Vec<f64> {
        let first = self.layout.families;
        let entries: Vec<(usize, f64)> = families.iter().map(|&f| (first + f, 1.0)).collect();
        self.of(stroke, &entries)
    }

    /// Area first, because its sign tells faults apart.
    fn shapes(&self, stroke: Option<usize>, families: &[usize]) -> [Vec<Vec<f64>>; 3] {
        let (area, height) = (self.areas(stroke, families), self.heights(stroke, families));
        [vec![height.clone()], vec![area.clone()], vec![area, height]]
    }

    fn tooth(&self) -> Vec<f64> {
        let mut column = vec![0.0; self.length];
        if let Some(last) = column.last_mut() {
            *last = 1.0;
        }
        column
    }
}

/// Every form of every fault that the figures can show.
pub(super) fn offered(setup: &Setup, changes: &Changes) -> Vec<Candidate> {
    let layout = &changes.layout;
    let columns = Columns {
        layout,
        length: layout.width * layout.strokes + usize::from(changes.has_wipes),
    };
    let mut found = gauge(&columns, &changes.heights);
    found.extend(strokes(&columns));
    found.extend(apertures(&columns, setup, changes.has_wipes));
    found.extend(places(&columns));
    found
}

/// A form with any signs, all of whose columns mark it.
fn free(fault: Fault, columns: Vec<Vec<f64>>) -> Candidate {
    marked(fault, columns.len(), columns)
}

/// A form with any signs, marked by its first columns.
fn marked(fault: Fault, marks: usize, columns: Vec<Vec<f64>>) -> Candidate {
    Candidate {
        fault,
        columns,
        marks,
        sign: Sign::Any,
    }
}

/// Height moves, volume with it, area does not.
fn gauge(columns: &Columns, heights: &[f64]) -> Vec<Candidate> {
    let step: Vec<(usize, f64)> = heights
        .iter()
        .enumerate()
        .map(|(family, height)| (family, 1.0 / height))
        .collect();
    let all: Vec<usize> = (0..heights.len()).collect();
    vec![
        free(Fault::Gain, vec![columns.heights(None, &all)]),
        free(Fault::ReferenceStep, vec![columns.of(None, &step)]),
    ]
}

/// One stroke alone: all families or one of them, or its alignment.
fn strokes(columns: &Columns) -> Vec<Candidate> {
    let layout = columns.layout;
    let mut found = Vec::new();
    for stroke in (0..layout.strokes).filter(|_| layout.strokes > 1) {
        let fault = Fault::OneStroke(stroke);
        let mut sets: Vec<Vec<usize>> = vec![(0..layout.families).collect()];
        if layout.families > 1 {
            sets.extend((0..layout.families).map(|family| vec![family]));
        }
        for set in &sets {
            let forms = columns.shapes(Some(stroke), set);
            found.extend(forms.into_iter().map(|form| free(fault, form)));
        }
        if let Some(x) = layout.offsets {
            let shifts = [x, x + 1].map(|figure| columns.of(Some(stroke), &[(figure, 1.0)]));
            found.push(free(fault, shifts.to_vec()));
        }
    }
    found
}

/// Small apertures alone, one family alone, or all pads, on all strokes.
fn apertures(columns: &Columns, setup: &Setup, has_wipes: bool) -> Vec<Candidate> {
    let mut found = Vec::new();
    let order = by_aperture(setup);
    let size = |place: usize| setup.apertures[order[place]];
    let [_, area, both] = columns.shapes(None, &order);
    found.extend([area, both].map(|form| marked(Fault::Deposit, 1, form)));
    // Without a difference in size nothing is small.
    for small in (1..order.len()).filter(|&small| size(small - 1) < size(small)) {
        let [_, area, both] = columns.shapes(None, &order[..small]);
        for form in [area, both] {
            let mut with_tooth = form.clone();
            with_tooth.push(columns.tooth());
            found.push(Candidate {
                fault: Fault::Clogging,
                columns: form,
                marks: 1,
                sign: Sign::AreaFalls,
            });
            if has_wipes {
                found.push(Candidate {
                    fault: Fault::Clogging,
                    columns: with_tooth,
                    marks: 1,
                    sign: Sign::ToothFalls,
                });
            }
        }
    }
    for (place, &family) in order.iter().enumerate().filter(|_| order.len() > 1) {
        let fault = Fault::Family(family);
        let [height, area, both] = columns.shapes(None, &[family]);
        found.push(free(fault, height));
        let is_smallest = place == 0 && size(0) < size(1);
        let sign = if is_smallest {
            Sign::AreaRises
        } else {
            Sign::Any
        };
        found.extend([area, both].map(|columns| Candidate {
            sign,
            ..free(fault, columns)
        }));
    }
    found
}

/// Faults with a place on the panel, and offsets.
fn places(columns: &Columns) -> Vec<Candidate> {
    let layout = columns.layout;
    let mut found = Vec::new();
    if let Some(x) = layout.slopes {
        // A plane also moves the means of families that lie off the middle.
        let along = |figure: usize, pick: fn(&(f64, f64)) -> f64| {
            let mut entries = vec![(figure, 1.0)];
            entries.extend(layout.family_places.iter().map(pick).enumerate());
            columns.of(None, &entries)
        };
        let slopes = vec![along(x, |at| at.0), along(x + 1, |at| at.1)];
        let mut about_an_edge = slopes.clone();
        let all: Vec<usize> = (0..layout.families).collect();
        about_an_edge.push(columns.heights(None, &all));
        found.push(free(Fault::Tilt, slopes));
        found.push(marked(Fault::Tilt, 2, about_an_edge));
    }
    let Some(x) = layout.offsets else {
        return found;
    };
    let shifts = [x, x + 1].map(|figure| columns.of(None, &[(figure, 1.0)]));
    found.push(free(Fault::Alignment, shifts.to_vec()));
    if let Some(turn) = layout.turns {
        // Over x and y: first of the offset in x, then of that in y.
        let rotation = columns.of(None, &[(turn + 1, -1.0), (turn + 2, 1.0)]);
        let stretch = [turn, turn + 3].map(|figure| columns.of(None, &[(figure, 1.0)]));
        let with = |mut first: Vec<Vec<f64>>| {
            first.extend(shifts.iter().cloned());
            first
        };
        found.push(marked(Fault::Alignment, 1, with(vec![rotation])));
        found.push(free(Fault::Stretch, stretch.to_vec()));
        found.push(marked(Fault::Stretch, 2, with(stretch.to_vec())));
    }
    found
}
