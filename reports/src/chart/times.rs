//! Times under a chart, and how long its pauses were.
//!
//! Must not know values. Invariant: no label runs into another, and none into the data: pauses
//! have a row of their own where there are any.

use super::palette::MUTED;
use super::text;
use super::time_axis::TimeAxis;
use crate::markup::{Anchor, Drawing};
use crate::number;
use crate::view::Point;

/// The row of times and that of days, with air below.
const LABELS_PX: f64 = 38.0;
/// The row of pauses.
const PAUSES_PX: f64 = 14.0;
/// From the axis to the foot of the first row's letters.
const FOOT_PX: f64 = 17.0;
/// From there to the row of days.
const DAY_PX: f64 = 13.0;
/// What the letters of the labels take of the guessed width.
const SMALL: f64 = 11.0 / text::SIZE_PX;

/// The height that all rows take.
pub(super) fn height(axis: &TimeAxis) -> f64 {
    LABELS_PX + pauses_height(axis)
}

fn pauses_height(axis: &TimeAxis) -> f64 {
    if axis.pauses().is_empty() {
        0.0
    } else {
        PAUSES_PX
    }
}

/// Draws the axis with its break marks, pauses, times and days below `bottom`.
pub(super) fn draw(drawing: &mut Drawing, axis: &TimeAxis, points: &[Point], bottom: f64) {
    let pauses: Vec<(f64, f64)> = axis
        .pauses()
        .iter()
        .map(|pause| middle(axis, pause))
        .collect();
    let wanted = ((axis.right() - axis.left()) / 105.0) as usize;
    let labelled = axis.labelled(wanted.max(2), 78.0);
    let below = bottom + pauses_height(axis);
    drawing.open("g", &[("stroke", MUTED)]);
    drawing.line((axis.left(), bottom), (axis.right(), bottom));
    for (x, _) in &pauses {
        drawing.line((x - 5.0, bottom + 4.0), (x - 1.0, bottom - 4.0));
        drawing.line((x + 1.0, bottom + 4.0), (x + 5.0, bottom - 4.0));
    }
    for index in &labelled {
        let x = axis.at(*index);
        drawing.line((x, bottom), (x, bottom + 4.0));
    }
    drawing.close("g");
    drawing.open("g", &[("fill", MUTED), ("font-size", "11")]);
    for (x, words) in apart(&pauses) {
        drawing.text(x, bottom + FOOT_PX - 1.0, Anchor::Middle, &words);
    }
    let mut day_before = "";
    for index in labelled {
        let x = axis.at(index);
        let (day, time) = split_label(&points[index].at_label);
        drawing.text(x, below + FOOT_PX, Anchor::Middle, &text::cut(time, 100.0));
        if day != day_before {
            let foot = below + FOOT_PX + DAY_PX;
            drawing.text(x, foot, Anchor::Middle, &text::cut(day, 100.0));
            day_before = day;
        }
    }
    drawing.close("g");
}

/// The middle of a pause and its seconds.
fn middle(axis: &TimeAxis, pause: &super::time_axis::Pause) -> (f64, f64) {
    let before = axis.at(pause.before_index.saturating_sub(1));
    ((before + axis.at(pause.before_index)) / 2.0, pause.seconds)
}

/// How long pauses were, the longest first, as long as there is room between them.
fn apart(pauses: &[(f64, f64)]) -> Vec<(f64, String)> {
    let mut longest: Vec<&(f64, f64)> = pauses.iter().collect();
    longest.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.total_cmp(&b.0)));
    let mut shown: Vec<(f64, f64, String)> = Vec::new();
    for (x, seconds) in longest {
        let words = number::duration(*seconds);
        let half = text::width(&words) * SMALL / 2.0 + 2.0;
        if shown
            .iter()
            .all(|(at, other, _)| (at - x).abs() >= half + other)
        {
            shown.push((*x, half, words));
        }
    }
    shown.into_iter().map(|(x, _, words)| (x, words)).collect()
}

/// Day and time of a label; a label without a space is all time.
fn split_label(label: &str) -> (&str, &str) {
    label.split_once([' ', 'T']).unwrap_or(("", label))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_without_room_stay_unsaid_the_longest_ones_are_said() {
        let pauses = [
            (100.0, 600.0),
            (122.0, 86_400.0),
            (144.0, 700.0),
            (300.0, 800.0),
        ];
        let shown = apart(&pauses);
        let places: Vec<f64> = shown.iter().map(|(x, _)| *x).collect();
        assert!((places[0] - 122.0).abs() < 1e-9, "{shown:?}");
        assert!(places.iter().any(|x| (x - 300.0).abs() < 1e-9), "{shown:?}");
        for (index, (x, words)) in shown.iter().enumerate() {
            for (other, more) in &shown[index + 1..] {
                let room = (text::width(words) + text::width(more)) * SMALL / 2.0;
                assert!((x - other).abs() >= room, "{shown:?}");
            }
        }
    }
}
