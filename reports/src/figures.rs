//! Charts as they stand in a page: the drawing twice, for paper and for a phone, and the numbers
//! behind it.
//!
//! Must not know templates. Invariant: every signalling point is among the numbers before any
//! other point is.

use minijinja::Value;
use serde::Serialize;

use crate::chart::{
    ChartSize, Drawn, chart_drawn, histogram_svg_named, pad_map_svg_named, pareto_svg_named,
    running,
};
use crate::markup::px;
use crate::number::{MISSING, count, decimals_for, fixed, signed};
use crate::speech::{Language, Speech};
use crate::view::{Beside, Bin, Chart, Histogram, PadMap, Pareto, ParetoBar, Point, ShiftReport};

/// Rows of numbers under a chart; the rest is had from the command line.
const NUMBER_ROWS_MAX: usize = 150;

/// Pads that are listed under a map: those that lie farthest from nominal.
const PAD_ROWS_MAX: usize = 20;

/// The height of a histogram.
const HISTOGRAM_HEIGHT_PX: f64 = 300.0;

/// What a spread panel adds to the height of a drawing.
pub(crate) const SPREAD_HEIGHT_PX: f64 = 90.0;

/// A chart ready for a template: the drawing for paper and wide screens (`page`), for narrow ones
/// (`phone`), where the points lie in each (`page_places`, `phone_places`) and between which
/// heights (`page_plot`, `phone_plot`), the numbers (`rows`, a place each), what tells strata apart
/// (`stratum`, empty where nothing does), and what is to be said about them.
#[derive(Debug, Clone, Serialize)]
pub struct Figure {
    page: Value,
    phone: Value,
    page_places: String,
    phone_places: String,
    page_plot: String,
    phone_plot: String,
    rows: Vec<NumberRow>,
    /// Says which points are listed; empty where all are.
    rows_note: String,
    has_spread: bool,
    stratum: String,
    unit: String,
    /// The limits in words, one line per version.
    limits: Vec<String>,
}

/// The numbers of one point.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
struct NumberRow {
    at: String,
    board: String,
    stratum: String,
    value: String,
    spread: String,
    remarks: String,
}

impl Figure {
    /// Draws `chart` for an English page; `name` keeps identifiers apart inside it.
    #[must_use]
    pub fn new(chart: &Chart, name: &str) -> Self {
        Self::spoken(chart, name, &Speech::new(Language::English))
    }

    /// As [`Figure::new`], with the numbers of every point, so that each can be read out.
    #[must_use]
    pub fn whole(chart: &Chart, name: &str) -> Self {
        let all = ((0..chart.points.len()).collect(), String::new());
        Self::with(chart, name, all, &Speech::new(Language::English))
    }

    /// Draws `chart`, whose texts are in the language already.
    pub(crate) fn spoken(chart: &Chart, name: &str, speech: &Speech) -> Self {
        Self::with(chart, name, listed(&chart.points), speech)
    }

    fn with(
        chart: &Chart,
        name: &str,
        (indices, rows_note): (Vec<usize>, String),
        speech: &Speech,
    ) -> Self {
        let spread_height = if chart.spread.is_some() {
            SPREAD_HEIGHT_PX
        } else {
            0.0
        };
        let drawn = |size: ChartSize, suffix: &str| {
            let size = ChartSize {
                height: size.height + spread_height,
                ..size
            };
            chart_drawn(chart, size, &format!("{name}-{suffix}"), speech)
        };
        let plot = |(top, bottom): (f64, f64)| format!("{} {}", px(top), px(bottom));
        let page = drawn(ChartSize::PAGE, "page");
        let phone = drawn(ChartSize::PHONE, "phone");
        let listed = merged(chart, indices);
        let numbers = Numbers::of(chart, speech);
        let limits = limit_lines(chart);
        Self {
            page_places: places(&page, &listed),
            phone_places: places(&phone, &listed),
            page_plot: plot(page.plot),
            phone_plot: plot(phone.plot),
            page: Value::from_safe_string(page.svg),
            phone: Value::from_safe_string(phone.svg),
            rows: listed.iter().map(|one| numbers.row(*one)).collect(),
            rows_note: speech.say(&rows_note),
            has_spread: chart.points.iter().any(|point| point.spread.is_some()),
            stratum: chart
                .strata
                .as_ref()
                .map_or_else(String::new, |strata| strata.key.clone()),
            unit: chart.unit.clone(),
            limits: limits.iter().map(|line| speech.say(line)).collect(),
        }
    }

    /// Bytes the figure will take in a page, roughly.
    pub(crate) fn size(&self) -> usize {
        let drawn = |value: &Value| value.as_str().map_or(0, str::len);
        drawn(&self.page) + drawn(&self.phone) + self.rows.len() * 160
    }
}

