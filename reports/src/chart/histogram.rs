//! How readings spread: counts by class, with the curve of a model over them.
//!
//! Must not know any distribution: the curve comes as numbers. Invariant: curve and bars stand on
//! one scale of density, so that bars of unequal width and the curve can be compared.

use super::frame::{self, Names};
use super::palette::{ACCENT, BAR, GRID, INK, MUTED, OUTSIDE_TINT};
use super::text;
use super::{ChartSize, WIDTH_MIN_PX};
use crate::markup::{Anchor, Drawing, px};
use crate::number;
use crate::scale::Scale;
use crate::speech::{Language, Speech};
use crate::view::Histogram;

const SIDE_PX: f64 = 14.0;
const AXIS_PX: f64 = 24.0;
const LABEL_PX: f64 = 18.0;
const LEGEND_LINE_PX: f64 = 16.0;
const PLOT_HEIGHT_MIN_PX: f64 = 90.0;

/// Draws a histogram as a self-contained SVG document.
///
/// Classes and points of the curve that are not finite are left out; the description says how many
/// readings are drawn.
pub fn histogram_svg(histogram: &Histogram, size: ChartSize) -> String {
    histogram_svg_named(histogram, size, "histogram")
}

/// As [`histogram_svg`], with a name that keeps identifiers apart inside one page.
pub(crate) fn histogram_svg_named(histogram: &Histogram, size: ChartSize, id: &str) -> String {
    let number = |wanted: f64, fallback: f64| if wanted.is_finite() { wanted } else { fallback };
    let width = number(size.width, ChartSize::PAGE.width).max(WIDTH_MIN_PX);
    let parts = Parts::of(histogram);
    let lines = frame::title_lines(&histogram.title, width);
    let legend = text::wrapped(&legend_of(histogram, &parts), width - 8.0, 4);
    let top = 12.0 + lines.len() as f64 * frame::TITLE_LINE_PX + LABEL_PX;
    let below = AXIS_PX + 6.0 + legend.len() as f64 * LEGEND_LINE_PX;
    let wanted = number(size.height, ChartSize::PAGE.height);
    let bottom = (wanted - below).max(top + PLOT_HEIGHT_MIN_PX);
    let mut drawing = Drawing::new(&Speech::new(Language::English));
    let description = described(histogram, &parts);
    let names = Names {
        id,
        title: &histogram.title,
        description: &description,
    };
    frame::open(&mut drawing, (width, bottom + below), &names);
    frame::title(&mut drawing, &lines);
    let plot = Plot {
        x: Scale::new(parts.low, parts.high, SIDE_PX, width - SIDE_PX),
        y: Scale::new(0.0, parts.density_max, bottom, top),
        top,
        bottom,
    };
    plot.specification(&mut drawing, histogram);
    plot.axis(&mut drawing, histogram, width);
    plot.bars(&mut drawing, &parts);
    plot.curve(&mut drawing, &parts);
    if parts.bars.is_empty() {
        let middle = ((width / 2.0), f64::midpoint(top, bottom));
        drawing.text(middle.0, middle.1, Anchor::Middle, "No reading to show.");
    }
    drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
    for (line, words) in legend.iter().enumerate() {
        let y = bottom + AXIS_PX + 14.0 + line as f64 * LEGEND_LINE_PX;
        drawing.text(4.0, y, Anchor::Start, words);
    }
    drawing.close("g");
    drawing.close("svg");
    drawing.finish()
}

/// What can be drawn: bars as (from, to, density), the curve, and the ranges.
struct Parts {
    bars: Vec<(f64, f64, f64)>,
    curve: Vec<(f64, f64)>,
    readings: u64,
    low: f64,
    high: f64,
    density_max: f64,
}

impl Parts {
    fn of(histogram: &Histogram) -> Parts {
        let usable = |low: f64, high: f64| low.is_finite() && high.is_finite() && high > low;
        let bins = histogram
            .bins
            .iter()
            .filter(|bin| usable(bin.low, bin.high));
        let readings: u64 = bins.clone().map(|bin| bin.count).sum();
        let density = |low: f64, high: f64, count: u64| {
            count as f64 / (readings.max(1) as f64 * (high - low))
        };
        let bars: Vec<(f64, f64, f64)> = bins
            .map(|bin| (bin.low, bin.high, density(bin.low, bin.high, bin.count)))
            .collect();
        let curve: Vec<(f64, f64)> = histogram
            .curve
            .iter()
            .copied()
            .filter(|(value, density)| value.is_finite() && density.is_finite() && *density >= 0.0)
            .collect();
        let low = bars.iter().map(|bar| bar.0).fold(f64::INFINITY, f64::min);
        let high = bars
            .iter()
            .map(|bar| bar.1)
            .fold(f64::NEG_INFINITY, f64::max);
        let densities = bars
            .iter()
            .map(|bar| bar.2)
            .chain(curve.iter().map(|one| one.1));
        let mut parts = Parts {
            density_max: densities.fold(0.0, f64::max) * 1.06,
            readings,
            bars,
            curve,
            low,
            high,
        };
        parts.widen(histogram);
        parts
    }

