//! Charts as SVG. Here: control charts, their layout, and what lies over the panels.
//!
//! Must not know files, clocks or the rest of a report. Invariant: a chart carries a title and a
//! description for those who cannot see it, and says every finding in words as well.

mod bracket;
mod frame;
mod histogram;
mod pad_map;
mod palette;
mod panel;
mod pareto;
mod range;
mod text;
mod thin;
mod time_axis;

use bracket::{Bracket, Brackets};
use frame::{Names, TITLE_LINE_PX};
use palette::{ACCENT, ACCENT_TINT, BASELINE_TINT, INK, MUTED, OUTSIDE_TINT};
use panel::{Panel, Series, SideLabel};
use range::Range;
use time_axis::TimeAxis;

pub use histogram::histogram_svg;
pub(crate) use histogram::histogram_svg_named;
pub use pad_map::pad_map_svg;
pub(crate) use pad_map::pad_map_svg_named;
pub use pareto::pareto_svg;
pub(crate) use pareto::{pareto_svg_named, running};

use crate::markup::{Anchor, Drawing, px};
use crate::number;
use crate::scale::Scale;
use crate::speech::{Language, Speech};
use crate::view::{Chart, Point};

const FONT: &str = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif";
const MARGIN_LEFT_PX: f64 = 54.0;
const MARGIN_RIGHT_PX: f64 = 82.0;
const STRIP_PX: f64 = 18.0;
const TIME_LABELS_PX: f64 = 38.0;
const LEGEND_LINE_PX: f64 = 16.0;
const SPREAD_TITLE_PX: f64 = 22.0;
/// Below this a panel could not be read, so the drawing grows instead.
const PANEL_HEIGHT_MIN_PX: f64 = 70.0;
const WIDTH_MIN_PX: f64 = 280.0;

/// The size of a chart in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartSize {
    /// Width; less than 280 is taken as 280.
    pub width: f64,
    /// Height; grows where brackets and panels would not fit.
    pub height: f64,
}

impl ChartSize {
    /// For a page as wide as A4.
    pub const PAGE: Self = Self {
        width: 720.0,
        height: 400.0,
    };
    /// For a phone.
    pub const PHONE: Self = Self {
        width: 340.0,
        height: 400.0,
    };
}

/// Draws a chart as a self-contained SVG document.
///
/// Any view gives a drawing: what is missing is said in words. The cost is linear in the points,
/// and the size of the result is bounded by the width.
pub fn chart_svg(chart: &Chart, size: ChartSize) -> String {
    chart_drawn(chart, size, "chart", &Speech::new(Language::English)).svg
}

/// A drawing, and where its points are, for a page that reads them out.
pub(crate) struct Drawn {
    pub(crate) svg: String,
    /// Where each point lies, as x and y in the drawing.
    pub(crate) places: Vec<(f64, f64)>,
    /// The upper and the lower edge of all panels.
    pub(crate) plot: (f64, f64),
}

/// As [`chart_svg`], in a language, with a name that keeps identifiers apart inside one page.
pub(crate) fn chart_drawn(chart: &Chart, size: ChartSize, name: &str, speech: &Speech) -> Drawn {
    let layout = Layout::new(chart, size, speech);
    let scale = layout.main_scale();
    let places = chart.points.iter().enumerate().map(|(index, point)| {
        let value = if point.value.is_finite() {
            point.value
        } else {
            layout.range.low
        };
        (layout.axis.at(index), scale.at(value))
    });
    Drawn {
        places: places.collect(),
        plot: (layout.main.0, layout.bottom()),
        svg: layout.draw(chart, name),
    }
}

/// Where everything stands.
struct Layout {
    width: f64,
    height: f64,
    axis: TimeAxis,
    brackets: Brackets,
    title: Vec<String>,
    legend: Vec<String>,
    range: Range,
    brackets_top: f64,
    main: (f64, f64),
    spread: Option<(f64, f64)>,
    speech: Speech,
}

