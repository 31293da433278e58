//! `driftvane limits proposals|approve|reject`: changes of limits that another person decides.
//!
//! Where the configuration asks for it, a freeze or a restart is only proposed. The one invariant:
//! nobody approves what they proposed themselves.

use serde::Serialize;

use super::names::number;
use super::{CommandError, find_stream, local, said, utc, when};
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::store::query::StreamRow;
use crate::store::{Decided, ProposalRow, Reader, What, Who};

/// A change of limits that someone proposed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Proposal {
    /// Its name.
    pub id: String,
    /// The stream.
    pub stream: String,
    /// `freeze` or `restart`.
    pub kind: String,
    /// The event time it holds from, RFC 3339 in UTC; absent: from the newest point when it is
    /// approved.
    pub from: Option<String>,
    /// Who proposed it.
    pub author: String,
    /// Why.
    pub reason: String,
    /// When, RFC 3339 in UTC.
    pub proposed_at: String,
    /// `pending`, `approved` or `rejected`.
    pub state: &'static str,
    /// What became of it; absent while it waits.
    pub decision: Option<Decision>,
    #[serde(skip)]
    pub(crate) number: i64,
    #[serde(skip)]
    pub(crate) stream_number: i64,
    #[serde(skip)]
    pub(crate) from_at: Option<i64>,
    #[serde(skip)]
    pub(crate) at: i64,
}

/// What became of a proposal.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Decision {
    /// Who decided.
    pub by: String,
    /// Why.
    pub reason: String,
    /// When, RFC 3339 in UTC.
    pub at: String,
}

impl Proposal {
    fn of(row: ProposalRow, streams: &[StreamRow]) -> Proposal {
        let stream = streams.iter().find(|stream| stream.id == row.stream);
        Proposal {
            id: name(row.id),
            stream: stream.map_or_else(String::new, |stream| stream.label.clone()),
            kind: row.kind,
            from: row.from_at.map(utc),
            author: row.author,
            reason: row.reason,
            proposed_at: utc(row.at),
            state: match &row.decision {
                None => "pending",
                Some(decision) => decision.what.word(),
            },
            decision: row.decision.map(|decision| Decision {
                by: decision.who,
                reason: decision.reason,
                at: utc(decision.at),
            }),
            number: row.id,
            stream_number: row.stream,
            from_at: row.from_at,
            at: row.at,
        }
    }

    /// Whether nobody has decided yet.
    #[must_use]
    pub fn is_pending(&self) -> bool {
        self.decision.is_none()
    }

    /// What is proposed, from when on, by whom and why.
    pub(crate) fn words(&self, config: &Config) -> String {
        let from = match self.from_at {
            Some(at) => format!("from {} on", local(config, at)),
            None => "from when it is approved".to_owned(),
        };
        format!(
            "{} {}, {from}, proposed by {}: {}",
            self.kind, self.stream, self.author, self.reason
        )
    }
}

/// The name of a proposal.
#[must_use]
pub fn name(id: i64) -> String {
    format!("P-{id:04}")
}

/// Every proposal, the oldest first.
///
/// # Errors
///
/// When the record can not be read.
pub fn rows(reader: &Reader) -> Result<Vec<Proposal>, CommandError> {
    let streams = reader.streams()?;
    let all = reader.proposals()?.into_iter();
    Ok(all.map(|row| Proposal::of(row, &streams)).collect())
}

/// The proposals that wait for someone to decide.
///
/// # Errors
///
/// When the record can not be read.
pub fn pending(reader: &Reader) -> Result<Vec<Proposal>, CommandError> {
    let mut all = rows(reader)?;
    all.retain(Proposal::is_pending);
    Ok(all)
}

/// Keeps a proposal.
///
/// # Errors
///
/// When the same is proposed already, or the record refuses.
pub(crate) fn propose(
    reader: &Reader,
    stream: &StreamRow,
    (kind, from): (&str, Option<i64>),
    who: Who,
) -> Result<Proposal, CommandError> {
    let same = |row: &&Proposal| row.stream_number == stream.id && row.kind == kind;
    if let Some(waiting) = pending(reader)?.iter().find(same) {
        return Err(CommandError::Refused(format!(
            "{} of '{}' is proposed already ({}, by {}); have it approved or rejected first",
            waiting.kind, waiting.stream, waiting.id, waiting.author
        )));
    }
    let id = reader.propose(stream.id, (kind, from), who)?;
    known(reader, id)
}

