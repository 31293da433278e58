//! Where on a panel pads deviate: direction by the symbol, size by the symbol's size and colour.
//!
//! Must not know what deviates. Invariant: direction and class can be read without colour (an
//! upward triangle is above, a downward one below, larger is farther), and x and y share one
//! scale, so that the panel keeps its shape.

use super::frame::{self, Names};
use super::palette::{ABOVE, BELOW, FAINT, GRID, MUTED};
use super::text;
use super::{ChartSize, WIDTH_MIN_PX};
use crate::markup::{Anchor, Drawing, px};
use crate::number;
use crate::speech::{Language, Speech};
use crate::view::{Pad, PadMap};

/// Pads that are drawn; where there are more, those that deviate least are left out.
const PADS_MAX: usize = 8_000;

const SIDE_PX: f64 = 12.0;
const HEIGHT_MAX_PX: f64 = 900.0;
const LEGEND_LINE_PX: f64 = 20.0;

/// Radius of a symbol by its class: within a third of the bound, two thirds, beyond.
const RADII_PX: [f64; 3] = [1.2, 3.0, 5.0];

/// Draws a pad map as a self-contained SVG document; the height follows from the panel's shape.
pub fn pad_map_svg(map: &PadMap, size: ChartSize) -> String {
    pad_map_svg_named(map, size, "pads", &Speech::new(Language::English))
}

/// As [`pad_map_svg`], in a language, with a name that keeps identifiers apart inside one page.
pub(crate) fn pad_map_svg_named(
    map: &PadMap,
    size: ChartSize,
    id: &str,
    speech: &Speech,
) -> String {
    let width = if size.width.is_finite() {
        size.width.max(WIDTH_MIN_PX)
    } else {
        ChartSize::PAGE.width
    };
    let pads = drawable(map);
    let lines = frame::title_lines(&map.title, width);
    let top = 14.0 + lines.len() as f64 * frame::TITLE_LINE_PX;
    let place = Placement::new(&pads, width, top);
    let entries = legend(map);
    let rows = legend_rows(&entries, width);
    let bottom = top + place.height;
    let height = bottom + 10.0 + rows.len() as f64 * LEGEND_LINE_PX;
    let mut drawing = Drawing::new(speech);
    let description = described(map, &pads);
    let names = Names {
        id,
        title: &map.title,
        description: &description,
    };
    frame::open(&mut drawing, (width, height), &names);
    frame::title(&mut drawing, &lines);
    place.outline(&mut drawing);
    for class in Class::ALL {
        let of_class = pads
            .iter()
            .filter(|pad| Class::of(pad.deviation, map.bound) == class);
        let path: String = of_class
            .map(|pad| class.symbol(place.at(pad), place.symbols))
            .collect();
        class.draw(&mut drawing, &path);
    }
    for (row, entries) in rows.iter().enumerate() {
        let y = bottom + 16.0 + row as f64 * LEGEND_LINE_PX;
        let mut x = 4.0;
        for (class, words) in entries {
            class.draw(&mut drawing, &class.symbol((x + 6.0, y), 1.0));
            drawing.text(x + 16.0, y + 4.0, Anchor::Start, words);
            x += entry_width(words);
        }
    }
    drawing.close("svg");
    drawing.finish()
}

/// The pads with finite numbers, farthest from nominal last so that they lie on top.
fn drawable(map: &PadMap) -> Vec<&Pad> {
    let is_finite =
        |pad: &&Pad| pad.x.is_finite() && pad.y.is_finite() && pad.deviation.is_finite();
    let mut pads: Vec<&Pad> = map.pads.iter().filter(is_finite).collect();
    pads.sort_by(|a, b| a.deviation.abs().total_cmp(&b.deviation.abs()));
    let extra = pads.len().saturating_sub(PADS_MAX);
    pads.drain(..extra);
    pads
}

/// How far a pad lies from nominal, in steps of a third of the bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Class {
    /// 0, 1 or 2, an index of [`RADII_PX`].
    step: usize,
    is_above: bool,
}

impl Class {
    const ALL: [Class; 5] = [
        Class::new(0, true),
        Class::new(1, false),
        Class::new(1, true),
        Class::new(2, false),
        Class::new(2, true),
    ];

    const fn new(step: usize, is_above: bool) -> Class {
        Class { step, is_above }
    }

    fn of(deviation: f64, bound: f64) -> Class {
        let share = deviation.abs()
            / if bound > 0.0 {
                bound
            } else {
                f64::MIN_POSITIVE
            };
        match share {
            share if share <= 1.0 / 3.0 => Class::new(0, true),
            share if share <= 2.0 / 3.0 => Class::new(1, deviation > 0.0),
            _ => Class::new(2, deviation > 0.0),
        }
    }

    /// A path: a dot, or a triangle that points to where the pad lies.
    fn symbol(self, (x, y): (f64, f64), scale: f64) -> String {
        let r = RADII_PX[self.step] * scale;
        if self.step == 0 {
            let d = px(2.0 * r);
            return format!("M{} {}h{d}v{d}h-{d}z", px(x - r), px(y - r));
        }
        let (tip, foot) = if self.is_above { (-r, r) } else { (r, -r) };
        format!(
            "M{} {}L{} {}H{}z",
            px(x),
            px(y + tip),
            px(x + r),
            px(y + foot),
            px(x - r)
        )
    }

