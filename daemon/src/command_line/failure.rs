//! Why a command did not get done, and how that is told.
//!
//! Knows no command. The one invariant: a reason is told once.

use crate::commands::CommandError;
use crate::store::StoreError;

/// Why a command did not get done.
pub(super) enum Failure {
    Usage(String),
    Other(anyhow::Error),
}

impl From<CommandError> for Failure {
    fn from(error: CommandError) -> Failure {
        match error.is_usage() {
            true => Failure::Usage(format!("driftvane: {error}")),
            false => Failure::Other(error.into()),
        }
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Failure {
        Failure::Other(error.into())
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Failure {
        Failure::Other(error.into())
    }
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Failure {
        Failure::Other(error)
    }
}

/// An error with its causes; one that the words before it hold already is not said again.
pub(super) fn told(error: &anyhow::Error) -> String {
    let mut text = error.to_string();
    for cause in error.chain().skip(1).map(ToString::to_string) {
        if !text.contains(&cause) {
            text.push_str(": ");
            text.push_str(&cause);
        }
    }
    text
}
