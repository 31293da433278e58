//! The few kinds that make most of the whole: bars by frequency, and their cumulative share.
//!
//! Must not know what is counted. Invariant: bars and cumulative share stand on one scale, from
//! nothing to the whole, so that neither can be stretched against the other.

use super::frame::{self, Names};
use super::palette::{ACCENT, BAR, GRID, MUTED};
use super::text;
use super::{ChartSize, WIDTH_MIN_PX};
use crate::markup::{Anchor, Drawing, px};
use crate::number;
use crate::scale::Scale;
use crate::speech::{Language, Speech};
use crate::view::Pareto;

const ROW_PX: f64 = 24.0;
const AXIS_PX: f64 = 34.0;
const RIGHT_PX: f64 = 26.0;
const LEGEND_LINE_PX: f64 = 16.0;

/// Draws a Pareto chart as a self-contained SVG document; the height follows from the bars.
pub fn pareto_svg(pareto: &Pareto, size: ChartSize) -> String {
    pareto_svg_named(pareto, size, "pareto", &Speech::new(Language::English))
}

/// As [`pareto_svg`], in a language, with a name that keeps identifiers apart inside one page.
pub(crate) fn pareto_svg_named(
    pareto: &Pareto,
    size: ChartSize,
    id: &str,
    speech: &Speech,
) -> String {
    let width = if size.width.is_finite() {
        size.width.max(WIDTH_MIN_PX)
    } else {
        ChartSize::PAGE.width
    };
    let lines = frame::title_lines(&pareto.title, width);
    let top = 14.0 + lines.len() as f64 * frame::TITLE_LINE_PX;
    let bottom = top + pareto.bars.len() as f64 * ROW_PX;
    let legend = text::wrapped(&speech.say(&legend_of(pareto)), width - 8.0, 3);
    let height = bottom + AXIS_PX + 4.0 + legend.len() as f64 * LEGEND_LINE_PX;
    let mut drawing = Drawing::new(speech);
    let description = described(pareto);
    let names = Names {
        id,
        title: &pareto.title,
        description: &description,
    };
    frame::open(&mut drawing, (width, height), &names);
    frame::title(&mut drawing, &lines);
    let longest = pareto.bars.iter().map(|bar| text::width(&bar.label));
    let left = longest.fold(40.0, f64::max).min(width * 0.42) + 14.0;
    let scale = Scale::new(0.0, whole(pareto) as f64, left, width - RIGHT_PX);
    axis(&mut drawing, &scale, pareto, (top, bottom));
    bars(&mut drawing, &scale, pareto, (left, top));
    cumulative(&mut drawing, &scale, pareto, top);
    drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
    for (line, words) in legend.iter().enumerate() {
        let y = bottom + AXIS_PX + 12.0 + line as f64 * LEGEND_LINE_PX;
        drawing.text(4.0, y, Anchor::Start, words);
    }
    drawing.close("g");
    drawing.close("svg");
    drawing.finish()
}

/// What all bars are a part of; at least what they add up to.
fn whole(pareto: &Pareto) -> u64 {
    let shown: u64 = pareto.bars.iter().map(|bar| bar.count).sum();
    pareto.total.max(shown).max(1)
}

/// The running sums of the bars.
pub(crate) fn running(pareto: &Pareto) -> Vec<u64> {
    let sums = pareto.bars.iter().scan(0u64, |sum, bar| {
        *sum = sum.saturating_add(bar.count);
        Some(*sum)
    });
    sums.collect()
}

fn described(pareto: &Pareto) -> String {
    let (Some(first), Some(last)) = (pareto.bars.first(), running(pareto).last().copied()) else {
        return "Nothing was counted.".to_owned();
    };
    let share = |count: u64| number::percent(count as f64 / whole(pareto) as f64);
    format!(
        "{} Most frequent: {}, {} of {} ({}). The {} shown make {}.",
        pareto.description,
        first.label,
        number::count(first.count),
        number::count(whole(pareto)),
        share(first.count),
        pareto.bars.len(),
        share(last)
    )
    .trim_start()
    .to_owned()
}

fn axis(drawing: &mut Drawing, scale: &Scale, pareto: &Pareto, (top, bottom): (f64, f64)) {
    let whole = whole(pareto) as f64;
    let shares = [0.0, 0.25, 0.5, 0.75, 1.0];
    drawing.open("g", &[("stroke", GRID), ("fill", "none")]);
    for share in shares {
        let x = scale.at(share * whole);
        drawing.line((x, top), (x, bottom + 4.0));
    }
    drawing.close("g");
    drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
    for share in shares {
        let x = scale.at(share * whole);
        let label = format!("{:.0} %", share * 100.0);
        drawing.text(x, bottom + 18.0, Anchor::Middle, &label);
    }
    drawing.close("g");
}

fn bars(drawing: &mut Drawing, scale: &Scale, pareto: &Pareto, (left, top): (f64, f64)) {
    for (row, bar) in pareto.bars.iter().enumerate() {
        let y = top + row as f64 * ROW_PX;
        let label = text::cut(&bar.label, left - 12.0);
        drawing.text(left - 8.0, y + 16.0, Anchor::End, &label);
        let end = scale.at(bar.count as f64);
        drawing.rectangle((scale.at(0.0), y + 4.0), (end, y + ROW_PX - 4.0), BAR);
    }
    // Numbers over bars and grid: a short bar has its number beside it.
    for (row, bar) in pareto.bars.iter().enumerate() {
        let y = top + row as f64 * ROW_PX + 16.0;
        let label = number::count(bar.count);
        let end = scale.at(bar.count as f64);
        let fits = end - scale.at(0.0) > text::width(&label) + 14.0;
        let (x, anchor) = match fits {
            true => (end - 8.0, Anchor::End),
            false => (end + 5.0, Anchor::Start),
        };
        drawing.text(x, y, anchor, &label);
    }
}

fn cumulative(drawing: &mut Drawing, scale: &Scale, pareto: &Pareto, top: f64) {
    let sums = running(pareto);
    if sums.len() < 2 {
        return;
    }
    let place = |row: usize, sum: u64| {
        let y = top + row as f64 * ROW_PX + ROW_PX / 2.0;
        (scale.at(sum as f64), y)
    };
    let mut path = String::new();
    for (row, sum) in sums.iter().enumerate() {
        let (x, y) = place(row, *sum);
        let letter = if row == 0 { 'M' } else { 'L' };
        path.push_str(&format!("{letter}{} {}", px(x), px(y)));
    }
    drawing.open(
        "g",
        &[
            ("fill", "none"),
            ("stroke", ACCENT),
            ("stroke-width", "1.6"),
        ],
    );
    drawing.leaf("path", &[("d", &path), ("stroke-dasharray", "4 3")]);
    drawing.close("g");
    drawing.open("g", &[("fill", ACCENT)]);
    for (row, sum) in sums.iter().enumerate() {
        let (x, y) = place(row, *sum);
        drawing.leaf("circle", &[("cx", &px(x)), ("cy", &px(y)), ("r", "3.2")]);
    }
    drawing.close("g");
}

fn legend_of(pareto: &Pareto) -> String {
    let what = match pareto.what.as_str() {
        "" => "all",
        what => what,
    };
    format!(
        "Bar: count. Dots: cumulative share of {} {what}.",
        number::count(whole(pareto))
    )
}
