//! Makes a notice of what is to be told.
//!
//! Knows no channel. The one invariant: what every notice says stands in its JSON under the same
//! names, whatever it is about.

use serde::Serialize;

use crate::commands::utc;
use crate::store::Notice;
use crate::words::Severity;

/// What every notice tells.
#[derive(Debug)]
pub struct Told<'a> {
    /// The key that stays the same however often it is sent.
    pub key: String,
    /// The alert; none where it is about none.
    pub alert: Option<i64>,
    /// What happened.
    pub what: &'a str,
    /// When, in microseconds.
    pub at: i64,
    /// The line; empty where the news are of no single line.
    pub line: &'a str,
    /// How much it matters.
    pub severity: Severity,
    /// How what it is about stands then.
    pub state: &'a str,
    /// The streams that show it.
    pub streams: Vec<String>,
    /// One line.
    pub subject: String,
    /// All of it, for people.
    pub text: String,
}

/// A notice for programs.
#[derive(Serialize)]
struct Body<'a, T: Serialize> {
    key: &'a str,
    what: &'a str,
    at: String,
    line: &'a str,
    severity: &'a str,
    state: &'a str,
    #[serde(flatten)]
    more: &'a T,
    subject: &'a str,
    text: &'a str,
}

/// A notice; `more` is what only notices of its kind tell programs.
#[must_use]
pub fn notice(told: Told, more: &impl Serialize) -> Notice {
    let body = Body {
        key: &told.key,
        what: told.what,
        at: utc(told.at),
        line: told.line,
        severity: told.severity.name(),
        state: told.state,
        more,
        subject: &told.subject,
        text: &told.text,
    };
    Notice {
        body: serde_json::to_string(&body).unwrap_or_default(),
        key: told.key,
        alert: told.alert,
        kind: told.what.to_owned(),
        at: told.at,
        line: told.line.to_owned(),
        severity: told.severity,
        state: told.state.to_owned(),
        streams: told.streams,
        subject: told.subject,
        text: told.text,
    }
}
