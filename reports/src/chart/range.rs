//! Which values a panel shows.
//!
//! Must not know pixels. Invariant: limits are always in the picture; a wild reading or a wide
//! specification cannot flatten the data into a line.

use crate::view::{LimitSegment, SpecificationLines};

/// A few stray values may leave the limits by this many widths of the limits before they are cut.
const REACH_LIMIT_WIDTHS: f64 = 4.0;
/// As before, where so many values lie out there that they are no strays but the news.
const REACH_MANY_LIMIT_WIDTHS: f64 = 25.0;
/// More strays than this share are no strays.
const STRAY_SHARE_MAX: f64 = 0.02;
/// The specification is drawn while it widens the picture at most this much.
const SPECIFICATION_STRETCH_MAX: f64 = 2.5;
/// Air above and below.
const PAD_SHARE: f64 = 0.07;

/// What a panel shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    /// Lower end.
    pub(super) low: f64,
    /// Upper end.
    pub(super) high: f64,
    /// Whether the specification lines are inside.
    pub(super) has_specification: bool,
}

impl Range {
    /// The range for these values, limits and specification lines.
    pub(super) fn new(
        values: impl Iterator<Item = f64>,
        limits: &[LimitSegment],
        specification: Option<&SpecificationLines>,
    ) -> Self {
        let values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
        let data = span(values.iter().copied());
        let control = span(limits.iter().flat_map(limit_values));
        let shown = match (data, control) {
            (None, None) => (0.0, 1.0),
            (Some(only), None) | (None, Some(only)) => only,
            (Some(data), Some(control)) => {
                let reach = reach(&values, control);
                (
                    data.0.max(control.0 - reach).min(control.0),
                    data.1.min(control.1 + reach).max(control.1),
                )
            }
        };
        let wider = specification
            .and_then(|lines| span([lines.lower, lines.upper].into_iter().flatten()))
            .map(|lines| (lines.0.min(shown.0), lines.1.max(shown.1)))
            .filter(|wider| wider.1 - wider.0 <= (shown.1 - shown.0) * SPECIFICATION_STRETCH_MAX);
        let (low, high) = wider.unwrap_or(shown);
        let pad = (high - low) * PAD_SHARE;
        let is_never_negative = low >= 0.0 && low - pad < 0.0;
        Self {
            low: if is_never_negative { low } else { low - pad },
            high: high + pad,
            has_specification: wider.is_some(),
        }
    }
}

/// How far beyond the limits the picture may go.
fn reach(values: &[f64], control: (f64, f64)) -> f64 {
    let width = control.1 - control.0;
    if width <= 0.0 {
        return f64::INFINITY;
    }
    let near = width * REACH_LIMIT_WIDTHS;
    let is_stray = |value: &&f64| **value < control.0 - near || **value > control.1 + near;
    let strays = values.iter().filter(is_stray).count() as f64;
    if strays > (values.len() as f64 * STRAY_SHARE_MAX).max(3.0) {
        width * REACH_MANY_LIMIT_WIDTHS
    } else {
        near
    }
}

fn span(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .filter(|value| value.is_finite())
        .fold(None, |span, value| match span {
            None => Some((value, value)),
            Some((low, high)) => Some((value.min(low), value.max(high))),
        })
}

fn limit_values(segment: &LimitSegment) -> Vec<f64> {
    if segment.bounds.is_empty() {
        return [segment.lower, Some(segment.centre), segment.upper]
            .into_iter()
            .flatten()
            .collect();
    }
    let of_point = |bound: &(Option<f64>, f64, Option<f64>)| [bound.0, Some(bound.1), bound.2];
    segment.bounds.iter().flat_map(of_point).flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits(lower: f64, upper: f64) -> Vec<LimitSegment> {
        vec![LimitSegment {
            lower: Some(lower),
            centre: (lower + upper) / 2.0,
            upper: Some(upper),
            ..LimitSegment::default()
        }]
    }

    fn specification(lower: f64, upper: f64) -> SpecificationLines {
        SpecificationLines {
            lower: Some(lower),
            nominal: None,
            upper: Some(upper),
        }
    }

    #[test]
    fn one_wild_reading_does_not_flatten_the_rest() {
        let values = [118.0, 122.0, 1e9];
        let range = Range::new(values.into_iter(), &limits(115.0, 125.0), None);
        assert!(range.high < 180.0, "{}", range.high);
        assert!(range.low <= 115.0);
    }

    #[test]
    fn a_real_shift_is_shown_whole() {
        let values = (0..100).map(|index| if index < 80 { 120.0 } else { 210.0 });
        let range = Range::new(values, &limits(115.0, 125.0), None);
        assert!(range.high > 210.0, "{}", range.high);
    }

    #[test]
    fn a_far_specification_stays_out_of_the_picture() {
        let values = || [118.0, 122.0].into_iter();
        let near = Range::new(
            values(),
            &limits(115.0, 125.0),
            Some(&specification(110.0, 130.0)),
        );
        assert!(near.has_specification && near.low <= 110.0 && near.high >= 130.0);
        let far = Range::new(
            values(),
            &limits(115.0, 125.0),
            Some(&specification(60.0, 200.0)),
        );
        assert!(!far.has_specification && far.high < 140.0);
    }

    #[test]
    fn counts_start_at_zero() {
        let range = Range::new([0.0, 3.0].into_iter(), &[], None);
        assert!(range.low.abs() < 1e-12);
        let empty = Range::new(std::iter::empty(), &[], None);
        assert!(empty.high > empty.low);
    }
}