impl Layout {
    fn new(chart: &Chart, size: ChartSize, speech: &Speech) -> Self {
        let width = if size.width.is_finite() {
            size.width.max(WIDTH_MIN_PX)
        } else {
            720.0
        };
        let axis = TimeAxis::new(&chart.points, MARGIN_LEFT_PX, width - MARGIN_RIGHT_PX);
        let brackets = Brackets::new(&chart.points, &axis, width - 4.0, speech);
        let lines = chart.specification.as_ref();
        let range = Range::new(chart.points.iter().map(|p| p.value), &chart.limits, lines);
        let title = frame::title_lines(&chart.title, width);
        let legend = text::wrapped(&legend_of(chart, &brackets, range, speech), width - 8.0, 6);
        let brackets_top = 6.0 + title.len() as f64 * TITLE_LINE_PX;
        let onset_row = if chart.onset.is_some() { STRIP_PX } else { 0.0 };
        let rows = brackets.rows() as f64 * bracket::ROW_HEIGHT_PX;
        let top = brackets_top + rows + onset_row + STRIP_PX;
        let below = TIME_LABELS_PX + legend.len() as f64 * LEGEND_LINE_PX + 4.0;
        let wanted = if size.height.is_finite() {
            size.height
        } else {
            400.0
        };
        let room = (wanted - top - below).max(0.0);
        let (main, spread) = match chart.spread {
            None => (room.max(PANEL_HEIGHT_MIN_PX), None),
            Some(_) => {
                let spread = (room * 0.28).max(PANEL_HEIGHT_MIN_PX);
                let main = (room - spread - SPREAD_TITLE_PX).max(PANEL_HEIGHT_MIN_PX * 1.6);
                (main, Some(spread))
            }
        };
        let main = (top, top + main);
        let spread = spread.map(|height| {
            let top = main.1 + SPREAD_TITLE_PX;
            (top, top + height)
        });
        let height = spread.map_or(main.1, |(_, bottom)| bottom) + below;
        Self {
            width,
            height,
            axis,
            brackets,
            title,
            legend,
            range,
            brackets_top,
            main,
            spread,
            speech: speech.clone(),
        }
    }

    fn draw(&self, chart: &Chart, name: &str) -> String {
        let mut drawing = Drawing::new(&self.speech);
        let names = Names {
            id: name,
            title: &chart.title,
            description: &chart.description,
        };
        frame::open(&mut drawing, (self.width, self.height), &names);
        frame::title(&mut drawing, &self.title);
        let main = Panel {
            axis: &self.axis,
            scale: self.main_scale(),
            top: self.main.0,
            bottom: self.main.1,
        };
        self.zones(&mut drawing, chart);
        let mut labels = main.limit_labels(&chart.limits);
        labels.extend(self.specification(&mut drawing, chart, &main));
        main.frame(&mut drawing);
        main.limits(&mut drawing, &chart.limits);
        main.points(&mut drawing, &chart.points, Series::Value);
        main.side_labels(&mut drawing, labels);
        self.strip(&mut drawing, chart);
        self.spread(&mut drawing, chart);
        self.brackets(&mut drawing);
        self.onset(&mut drawing, chart);
        self.time_labels(&mut drawing, chart);
        self.legend(&mut drawing);
        if !chart.points.iter().any(|point| point.value.is_finite()) {
            let middle = (self.axis.left() + self.axis.right()) / 2.0;
            let height = (self.main.0 + self.main.1) / 2.0;
            drawing.text(middle, height, Anchor::Middle, "No point to show.");
        }
        drawing.close("svg");
        drawing.finish()
    }

    fn main_scale(&self) -> Scale {
        Scale::new(self.range.low, self.range.high, self.main.1, self.main.0)
    }

    /// Lower edge of the lowest panel.
    fn bottom(&self) -> f64 {
        self.spread.map_or(self.main.1, |(_, bottom)| bottom)
    }

    /// The width a bracket spans; one that holds a single point stays wide enough to be seen.
    fn under(&self, bracket: &Bracket) -> (f64, f64) {
        let (from, to) = (self.axis.at(bracket.first), self.axis.at(bracket.last));
        let air = if to - from < 6.0 { 5.0 } else { 3.0 };
        (from - air, to + air)
    }

