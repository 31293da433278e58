//! How news of alerts leave: the log and the JSON Lines file.
//!
//! News leave at least once, in order, and keep their number, so that a reader can tell a repeat.
//! A file that can not be written holds up no reading: the news wait in the record.

use std::fs::OpenOptions;
use std::io::Write;

use serde::Serialize;

use crate::clock;
use crate::config::Config;
use crate::store::{News, Store, StoreError};

/// News that leave at one go.
const NEWS_MAX: usize = 500;

#[derive(Serialize)]
struct Line<'a> {
    event: i64,
    alert: i64,
    what: &'a str,
    at: String,
    who: &'a str,
    comment: &'a str,
    stream: &'a str,
    first_board: &'a str,
    first_at: String,
    rules: Vec<&'a str>,
    side: &'a str,
    size_sigma: f64,
}

/// Sends what has not left yet.
///
/// # Errors
///
/// When the record fails. A channel that fails is logged and tried again at the next call.
pub fn deliver(store: &mut Store, config: &Config) -> Result<(), StoreError> {
    loop {
        let news = store.untold(NEWS_MAX)?;
        let Some(last) = news.last() else {
            return Ok(());
        };
        if let Err(error) = append(config, &news) {
            tracing::error!(
                file = %config.alert_file.display(), %error,
                "alerts can not be written; they wait in the record"
            );
            return Ok(());
        }
        for one in &news {
            tracing::warn!(
                alert = one.alert, stream = ?one.stream, board = ?one.first_unit,
                rules = %one.rules, size_sigma = one.size_sigma, "alert {}", one.what
            );
        }
        let through = last.event;
        store.told(through, clock::now())?;
    }
}

fn append(config: &Config, news: &[News]) -> std::io::Result<()> {
    if let Some(folder) = config.alert_file.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let mut text = String::new();
    for one in news {
        text.push_str(&serde_json::to_string(&line(one))?);
        text.push('\n');
    }
    let mut file = OpenOptions::new()
        .create(true)
        .append(true)
        .open(&config.alert_file)?;
    file.write_all(text.as_bytes())?;
    file.sync_data()
}

fn line(news: &News) -> Line<'_> {
    let time = |at| {
        jiff::Timestamp::from_microsecond(at).map_or_else(|_| String::new(), |at| at.to_string())
    };
    Line {
        event: news.event,
        alert: news.alert,
        what: &news.what,
        at: time(news.at),
        who: &news.who,
        comment: &news.comment,
        stream: &news.stream,
        first_board: &news.first_unit,
        first_at: time(news.first_at),
        rules: news
            .rules
            .split(',')
            .filter(|rule| !rule.is_empty())
            .collect(),
        side: &news.side,
        size_sigma: news.size_sigma,
    }
}
