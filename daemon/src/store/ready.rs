//! What a settling asks to keep, made ready for the record on the thread that evaluated it.
//!
//! The writer of the record is one thread, and everything else waits for it: what can be made of a
//! point by itself is made before. Knows the table of points, and nothing of transactions.

use std::sync::Arc;

use rusqlite::types::ValueRef;
use rusqlite::{Statement, params};

use super::chain::{RowBytes, Sum};
use super::form::{content_bytes, list_text, side_name};
use crate::engine::{Effects, PointFacts, PointKind, SignalFacts};

/// The facts of a settling, its points as rows.
pub struct Ready {
    /// Everything but the points.
    pub(super) effects: Effects,
    /// The points, but for those that came too late.
    pub(super) points: Vec<PointRow>,
    /// The sum of the digests of `points`.
    pub(super) sum: Sum,
    /// What came too late: its row depends on what stands in the record.
    pub(super) late: Vec<PointFacts>,
}

impl Ready {
    /// Makes rows of the points.
    #[must_use]
    pub fn of(mut effects: Effects) -> Ready {
        let is_late = |point: &PointFacts| point.kind == PointKind::Late;
        let (late, points): (Vec<_>, Vec<_>) = std::mem::take(&mut effects.points)
            .into_iter()
            .partition(is_late);
        let points: Vec<PointRow> = points.iter().map(PointRow::of).collect();
        let mut bytes = RowBytes::default();
        let mut sum = Sum::default();
        for row in &points {
            sum.add(&row.digest(&mut bytes));
        }
        Ready {
            effects,
            points,
            sum,
            late,
        }
    }
}

/// A row of the table of points.
pub(super) struct PointRow {
    stream: i64,
    at: i64,
    unit: Arc<str>,
    kind: PointKind,
    size: f64,
    value: f64,
    spread: Option<f64>,
    version: u32,
    is_baseline: bool,
    signals: String,
    content: Vec<u8>,
    setup: String,
}

impl PointRow {
    /// The statement that `insert` belongs to.
    pub(super) const INSERT: &str = "INSERT OR REPLACE INTO point
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)";

    pub(super) fn of(point: &PointFacts) -> PointRow {
        PointRow {
            stream: stream_id(point.stream),
            at: point.at,
            kind: point.kind,
            size: point.size,
            value: point.value,
            spread: point.spread,
            version: point.version,
            is_baseline: point.baseline,
            signals: signals_text(&point.signals),
            content: content_of(point),
            setup: list_text(&point.atom.setup),
            unit: Arc::clone(&point.unit),
        }
    }

    pub(super) fn insert(&self, statement: &mut Statement) -> rusqlite::Result<()> {
        statement.execute(params![
            self.stream,
            self.at,
            self.unit.as_ref(),
            self.kind as u8,
            self.size,
            self.value,
            self.spread,
            self.version,
            self.is_baseline,
            self.signals,
            self.content,
            self.setup,
        ])?;
        Ok(())
    }

    /// The digest of the row as it will stand in the table: the same values in the same order.
    pub(super) fn digest(&self, bytes: &mut RowBytes) -> [u8; 32] {
        let values = [
            ValueRef::Integer(self.stream),
            ValueRef::Integer(self.at),
            ValueRef::Text(self.unit.as_bytes()),
            ValueRef::Integer(self.kind as i64),
            ValueRef::Real(self.size),
            ValueRef::Real(self.value),
            self.spread.map_or(ValueRef::Null, ValueRef::Real),
            ValueRef::Integer(i64::from(self.version)),
            ValueRef::Integer(i64::from(self.is_baseline)),
            ValueRef::Text(self.signals.as_bytes()),
            ValueRef::Blob(&self.content),
            ValueRef::Text(self.setup.as_bytes()),
        ];
        bytes.of("point", &values)
    }
}

/// The number of a stream in the record is its place in the engine plus one: both only grow.
pub(super) fn stream_id(place: usize) -> i64 {
    i64::try_from(place).unwrap_or(i64::MAX - 1) + 1
}

/// The subgroup of several units is made anew from its parts: it keeps no content of its own.
fn content_of(point: &PointFacts) -> Vec<u8> {
    match point.kind {
        PointKind::Group => Vec::new(),
        PointKind::Whole | PointKind::Part | PointKind::Late => content_bytes(&point.atom.content),
    }
}

fn signals_text(signals: &[SignalFacts]) -> String {
    let one = |signal: &SignalFacts| format!("{}:{}", signal.by, side_name(signal.side));
    signals.iter().map(one).collect::<Vec<_>>().join(",")
}
