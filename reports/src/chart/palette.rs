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
