//! Changes of limits that wait for someone to approve them.

use serde::Serialize;

use crate::commands::{CommandError, local_minute, proposals};
use crate::config::Config;
use crate::store::Reader;

/// A proposal that waits.
#[derive(Serialize)]
pub(super) struct Waiting {
    number: i64,
    id: String,
    pub(super) stream_number: i64,
    words: String,
    at: String,
}

/// Those that wait, the oldest first.
pub(super) fn waiting(config: &Config, reader: &Reader) -> Result<Vec<Waiting>, CommandError> {
    let all = proposals::pending(reader)?.into_iter();
    let waiting = all.map(|one| Waiting {
        number: one.number,
        stream_number: one.stream_number,
        words: one.words(config),
        at: local_minute(config, one.at),
        id: one.id,
    });
    Ok(waiting.collect())
}