    /// Takes in the specification where it is not so far off that the bars would shrink to a line.
    fn widen(&mut self, histogram: &Histogram) {
        let span = (self.high - self.low).max(0.0);
        let lines = histogram.specification.as_ref();
        for value in lines
            .iter()
            .flat_map(|lines| [lines.lower, lines.upper])
            .flatten()
        {
            if value.is_finite() && value > self.low - 4.0 * span && value < self.high + 4.0 * span
            {
                self.low = self.low.min(value - span * 0.04);
                self.high = self.high.max(value + span * 0.04);
            }
        }
    }
}

struct Plot {
    x: Scale,
    y: Scale,
    top: f64,
    bottom: f64,
}

impl Plot {
    /// Dotted lines and a tint outside, with the limits in words over the plot.
    fn specification(&self, drawing: &mut Drawing, histogram: &Histogram) {
        let Some(lines) = &histogram.specification else {
            return;
        };
        let (left, right) = (self.x.at(f64::MIN), self.x.at(f64::MAX));
        for (name, value) in [("LSL", lines.lower), ("USL", lines.upper)] {
            let Some(value) = value.filter(|value| self.x.holds(*value)) else {
                continue;
            };
            let x = self.x.at(value);
            let outside = if name == "LSL" { (left, x) } else { (x, right) };
            drawing.rectangle(
                (outside.0, self.top),
                (outside.1, self.bottom),
                OUTSIDE_TINT,
            );
            drawing.open(
                "g",
                &[
                    ("stroke", INK),
                    ("stroke-width", "2"),
                    ("stroke-dasharray", "2 4"),
                ],
            );
            drawing.line((x, self.top), (x, self.bottom));
            drawing.close("g");
            let label = format!("{name} {}", number::significant(value, 4));
            let is_left = x < f64::midpoint(left, right);
            let anchor = if is_left { Anchor::Start } else { Anchor::End };
            drawing.text(x, self.top - 5.0, anchor, &label);
        }
    }

    fn axis(&self, drawing: &mut Drawing, histogram: &Histogram, width: f64) {
        let ticks = self.x.ticks(if width < 480.0 { 4 } else { 8 });
        drawing.open("g", &[("stroke", GRID), ("fill", "none")]);
        for value in &ticks.values {
            let x = self.x.at(*value);
            drawing.line((x, self.top), (x, self.bottom));
        }
        drawing.close("g");
        drawing.open("g", &[("stroke", MUTED), ("fill", "none")]);
        drawing.line((SIDE_PX, self.bottom), (width - SIDE_PX, self.bottom));
        drawing.close("g");
        drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
        for (place, value) in ticks.values.iter().enumerate() {
            let mut label = number::fixed(*value, ticks.decimals);
            if place + 1 == ticks.values.len() && !histogram.unit.is_empty() {
                label = format!("{label} {}", histogram.unit);
            }
            let x = self
                .x
                .at(*value)
                .min(width - 4.0 - text::width(&label) / 2.0);
            drawing.text(x, self.bottom + 15.0, Anchor::Middle, &label);
        }
        drawing.close("g");
    }

    fn bars(&self, drawing: &mut Drawing, parts: &Parts) {
        for (low, high, density) in &parts.bars {
            let (from, to) = (self.x.at(*low) + 0.5, self.x.at(*high) - 0.5);
            drawing.rectangle(
                (from, self.y.at(*density)),
                (to.max(from + 0.5), self.bottom),
                BAR,
            );
        }
    }

    fn curve(&self, drawing: &mut Drawing, parts: &Parts) {
        let inside = parts.curve.iter().filter(|(value, _)| self.x.holds(*value));
        let mut path = String::new();
        for (value, density) in inside {
            let letter = if path.is_empty() { 'M' } else { 'L' };
            let (x, y) = (px(self.x.at(*value)), px(self.y.at(*density)));
            path.push_str(&format!("{letter}{x} {y}"));
        }
        if path.is_empty() {
            return;
        }
        drawing.open(
            "g",
            &[("fill", "none"), ("stroke", ACCENT), ("stroke-width", "2")],
        );
        drawing.leaf("path", &[("d", &path)]);
        drawing.close("g");
    }
}

fn legend_of(histogram: &Histogram, parts: &Parts) -> String {
    let mut words = format!("Bars: {} readings by class.", number::count(parts.readings));
    if !parts.curve.is_empty() && !histogram.curve_name.is_empty() {
        words.push_str(&format!("  Curve: {}.", histogram.curve_name));
    }
    if histogram.specification.is_some() {
        words.push_str("  Dotted: specification, tinted outside.");
    }
    words
}

fn described(histogram: &Histogram, parts: &Parts) -> String {
    let tallest = histogram.bins.iter().max_by_key(|bin| bin.count);
    let tallest = tallest
        .filter(|bin| bin.count > 0)
        .map_or_else(String::new, |bin| {
            format!(
                " Fullest class: {} to {} {}, {} readings.",
                number::significant(bin.low, 4),
                number::significant(bin.high, 4),
                histogram.unit,
                number::count(bin.count)
            )
        });
    format!(
        "{} {} readings.{tallest}",
        histogram.description,
        number::count(parts.readings)
    )
    .trim()
    .to_owned()
}
