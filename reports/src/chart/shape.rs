//! The shapes by which strata are told apart, and their key.
//!
//! Must not know what strata are. Invariant: shapes differ in outline and not in colour, none is
//! one that means something else (a ring is late, a cross is left out), and every shape in a
//! picture stands in its key with its name.

use std::fmt::Write;

use super::palette::{INK, MUTED, PAPER};
use super::text;
use crate::markup::{Anchor, Drawing, px};
use crate::speech::Speech;
use crate::view::Strata;

/// Strata with a shape of their own; more could not be held apart.
const SHAPES_MAX: usize = 6;
/// Marks of one shape closer than this would run into each other; dots are smaller.
const APART_PX: f64 = 7.0;
const DOTS_APART_PX: f64 = 4.0;
/// Height of a line of the key.
pub(super) const KEY_LINE_PX: f64 = 18.0;
/// Lines of a key: of six names and what stands for the others.
const KEY_LINES_MAX: usize = 7;
/// From one name to the next shape.
const KEY_GAP_PX: f64 = 16.0;
/// Room of a shape before its name.
const KEY_SHAPE_PX: f64 = 13.0;

/// A shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Shape {
    Dot,
    Square,
    Triangle,
    Diamond,
    Plus,
    Wedge,
    /// Of all strata that have none of their own.
    Dash,
}

impl Shape {
    const OWN: [Shape; SHAPES_MAX] = [
        Shape::Dot,
        Shape::Square,
        Shape::Triangle,
        Shape::Diamond,
        Shape::Plus,
        Shape::Wedge,
    ];

    /// The shape of a stratum.
    pub(super) fn of(stratum: usize) -> Shape {
        Self::OWN.get(stratum).copied().unwrap_or(Shape::Dash)
    }

    /// Its outline around a place.
    fn path(self, (x, y): (f64, f64)) -> String {
        let mut path = String::new();
        let _written = match self {
            Shape::Dot => write!(path, "M{} {}h0", px(x), px(y)),
            Shape::Square => write!(path, "M{} {}h5v5h-5z", px(x - 2.5), px(y - 2.5)),
            Shape::Triangle => write!(path, "M{} {}l3.5 6h-7z", px(x), px(y - 3.5)),
            Shape::Diamond => write!(
                path,
                "M{} {}l3.5 3.5l-3.5 3.5l-3.5-3.5z",
                px(x),
                px(y - 3.5)
            ),
            Shape::Plus => write!(path, "M{} {}h7m-3.5-3.5v7", px(x - 3.5), px(y)),
            Shape::Wedge => write!(path, "M{} {}l3.5-6h-7z", px(x), px(y + 3.5)),
            Shape::Dash => write!(path, "M{} {}h6", px(x - 3.0), px(y)),
        };
        path
    }

    /// Draws marks of this shape.
    fn draw(self, drawing: &mut Drawing, path: &str, ink: &str) {
        if path.is_empty() {
            return;
        }
        let (fill, width) = match self {
            Shape::Dot => ("none", "5"),
            Shape::Square | Shape::Diamond => (PAPER, "1.2"),
            Shape::Triangle => (ink, "1"),
            Shape::Wedge => (PAPER, "1.2"),
            Shape::Plus => ("none", "1.6"),
            Shape::Dash => ("none", "2"),
        };
        let mut style = vec![("d", path), ("fill", fill), ("stroke", ink)];
        style.push(("stroke-width", width));
        if self == Shape::Dot {
            style.push(("stroke-linecap", "round"));
        }
        drawing.leaf("path", &style);
    }
}

/// A point in pixels with its stratum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    /// Its place.
    pub(super) at: (f64, f64),
    /// Its stratum.
    pub(super) stratum: usize,
    /// Whether it must be seen, whatever lies near.
    pub(super) is_kept: bool,
}

/// Whose points are drawn: those of others step back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Whose {
    Own,
    Others,
}

/// Draws marks, a path for each shape. Of marks of one stratum that would run into each other the
/// first stays, and every one that must.
pub(super) fn marks(drawing: &mut Drawing, marks: &[Mark], whose: Whose) {
    let ink = match whose {
        Whose::Own => INK,
        Whose::Others => MUTED,
    };
    for shape in Shape::OWN.into_iter().chain([Shape::Dash]) {
        let own = marks.iter().filter(|mark| Shape::of(mark.stratum) == shape);
        let mut path = String::new();
        let apart = if shape == Shape::Dot {
            DOTS_APART_PX
        } else {
            APART_PX
        };
        let mut last = (f64::NEG_INFINITY, 0.0);
        for mark in own {
            let near = (mark.at.0 - last.0).hypot(mark.at.1 - last.1);
            if mark.is_kept || near >= apart {
                path.push_str(&shape.path(mark.at));
                last = mark.at;
            }
        }
        shape.draw(drawing, &path, ink);
    }
}

/// A name in the key, at its place.
#[derive(Debug, Clone, PartialEq)]
struct Entry {
    shape: Shape,
    line: usize,
    x: f64,
    name: String,
}

/// What the shapes of a chart stand for.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Key {
    title: String,
    entries: Vec<Entry>,
}

