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
        // Some causes put a number of their own before the reason.
        let reason = cause.rsplit(": ").next().unwrap_or(&cause);
        if !text.contains(reason) {
            text.push_str(": ");
            text.push_str(&cause);
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_is_told_once() {
        let reason = "No space left on device (os error 28)";
        for (causes, expected) in [
            (
                &["x: no room; make some", "no room"][..],
                "x: no room; make some",
            ),
            (
                &["x: no room; go", "Error code 10: no room"],
                "x: no room; go",
            ),
            (
                &["can not start", reason],
                "can not start: No space left on device (os error 28)",
            ),
        ] {
            let mut all = causes.iter().rev().copied();
            let mut error = anyhow::anyhow!(all.next().unwrap());
            for outer in all {
                error = error.context(outer);
            }
            assert_eq!(told(&error), expected);
        }
    }
}
