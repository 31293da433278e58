//! The view models a report is rendered from: plain text and numbers, filled by the caller.
//!
//! Times are text already written in the plant's local time, because only the caller knows the
//! zone; numbers are `f64` and are rounded here. This module must not know the store, the engine
//! or a clock. Invariant: a view holds everything its report shows, so equal views give equal
//! bytes.

mod yields;

use serde::Serialize;

pub use yields::{EarlierRuns, YieldRow};

/// One signal at one point.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SignalView {
    /// The rule in words, e.g. "beyond the upper limit" or "sustained rise (CUSUM, k = 0.5)".
    /// Neighbouring points with the same words share one bracket.
    pub rule_words: String,
    /// "upper", "lower", or empty where the rule has no side.
    pub side: String,
    /// How many points back the rule looked, this one included; 0 and 1 both mean this one only.
    pub run_length: usize,
}

/// One charted subgroup.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Point {
    /// Local time as text.
    pub at_label: String,
    /// Position on the time axis in seconds, from any common origin; not decreasing.
    pub x: f64,
    /// The board or panel the subgroup came from.
    pub board: String,
    /// The charted statistic. Not finite means "no value" and leaves a gap.
    pub value: f64,
    /// The within-subgroup spread, drawn in the panel under the chart.
    pub spread: Option<f64>,
    /// Arrived behind the lateness horizon: shown, not used for run rules.
    pub late: bool,
    /// Left out of the limits by the screening of their baseline; the record says why.
    pub excluded: bool,
    /// Part of the baseline that made the limits.
    pub baseline: bool,
    /// What fired at this point.
    pub signals: Vec<SignalView>,
    /// The stratum it is of, as an index into the names of the chart's strata.
    pub stratum: Option<usize>,
    /// What runs from this point on and did not before, e.g. "stencil S2"; else empty.
    pub changeover: String,
}

/// A point of another stratum, shown beside those of the chart: no limit judges it here.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Beside {
    /// Local time as text.
    pub at_label: String,
    /// Position on the time axis, as [`Point::x`].
    pub x: f64,
    /// The board or panel.
    pub board: String,
    /// What is charted, of this stratum.
    pub value: f64,
    /// Index into the names of the chart's strata.
    pub stratum: usize,
}

/// Parts of the process that a chart tells apart by the shapes of their points.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Strata {
    /// What tells them apart, e.g. "stroke".
    pub key: String,
    /// Their names. The first few have a shape each, the others share one.
    pub names: Vec<String>,
    /// Points of strata that are not the chart's own, in time order.
    pub beside: Vec<Beside>,
    /// They are one in so many of all there are; 0 and 1 both mean all.
    pub one_in: usize,
}

/// One version of control limits over the points it judged.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct LimitSegment {
    /// The version of the limits, as listed by `limits list`.
    pub version: u32,
    /// First point judged by this version, as an index into `points`.
    pub from_index: usize,
    /// Last point judged by this version, inclusive.
    pub to_index: usize,
    /// The number of subgroups that made the limits.
    pub subgroups: usize,
    /// The centre line.
    pub centre: f64,
    /// The lower limit, where there is one and it is the same for all points.
    pub lower: Option<f64>,
    /// The upper limit, where there is one and it is the same for all points.
    pub upper: Option<f64>,
    /// Lower, centre and upper for each point from `from_index` on, for subgroups of unequal
    /// size. Empty means that `lower`, `centre` and `upper` hold throughout.
    pub bounds: Vec<(Option<f64>, f64, Option<f64>)>,
}

/// Where the specification draws its lines; kept apart from control limits.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SpecificationLines {
    /// The lower specification limit.
    pub lower: Option<f64>,
    /// The nominal value.
    pub nominal: Option<f64>,
    /// The upper specification limit.
    pub upper: Option<f64>,
}

/// The estimated first affected subgroup.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct OnsetView {
    /// Index into `points`.
    pub index: usize,
    /// Local time and board as text, e.g. "14:32, board P-0142".
    pub label: String,
    /// Ends of the 90 % set, as indices into `points`.
    pub range: Option<(usize, usize)>,
}

/// The panel under the main chart; its values are the points' `spread`.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SpreadPanel {
    /// E.g. "Standard deviation within the panel".
    pub title: String,
    /// Control limits of the spread.
    pub limits: Vec<LimitSegment>,
}