    /// Baseline, the runs under the brackets and the onset's set, behind everything else.
    fn zones(&self, drawing: &mut Drawing, chart: &Chart) {
        for (first, last) in baseline_zones(&chart.points) {
            let (from, to) = (self.axis.start_of(first), self.axis.end_of(last));
            drawing.rectangle((from, self.main.0), (to, self.bottom()), BASELINE_TINT);
        }
        for bracket in &self.brackets.placed {
            let (from, to) = self.under(bracket);
            drawing.rectangle((from, self.main.0), (to, self.main.1), ACCENT_TINT);
        }
        let set = chart.onset.as_ref().and_then(|onset| onset.range);
        if let Some((first, last)) = set {
            let (from, to) = (self.axis.start_of(first), self.axis.end_of(last));
            drawing.rectangle((from, self.main.1 - 6.0), (to, self.main.1), ACCENT);
        }
    }

    /// The specification: a tint outside, a dotted line, and its own labels.
    fn specification(
        &self,
        drawing: &mut Drawing,
        chart: &Chart,
        main: &Panel<'_>,
    ) -> Vec<SideLabel> {
        let lines = chart
            .specification
            .as_ref()
            .filter(|_| self.range.has_specification);
        let Some(lines) = lines else {
            return Vec::new();
        };
        let (left, right) = (self.axis.left(), self.axis.right());
        let mut labels = Vec::new();
        let decimals = main.ticks().decimals;
        let finite = |value: Option<f64>| value.filter(|value| value.is_finite());
        for (name, value) in [("USL", finite(lines.upper)), ("LSL", finite(lines.lower))] {
            let Some(value) = value else { continue };
            let y = main.scale.at(value);
            let outside = if name == "USL" {
                (main.top, y)
            } else {
                (y, main.bottom)
            };
            drawing.rectangle((left, outside.0), (right, outside.1), OUTSIDE_TINT);
            drawing.open(
                "g",
                &[
                    ("stroke", INK),
                    ("stroke-width", "2"),
                    ("stroke-dasharray", "2 4"),
                ],
            );
            drawing.line((left, y), (right, y));
            drawing.close("g");
            let text = format!("{name} {}", number::fixed(value, decimals));
            labels.push(SideLabel { y, text });
        }
        labels
    }

    /// The strip over the plot: the unit, and what each version of the limits was made from.
    fn strip(&self, drawing: &mut Drawing, chart: &Chart) {
        let y = self.main.0 - 5.0;
        drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
        let unit = text::cut(&chart.unit, MARGIN_LEFT_PX - 8.0);
        drawing.text(self.axis.left() - 6.0, y, Anchor::End, &unit);
        let right_end = self.width - 4.0;
        for (position, segment) in chart.limits.iter().enumerate() {
            let from = self.axis.start_of(segment.from_index);
            let next = chart.limits.get(position + 1);
            let to = next.map_or(right_end, |next| self.axis.start_of(next.from_index));
            let words = self.speech.say(&limits_words(chart, segment.subgroups));
            let room = (to - from - 6.0).min(right_end - from);
            let full = match chart.limits.len() {
                1 => words.clone(),
                _ => format!("{words} (version {})", segment.version),
            };
            let short = words
                .split_once(' ')
                .map_or("", |(_, short)| short)
                .to_owned();
            let fits = |label: &&String| text::width(label) <= room;
            let label = [&full, &words, &short]
                .into_iter()
                .find(fits)
                .unwrap_or(&short);
            let label = text::cut(label, room);
            if label.chars().count() > 4 {
                drawing.text(from.max(self.axis.left()), y, Anchor::Start, &label);
            }
        }
        if chart.limits.is_empty() {
            drawing.text(self.axis.left(), y, Anchor::Start, "no limits yet");
        }
        drawing.close("g");
    }

