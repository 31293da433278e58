//! The charts of a stream, drawn as soon as they are known: a year of points takes more memory than
//! the drawing of it.
//!
//! Must not know a page. Invariant: the names inside the drawings differ between streams.

use minijinja::Value;
use serde::Serialize;

use crate::chart::{ChartSize, chart_drawn, histogram_svg_named};
use crate::figures::{SPREAD_HEIGHT_PX, limit_lines};
use crate::speech::{Language, Speech};
use crate::view::{Chart, Histogram};

/// How high charts are drawn: the chain of a stream and its charts fit on one page of paper.
const CHART_HEIGHT_PX: f64 = 255.0;
const HISTOGRAM_HEIGHT_PX: f64 = 210.0;

/// A stream's charts, for paper and for a phone.
#[derive(Clone, Debug, Serialize)]
pub struct Drawn {
    page: Value,
    phone: Value,
    spread_page: Value,
    spread_phone: Value,
    has_histogram: bool,
    limits: Vec<String>,
    #[serde(skip)]
    size: usize,
}

impl Drawn {
    /// Bytes that they take in a page.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }
}

/// Draws a stream's control chart and, where there is one, its histogram. `name` keeps identifiers
/// apart inside a page.
#[must_use]
pub fn drawn(chart: &Chart, histogram: Option<&Histogram>, name: &str) -> Drawn {
    let spread = chart.spread.as_ref().map_or(0.0, |_| SPREAD_HEIGHT_PX);
    let control = |size: ChartSize, suffix: &str| {
        let english = Speech::new(Language::English);
        let size = ChartSize {
            height: CHART_HEIGHT_PX + spread,
            ..size
        };
        chart_drawn(chart, size, &format!("{name}-{suffix}"), &english).svg
    };
    let readings = |size: ChartSize, suffix: &str| {
        let size = ChartSize {
            height: HISTOGRAM_HEIGHT_PX,
            ..size
        };
        let draw = |one| histogram_svg_named(one, size, &format!("{name}-{suffix}"));
        histogram.map_or_else(String::new, draw)
    };
    let drawings = [
        control(ChartSize::PAGE, "page"),
        control(ChartSize::PHONE, "phone"),
        readings(ChartSize::PAGE, "readings-page"),
        readings(ChartSize::PHONE, "readings-phone"),
    ];
    let size = drawings.iter().map(String::len).sum();
    let [page, phone, spread_page, spread_phone] = drawings.map(Value::from_safe_string);
    Drawn {
        page,
        phone,
        spread_page,
        spread_phone,
        has_histogram: histogram.is_some(),
        limits: limit_lines(chart),
        size,
    }
}
