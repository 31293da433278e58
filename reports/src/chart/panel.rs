//! One panel: its frame, its limits and its points. The main chart and the spread chart are both
//! drawn here.
//!
//! Must not know signals, onset or baseline. Invariant: a point keeps its neutral ink whatever it
//! means; what it means is said by its shape or by words.

use std::fmt::Write;

use super::palette::{GRID, INK, MUTED, PAPER};
use super::shape::{self, Mark, Whose};
use super::thin::{self, Spot};
use super::time_axis::TimeAxis;
use crate::markup::{Anchor, Drawing, px};
use crate::number;
use crate::scale::{Scale, Ticks};
use crate::view::{LimitSegment, Point};

/// Points closer than this are drawn as a line without dots.
const DOT_DISTANCE_MIN_PX: f64 = 4.0;
/// Labels beside the plot stand at least this far apart.
const LABEL_DISTANCE_PX: f64 = 13.0;

/// Where a panel stands and what it maps.
#[derive(Debug, Clone, Copy)]
pub(super) struct Panel<'a> {
    /// The axis shared by all panels.
    pub(super) axis: &'a TimeAxis,
    /// Values to heights.
    pub(super) scale: Scale,
    /// Upper edge.
    pub(super) top: f64,
    /// Lower edge.
    pub(super) bottom: f64,
}

/// A label beside the plot, at the height of its line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SideLabel {
    /// Wanted height.
    pub(super) y: f64,
    /// What it says.
    pub(super) text: String,
}

/// Which of the three lines of a limit segment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Line {
    Lower,
    Centre,
    Upper,
}

/// Which number of a point a panel shows. Signals are marked on the value only.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Series {
    /// The charted statistic.
    Value,
    /// The spread within the subgroup.
    Spread,
}

impl Series {
    fn of(self, point: &Point) -> Option<f64> {
        let value = match self {
            Self::Value => Some(point.value),
            Self::Spread => point.spread,
        };
        value.filter(|value| value.is_finite())
    }
}