/// A control chart.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Chart {
    /// What is charted.
    pub title: String,
    /// What the chart says in a sentence, for readers who cannot see it.
    pub description: String,
    /// The unit of the values; empty for a share or a count.
    pub unit: String,
    /// What a subgroup is, in the plural: "panels", "boards". Empty means panels.
    pub subgroup_name: String,
    /// The points in time order.
    pub points: Vec<Point>,
    /// Control limits, one segment per version.
    pub limits: Vec<LimitSegment>,
    /// Specification limits, only where the charted value can be compared with them.
    pub specification: Option<SpecificationLines>,
    /// The estimated onset of the shift under discussion.
    pub onset: Option<OnsetView>,
    /// The spread chart that belongs to this one.
    pub spread: Option<SpreadPanel>,
    /// What its points are told apart by, where they are.
    pub strata: Option<Strata>,
}

/// A class of a histogram.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Bin {
    /// Its lower end.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// Readings in it.
    pub count: u64,
}

/// How readings spread, with the curve of a model.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Histogram {
    /// What was measured.
    pub title: String,
    /// What the picture says in a sentence.
    pub description: String,
    /// The unit of the values.
    pub unit: String,
    /// The classes, rising.
    pub bins: Vec<Bin>,
    /// The model as value and density (per unit of the value), rising; empty where there is none.
    pub curve: Vec<(f64, f64)>,
    /// The model in words, e.g. "normal".
    pub curve_name: String,
    /// Specification limits.
    pub specification: Option<SpecificationLines>,
}

/// A kind and how often it was met.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ParetoBar {
    /// The kind.
    pub label: String,
    /// How often.
    pub count: u64,
}

/// The most frequent kinds and their share of the whole.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Pareto {
    /// What was counted.
    pub title: String,
    /// What the picture says in a sentence.
    pub description: String,
    /// What the whole is made of, in the plural: "defects".
    pub what: String,
    /// The kinds, most frequent first.
    pub bars: Vec<ParetoBar>,
    /// All that was counted, whether shown or not.
    pub total: u64,
}

/// A pad and how far it lies from nominal.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Pad {
    /// Its name on the panel, e.g. "1 U4.12".
    pub label: String,
    /// Its place on the panel, to the right.
    pub x: f64,
    /// Its place on the panel, upwards, in the unit of `x`.
    pub y: f64,
    /// Signed distance from nominal.
    pub deviation: f64,
}

/// Where on a panel pads deviate.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct PadMap {
    /// What deviates.
    pub title: String,
    /// What the picture says in a sentence.
    pub description: String,
    /// The unit of the deviations.
    pub unit: String,
    /// The pads.
    pub pads: Vec<Pad>,
    /// The deviation at which the scale ends; positive.
    pub bound: f64,
}

/// One line of what is open at the end of the shift.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct AlertLine {
    /// The alert's identity.
    pub id: String,
    /// The stream it was raised on.
    pub stream: String,
    /// State in words, e.g. "active, not acknowledged" or "shelved until 22:00".
    pub state: String,
    /// What moved and since when, in a few words.
    pub what: String,
    /// How far it moved, in the unit of the characteristic.
    pub size: Option<f64>,
    /// The unit of `size`.
    pub unit: String,
    /// How far it moved, in sigma.
    pub size_sigma: Option<f64>,
    /// Whether it points to the gauge or the process; empty where that is not told.
    pub points_to: String,
    /// Local time of raising.
    pub raised_at: String,
    /// Boards to hold; `None` where it is not known.
    pub boards_to_hold: Option<u64>,
    /// What the next shift must do.
    pub next_step: String,
    /// Says that the shift before handed it over; empty where it did not.
    pub carried: String,
}

/// An alert that the shift before handed over and that is not open any more.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct TakenOver {
    /// The alert's identity.
    pub id: String,
    /// The stream it was raised on.
    pub stream: String,
    /// What became of it.
    pub now: String,
}

/// A figure that differs from the revision before.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Difference {
    /// The part of the report.
    pub area: String,
    /// The alert, station, feed or stream; empty where the figure is of all.
    pub subject: String,
    /// The figure; empty where the subject says it.
    pub figure: String,
    /// What it was; empty where it was not there.
    pub before: String,
    /// What it is; empty where it is gone.
    pub now: String,
}

