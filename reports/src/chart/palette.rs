//! The few colours of a chart.
//!
//! Must not know what is drawn. Invariant: nothing can be told by colour only; every use of the
//! accent comes with a bracket, a dash pattern or words.

/// Data and text.
pub(super) const INK: &str = "#22303c";
/// Lines and text that step back.
pub(super) const MUTED: &str = "#5b6770";
/// Grid lines.
pub(super) const GRID: &str = "#e4e7ea";
/// The ground.
pub(super) const PAPER: &str = "#ffffff";
/// "Look here".
pub(super) const ACCENT: &str = "#a8430c";
/// The zone of a signal or of an onset.
pub(super) const ACCENT_TINT: &str = "#fbeade";
/// The zone of the baseline.
pub(super) const BASELINE_TINT: &str = "#eef2f5";
/// The zone outside the specification.
pub(super) const OUTSIDE_TINT: &str = "#f4efe2";
/// A bar of counts.
pub(super) const BAR: &str = "#c9d0d6";
/// A pad within the inner third: it steps back.
pub(super) const FAINT: &str = "#a9b2ba";
/// Above nominal. With [`BELOW`] the ends of an orange to purple scale, which people with any of
/// the common kinds of colour blindness tell apart (C. Brewer's diverging scheme PuOr; from
/// memory).
pub(super) const ABOVE: &str = "#b35806";
/// Below nominal.
pub(super) const BELOW: &str = "#542788";