    fn spread(&self, drawing: &mut Drawing, chart: &Chart) {
        let (Some(spread), Some((top, bottom))) = (&chart.spread, self.spread) else {
            return;
        };
        let values = chart.points.iter().filter_map(|point| point.spread);
        let range = Range::new(values, &spread.limits, None);
        let scale = Scale::new(range.low, range.high, bottom, top);
        let panel = Panel {
            axis: &self.axis,
            scale,
            top,
            bottom,
        };
        let title = text::cut(&spread.title, self.width - self.axis.left() - 4.0);
        drawing.text(self.axis.left(), top - 7.0, Anchor::Start, &title);
        panel.frame(drawing);
        panel.limits(drawing, &spread.limits);
        panel.points(drawing, &chart.points, Series::Spread);
        panel.side_labels(drawing, panel.limit_labels(&spread.limits));
    }

    fn brackets(&self, drawing: &mut Drawing) {
        drawing.open("g", &[("fill", ACCENT), ("font-weight", "600")]);
        for bracket in &self.brackets.placed {
            let y = self.brackets_top + bracket.row as f64 * bracket::ROW_HEIGHT_PX + 11.0;
            drawing.text(bracket.label_at, y, Anchor::Start, &bracket.label);
        }
        drawing.close("g");
        drawing.open(
            "g",
            &[
                ("fill", "none"),
                ("stroke", ACCENT),
                ("stroke-width", "1.6"),
            ],
        );
        for bracket in &self.brackets.placed {
            let y = self.brackets_top + bracket.row as f64 * bracket::ROW_HEIGHT_PX + 15.0;
            let (from, to) = self.under(bracket);
            let path = format!("M{} {}v-4H{}v4", px(from), px(y + 4.0), px(to));
            drawing.leaf("path", &[("d", &path)]);
        }
        drawing.close("g");
    }

    /// The dashed line of the onset over all panels, with its time in a row of its own.
    fn onset(&self, drawing: &mut Drawing, chart: &Chart) {
        let Some(onset) = &chart.onset else { return };
        let x = self.axis.start_of(onset.index);
        drawing.open(
            "g",
            &[
                ("stroke", ACCENT),
                ("stroke-width", "1.6"),
                ("stroke-dasharray", "6 4"),
            ],
        );
        let top = self.main.0 - STRIP_PX;
        drawing.line((x, top - 12.0), (x, self.bottom()));
        drawing.close("g");
        let label = self.speech.say(&format!("onset {}", onset.label));
        let label = text::cut(&label, self.width - self.axis.left() - 10.0);
        let room = text::width(&label);
        let fits_right = x + 5.0 + room <= self.width - 4.0;
        let fits_left = x - 5.0 - room >= 4.0;
        let (at, anchor) = match (fits_right, fits_left) {
            (true, _) => (x + 5.0, Anchor::Start),
            (false, true) => (x - 5.0, Anchor::End),
            (false, false) => (self.width - 4.0, Anchor::End),
        };
        drawing.open("g", &[("fill", ACCENT)]);
        drawing.text(at, top - 3.0, anchor, &label);
        drawing.close("g");
    }

    /// Times under the plot, and a break mark with its length for every pause.
    fn time_labels(&self, drawing: &mut Drawing, chart: &Chart) {
        let bottom = self.bottom();
        drawing.open("g", &[("stroke", MUTED)]);
        drawing.line((self.axis.left(), bottom), (self.axis.right(), bottom));
        for pause in self.axis.pauses() {
            let x = pause_middle(&self.axis, pause.before_index);
            drawing.line((x - 5.0, bottom + 4.0), (x - 1.0, bottom - 4.0));
            drawing.line((x + 1.0, bottom + 4.0), (x + 5.0, bottom - 4.0));
        }
        let wanted = ((self.axis.right() - self.axis.left()) / 105.0) as usize;
        let labelled = self.axis.labelled(wanted.max(2), 78.0);
        for index in &labelled {
            let x = self.axis.at(*index);
            drawing.line((x, bottom), (x, bottom + 4.0));
        }
        drawing.close("g");
        drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
        let mut day_before = "";
        for index in labelled {
            let x = self.axis.at(index);
            let (day, time) = split_label(&chart.points[index].at_label);
            drawing.text(x, bottom + 17.0, Anchor::Middle, &text::cut(time, 100.0));
            if day != day_before {
                drawing.text(x, bottom + 30.0, Anchor::Middle, &text::cut(day, 100.0));
                day_before = day;
            }
        }
        for pause in self.axis.pauses() {
            let x = pause_middle(&self.axis, pause.before_index);
            drawing.text(
                x,
                bottom - 7.0,
                Anchor::Middle,
                &number::duration(pause.seconds),
            );
        }
        drawing.close("g");
    }