/// The most frequent defects as a picture, with the share that each row makes with those above it.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct ParetoFigure {
    page: Value,
    phone: Value,
    cumulative: Vec<f64>,
}

impl ParetoFigure {
    /// The picture of a report's defects; none where there are fewer than two kinds.
    pub(crate) fn new(report: &ShiftReport, speech: &Speech) -> Option<Self> {
        if report.top_defects.len() < 2 {
            return None;
        }
        let bars = report.top_defects.iter().map(|one| ParetoBar {
            label: format!("{}, {}", one.defect, one.component),
            count: one.count,
        });
        let pareto = Pareto {
            title: speech.say("Most frequent defects and their cumulative share"),
            description: String::new(),
            what: "defects of the shift".to_owned(),
            bars: bars.collect(),
            total: report.defects_total,
        };
        let drawn = |size, name: &str| {
            Value::from_safe_string(pareto_svg_named(&pareto, size, name, speech))
        };
        let sums = running(&pareto);
        let whole = report
            .defects_total
            .max(sums.last().copied().unwrap_or(0))
            .max(1);
        Some(Self {
            page: drawn(ChartSize::PAGE, "defects-page"),
            phone: drawn(ChartSize::PHONE, "defects-phone"),
            cumulative: sums.iter().map(|sum| *sum as f64 / whole as f64).collect(),
        })
    }
}

/// How readings spread, as a picture, with the classes in numbers.
#[derive(Debug, Clone, Serialize)]
pub struct HistogramFigure {
    page: Value,
    phone: Value,
    unit: String,
    /// From, to and count of each class.
    rows: Vec<(String, String, u64)>,
}

impl HistogramFigure {
    /// Draws a histogram; `name` keeps identifiers apart inside the page.
    #[must_use]
    pub fn new(histogram: &Histogram, name: &str) -> Self {
        let drawn = |size: ChartSize, part: &str| {
            let size = ChartSize {
                height: HISTOGRAM_HEIGHT_PX,
                ..size
            };
            Value::from_safe_string(histogram_svg_named(
                histogram,
                size,
                &format!("{name}-{part}"),
            ))
        };
        let digits = digits_for(histogram.bins.iter().map(|bin| bin.low));
        let row = |bin: &Bin| (fixed(bin.low, digits), fixed(bin.high, digits), bin.count);
        Self {
            page: drawn(ChartSize::PAGE, "page"),
            phone: drawn(ChartSize::PHONE, "phone"),
            unit: histogram.unit.clone(),
            rows: histogram.bins.iter().map(row).collect(),
        }
    }
}

/// A map of pads, with those that lie farthest from nominal in words.
#[derive(Debug, Clone, Serialize)]
pub struct PadFigure {
    title: String,
    unit: String,
    page: Value,
    phone: Value,
    rows: Vec<(String, String)>,
    pads: usize,
}

impl PadFigure {
    /// Draws a map; `name` keeps identifiers apart inside the page.
    #[must_use]
    pub fn new(map: &PadMap, name: &str) -> Self {
        Self::spoken(map, name, &Speech::new(Language::English))
    }

    /// As [`PadFigure::new`], in a language.
    pub(crate) fn spoken(map: &PadMap, name: &str, speech: &Speech) -> Self {
        let drawn = |size, part: &str| {
            let name = format!("{name}-{part}");
            Value::from_safe_string(pad_map_svg_named(map, size, &name, speech))
        };
        let mut far: Vec<_> = map
            .pads
            .iter()
            .filter(|pad| pad.deviation.is_finite())
            .collect();
        far.sort_by(|a, b| {
            let size = b.deviation.abs().total_cmp(&a.deviation.abs());
            size.then_with(|| a.label.cmp(&b.label))
        });
        let rows = far.iter().take(PAD_ROWS_MAX);
        Self {
            title: map.title.clone(),
            unit: map.unit.clone(),
            page: drawn(ChartSize::PAGE, "page"),
            phone: drawn(ChartSize::PHONE, "phone"),
            rows: rows
                .map(|pad| (pad.label.clone(), speech.number(&signed(pad.deviation, 3))))
                .collect(),
            pads: map.pads.len(),
        }
    }

    /// Bytes the figure will take in a page, roughly.
    pub(crate) fn size(&self) -> usize {
        let drawn = |value: &Value| value.as_str().map_or(0, str::len);
        drawn(&self.page) + drawn(&self.phone)
    }
}

/// A point in the list of numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Listed {
    /// One of the chart's own.
    Own(usize),
    /// One beside them.
    Beside(usize),
}

