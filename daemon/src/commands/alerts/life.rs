//! What people do about alerts and streams, each with who and why.
//!
//! Knows no page and no SQL. The one invariant: what someone did is never overwritten.

use serde::Serialize;

use super::{find, name, state};
use crate::commands::{CommandError, find_stream, moment, said};
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::store::alerts::AlertRow;
use crate::store::{Acknowledged, AlertAct, Reader, Service, Who};

/// Who does something, what they say, and when.
#[derive(Clone, Copy, Debug)]
pub struct Said<'a> {
    /// Who.
    pub by: &'a str,
    /// A comment or a reason.
    pub words: &'a str,
    /// When, by the clock.
    pub now: i64,
}

/// What someone has done, and how it stands then.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Done {
    /// The alert.
    #[serde(skip_serializing_if = "Option::is_none")]
    id: Option<String>,
    /// The stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    stream: Option<String>,
    /// What was done, as the history names it.
    act: &'static str,
    /// How it stands now.
    state: String,
    #[serde(skip)]
    words: String,
}

impl Done {
    /// Something was done about an alert: its name in the history, and in words.
    ///
    /// # Errors
    ///
    /// When the record can not be read.
    pub fn on_alert(
        config: &Config,
        reader: &Reader,
        id: &str,
        (act, words): (&'static str, &str),
    ) -> Result<Done, CommandError> {
        let row = find(reader, id)?;
        let id = name(row.id);
        Ok(Done {
            words: format!("{id} {words}"),
            id: Some(id),
            stream: None,
            act,
            state: state(config, &row),
        })
    }

    /// Takes a stream out of service, or back into it.
    ///
    /// # Errors
    ///
    /// As [`serve`].
    pub fn on_stream(
        reader: &Reader,
        stream: &str,
        service: Service,
        what: Said,
    ) -> Result<Done, CommandError> {
        let stream = serve(reader, stream, service, what)?;
        Ok(Done {
            words: format!("{}: {stream}", service.name()),
            id: None,
            stream: Some(stream),
            act: service.name(),
            state: service.name().to_owned(),
        })
    }

    /// Prints it.
    ///
    /// # Errors
    ///
    /// When standard output can not be written.
    pub fn print(&self, format: Format) -> Result<(), CommandError> {
        if format == Format::Table {
            return Ok(output::print(&format!("{}\n", self.words))?);
        }
        let mut table = Table::new(&["id", "stream", "act", "state"]);
        table.push(vec![
            self.id.as_deref().into(),
            self.stream.as_deref().into(),
            self.act.into(),
            self.state.as_str().into(),
        ]);
        Ok(output::print_rows(format, &table, self)?)
    }
}

/// Microseconds in an hour.
const HOUR_US: i64 = 3_600_000_000;

/// Acknowledges an alert.
///
/// # Errors
///
/// When the name or the comment is missing, there is no such alert, someone has done so before, or
/// the record refuses.
pub fn acknowledge(
    config: &Config,
    reader: &Reader,
    id: &str,
    (by, comment): (&str, &str),
    now: i64,
) -> Result<(), CommandError> {
    let (by, comment) = (said("the name", by)?, said("the comment", comment)?);
    let alert = find(reader, id)?;
    match reader.acknowledge(alert.id, &by, &comment, now)? {
        Acknowledged::Done => Ok(()),
        Acknowledged::Before(at, who) => Err(CommandError::Refused(format!(
            "{} was acknowledged by {who} at {}; nothing was changed",
            name(alert.id),
            moment(config, at)
        ))),
    }
}

/// Adds words to an alert.
///
/// # Errors
///
/// When the name or the comment is missing, there is no such alert, or the record refuses.
pub fn comment(reader: &Reader, id: &str, what: Said) -> Result<(), CommandError> {
    let (by, words) = (said("the name", what.by)?, said("the comment", what.words)?);
    let alert = find(reader, id)?;
    done(
        reader,
        (&alert, AlertAct::Comment),
        (&by, &words, what.now),
        "",
    )
}

/// Keeps an alert quiet for some hours.
///
/// # Errors
///
/// When the name or the reason is missing, the time is longer than the plant allows, there is no
/// such alert, it is closed, or the record refuses.
pub fn shelve(
    config: &Config,
    reader: &Reader,
    id: &str,
    hours: f64,
    what: Said,
) -> Result<(), CommandError> {
    let (by, reason) = (said("the name", what.by)?, said("the reason", what.words)?);
    let most = f64::from(config.alerts.shelve_hours_max);
    if !(hours > 0.0 && hours <= most) {
        return Err(CommandError::Usage(format!(
            "an alert can be shelved for more than 0 and at most {most} hours \
             (alerts.shelve_hours_max), not for {hours}"
        )));
    }
    let alert = find(reader, id)?;
    let until = what.now + (hours * HOUR_US as f64) as i64;
    let words = format!("{reason} (until {})", moment(config, until));
    let act = (&alert, AlertAct::Shelve(until));
    let why = "it is closed or revised: there is nothing to shelve";
    done(reader, act, (&by, &words, what.now), why)
}

/// Lets a shelved alert speak again.
///
/// # Errors
///
/// When the name or the reason is missing, there is no such alert, it is not shelved, or the
/// record refuses.
pub fn unshelve(reader: &Reader, id: &str, what: Said) -> Result<(), CommandError> {
    let (by, words) = (said("the name", what.by)?, said("the reason", what.words)?);
    let alert = find(reader, id)?;
    let act = (&alert, AlertAct::Unshelve);
    done(reader, act, (&by, &words, what.now), "it is not shelved")
}

/// Closes an alert with its cause and what was done about it. It counts as closed once enough
/// points in control have verified that; a signal before opens it again.
///
/// # Errors
///
/// When the name or the action is missing, the plant knows no such cause, there is no such alert,
/// nobody has acknowledged it, it is closed, or the record refuses.
pub fn close(
    config: &Config,
    reader: &Reader,
    id: &str,
    cause: &str,
    what: Said,
) -> Result<(), CommandError> {
    let (by, action) = (said("the name", what.by)?, said("the action", what.words)?);
    let causes = &config.alerts.causes;
    let Some(cause) = causes.iter().find(|known| *known == cause.trim()) else {
        return Err(CommandError::Usage(format!(
            "\"{cause}\" is none of the plant's causes; write one of: {} (alerts.causes)",
            causes.join(", ")
        )));
    };
    let alert = find(reader, id)?;
    if alert.acknowledged.is_none() {
        return Err(CommandError::Refused(format!(
            "{} is acknowledged by nobody; acknowledge it, then close it",
            name(alert.id)
        )));
    }
    let words = format!("{cause}: {action}");
    let action = action.as_str();
    let act = (&alert, AlertAct::Close { cause, action });
    let why = "it is closed already, or late data took its ground away";
    done(reader, act, (&by, &words, what.now), why)
}

fn done(
    reader: &Reader,
    (alert, act): (&AlertRow, AlertAct),
    (author, reason, now): (&str, &str, i64),
    why: &str,
) -> Result<(), CommandError> {
    let who = Who {
        author,
        reason,
        now,
    };
    match reader.act(alert.id, act, who)? {
        true => Ok(()),
        false => Err(CommandError::Refused(format!(
            "{}: {why}; nothing was changed",
            name(alert.id)
        ))),
    }
}

/// Takes a stream out of service, or back into it, and gives its name.
///
/// # Errors
///
/// When the name or the reason is missing, there is no such stream, it is so already, or the record
/// refuses.
pub fn serve(
    reader: &Reader,
    stream: &str,
    service: Service,
    what: Said,
) -> Result<String, CommandError> {
    let (by, reason) = (said("the name", what.by)?, said("the reason", what.words)?);
    let stream = find_stream(reader, stream)?;
    let who = Who {
        author: &by,
        reason: &reason,
        now: what.now,
    };
    match reader.serve(stream.id, service, who)? {
        true => Ok(stream.label),
        false => Err(CommandError::Refused(format!(
            "{} is so already; nothing was changed",
            stream.label
        ))),
    }
}
