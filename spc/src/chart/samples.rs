//! What a sample must be before limits are taken from it.
//!
//! Purpose: one check for all kinds of chart. Must not know limits. The one invariant: what passes
//! is finite, of a positive size, and in the range of its kind.

use super::{ChartKind, LimitsError, Sample};

/// Refuses a sample that no limits can rest on; `index` is its place.
pub(super) fn check_sample(
    kind: ChartKind,
    index: usize,
    sample: &Sample,
) -> Result<(), LimitsError> {
    let Sample {
        size,
        value,
        spread,
    } = *sample;
    if !value.is_finite() || spread.is_some_and(|s| !s.is_finite()) {
        return Err(LimitsError::NotFinite { index });
    }
    if !(size.is_finite() && size > 0.0) {
        let needed = "a size must be a positive number";
        return Err(LimitsError::Size {
            index,
            size,
            needed,
        });
    }
    if let Some(spread) = spread.filter(|s| *s < 0.0) {
        let needed = "a spread cannot be negative";
        return Err(LimitsError::Value {
            index,
            value: spread,
            needed,
        });
    }
    let refuse = |needed| {
        Err(LimitsError::Value {
            index,
            value,
            needed,
        })
    };
    match kind {
        ChartKind::P | ChartKind::PPrime if !(0.0..=1.0).contains(&value) => {
            refuse("a proportion lies in 0 to 1")
        }
        ChartKind::Np if value < 0.0 || value > size => {
            refuse("a count of nonconforming units lies in 0 to the units inspected")
        }
        ChartKind::C | ChartKind::U | ChartKind::UPrime if value < 0.0 => {
            refuse("a count cannot be negative")
        }
        _ => Ok(()),
    }
}