/// The points to list with those of other strata between them, in time order.
fn merged(chart: &Chart, own: Vec<usize>) -> Vec<Listed> {
    let others = chart.strata.iter().flat_map(|strata| &strata.beside);
    let mut others = others.enumerate().peekable();
    let mut listed = Vec::new();
    for index in own {
        let at = chart.points[index].x;
        while let Some((place, _)) = others.next_if(|(_, other)| other.x < at) {
            listed.push(Listed::Beside(place));
        }
        listed.push(Listed::Own(index));
    }
    listed.extend(others.map(|(place, _)| Listed::Beside(place)));
    listed
}

/// Where the listed points lie; one outside the picture is at its edge.
fn places(drawn: &Drawn, listed: &[Listed]) -> String {
    let edge = (0.0, drawn.plot.1);
    let place = |one: &Listed| {
        let (x, y) = match one {
            Listed::Own(index) => drawn.places[*index],
            Listed::Beside(index) => drawn.beside[*index].unwrap_or(edge),
        };
        format!("{},{}", px(x), px(y))
    };
    listed.iter().map(place).collect::<Vec<_>>().join(" ")
}

/// The points to list, and a note where not all are: signals first, then the latest.
fn listed(points: &[Point]) -> (Vec<usize>, String) {
    if points.len() <= NUMBER_ROWS_MAX {
        return ((0..points.len()).collect(), String::new());
    }
    let is_signal = |index: &usize| !points[*index].signals.is_empty();
    let signals = (0..points.len()).filter(is_signal).count();
    let mut indices: Vec<usize> = (0..points.len())
        .rev()
        .filter(is_signal)
        .take(NUMBER_ROWS_MAX)
        .collect();
    let others = (0..points.len()).rev().filter(|index| !is_signal(index));
    let room = NUMBER_ROWS_MAX - indices.len();
    indices.extend(others.take(room));
    indices.sort_unstable();
    let note = format!(
        "{} of {} points are listed: {} of {} with a signal, and the latest. \
         “driftvane chart” with “--format csv” gives them all.",
        count(indices.len() as u64),
        count(points.len() as u64),
        count(signals.min(NUMBER_ROWS_MAX) as u64),
        count(signals as u64),
    );
    (indices, note)
}

/// Digits after the point that give the span of the values three digits, so that neighbours
/// differ.
fn digits_for(values: impl Iterator<Item = f64>) -> usize {
    let finite = values.filter(|value| value.is_finite());
    let span = finite.fold(None, |span: Option<(f64, f64)>, value| match span {
        None => Some((value, value)),
        Some((low, high)) => Some((low.min(value), high.max(value))),
    });
    match span {
        Some((low, high)) if high > low => decimals_for(high - low, 3),
        Some((low, _)) => decimals_for(low.abs(), 4),
        None => 0,
    }
}

/// How the numbers of a chart are written.
struct Numbers<'a> {
    chart: &'a Chart,
    value_digits: usize,
    spread_digits: usize,
    speech: &'a Speech,
}

impl<'a> Numbers<'a> {
    fn of(chart: &'a Chart, speech: &'a Speech) -> Self {
        Self {
            chart,
            value_digits: digits_for(chart.points.iter().map(|point| point.value)),
            spread_digits: digits_for(chart.points.iter().filter_map(|point| point.spread)),
            speech,
        }
    }

    fn row(&self, listed: Listed) -> NumberRow {
        match listed {
            Listed::Own(index) => self.own(&self.chart.points[index]),
            Listed::Beside(index) => {
                let strata = self.chart.strata.as_ref();
                let found = strata.and_then(|strata| strata.beside.get(index));
                found.map_or_else(NumberRow::default, |point| self.beside(point))
            }
        }
    }

    fn own(&self, point: &Point) -> NumberRow {
        let speech = self.speech;
        let spread = |spread| speech.number(&fixed(spread, self.spread_digits));
        NumberRow {
            at: point.at_label.clone(),
            board: point.board.clone(),
            stratum: self.stratum(point.stratum),
            value: speech.number(&fixed(point.value, self.value_digits)),
            spread: point.spread.map_or_else(|| MISSING.to_owned(), spread),
            remarks: remarks(point, speech),
        }
    }

    fn beside(&self, point: &Beside) -> NumberRow {
        NumberRow {
            at: point.at_label.clone(),
            board: point.board.clone(),
            stratum: self.stratum(Some(point.stratum)),
            value: self.speech.number(&fixed(point.value, self.value_digits)),
            spread: MISSING.to_owned(),
            remarks: self.speech.say("shown beside, not judged"),
        }
    }

