//! Changes of limits that have to be approved: proposed by one person, decided by another.
//!
//! Knows who said what, not who may. The one invariant: a proposal is decided once, and becomes a
//! request in the transaction that approves it or never.

use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::{Reader, StoreError, Who};

/// A change of limits that someone proposed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProposalRow {
    /// Its number.
    pub id: i64,
    /// The stream.
    pub stream: i64,
    /// `freeze` or `restart`.
    pub kind: String,
    /// The event time it holds from; absent: from the newest point when it is approved.
    pub from_at: Option<i64>,
    /// When it was proposed, by the clock.
    pub at: i64,
    /// By whom.
    pub author: String,
    /// Why.
    pub reason: String,
    /// What became of it; absent while it waits.
    pub decision: Option<Decision>,
}

/// What became of a proposal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decision {
    /// Approved or rejected.
    pub what: What,
    /// When, by the clock.
    pub at: i64,
    /// By whom.
    pub who: String,
    /// Why.
    pub reason: String,
    /// What was asked for then, where it was approved.
    pub request: Option<i64>,
}

/// What can become of a proposal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// It is done.
    Approved,
    /// It is not.
    Rejected,
}

impl What {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            What::Approved => "approved",
            What::Rejected => "rejected",
        }
    }
}

/// What became of a wish to decide.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Decided {
    /// It is kept; with the number of the request where it was approved.
    Done(Option<i64>),
    /// Someone decided before: what and who.
    Before(String, String),
    /// There is no such proposal.
    Unknown,
}

const PROPOSALS: &str = "SELECT p.id, p.stream, p.kind, p.from_at, p.at, p.author, p.reason,
        d.what, d.at, d.who, d.reason, d.request
    FROM proposal p LEFT JOIN decision d ON d.proposal = p.id";

impl Reader {
    /// Keeps what someone proposes, and gives its number.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn propose(
        &self,
        stream: i64,
        (kind, from): (&str, Option<i64>),
        who: Who,
    ) -> Result<i64, StoreError> {
        let (subject, kind_told) = (format!("stream {stream}"), format!("proposed to {kind}"));
        self.change(&who.entry(&kind_told, &subject), |to| {
            to.execute(
                "INSERT INTO proposal (stream, kind, from_at, at, author, reason)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![stream, kind, from, who.now, who.author, who.reason],
            )?;
            Ok(to.last_insert_rowid())
        })
    }

    /// Decides about a proposal. What is approved becomes a request of its author's.
    ///
    /// # Errors
    ///
    /// When the record refuses.
    pub fn decide(&self, proposal: i64, what: What, who: Who) -> Result<Decided, StoreError> {
        let subject = format!("proposal {proposal}");
        self.change(&who.entry(what.word(), &subject), |to| {
            let query = format!("{PROPOSALS} WHERE p.id = ?1");
            let found = to.query_row(&query, [proposal], row).optional()?;
            let row = match found {
                None => return Ok(Decided::Unknown),
                Some(ProposalRow {
                    decision: Some(made),
                    ..
                }) => return Ok(Decided::Before(made.what.word().to_owned(), made.who)),
                Some(row) => row,
            };
            let request = match what {
                What::Approved => Some(request(to, &row, who)?),
                What::Rejected => None,
            };
            to.execute(
                "INSERT INTO decision (proposal, what, at, who, reason, request)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    proposal,
                    what.word(),
                    who.now,
                    who.author,
                    who.reason,
                    request
                ],
            )?;
            Ok(Decided::Done(request))
        })
    }

    /// Every proposal, the oldest first.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn proposals(&self) -> Result<Vec<ProposalRow>, StoreError> {
        self.list(&format!("{PROPOSALS} ORDER BY p.id"), [], row)
    }
}

/// Asks for what was approved; its author's name says who approved it.
fn request(to: &Transaction, row: &ProposalRow, who: Who) -> rusqlite::Result<i64> {
    let newest: i64 = to.query_row(
        "SELECT newest FROM stream WHERE id = ?1",
        [row.stream],
        |row| row.get(0),
    )?;
    let at = row.from_at.unwrap_or(newest.saturating_add(1));
    let author = format!("{}, approved by {}", row.author, who.author);
    to.execute(
        "INSERT INTO request (stream, kind, at, author, reason, asked_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        params![row.stream, row.kind, at, author, row.reason, who.now],
    )?;
    Ok(to.last_insert_rowid())
}

fn row(row: &Row) -> rusqlite::Result<ProposalRow> {
    let what: Option<String> = row.get(7)?;
    let decision = match what {
        None => None,
        Some(what) => Some(Decision {
            what: match what.as_str() {
                "approved" => What::Approved,
                _ => What::Rejected,
            },
            at: row.get(8)?,
            who: row.get(9)?,
            reason: row.get(10)?,
            request: row.get(11)?,
        }),
    };
    Ok(ProposalRow {
        id: row.get(0)?,
        stream: row.get(1)?,
        kind: row.get(2)?,
        from_at: row.get(3)?,
        at: row.get(4)?,
        author: row.get(5)?,
        reason: row.get(6)?,
        decision,
    })
}
