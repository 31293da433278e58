//! Charts as SVG. Here: control charts, their layout, and what lies over the panels.
//!
//! Must not know files, clocks or the rest of a report. Invariant: a chart carries a title and a
//! description for those who cannot see it, and says every finding in words as well.

mod bracket;
mod frame;
mod histogram;
mod legend;
mod pad_map;
mod palette;
mod panel;
mod pareto;
mod range;
mod shape;
mod text;
mod thin;
mod time_axis;
mod times;

use bracket::{Bracket, Brackets};
use frame::{Names, TITLE_LINE_PX};
use palette::{ACCENT, ACCENT_TINT, BASELINE_TINT, INK, MUTED, OUTSIDE_TINT};
use panel::{Panel, Series, SideLabel};
use range::Range;
use shape::{Key, Mark, Whose};
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
use crate::view::{Beside, Chart, Point};

const FONT: &str = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif";
const MARGIN_LEFT_PX: f64 = 54.0;
const MARGIN_RIGHT_PX: f64 = 82.0;
const STRIP_PX: f64 = 18.0;
const LEGEND_LINE_PX: f64 = 16.0;
const SPREAD_TITLE_PX: f64 = 22.0;
/// Below this a panel could not be read, so the drawing grows instead.
const PANEL_HEIGHT_MIN_PX: f64 = 70.0;
const WIDTH_MIN_PX: f64 = 280.0;
/// The width of a pennant, with air.
const PENNANT_PX: f64 = 9.0;

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
    /// The same of the points beside them; none where one lies outside the time shown.
    pub(crate) beside: Vec<Option<(f64, f64)>>,
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
        beside: layout.beside(chart),
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
    key: Key,
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
        let brackets = Brackets::new(&chart.points, &axis, (4.0, width - 4.0), speech);
        let lines = chart.specification.as_ref();
        let values = chart.points.iter().map(|point| point.value);
        let values = values.chain(others(chart).map(|point| point.value));
        let range = Range::new(values, &chart.limits, lines);
        let title = frame::title_lines(&chart.title, width);
        let key = Key::new(chart.strata.as_ref(), width, speech);
        let legend = legend::of(chart, brackets.left_out, range, speech);
        let legend = text::wrapped(&legend, width - 8.0, 6);
        let brackets_top = 6.0 + title.len() as f64 * TITLE_LINE_PX;
        let onset_row = if chart.onset.is_some() { STRIP_PX } else { 0.0 };
        let top = brackets_top + brackets.height() + onset_row + STRIP_PX;
        let below =
            times::height(&axis) + key.height() + legend.len() as f64 * LEGEND_LINE_PX + 4.0;
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
            key,
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
        self.changeovers(&mut drawing, chart);
        self.others(&mut drawing, chart);
        main.points(&mut drawing, &chart.points, Series::Value);
        main.side_labels(&mut drawing, labels);
        self.strip(&mut drawing, chart);
        self.spread(&mut drawing, chart);
        self.brackets(&mut drawing);
        self.onset(&mut drawing, chart);
        times::draw(&mut drawing, &self.axis, &chart.points, self.bottom());
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

    /// Where the points of other strata lie; those beyond the picture at its edge.
    fn beside(&self, chart: &Chart) -> Vec<Option<(f64, f64)>> {
        let scale = self.main_scale();
        let place = |point: &Beside| {
            let value = Some(point.value).filter(|value| value.is_finite())?;
            Some((self.axis.place(point.x)?, scale.at(value)))
        };
        others(chart).map(place).collect()
    }

    /// The points of other strata, behind the chart's own.
    fn others(&self, drawing: &mut Drawing, chart: &Chart) {
        let scale = self.main_scale();
        let placed = others(chart).zip(self.beside(chart));
        let within = placed.filter(|(point, _)| scale.holds(point.value));
        let mark = |(point, at): (&Beside, Option<(f64, f64)>)| {
            Some(Mark {
                at: at?,
                stratum: point.stratum,
                is_kept: false,
            })
        };
        let marks: Vec<Mark> = within.filter_map(mark).collect();
        shape::marks(drawing, &marks, Whose::Others);
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
        let y = self.strip_foot() - 5.0;
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
        let hook = |bracket: &Bracket| self.brackets_top + self.brackets.hook_of(bracket);
        drawing.open("g", &[("fill", ACCENT), ("font-weight", "600")]);
        for bracket in &self.brackets.placed {
            for (above, line) in bracket.label.iter().rev().enumerate() {
                let y = hook(bracket) - 2.0 - above as f64 * bracket::LINE_PX;
                drawing.text(bracket.label_at, y, Anchor::Start, line);
            }
        }
        drawing.close("g");
        let style = [
            ("fill", "none"),
            ("stroke", ACCENT),
            ("stroke-width", "1.6"),
        ];
        drawing.open("g", &style);
        for bracket in &self.brackets.placed {
            let (from, to) = self.under(bracket);
            let y = px(hook(bracket) + 6.0);
            let path = format!("M{} {y}v-4H{}v4", px(from), px(to));
            drawing.leaf("path", &[("d", &path)]);
        }
        drawing.close("g");
    }

    /// A line with a pennant in every panel where something else began to run.
    fn changeovers(&self, drawing: &mut Drawing, chart: &Chart) {
        let mut path = String::new();
        let mut column = f64::NEG_INFINITY;
        let points = chart.points.iter().enumerate();
        for (index, _) in points.filter(|(_, point)| !point.changeover.is_empty()) {
            let x = self.axis.start_of(index);
            // Where they are as close as their pennants, the first stands for them.
            if x - column < PENNANT_PX {
                continue;
            }
            column = x;
            for (top, bottom) in [Some(self.main), self.spread].into_iter().flatten() {
                let (x, top, bottom) = (px(x), px(top), px(bottom));
                path.push_str(&format!("M{x} {bottom}V{top}l7 4l-7 4"));
            }
        }
        if !path.is_empty() {
            let style = [("d", path.as_str()), ("fill", "none"), ("stroke", INK)];
            drawing.leaf("path", &style);
        }
    }

    /// The dashed line of the onset in every panel, below a row with its time, so that it runs
    /// through no words.
    fn onset(&self, drawing: &mut Drawing, chart: &Chart) {
        let Some(onset) = &chart.onset else { return };
        let x = self.axis.start_of(onset.index);
        let style = [
            ("stroke", ACCENT),
            ("stroke-width", "1.6"),
            ("stroke-dasharray", "6 4"),
        ];
        drawing.open("g", &style);
        for (top, bottom) in [Some(self.main), self.spread].into_iter().flatten() {
            drawing.line((x, top), (x, bottom));
        }
        drawing.close("g");
        let label = self.speech.say(&format!("onset {}", onset.label));
        let label = text::cut(&label, self.width - 8.0);
        let room = text::width(&label);
        let at = (x - 4.0).min(self.width - 4.0 - room).max(4.0);
        drawing.open("g", &[("fill", ACCENT)]);
        drawing.text(at, self.main.0 - 5.0, Anchor::Start, &label);
        drawing.close("g");
    }

    /// Lower edge of the strip; the row of the onset, where there is one, lies below it.
    fn strip_foot(&self) -> f64 {
        self.brackets_top + self.brackets.height() + STRIP_PX
    }

    fn legend(&self, drawing: &mut Drawing) {
        let top = self.bottom() + times::height(&self.axis);
        self.key.draw(drawing, top);
        drawing.open("g", &[("fill", MUTED)]);
        let top = top + self.key.height() + 10.0;
        for (line, text) in self.legend.iter().enumerate() {
            drawing.text(4.0, top + line as f64 * LEGEND_LINE_PX, Anchor::Start, text);
        }
        drawing.close("g");
    }
}

/// The points of other strata than the chart's own.
fn others(chart: &Chart) -> impl Iterator<Item = &Beside> {
    chart.strata.iter().flat_map(|strata| &strata.beside)
}

/// "limits from 25 panels".
pub(crate) fn limits_words(chart: &Chart, subgroups: usize) -> String {
    let name = match chart.subgroup_name.as_str() {
        "" => "panels",
        name => name,
    };
    format!("limits from {} {name}", number::count(subgroups as u64))
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

#[cfg(test)]
mod pictures_tests;
#[cfg(test)]
mod tests;
