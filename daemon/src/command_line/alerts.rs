//! The arguments of `driftvane alerts`.
//!
//! Holds no logic of a command. The one invariant: whoever changes something says who and why.

use std::sync::Arc;

use clap::{Args, Subcommand};

use super::{Failure, Who, leaving, reader, time};
use crate::clock;
use crate::commands::alerts::life::{self, Done};
use crate::commands::alerts::{self, health, hold};
use crate::config::Config;
use crate::output::Format;
use crate::store::{Reader, Service};

#[derive(Subcommand)]
pub(super) enum Alerts {
    #[command(flatten)]
    Leaving(leaving::Leaving),
    /// Lists alerts, open ones first. Of many open ones the most urgent are explained, and those
    /// that are named.
    List {
        /// The alerts to list, such as A-0001; all where none is named.
        ids: Vec<String>,
    },
    #[command(flatten)]
    Act(Act),
    /// Lists the panels or boards to hold since an alert's earliest likely onset.
    Boards {
        /// The alert.
        id: String,
    },
    /// Tells whether alerts are few and answered, and which streams are silent or chatter.
    Health {
        /// From this time on: 2026-03-02, 2026-03-02T06:00 on the plant's clock, or RFC 3339;
        /// default: 30 days before the end.
        #[arg(long)]
        from: Option<String>,
        /// Up to this time; default: the newest event.
        #[arg(long)]
        to: Option<String>,
    },
}

/// What people do about alerts and streams.
#[derive(Subcommand)]
pub(super) enum Act {
    /// Notes that someone has seen an alert and what they say of it.
    Acknowledge {
        /// The alert, such as A-0001.
        id: String,
        #[command(flatten)]
        words: Words,
    },
    /// Adds words to an alert.
    Comment {
        /// The alert.
        id: String,
        #[command(flatten)]
        words: Words,
    },
    /// Keeps an alert quiet for some hours.
    Shelve {
        /// The alert.
        id: String,
        /// For how long.
        #[arg(long)]
        hours: f64,
        #[command(flatten)]
        who: Who,
    },
    /// Lets a shelved alert speak again.
    Unshelve {
        /// The alert.
        id: String,
        #[command(flatten)]
        who: Who,
    },
    /// Closes an alert with its cause and what was done; points in control have to verify it.
    Close {
        /// The alert.
        id: String,
        /// One of the plant's causes.
        #[arg(long)]
        cause: String,
        /// What was done.
        #[arg(long)]
        action: String,
        /// Who.
        #[arg(long)]
        by: String,
    },
    /// Takes a stream out of service: its signals are kept, and call nobody.
    OutOfService {
        /// The stream.
        stream: String,
        #[command(flatten)]
        who: Who,
    },
    /// Takes a stream back into service.
    InService {
        /// The stream.
        stream: String,
        #[command(flatten)]
        who: Who,
    },
}

#[derive(Args)]
pub(super) struct Words {
    /// Who.
    #[arg(long)]
    by: String,
    /// What they say.
    #[arg(long)]
    comment: String,
}

pub(super) fn run(config: &Arc<Config>, command: &Alerts, format: Format) -> Result<(), Failure> {
    match command {
        Alerts::Leaving(command) => leaving::run(config, command, format)?,
        Alerts::List { ids } => alerts::print(config, &reader(config)?, ids, format)?,
        Alerts::Boards { id } => hold::print(config, &reader(config)?, id, format)?,
        Alerts::Health { from, to } => {
            let window = (time(config, from.as_deref())?, time(config, to.as_deref())?);
            health::print(config, &reader(config)?, window, format)?;
        }
        Alerts::Act(act) => carry_out(config, &reader(config)?, act)?.print(format)?,
    }
    Ok(())
}

fn carry_out(config: &Config, reader: &Reader, act: &Act) -> Result<Done, Failure> {
    let now = clock::now();
    let said = |by, words| life::Said { by, words, now };
    let (id, act, words) = match act {
        Act::Acknowledge { id, words } => {
            life::acknowledge(config, reader, id, (&words.by, &words.comment), now)?;
            (id, "acknowledged", "is acknowledged")
        }
        Act::Comment { id, words } => {
            life::comment(reader, id, said(&words.by, &words.comment))?;
            (id, "commented", "has the comment")
        }
        Act::Shelve { id, hours, who } => {
            life::shelve(config, reader, id, *hours, said(&who.by, &who.reason))?;
            (id, "shelved", "is shelved")
        }
        Act::Unshelve { id, who } => {
            life::unshelve(reader, id, said(&who.by, &who.reason))?;
            (id, "unshelved", "is shelved no more")
        }
        Act::Close {
            id,
            cause,
            action,
            by,
        } => {
            life::close(config, reader, id, cause, said(by, action))?;
            (id, "closed", "is closed; points in control verify it")
        }
        Act::OutOfService { stream, who } => {
            let said = said(&who.by, &who.reason);
            return Ok(Done::on_stream(reader, stream, Service::Out, said)?);
        }
        Act::InService { stream, who } => {
            let said = said(&who.by, &who.reason);
            return Ok(Done::on_stream(reader, stream, Service::In, said)?);
        }
    };
    Ok(Done::on_alert(config, reader, id, (act, words))?)
}