    fn draw(self, drawing: &mut Drawing, path: &str) {
        if path.is_empty() {
            return;
        }
        let fill = match (self.step, self.is_above) {
            (0, _) => FAINT,
            (_, true) => ABOVE,
            (_, false) => BELOW,
        };
        drawing.leaf("path", &[("d", path), ("fill", fill)]);
    }
}

/// Where the panel lies in the drawing.
struct Placement {
    low: (f64, f64),
    factor: f64,
    left: f64,
    top: f64,
    height: f64,
    width: f64,
    /// What symbols are scaled by, so that neighbours stay apart.
    symbols: f64,
}

impl Placement {
    fn new(pads: &[&Pad], width: f64, top: f64) -> Placement {
        let range = |of: fn(&Pad) -> f64| {
            let values = pads.iter().map(|pad| of(pad));
            let ends = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                (low.min(value), high.max(value))
            });
            if ends.0 <= ends.1 { ends } else { (0.0, 1.0) }
        };
        let (x, y) = (range(|pad| pad.x), range(|pad| pad.y));
        let span = ((x.1 - x.0).max(1e-9), (y.1 - y.0).max(1e-9));
        let inner = width - 4.0 * SIDE_PX;
        let factor = (inner / span.0).min((HEIGHT_MAX_PX - 2.0 * SIDE_PX) / span.1);
        let drawn = span.0 * factor + 2.0 * SIDE_PX;
        // About the distance of neighbours, if pads were spread evenly.
        let pitch = (span.0 * span.1 / pads.len().max(1) as f64).sqrt() * factor;
        Placement {
            low: (x.0, y.0),
            factor,
            left: (width - drawn) / 2.0,
            top,
            height: span.1 * factor + 2.0 * SIDE_PX,
            width: drawn,
            symbols: (pitch / (2.2 * RADII_PX[2])).clamp(0.4, 1.0),
        }
    }

    /// The place of a pad: y grows upwards on a panel.
    fn at(&self, pad: &Pad) -> (f64, f64) {
        let x = self.left + SIDE_PX + (pad.x - self.low.0) * self.factor;
        let y = self.top + self.height - SIDE_PX - (pad.y - self.low.1) * self.factor;
        (x, y)
    }

    fn outline(&self, drawing: &mut Drawing) {
        let path = format!(
            "M{} {}h{}v{}h-{}z",
            px(self.left),
            px(self.top),
            px(self.width),
            px(self.height),
            px(self.width)
        );
        drawing.open("g", &[("fill", "none"), ("stroke", MUTED)]);
        drawing.leaf(
            "path",
            &[("d", &path), ("stroke", GRID), ("stroke-width", "1.5")],
        );
        drawing.close("g");
    }
}

fn legend(map: &PadMap) -> Vec<(Class, String)> {
    let third = |thirds: f64| number::significant(map.bound * thirds / 3.0, 2);
    let (one, two) = (third(1.0), third(2.0));
    let unit = &map.unit;
    vec![
        (Class::new(2, true), format!("more than {two} {unit} above")),
        (Class::new(1, true), format!("{one} to {two} {unit} above")),
        (Class::new(0, true), format!("within {one} {unit}")),
        (Class::new(1, false), format!("{one} to {two} {unit} below")),
        (
            Class::new(2, false),
            format!("more than {two} {unit} below"),
        ),
    ]
}

fn entry_width(words: &str) -> f64 {
    text::width(words) + 32.0
}

fn legend_rows(entries: &[(Class, String)], width: f64) -> Vec<Vec<(Class, String)>> {
    let mut rows: Vec<Vec<(Class, String)>> = Vec::new();
    let mut used = f64::INFINITY;
    for entry in entries {
        let wide = entry_width(&entry.1);
        if used + wide > width {
            rows.push(Vec::new());
            used = 4.0;
        }
        used += wide;
        if let Some(row) = rows.last_mut() {
            row.push(entry.clone());
        }
    }
    rows
}

fn described(map: &PadMap, pads: &[&Pad]) -> String {
    let far = pads
        .iter()
        .filter(|pad| Class::of(pad.deviation, map.bound).step == 2);
    let (above, below): (Vec<&&Pad>, Vec<&&Pad>) = far.partition(|pad| pad.deviation > 0.0);
    let worst = pads.last().map_or_else(String::new, |pad| {
        format!(
            " Farthest: {}, {} {}.",
            pad.label,
            number::signed(pad.deviation, 3),
            map.unit
        )
    });
    let left_out = map.pads.len() - pads.len();
    let left_out = match left_out {
        0 => String::new(),
        some => format!(" {} pads are not drawn.", number::count(some as u64)),
    };
    format!(
        "{} {} pads; {} far above, {} far below.{worst}{left_out}",
        map.description,
        number::count(pads.len() as u64),
        number::count(above.len() as u64),
        number::count(below.len() as u64)
    )
    .trim_start()
    .to_owned()
}
