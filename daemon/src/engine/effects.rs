//! What an evaluation asks to be kept.
//!
//! Plain facts: the store writes them in one transaction with the ledger rows of their files.

use std::sync::Arc;

use spc::rules::Side;

use super::chart::LimitsVersion;

/// Everything that one settling asks to be kept.
#[derive(Debug, Default)]
pub struct Effects {
    /// Streams whose state moved on.
    pub streams: Vec<StreamFacts>,
    /// Points that are new or judged anew.
    pub points: Vec<PointFacts>,
    /// Points that no longer stand: stream, time, unit, kind.
    pub gone_points: Vec<(usize, i64, Arc<str>, PointKind)>,
    /// Limits that are new or changed: stream and version.
    pub limits: Vec<(usize, LimitsVersion)>,
    /// Versions of limits above this number no longer stand: stream and highest version.
    pub limits_end: Vec<(usize, u32)>,
    /// Alerts that are new or changed.
    pub alerts: Vec<AlertFacts>,
    /// Alerts that late data took the ground from: stream and first signal.
    pub withdrawn: Vec<(usize, i64, Arc<str>)>,
}

impl Effects {
    /// Adds what another settling asks.
    pub fn append(&mut self, mut other: Effects) {
        self.streams.append(&mut other.streams);
        self.points.append(&mut other.points);
        self.gone_points.append(&mut other.gone_points);
        self.limits.append(&mut other.limits);
        self.limits_end.append(&mut other.limits_end);
        self.alerts.append(&mut other.alerts);
        self.withdrawn.append(&mut other.withdrawn);
    }

    /// Whether there is nothing to keep.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.streams.is_empty() && self.points.is_empty() && self.gone_points.is_empty()
    }
}

/// A stream whose state moved on.
#[derive(Debug)]
pub struct StreamFacts {
    /// The stream's place.
    pub stream: usize,
    /// The newest event.
    pub newest: i64,
    /// Everything at or before this time is settled.
    pub settled_through: i64,
    /// The state at that time.
    pub state: super::chart::ChartState,
    /// Why no limits can be set, where that is so.
    pub note: Option<String>,
    /// What is to be kept of its single pads, where these are watched.
    pub pads: Option<super::pads::PadFacts>,
}

/// What a stored row of a stream is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum PointKind {
    /// A unit that is a subgroup.
    Whole,
    /// A unit that is part of a subgroup of several in a row.
    Part,
    /// A subgroup of several units in a row.
    Group,
    /// A unit that came after its time was settled.
    Late,
}

/// A point and how it was judged.
#[derive(Clone, Debug)]
pub struct PointFacts {
    /// The stream's place.
    pub stream: usize,
    /// The event time.
    pub at: i64,
    /// The unit.
    pub unit: Arc<str>,
    /// What the row is.
    pub kind: PointKind,
    /// Readings, boards or opportunities in the subgroup.
    pub size: f64,
    /// The plotted value.
    pub value: f64,
    /// The range or standard deviation within.
    pub spread: Option<f64>,
    /// The version of the limits that hold at the point; of the baseline it belongs to otherwise.
    pub version: u32,
    /// Whether the point belongs to a baseline.
    pub baseline: bool,
    /// The rules that fired.
    pub signals: Vec<SignalFacts>,
    /// What it was made of.
    pub atom: super::atom::Atom,
}

/// A rule that fired at a point.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignalFacts {
    /// The rule's name.
    pub by: &'static str,
    /// The side.
    pub side: Side,
}

/// An alert: the first signal and all that follow before the stream is quiet again.
#[derive(Clone, Debug, PartialEq)]
pub struct AlertFacts {
    /// The stream's place.
    pub stream: usize,
    /// The time of the first signal.
    pub first_at: i64,
    /// The unit of the first signal.
    pub first_unit: Arc<str>,
    /// The time of the last signal.
    pub last_at: i64,
    /// Signals so far.
    pub signals: u32,
    /// The rules, in the order in which they first fired, with a comma between.
    pub rules: String,
    /// `upper`, `lower` or `neither`: the side of the first signal.
    pub side: Side,
    /// The largest distance from the centre in sigma, with its sign.
    pub size_sigma: f64,
    /// The plotted value there.
    pub size_value: f64,
    /// When it most likely began, where what signalled first tells that itself.
    pub since: Option<i64>,
    /// Whether enough points without a signal followed.
    pub returned: bool,
    /// When it returned.
    pub returned_at: Option<i64>,
}
