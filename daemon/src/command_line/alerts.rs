//! The arguments of `driftvane alerts`.
//!
//! Holds no logic of a command. The one invariant: whoever changes something says who and why.

use std::sync::Arc;

use clap::{Args, Subcommand};

use super::{Failure, Who, leaving, reader, time};
use crate::clock;
use crate::commands::alerts::{self, health, hold, life};
use crate::config::Config;
use crate::output::{self, Format};
use crate::store::{Reader, Service};

#[derive(Subcommand)]
pub(super) enum Alerts {
    #[command(flatten)]
    Leaving(leaving::Leaving),
    /// Lists alerts, open ones first.
    List,
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
    if let Alerts::Leaving(command) = command {
        return leaving::run(config, command, format);
    }
    let reader = reader(config)?;
    match command {
        Alerts::List => alerts::print(config, &reader, format)?,
        Alerts::Boards { id } => hold::print(config, &reader, id, format)?,
        Alerts::Health { from, to } => {
            let window = (time(config, from.as_deref())?, time(config, to.as_deref())?);
            health::print(config, &reader, window, format)?;
        }
        other => act_on_alert(config, &reader, other, clock::now())?,
    }
    Ok(())
}

fn act_on_alert(
    config: &Config,
    reader: &Reader,
    command: &Alerts,
    now: i64,
) -> Result<(), Failure> {
    let said = |by, words| life::Said { by, words, now };
    let (id, done) = match command {
        Alerts::Leaving(_) | Alerts::List | Alerts::Boards { .. } | Alerts::Health { .. } => {
            return Ok(());
        }
        Alerts::Acknowledge { id, words } => {
            life::acknowledge(config, reader, id, (&words.by, &words.comment), now)?;
            (id, "is acknowledged")
        }
        Alerts::Comment { id, words } => {
            life::comment(reader, id, said(&words.by, &words.comment))?;
            (id, "has the comment")
        }
        Alerts::Shelve { id, hours, who } => {
            life::shelve(config, reader, id, *hours, said(&who.by, &who.reason))?;
            (id, "is shelved")
        }
        Alerts::Unshelve { id, who } => {
            life::unshelve(reader, id, said(&who.by, &who.reason))?;
            (id, "is shelved no more")
        }
        Alerts::Close {
            id,
            cause,
            action,
            by,
        } => {
            life::close(config, reader, id, cause, said(by, action))?;
            (id, "is closed; points in control verify it")
        }
        Alerts::OutOfService { stream, who } => {
            return serve_stream(reader, stream, Service::Out, said(&who.by, &who.reason));
        }
        Alerts::InService { stream, who } => {
            return serve_stream(reader, stream, Service::In, said(&who.by, &who.reason));
        }
    };
    let name = alerts::name(alerts::find(reader, id)?.id);
    Ok(output::print(&format!("{name} {done}\n"))?)
}

fn serve_stream(
    reader: &Reader,
    stream: &str,
    service: Service,
    said: life::Said,
) -> Result<(), Failure> {
    let label = life::serve(reader, stream, service, said)?;
    Ok(output::print(&format!("{}: {label}\n", service.name()))?)
}
