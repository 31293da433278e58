//! The arguments of `driftvane limits`, and what they lead to.

use std::sync::Arc;

use clap::Subcommand;

use super::failure::Failure;
use super::{Who, reader, time};
use crate::clock;
use crate::commands::limits::{self, Change, Minimum};
use crate::commands::{CommandError, proposals, replay};
use crate::config::Config;
use crate::ingest::Ingest;
use crate::output::{self, Format};
use crate::store::{Reader, StoreError, What};

#[derive(Subcommand)]
pub(super) enum Limits {
    /// Lists every version of limits.
    List {
        /// Only of this stream.
        stream: Option<String>,
    },
    /// Makes limits of the subgroups so far.
    Freeze {
        /// The stream.
        stream: String,
        /// Also of fewer subgroups than the minimum; the record says so beside the reason.
        #[arg(long = "override")]
        overrides: bool,
        #[command(flatten)]
        who: Who,
    },
    /// Begins a new baseline.
    Restart {
        /// The stream.
        stream: String,
        #[command(flatten)]
        who: Who,
        /// From this event time on; default: after the newest point.
        #[arg(long)]
        from: Option<String>,
    },
    /// Lists the changes of limits that were proposed, and what became of them.
    Proposals,
    /// Has a proposed change done; someone other than its author has to.
    Approve {
        /// The proposal.
        id: String,
        #[command(flatten)]
        who: Who,
    },
    /// Leaves a proposed change undone.
    Reject {
        /// The proposal.
        id: String,
        #[command(flatten)]
        who: Who,
    },
}

/// Does what the arguments say.
pub(super) fn run(config: &Arc<Config>, command: &Limits, format: Format) -> Result<(), Failure> {
    let reader = reader(config)?;
    let now = clock::now();
    let change = match command {
        Limits::List { stream } => {
            return Ok(limits::print(config, &reader, stream.as_deref(), format)?);
        }
        Limits::Proposals => return Ok(proposals::print(config, &reader, format)?),
        Limits::Freeze {
            stream,
            overrides,
            who,
        } => {
            let minimum = match overrides {
                true => Minimum::Overridden,
                false => Minimum::Holds,
            };
            limits::freeze((config, &reader), stream, minimum, who.said(now))?
        }
        Limits::Restart { stream, who, from } => {
            let from = time(config, from.as_deref())?;
            limits::restart((config, &reader), stream, from, who.said(now))?
        }
        Limits::Approve { id, who } => {
            let said = who.said(now);
            let (proposal, request) = proposals::decide(&reader, id, What::Approved, said)?;
            let asked = limits::approved(&reader, &proposal, request)?;
            return carry_out(config, &reader, &asked);
        }
        Limits::Reject { id, who } => {
            let said = who.said(now);
            let (proposal, _) = proposals::decide(&reader, id, What::Rejected, said)?;
            return Ok(output::print(&format!("{} rejected\n", proposal.id))?);
        }
    };
    match change {
        Change::Asked(asked) => carry_out(config, &reader, &asked),
        Change::Proposed(proposal) => Ok(output::print(&format!(
            "{}: {}\nIt is done when someone else approves it: driftvane limits approve {}\n",
            proposal.id,
            proposal.words(config),
            proposal.id
        ))?),
    }
}

/// Where no daemon runs, what is asked is carried out here; a running one looks for it itself.
fn carry_out(config: &Arc<Config>, reader: &Reader, asked: &limits::Asked) -> Result<(), Failure> {
    let outcome = match Ingest::open(Arc::clone(config), replay::threads()) {
        Ok(mut ingest) => {
            ingest.take_requests(clock::now())?;
            "done"
        }
        Err(StoreError::Locked { .. }) => "asked; the running daemon does it within a second",
        Err(error) => return Err(error.into()),
    };
    let told: Result<String, CommandError> = limits::told(config, reader, asked, outcome);
    Ok(output::print(&told?)?)
}
