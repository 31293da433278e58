//! The arguments about how notices leave: channels, their queues, and a test.

use std::sync::Arc;

use clap::Subcommand;

use super::{Who, failure::Failure, reader};
use crate::clock;
use crate::commands::outbox;
use crate::config::Config;
use crate::output::Format;
use crate::store::Act;

#[derive(Subcommand)]
pub(super) enum Leaving {
    /// Shows how each channel stands: what waits, what failed, what to do.
    Channels,
    /// Sends a notice that is marked as a test, at once, and tells what failed and what to do.
    Test {
        /// The channel.
        channel: String,
    },
    /// Lists notices that wait for a channel, sends them at once, or gives them up.
    #[command(subcommand)]
    Outbox(Outbox),
}

#[derive(Subcommand)]
pub(super) enum Outbox {
    /// Lists what waits, the oldest first.
    List,
    /// Has notices sent as soon as can be, after what was wrong has been put right.
    Retry {
        /// What waits, such as D-0001.
        #[arg(required = true)]
        deliveries: Vec<String>,
        #[command(flatten)]
        who: Who,
    },
    /// Gives notices up: they are not sent; the record keeps them, and who decided so.
    Discard {
        /// What waits, such as D-0001.
        #[arg(required = true)]
        deliveries: Vec<String>,
        #[command(flatten)]
        who: Who,
    },
}

/// Carries out one of them.
pub(super) fn run(config: &Arc<Config>, command: &Leaving, format: Format) -> Result<(), Failure> {
    let (deliveries, act, who) = match command {
        // A test needs no record.
        Leaving::Test { channel } => return Ok(outbox::test(config, channel, clock::now())?),
        Leaving::Channels => {
            return Ok(outbox::print_channels(config, &reader(config)?, format)?);
        }
        Leaving::Outbox(Outbox::List) => {
            return Ok(outbox::print(config, &reader(config)?, format)?);
        }
        Leaving::Outbox(Outbox::Retry { deliveries, who }) => (deliveries, Act::SendAgain, who),
        Leaving::Outbox(Outbox::Discard { deliveries, who }) => (deliveries, Act::GiveUp, who),
    };
    let said = (who.by.as_str(), who.reason.as_str(), clock::now());
    Ok(outbox::decide(
        &reader(config)?,
        (deliveries, act),
        said,
        format,
    )?)
}