    fn stratum(&self, place: Option<usize>) -> String {
        let name = self
            .chart
            .strata
            .as_ref()
            .and_then(|strata| strata.names.get(place?));
        name.cloned().unwrap_or_default()
    }
}

/// What fired at a point, and what else is to be said of it.
fn remarks(point: &Point, speech: &Speech) -> String {
    let mut remarks: Vec<String> = Vec::new();
    if !point.changeover.is_empty() {
        remarks.push(format!(
            "{} {}",
            speech.say("changeover:"),
            point.changeover
        ));
    }
    for signal in &point.signals {
        let is_named = signal.side.is_empty() || signal.rule_words.contains(&signal.side);
        remarks.push(match is_named {
            true => signal.rule_words.clone(),
            false => format!("{} ({})", signal.rule_words, signal.side),
        });
    }
    let marks = [
        (point.baseline, "baseline"),
        (point.late, "late, left out of run rules"),
        (point.excluded, "excluded"),
    ];
    let marked = marks.iter().filter(|(is_set, _)| *is_set);
    remarks.extend(marked.map(|(_, words)| speech.say(words)));
    remarks.join("; ")
}

/// The limits in words, a line each version.
pub(crate) fn limit_lines(chart: &Chart) -> Vec<String> {
    let digits = digits_for(chart.points.iter().map(|point| point.value));
    let bound = |name: &str, value: Option<f64>| match value {
        Some(value) => format!("{name} {}", fixed(value, digits)),
        None => format!("no {name}"),
    };
    chart
        .limits
        .iter()
        .map(|segment| {
            let words = crate::chart::limits_words(chart, segment.subgroups);
            let numbers = if segment.bounds.is_empty() {
                [
                    bound("LCL", segment.lower),
                    bound("CL", Some(segment.centre)),
                    bound("UCL", segment.upper),
                ]
                .join(", ")
            } else {
                format!(
                    "{}, bounds by subgroup size",
                    bound("CL", Some(segment.centre))
                )
            };
            let unit = &chart.unit;
            let line = format!("Version {}, {words}: {numbers} {unit}", segment.version);
            line.trim_end().to_owned()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::{SignalView, Strata};

    #[test]
    fn all_signals_are_listed_before_other_points() {
        let mut points: Vec<Point> = (0..5_000).map(|_| Point::default()).collect();
        for index in [3, 999, 4_999] {
            points[index].signals.push(SignalView::default());
        }
        let (indices, note) = listed(&points);
        assert_eq!(indices.len(), NUMBER_ROWS_MAX);
        assert!([3, 999, 4_999].iter().all(|index| indices.contains(index)));
        assert!(
            note.starts_with("150 of 5000 points are listed: 3 of 3 with a signal"),
            "{note}"
        );
    }

    #[test]
    fn points_of_other_strata_stand_in_time_order_with_their_names() {
        let own = |x: f64| Point {
            x,
            value: 1.0,
            stratum: Some(0),
            ..Point::default()
        };
        let other = |x: f64, value: f64| Beside {
            x,
            value,
            stratum: 1,
            ..Beside::default()
        };
        let chart = Chart {
            points: vec![own(0.0), own(20.0), own(40.0)],
            strata: Some(Strata {
                key: "stroke".to_owned(),
                names: vec!["back".to_owned(), "front".to_owned()],
                beside: vec![other(10.0, 1.0), other(30.0, 1.1), other(50.0, 1.2)],
                one_in: 1,
            }),
            ..Chart::default()
        };
        let figure = Figure::new(&chart, "figure");
        let strata: Vec<&str> = figure.rows.iter().map(|row| row.stratum.as_str()).collect();
        assert_eq!(strata, ["back", "front", "back", "front", "back", "front"]);
        assert_eq!(figure.stratum, "stroke");
        // Each row has its place, so that it can be read out; the last lies behind the picture.
        for places in [&figure.page_places, &figure.phone_places] {
            let x = |place: &str| -> f64 { place.split(',').next().unwrap().parse().unwrap() };
            let places: Vec<f64> = places.split(' ').map(x).collect();
            assert_eq!(places.len(), 6);
            assert!(
                places[..5].windows(2).all(|pair| pair[0] < pair[1]),
                "{places:?}"
            );
        }
        assert!(figure.page.as_str().unwrap().contains(">front<"));
    }

    #[test]
    fn numbers_carry_the_digits_that_tell_them_apart() {
        assert_eq!(digits_for([120.11, 121.9].into_iter()), 2);
        assert_eq!(digits_for([0.98, 0.99].into_iter()), 4);
        assert_eq!(digits_for(std::iter::empty()), 0);
    }
}