    fn legend(&self, drawing: &mut Drawing) {
        drawing.open("g", &[("fill", MUTED)]);
        let top = self.bottom() + TIME_LABELS_PX + 10.0;
        for (line, text) in self.legend.iter().enumerate() {
            drawing.text(4.0, top + line as f64 * LEGEND_LINE_PX, Anchor::Start, text);
        }
        drawing.close("g");
    }
}

/// "limits from 25 panels".
pub(crate) fn limits_words(chart: &Chart, subgroups: usize) -> String {
    let name = match chart.subgroup_name.as_str() {
        "" => "panels",
        name => name,
    };
    format!("limits from {} {name}", number::count(subgroups as u64))
}

fn pause_middle(axis: &TimeAxis, before_index: usize) -> f64 {
    (axis.at(before_index.saturating_sub(1)) + axis.at(before_index)) / 2.0
}

/// Day and time of a label; a label without a space is all time.
fn split_label(label: &str) -> (&str, &str) {
    label.split_once([' ', 'T']).unwrap_or(("", label))
}

/// First and last index of every unbroken stretch of baseline.
fn baseline_zones(points: &[Point]) -> Vec<(usize, usize)> {
    let mut zones: Vec<(usize, usize)> = Vec::new();
    for (index, _) in points
        .iter()
        .enumerate()
        .filter(|(_, point)| point.baseline)
    {
        match zones.last_mut() {
            Some(zone) if zone.1 + 1 == index => zone.1 = index,
            _ => zones.push((index, index)),
        }
    }
    zones
}

/// The marks that occur in this chart, explained in one text.
fn legend_of(chart: &Chart, brackets: &Brackets, range: Range, speech: &Speech) -> String {
    let mut parts = Vec::new();
    if chart.points.iter().any(|point| point.baseline) {
        parts.push("Shaded: baseline the limits were made from.".to_owned());
    }
    if chart.points.iter().any(|point| point.late) {
        parts.push("Ring: late, left out of run rules.".to_owned());
    }
    if chart.points.iter().any(|point| point.excluded) {
        parts.push("Cross: left out of the limits.".to_owned());
    }
    let is_cut =
        |point: &Point| point.value.is_finite() && !(range.low..=range.high).contains(&point.value);
    let cut = chart.points.iter().filter(|point| is_cut(point)).count();
    if cut > 0 {
        parts.push(format!(
            "Arrow: beyond the picture ({cut}); see the numbers."
        ));
    }
    if chart
        .onset
        .as_ref()
        .is_some_and(|onset| onset.range.is_some())
    {
        parts.push("Bar at the foot: 90 % set of the onset.".to_owned());
    }
    if brackets.left_out > 0 {
        let more = brackets.left_out;
        parts.push(format!(
            "{more} more runs with a signal found no room; see the numbers."
        ));
    }
    parts.extend(far_specification(chart, range));
    let said: Vec<String> = parts.iter().map(|part| speech.say(part)).collect();
    said.join("  ")
}

fn far_specification(chart: &Chart, range: Range) -> Option<String> {
    let lines = chart
        .specification
        .as_ref()
        .filter(|_| !range.has_specification)?;
    let words = |value: f64| number::significant(value, 4);
    let span = match (lines.lower, lines.upper) {
        (Some(lower), Some(upper)) => format!("{} to {}", words(lower), words(upper)),
        (Some(lower), None) => format!("at least {}", words(lower)),
        (None, Some(upper)) => format!("at most {}", words(upper)),
        (None, None) => return None,
    };
    let text = format!("Specification {span} {}", chart.unit);
    Some(format!("{}, outside the picture.", text.trim_end()))
}

#[cfg(test)]
mod pictures_tests;
#[cfg(test)]
mod tests;