fn known(reader: &Reader, id: i64) -> Result<Proposal, CommandError> {
    let found = rows(reader)?.into_iter().find(|row| row.number == id);
    found.ok_or_else(|| unknown(&name(id)))
}

fn unknown(name: &str) -> CommandError {
    CommandError::Usage(format!(
        "there is no proposal '{name}'; `driftvane limits proposals` has them"
    ))
}

/// Decides about a proposal, and says what it is about; with the number of the request that an
/// approval makes of it.
///
/// # Errors
///
/// When a name or a reason is missing, there is no such proposal, someone has decided already, its
/// author approves it, it can no longer be done, or the record refuses.
pub fn decide(
    reader: &Reader,
    wanted: &str,
    what: What,
    (by, reason, now): (&str, &str, i64),
) -> Result<(Proposal, Option<i64>), CommandError> {
    let (author, reason) = (said("the name", by)?, said("the reason", reason)?);
    let number = number(wanted, 'P').ok_or_else(|| unknown(wanted))?;
    let proposal = known(reader, number).map_err(|_| unknown(wanted))?;
    if what == What::Approved && proposal.is_pending() {
        may_approve(reader, &proposal, &author)?;
    }
    let who = Who {
        author: &author,
        reason: &reason,
        now,
    };
    match reader.decide(number, what, who)? {
        Decided::Done(request) => Ok((proposal, request)),
        Decided::Before(what, who) => Err(CommandError::Refused(format!(
            "{} was {what} by {who} already",
            proposal.id
        ))),
        Decided::Unknown => Err(unknown(wanted)),
    }
}

fn may_approve(reader: &Reader, proposal: &Proposal, by: &str) -> Result<(), CommandError> {
    if is_same_person(&proposal.author, by) {
        return Err(CommandError::Refused(format!(
            "{} was proposed by {}: someone else has to approve it",
            proposal.id, proposal.author
        )));
    }
    let stream = find_stream(reader, &proposal.stream)?;
    if proposal.kind == "freeze" && stream.monitoring {
        return Err(CommandError::Refused(format!(
            "the stream '{}' has limits by now; reject {}",
            stream.label, proposal.id
        )));
    }
    Ok(())
}

/// Whether two names as the record keeps them are of one person: the same name, however it is
/// written, or the same token of the live page.
fn is_same_person(one: &str, other: &str) -> bool {
    let parts = |text: &str| {
        let (name, token) = match text.rsplit_once(" (token ") {
            Some((name, rest)) => (name, rest.strip_suffix(')').map(str::to_owned)),
            None => (text, None),
        };
        let words: Vec<String> = name.split_whitespace().map(str::to_lowercase).collect();
        (words, token)
    };
    let ((name, token), (other_name, other_token)) = (parts(one), parts(other));
    name == other_name || (token.is_some() && token == other_token)
}

/// Prints every proposal.
///
/// # Errors
///
/// When the record can not be read, or standard output not be written.
pub fn print(config: &Config, reader: &Reader, format: Format) -> Result<(), CommandError> {
    let rows = rows(reader)?;
    let mut table = Table::new(&[
        "id",
        "state",
        "kind",
        "stream",
        "from",
        "proposed by",
        "proposed at",
        "reason",
        "decided by",
        "why",
    ]);
    for row in &rows {
        let decision = row.decision.as_ref();
        table.push(vec![
            row.id.as_str().into(),
            row.state.into(),
            row.kind.as_str().into(),
            row.stream.as_str().into(),
            row.from_at.map(|at| when(config, format, at)).into(),
            row.author.as_str().into(),
            when(config, format, row.at).into(),
            row.reason.as_str().into(),
            decision.map(|one| one.by.clone()).into(),
            decision.map(|one| one.reason.clone()).into(),
        ]);
    }
    Ok(output::print_rows(format, &table, &rows)?)
}

#[cfg(test)]
mod tests {
    use super::is_same_person;

    #[test]
    fn one_person_is_known_under_a_name_written_otherwise_and_by_the_token() {
        for (one, other, same) in [
            ("Ada", "ada ", true),
            ("Ada  B.", "ADA b.", true),
            ("Ada", "Bob", false),
            ("Ada (token desk)", "Ada (token office)", true),
            ("Ada (token desk)", "Bob (token desk)", true),
            ("Ada (token desk)", "Bob (token office)", false),
            ("Ada (token desk)", "Ada", true),
        ] {
            assert_eq!(is_same_person(one, other), same, "{one} {other}");
        }
    }
}