impl Key {
    /// The key of a chart's strata, in lines as wide as the drawing.
    pub(super) fn new(strata: Option<&Strata>, width: f64, speech: &Speech) -> Self {
        let Some(strata) = strata.filter(|strata| !strata.names.is_empty()) else {
            return Self::default();
        };
        let own = strata.names.iter().take(SHAPES_MAX).cloned();
        let mut names: Vec<String> = own.collect();
        let more = strata.names.len() - names.len();
        if more > 0 {
            names.push(speech.say(&format!("{more} others")));
        }
        let title = format!("{}:", speech.say(&strata.key));
        let title = text::cut(&title, width / 3.0);
        let start = 4.0 + text::width(&title) + 10.0;
        let (mut line, mut x) = (0, start);
        let mut entries = Vec::new();
        for (place, name) in names.into_iter().enumerate() {
            let name = text::cut(&name, width - start - KEY_SHAPE_PX - 4.0);
            let room = KEY_SHAPE_PX + text::width(&name);
            if x > start && x + room > width - 4.0 && line + 1 < KEY_LINES_MAX {
                (line, x) = (line + 1, start);
            }
            let shape = Shape::of(place);
            entries.push(Entry {
                shape,
                line,
                x,
                name,
            });
            x += room + KEY_GAP_PX;
        }
        Self { title, entries }
    }

    /// The height that it takes.
    pub(super) fn height(&self) -> f64 {
        let lines = self.entries.last().map_or(0, |entry| entry.line + 1);
        lines as f64 * KEY_LINE_PX
    }

    /// Draws it below a height.
    pub(super) fn draw(&self, drawing: &mut Drawing, top: f64) {
        if self.entries.is_empty() {
            return;
        }
        drawing.open("g", &[("fill", MUTED)]);
        drawing.text(4.0, top + 12.0, Anchor::Start, &self.title);
        drawing.close("g");
        for entry in &self.entries {
            let y = top + 12.0 + entry.line as f64 * KEY_LINE_PX;
            let path = entry.shape.path((entry.x + 4.0, y - 4.0));
            entry.shape.draw(drawing, &path, INK);
            let x = entry.x + KEY_SHAPE_PX;
            drawing.text(x, y, Anchor::Start, &entry.name);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::Language;

    fn english() -> Speech {
        Speech::new(Language::English)
    }

    fn strata(names: usize) -> Strata {
        Strata {
            key: "fixture".to_owned(),
            names: (1..=names)
                .map(|number| format!("fixture F{number}"))
                .collect(),
            beside: Vec::new(),
            one_in: 1,
        }
    }

    #[test]
    fn every_shape_has_an_outline_of_its_own() {
        let all = Shape::OWN.into_iter().chain([Shape::Dash]);
        let mut outlines: Vec<String> = all.map(|shape| shape.path((10.0, 10.0))).collect();
        outlines.sort();
        outlines.dedup();
        assert_eq!(outlines.len(), SHAPES_MAX + 1);
        assert_eq!(Shape::of(SHAPES_MAX), Shape::Dash);
        assert_eq!(Shape::of(SHAPES_MAX + 40), Shape::Dash);
    }

    #[test]
    fn a_key_names_every_shape_within_the_drawing() {
        for (names, width, shown) in [(2, 280.0, 2), (6, 280.0, 6), (9, 340.0, 7), (9, 720.0, 7)] {
            let key = Key::new(Some(&strata(names)), width, &english());
            assert_eq!(key.entries.len(), shown);
            for (place, entry) in key.entries.iter().enumerate() {
                let end = entry.x + KEY_SHAPE_PX + text::width(&entry.name);
                assert!(end <= width, "{entry:?} ends at {end}");
                assert_eq!(entry.shape, Shape::of(place));
            }
            for pair in key.entries.windows(2) {
                let end = pair[0].x + KEY_SHAPE_PX + text::width(&pair[0].name);
                let is_beside = pair[0].line == pair[1].line && pair[1].x >= end;
                assert!(is_beside || pair[1].line == pair[0].line + 1, "{pair:?}");
            }
        }
        let more = Key::new(Some(&strata(9)), 720.0, &english());
        assert_eq!(more.entries[6].name, "3 others");
        assert!(Key::new(None, 720.0, &english()).height().abs() < 1e-12);
    }

    #[test]
    fn crowded_marks_of_a_stratum_are_thinned_but_no_signal() {
        let mark = |x: f64, stratum: usize, is_kept: bool| Mark {
            at: (x, 50.0),
            stratum,
            is_kept,
        };
        let drawn = |all: &[Mark]| {
            let mut drawing = Drawing::new(&english());
            marks(&mut drawing, all, Whose::Own);
            drawing.finish()
        };
        let crowd: Vec<Mark> = (0..100)
            .map(|at| mark(f64::from(at), at as usize % 2, false))
            .collect();
        let squares = drawn(&crowd).matches("h5v5").count();
        assert!((10..=15).contains(&squares), "{squares}");
        let signals: Vec<Mark> = (0..100).map(|at| mark(f64::from(at), 1, true)).collect();
        assert_eq!(drawn(&signals).matches("h5v5").count(), 100);
        let apart = drawn(&[mark(0.0, 0, false), mark(50.0, 2, false)]);
        assert!(
            apart.contains("M0 50h0") && apart.contains("l3.5 6h-7z"),
            "{apart}"
        );
    }
}