/// A figure of how alerts are doing.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct HealthLine {
    /// What is measured.
    pub figure: String,
    /// How much, in words.
    pub value: String,
    /// The unit.
    pub unit: String,
    /// At most so much is wanted, in words; empty where there is no target.
    pub target: String,
    /// Whether the target is missed.
    pub is_missed: bool,
}

/// One of the most frequent defects.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct TopDefect {
    /// The station that found it.
    pub station: String,
    /// The component or test step.
    pub component: String,
    /// The defect.
    pub defect: String,
    /// How often.
    pub count: u64,
    /// Fraction of all confirmed defects of the shift.
    pub share: f64,
}

/// One alert with its evidence.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct AlertDetail {
    /// The alert's identity.
    pub id: String,
    /// The stream with the strongest evidence.
    pub stream: String,
    /// The characteristic in words.
    pub characteristic: String,
    /// State in words.
    pub state: String,
    /// Local time of raising.
    pub raised_at: String,
    /// Who acknowledged; empty while nobody has.
    pub acknowledged_by: String,
    /// When it was acknowledged.
    pub acknowledged_at: String,
    /// What was said at acknowledgement.
    pub acknowledged_comment: String,
    /// What happened, in a sentence.
    pub what_happened: String,
    /// Which strata moved, and whether that points to the gauge or the process; empty where nothing
    /// is said.
    pub cause: String,
    /// Board of the first signal.
    pub first_signal_board: String,
    /// Local time of the first signal.
    pub first_signal_at: String,
    /// The rules that fired, in words.
    pub rules: Vec<String>,
    /// Signed size of the shift in the unit of the characteristic.
    pub size: Option<f64>,
    /// The unit of `size`.
    pub unit: String,
    /// Signed size of the shift in sigma.
    pub size_sigma: Option<f64>,
    /// Boards since the onset; `None` where it is not known.
    pub boards_since: Option<u64>,
    /// The reaction plan's steps, in order.
    pub reaction_plan: Vec<String>,
    /// The audit trail of the alert, one line per event, each with its time and who.
    pub history: Vec<String>,
    /// The chart that shows it.
    pub chart: Option<Chart>,
}

/// An estimate with the bounds of its confidence interval.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Estimate {
    /// What it is called: "Cp", "Cpk", "Pp", "Ppk".
    pub label: String,
    /// The estimate; `None` where it cannot be computed.
    pub value: Option<f64>,
    /// Lower confidence bound.
    pub low: Option<f64>,
    /// Upper confidence bound.
    pub high: Option<f64>,
}

/// The capability of one stream in one window.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct CapabilityRow {
    /// The stream.
    pub stream: String,
    /// The unit.
    pub unit: String,
    /// The specification in words, e.g. "100 to 140".
    pub specification: String,
    /// Where the specification comes from.
    pub specification_source: String,
    /// Number of independent panels.
    pub panels: u64,
    /// Number of readings.
    pub readings: u64,
    /// The window in local time.
    pub window: String,
    /// The mean.
    pub mean: Option<f64>,
    /// Standard deviation within subgroups.
    pub sigma_within: Option<f64>,
    /// Standard deviation of all readings.
    pub sigma_overall: Option<f64>,
    /// Cp or Pp.
    pub spread_index: Estimate,
    /// Cpk or Ppk.
    pub minimum_index: Estimate,
    /// The model and the confidence level, e.g. "normal, 95 % bounds".
    pub model: String,
    /// Readings out of specification, parts per million, as counted.
    pub ppm_observed: Option<f64>,
    /// Readings out of specification, parts per million, as the model expects.
    pub ppm_expected: Option<f64>,
    /// The stability verdict in words.
    pub stability: String,
    /// The limits the verdict used, e.g. "version 3, from 25 panels".
    pub limits_version: String,
    /// Warnings with their reasons: autocorrelation, skew, resolution, mixture, exclusions.
    pub cautions: Vec<String>,
}

