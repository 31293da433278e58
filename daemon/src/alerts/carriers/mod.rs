//! The ways by which notices leave. Each is given notices and carries them, or says what failed.
//!
//! Knows no queue and no time of the next attempt. The one invariant: a carrier comes back within a
//! bounded time, and what it says names no secret.

use std::sync::Arc;
use std::time::Duration;

use crate::config::Config;
use crate::config::channel::{Channel, Email, Way};
use crate::store::{Notice, Reader};

mod email;
mod file;
mod message;
mod mqtt;
mod secret;
mod syslog;
#[cfg(test)]
mod tests;
mod webhook;
mod wire;

/// How long everything about one notice may take. Mail servers look through a message before they
/// take it, and one that is given up too early is sent twice.
const PATIENCE: Duration = Duration::from_secs(60);

/// What a carrier is to take.
pub struct Load<'a> {
    /// The notices, oldest first; one, but for files.
    pub notices: &'a [&'a Notice],
    /// The record, for what belongs to a notice; a test has none.
    pub reader: Option<&'a Reader>,
    /// The recipients that are left, where others have the notice; all where empty.
    pub left: &'a [String],
}

impl<'a> Load<'a> {
    /// Notices for all recipients, without a record.
    #[must_use]
    pub fn of(notices: &'a [&'a Notice]) -> Load<'a> {
        Load {
            notices,
            reader: None,
            left: &[],
        }
    }
}

/// What was taken.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Receipt {
    /// What the other side said, for a person who tests.
    pub said: String,
    /// What it complained about all the same, and what to do.
    pub complaint: Option<(String, String)>,
    /// The recipients that have not taken it yet, and may later.
    pub left: Vec<String>,
}

impl Receipt {
    /// Everybody has it.
    fn said(said: String) -> Receipt {
        Receipt {
            said,
            ..Receipt::default()
        }
    }
}

/// Why notices were not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Whether this notice was refused, and another one may pass.
    pub is_of_notice: bool,
    /// What failed.
    pub problem: String,
    /// What to do about it.
    pub fix: String,
}

impl Fault {
    /// Nothing can leave by this channel as it is.
    fn channel(problem: impl Into<String>, fix: impl Into<String>) -> Fault {
        Fault {
            is_of_notice: false,
            problem: problem.into(),
            fix: fix.into(),
        }
    }

    /// This notice is refused.
    fn notice(problem: impl Into<String>, fix: impl Into<String>) -> Fault {
        Fault {
            is_of_notice: true,
            problem: problem.into(),
            fix: fix.into(),
        }
    }
}

/// A key as every protocol takes it in a header. Ours are of these characters only; nothing else
/// may end the field that it stands in, whoever wrote the key.
fn plain_key(key: &str) -> String {
    let is_plain = |one: &char| one.is_ascii_alphanumeric() || "._-".contains(*one);
    key.chars().filter(is_plain).collect()
}

/// A way by which notices leave.
pub trait Carrier: Send {
    /// Takes notices.
    ///
    /// # Errors
    ///
    /// What failed and what to do about it; the notices may have been taken all the same.
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault>;
}

/// The carrier of a channel.
#[must_use]
pub fn carrier(config: &Arc<Config>, channel: &Channel) -> Box<dyn Carrier> {
    match &channel.way {
        Way::File(path) => Box::new(file::File(path.clone())),
        Way::Syslog(settings) => Box::new(syslog::Sender {
            settings: settings.clone(),
            patience: PATIENCE,
        }),
        Way::Webhook(settings) => Box::new(webhook::Sender {
            settings: settings.clone(),
            patience: PATIENCE,
        }),
        Way::Mqtt(settings) => Box::new(mqtt::Sender {
            settings: settings.clone(),
            patience: PATIENCE,
        }),
        Way::Email(settings) => Box::new(email::Sender {
            settings: Email::clone(settings),
            config: Arc::clone(config),
            patience: PATIENCE,
        }),
    }
}
