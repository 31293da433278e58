//! What an audit pack's page shows: plain text and numbers, filled by the caller.
//!
//! Must not know the store or a clock: whatever time it shows is one of the data or of the record.
//! Invariant: nothing of the moment at which it was made is in it.

use serde::Serialize;

use super::Drawn;
use crate::view::{CapabilityRow, HealthLine, ParetoBar};

/// Everything the page shows.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditPack {
    /// The plant.
    pub plant: String,
    /// The first moment of the window, in local time.
    pub from: String,
    /// The end of the window, not within it.
    pub to: String,
    /// The time zone of all times.
    pub zone: String,
    /// The product; empty for all.
    pub product: String,
    /// What it was made from and with.
    pub source: Source,
    /// What a reader looks for first.
    pub findings: Vec<Finding>,
    /// The streams with points in the window.
    pub streams: Vec<AuditStream>,
    /// The alerts of the window.
    pub alerts: Vec<AuditAlert>,
    /// The causes that alerts were closed with, the most frequent first.
    pub causes: Vec<ParetoBar>,
    /// What people and the plant changed.
    pub changes: Vec<AuditChange>,
    /// How alerts are doing.
    pub health: Vec<HealthLine>,
    /// Streams worth looking at, a line each.
    pub health_remarks: Vec<String>,
    /// Gauge studies.
    pub gauges: Vec<AuditGauge>,
    /// What each feed delivered.
    pub feeds: Vec<AuditFeed>,
    /// Segments of the archive behind the figures.
    pub segments: u64,
    /// Their rows.
    pub segment_rows: u64,
    /// What is not there any more, a sentence each.
    pub let_go: Vec<String>,
    /// The tables of the pack.
    pub tables: Vec<TableLine>,
    /// What is left out or odd, a sentence each.
    pub notes: Vec<String>,
}

/// What a pack was made from and with.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Source {
    /// The program and its version.
    pub program: String,
    /// The newest entry of the record's chain.
    pub entry: u64,
    /// Its digest.
    pub entry_digest: String,
    /// The digest of the part of the configuration that makes points of rows.
    pub setting: String,
    /// The file of all figures.
    pub file: String,
    /// The digest of that file.
    pub digest: String,
    /// How many figures it holds.
    pub figures: u64,
    /// The command that makes the pack again.
    pub command: String,
}

/// A finding.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Finding {
    /// What it is about.
    pub about: String,
    /// The verdict.
    pub verdict: String,
    /// What it rests on, a sentence each.
    pub details: Vec<String>,
    /// Whether someone should look.
    pub needs_attention: bool,
}

/// A stream with the chain from specification to index.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditStream {
    /// What it shows, in words.
    pub title: String,
    /// Its name in the tables.
    pub stream: String,
    /// Its index with all that belongs to it; absent where none is stated.
    pub capability: Option<CapabilityRow>,
    /// Why none is stated.
    pub no_index: String,
    /// Points in the window.
    pub points: u64,
    /// Whether it was stable, in words.
    pub stability: String,
    /// Whether a signal came in the window.
    pub is_signalled: bool,
    /// The chain, a step each.
    pub chain: Vec<Step>,
    /// Its charts; absent where there was no room.
    pub drawn: Option<Drawn>,
    /// Points out of control.
    pub signals: Vec<SignalLine>,
    /// How many there are, listed or not.
    pub signals_total: u64,
}

/// A step of the chain.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Step {
    /// What it is.
    pub what: String,
    /// What it says, a line each.
    pub lines: Vec<String>,
}

/// A point out of control.
#[derive(Clone, Debug, Default, Serialize)]
pub struct SignalLine {
    /// Local time.
    pub at: String,
    /// The board or panel.
    pub board: String,
    /// The plotted value.
    pub value: String,
    /// The limits that held for it.
    pub limits: String,
    /// The rules that fired, in words.
    pub rules: String,
    /// The alert that it belongs to.
    pub alert: String,
}

/// An alert with its record.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditAlert {
    /// Its name.
    pub id: String,
    /// The streams that show it.
    pub streams: Vec<String>,
    /// How many more there are.
    pub streams_more: u64,
    /// State in words.
    pub state: String,
    /// What happened, in a sentence.
    pub what_happened: String,
    /// Boards to hold, where it is known.
    pub boards_to_hold: Option<u64>,
    /// The cause found; empty while there is none.
    pub cause: String,
    /// What was done.
    pub action: String,
    /// How it was verified, in words; empty while it is not.
    pub verified: String,
    /// Whether cause and action are on record, or none is wanted.
    pub is_answered: bool,
    /// Who did what and when, a line each.
    pub history: Vec<String>,
}

/// A change.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditChange {
    /// Local time.
    pub at: String,
    /// What.
    pub what: String,
    /// Who.
    pub by: String,
    /// Who approved it; empty where nobody is on record.
    pub approved_by: String,
    /// Why.
    pub reason: String,
}

/// A gauge study.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditGauge {
    /// What is measured where.
    pub measure: String,
    /// When it was studied, and until when that counts.
    pub dates: String,
    /// Parts, operators and trials.
    pub size: String,
    /// The gauge's sigma with its bounds.
    pub sigma: String,
    /// Its share of the total variation.
    pub of_variation: String,
    /// What common practice says.
    pub verdict: String,
    /// The file and its digest.
    pub file: String,
}

/// What a feed delivered.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AuditFeed {
    /// The feed.
    pub feed: String,
    /// Files accepted whole.
    pub accepted: u64,
    /// Files accepted with rejected rows.
    pub with_rejects: u64,
    /// Files seen before.
    pub duplicate: u64,
    /// Files set aside.
    pub quarantined: u64,
    /// Rows read.
    pub rows_read: u64,
    /// Rows used.
    pub rows_used: u64,
    /// Rows rejected.
    pub rows_rejected: u64,
    /// Rows seen before.
    pub rows_duplicate: u64,
    /// The digest of the digests of its files.
    pub digest: String,
}

/// A table of the pack.
#[derive(Clone, Debug, Default, Serialize)]
pub struct TableLine {
    /// Its name.
    pub name: String,
    /// The file.
    pub file: String,
    /// Its rows.
    pub rows: u64,
}