/// What one feed delivered.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct FeedCompleteness {
    /// The feed.
    pub feed: String,
    /// Its station.
    pub station: String,
    /// Files accepted whole.
    pub files_accepted: u64,
    /// Files accepted with rejected rows.
    pub files_with_rejects: u64,
    /// Files quarantined.
    pub files_quarantined: u64,
    /// Files seen before.
    pub files_duplicate: u64,
    /// Data rows read.
    pub rows_read: u64,
    /// Rows used.
    pub rows_used: u64,
    /// Rows rejected.
    pub rows_rejected: u64,
    /// Rows seen before.
    pub rows_duplicate: u64,
    /// Local time since when the feed is silent; empty while it is not.
    pub silent_since: String,
    /// Name and local time of the last file.
    pub last_file: String,
    /// What else is missing or odd, a sentence each.
    pub notes: Vec<String>,
}

/// Why rows or files were refused.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct RejectReason {
    /// The reason in words, with its code.
    pub reason: String,
    /// How often.
    pub count: u64,
    /// An example as file:line.
    pub example: String,
    /// What the record says of the example, in English.
    pub detail: String,
}

/// Whether the data is whole.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Completeness {
    /// One row per feed.
    pub feeds: Vec<FeedCompleteness>,
    /// Reasons of refusal, most frequent first.
    pub rejects: Vec<RejectReason>,
}

/// Something that people or the line changed during the shift, or several of one kind.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ChangeLine {
    /// Local time, of the first of several.
    pub at: String,
    /// Local time of the last of several; empty where it is the same minute.
    pub until: String,
    /// What changed: limits frozen or restarted, product change, configuration.
    pub what: String,
    /// Who did it.
    pub by: String,
    /// Why.
    pub reason: String,
    /// Each of several by itself; empty where `what` says it all.
    pub items: Vec<ChangeItem>,
}

/// One of several changes that stand in one line.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ChangeItem {
    /// Local time.
    pub at: String,
    /// What changed.
    pub what: String,
}

/// Whether the shift ran in control, counted over streams.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ControlSummary {
    /// Streams with points in the shift.
    pub streams: u64,
    /// Streams with limits, thus judged.
    pub streams_judged: u64,
    /// Judged streams with at least one signal.
    pub streams_signalled: u64,
    /// Points judged.
    pub points: u64,
    /// Points with a signal.
    pub points_signalled: u64,
    /// False alerts the configuration allows per line and shift.
    pub false_alert_budget: Option<f64>,
}

/// Everything a shift report shows.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct ShiftReport {
    /// The plant.
    pub plant: String,
    /// The shift.
    pub shift: String,
    /// Start in local time.
    pub from: String,
    /// End in local time.
    pub to: String,
    /// The time zone of all times.
    pub zone: String,
    /// What data the report was made from, e.g. "data up to ledger entry 1834".
    pub data_note: String,
    /// The revision of this report; 1 is the first.
    pub revision: u32,
    /// Why it was revised; empty for the first revision.
    pub revision_note: String,
    /// Whether the shift ran in control.
    pub control: ControlSummary,
    /// The revision that this one is compared with; 0 for the first.
    pub compared_with: u32,
    /// What differs from it.
    pub differences: Vec<Difference>,
    /// What is to be said where no figure differs.
    pub differences_note: String,
    /// Files that came since it, some of them.
    pub new_files: Vec<String>,
    /// How many more came.
    pub new_files_more: u64,
    /// What is open and must be handed over.
    pub open: Vec<AlertLine>,
    /// What the shift before handed over and is not open any more.
    pub taken_over: Vec<TakenOver>,
    /// Which report handed it over.
    pub taken_over_from: String,
    /// Yield per station and product.
    pub yields: Vec<YieldRow>,
    /// The most frequent defects.
    pub top_defects: Vec<TopDefect>,
    /// All defects that `top_defects` are a part of.
    pub defects_total: u64,
    /// Maps of panels, where the feeds carry the places of pads.
    pub pad_maps: Vec<PadMap>,
    /// The alerts of the shift with their evidence.
    pub alerts: Vec<AlertDetail>,
    /// How the alerts of the shift are doing.
    pub health: Vec<HealthLine>,
    /// Streams worth looking at, with the reason: a line each.
    pub health_remarks: Vec<String>,
    /// Capability per stream.
    pub capability: Vec<CapabilityRow>,
    /// Whether the data is whole.
    pub completeness: Completeness,
    /// What changed.
    pub changes: Vec<ChangeLine>,
    /// Cautions of this shift, beside the standing ones.
    pub cautions: Vec<String>,
}