impl Panel<'_> {
    /// About one tick per 27 pixels.
    pub(super) fn ticks(&self) -> Ticks {
        let wanted = ((self.bottom - self.top) / 27.0) as usize;
        self.scale.ticks(wanted.clamp(2, 8))
    }

    /// Grid lines with their values.
    pub(super) fn frame(&self, drawing: &mut Drawing) {
        let ticks = self.ticks();
        drawing.open("g", &[("stroke", GRID), ("stroke-width", "1")]);
        for value in &ticks.values {
            let y = self.scale.at(*value);
            drawing.line((self.axis.left(), y), (self.axis.right(), y));
        }
        drawing.close("g");
        drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
        for value in &ticks.values {
            let label = number::fixed(*value, ticks.decimals);
            let y = self.scale.at(*value) + 4.0;
            drawing.text(self.axis.left() - 6.0, y, Anchor::End, &label);
        }
        drawing.close("g");
    }

    /// Control limits as stepped lines; the centre line is dashed.
    pub(super) fn limits(&self, drawing: &mut Drawing, segments: &[LimitSegment]) {
        for (line, dash) in [(Line::Lower, ""), (Line::Centre, "9 5"), (Line::Upper, "")] {
            let path = self.stepped(segments, line);
            if path.is_empty() {
                continue;
            }
            let mut style = vec![("d", path.as_str()), ("fill", "none"), ("stroke", MUTED)];
            style.push(("stroke-width", if dash.is_empty() { "1.4" } else { "1" }));
            if !dash.is_empty() {
                style.push(("stroke-dasharray", dash));
            }
            drawing.leaf("path", &style);
        }
    }

    /// Labels of the limits in force at the end.
    pub(super) fn limit_labels(&self, segments: &[LimitSegment]) -> Vec<SideLabel> {
        let Some(segment) = segments.last() else {
            return Vec::new();
        };
        let decimals = self.ticks().decimals + 1;
        let (lower, centre, upper) = segment.bounds.last().copied().unwrap_or((
            segment.lower,
            segment.centre,
            segment.upper,
        ));
        [("UCL", upper), ("CL", Some(centre)), ("LCL", lower)]
            .into_iter()
            .filter_map(|(name, value)| Some((name, value.filter(|value| value.is_finite())?)))
            .map(|(name, value)| SideLabel {
                y: self.scale.at(value),
                text: format!("{name} {}", number::fixed(value, decimals)),
            })
            .collect()
    }

    /// Writes labels beside the plot, pushed apart where they would overlap.
    pub(super) fn side_labels(&self, drawing: &mut Drawing, mut labels: Vec<SideLabel>) {
        labels.sort_by(|a, b| a.y.total_cmp(&b.y));
        let mut floor = f64::NEG_INFINITY;
        for label in &mut labels {
            label.y = label.y.max(floor);
            floor = label.y + LABEL_DISTANCE_PX;
        }
        let mut ceiling = self.bottom + 4.0;
        for label in labels.iter_mut().rev() {
            label.y = label.y.min(ceiling);
            ceiling = label.y - LABEL_DISTANCE_PX;
        }
        drawing.open("g", &[("fill", INK), ("font-size", "11")]);
        for label in &labels {
            drawing.text(
                self.axis.right() + 5.0,
                label.y + 4.0,
                Anchor::Start,
                &label.text,
            );
        }
        drawing.close("g");
    }

    /// The points, joined where time runs on.
    pub(super) fn points(&self, drawing: &mut Drawing, points: &[Point], series: Series) {
        let spots = self.joined_spots(points, series);
        let drawn: Vec<Spot> = thin::thinned(&spots)
            .into_iter()
            .map(|index| spots[index])
            .collect();
        self.joined_line(drawing, &drawn);
        let room = (self.axis.right() - self.axis.left()) / points.len().max(1) as f64;
        let with_dot = |spot: &&Spot| spot.is_kept || room >= DOT_DISTANCE_MIN_PX;
        let mark = |spot: &Spot| {
            Some(Mark {
                at: (spot.x, spot.y?),
                stratum: spot.stratum?,
                is_kept: spot.is_kept,
            })
        };
        let marks: Vec<Mark> = drawn.iter().filter_map(mark).collect();
        shape::marks(drawing, &marks, Whose::Own);
        let dots: Vec<(f64, f64)> = drawn
            .iter()
            .filter(|spot| spot.stratum.is_none())
            .filter(with_dot)
            .filter_map(|spot| Some((spot.x, spot.y?)))
            .collect();
        dots_at(drawing, &dots);
        self.odd_points(drawing, points, series);
        self.cut_points(drawing, points, series);
    }

    /// The points on the line; a pause before a point that is left out still breaks it.
    fn joined_spots(&self, points: &[Point], series: Series) -> Vec<Spot> {
        let first = points.first().and_then(|point| point.stratum);
        // Strata of others stand beside the value only; of the spread, own ones are told apart.
        let has_shapes =
            series == Series::Value || points.iter().any(|point| point.stratum != first);
        let mut spots = Vec::with_capacity(points.len());
        let mut is_start = false;
        for (index, point) in points.iter().enumerate() {
            is_start |= self.axis.is_after_pause(index);
            if point.late || point.excluded {
                continue;
            }
            let value = series.of(point);
            spots.push(Spot {
                x: self.axis.at(index),
                y: value.map(|value| self.scale.at(value)),
                is_kept: series == Series::Value && !point.signals.is_empty(),
                is_start,
                stratum: point.stratum.filter(|_| has_shapes),
            });
            is_start = false;
        }
        spots
    }

    fn joined_line(&self, drawing: &mut Drawing, drawn: &[Spot]) {
        let mut path = String::new();
        let mut is_joined = false;
        for spot in drawn {
            let Some(y) = spot.y else {
                is_joined = false;
                continue;
            };
            let command = if is_joined && !spot.is_start {
                'L'
            } else {
                'M'
            };
            let _written = write!(path, "{command}{} {}", px(spot.x), px(y));
            is_joined = true;
        }
        let style = [
            ("d", path.as_str()),
            ("fill", "none"),
            ("stroke", INK),
            ("stroke-width", "1"),
            ("stroke-linejoin", "round"),
        ];
        drawing.leaf("path", &style);
    }

    /// Late points as rings, excluded ones as crosses; both stand beside the line.
    fn odd_points(&self, drawing: &mut Drawing, points: &[Point], series: Series) {
        let place = |index: usize, point: &Point| {
            let value = series.of(point)?;
            Some((self.axis.at(index), self.scale.at(value)))
        };
        let mut rings = String::new();
        let mut crosses = String::new();
        let mut before = (f64::NAN, f64::NAN);
        for (index, point) in points
            .iter()
            .enumerate()
            .filter(|(_, p)| p.late || p.excluded)
        {
            let Some((x, y)) = place(index, point) else {
                continue;
            };
            if (x - before.0).abs() < 1.0 && (y - before.1).abs() < 1.0 {
                continue;
            }
            before = (x, y);
            let _written = if point.excluded {
                write!(crosses, "M{} {}l7 7m0-7l-7 7", px(x - 3.5), px(y - 3.5))
            } else {
                write!(
                    rings,
                    "M{} {}a3 3 0 1 0 6 0a3 3 0 1 0-6 0",
                    px(x - 3.0),
                    px(y)
                )
            };
        }
        for (path, fill) in [(rings, PAPER), (crosses, "none")] {
            if !path.is_empty() {
                let style = [("d", path.as_str()), ("fill", fill), ("stroke", INK)];
                drawing.leaf("path", &style);
            }
        }
    }

    /// Arrows at the edge for values outside the picture.
    fn cut_points(&self, drawing: &mut Drawing, points: &[Point], series: Series) {
        let mut path = String::new();
        let mut column = f64::NAN;
        for (index, point) in points.iter().enumerate() {
            let outside = series.of(point).filter(|value| !self.scale.holds(*value));
            let Some(value) = outside else { continue };
            let x = self.axis.at(index);
            if (x - column).abs() < 2.0 {
                continue;
            }
            column = x;
            let _written = if value > self.scale.high() {
                write!(path, "M{} {}l5 8h-10z", px(x), px(self.top))
            } else {
                write!(path, "M{} {}l5-8h-10z", px(x), px(self.bottom))
            };
        }
        if !path.is_empty() {
            drawing.leaf("path", &[("d", &path), ("fill", INK)]);
        }
    }

    fn stepped(&self, segments: &[LimitSegment], line: Line) -> String {
        let mut path = String::new();
        let mut end = f64::NAN;
        for (from, to, value) in segments
            .iter()
            .flat_map(|segment| self.steps(segment, line))
        {
            let y = px(self.scale.at(value));
            let is_joined = (from - end).abs() < 0.5;
            let _written = if is_joined {
                write!(path, "V{y}H{}", px(to))
            } else {
                write!(path, "M{} {y}H{}", px(from), px(to))
            };
            end = to;
        }
        path
    }

    /// Level pieces of one line. Steps narrower than a pixel are drawn at their mean, since more
    /// cannot be seen.
    fn steps(&self, segment: &LimitSegment, line: Line) -> Vec<(f64, f64, f64)> {
        let pick = |bound: (Option<f64>, f64, Option<f64>)| {
            let value = match line {
                Line::Lower => bound.0,
                Line::Centre => Some(bound.1),
                Line::Upper => bound.2,
            };
            value.filter(|value| value.is_finite())
        };
        if segment.to_index < segment.from_index {
            return Vec::new();
        }
        if segment.bounds.is_empty() {
            let (from, to) = (
                self.axis.start_of(segment.from_index),
                self.axis.end_of(segment.to_index),
            );
            let value = pick((segment.lower, segment.centre, segment.upper));
            return value.map(|value| (from, to, value)).into_iter().collect();
        }
        let mut steps: Vec<(f64, f64, f64)> = Vec::new();
        let mut merged = 1.0;
        for (offset, bound) in segment.bounds.iter().enumerate() {
            let index = segment.from_index.saturating_add(offset);
            let Some(value) = pick(*bound) else { continue };
            let (from, to) = (self.axis.start_of(index), self.axis.end_of(index));
            match steps.last_mut() {
                Some(last) if to - last.0 < 1.0 => {
                    merged += 1.0;
                    last.1 = to;
                    last.2 += (value - last.2) / merged;
                }
                _ => {
                    merged = 1.0;
                    steps.push((from, to, value));
                }
            }
        }
        steps
    }
}

fn dots_at(drawing: &mut Drawing, dots: &[(f64, f64)]) {
    let mut path = String::new();
    for (x, y) in dots {
        let _written = write!(path, "M{} {}h0", px(*x), px(*y));
    }
    if !path.is_empty() {
        let style = [
            ("d", path.as_str()),
            ("stroke", INK),
            ("stroke-width", "4"),
            ("stroke-linecap", "round"),
        ];
        drawing.leaf("path", &style);
    }
}
