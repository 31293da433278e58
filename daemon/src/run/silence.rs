//! Feeds from which nothing comes any more: an alert of their own, which returns by itself.
//!
//! Knows no file. Silence is counted on a clock that only grows, and only while shifts run in
//! which it matters: a clock that is set neither raises an alert nor hides one. The one invariant:
//! what is open here is open in the record.

use std::collections::BTreeSet;

use crate::alerts;
use crate::block::FeedIndex;
use crate::commands::{moment, utc};
use crate::config::{Config, Feed};
use crate::shifts;
use crate::store::{Notice, Store, StoreError};
use crate::words::Severity;

/// Between two looks, in milliseconds.
const LOOK_MS: u64 = 1_000;

/// How long each feed has been silent.
pub(super) struct Silences {
    feeds: Vec<Silence>,
    looked_ms: u64,
}

struct Silence {
    /// When something came last, by the clock on the wall.
    heard_at: i64,
    /// For how long nothing has come that should have.
    quiet_ms: u64,
    is_open: bool,
}

impl Silences {
    /// Goes on where the record stops.
    pub(super) fn start(
        config: &Config,
        store: &mut Store,
        now: i64,
        now_ms: u64,
    ) -> Result<Silences, StoreError> {
        let open = store.open_silences()?;
        let mut feeds = Vec::new();
        for feed in &config.feeds {
            let heard_at = store.last_received(&feed.name)?.unwrap_or(now).min(now);
            let is_open = open.contains(&feed.name);
            feeds.push(Silence {
                heard_at,
                quiet_ms: quiet_between(config, feed, heard_at, now),
                is_open,
            });
        }
        // Feeds that are gone, or of which silence is no longer asked for.
        for name in open {
            let feed = config.feeds.iter().find(|feed| feed.name == name);
            if feed.is_none_or(|feed| feed.silent_after_s.is_none()) {
                let told = Told {
                    feed: &name,
                    line: feed.map_or("", |feed| &feed.line),
                    what: "heard",
                    since: now,
                    now,
                };
                let notice = notice(config, &told);
                store.end_silence(&name, now, &notice)?;
            }
        }
        Ok(Silences {
            feeds,
            looked_ms: now_ms,
        })
    }

    /// Counts on, raises what has been silent for too long, and lets return what was heard.
    pub(super) fn look(
        &mut self,
        config: &Config,
        store: &mut Store,
        heard: &BTreeSet<FeedIndex>,
        (now, now_ms): (i64, u64),
    ) -> Result<(), StoreError> {
        let passed = now_ms.saturating_sub(self.looked_ms);
        if heard.is_empty() && passed < LOOK_MS {
            return Ok(());
        }
        self.looked_ms = now_ms;
        let shift = shifts::at(config, now).name;
        for (place, (feed, silence)) in config.feeds.iter().zip(&mut self.feeds).enumerate() {
            let Some(limit) = feed.silent_after_s else {
                continue;
            };
            if heard.contains(&place) {
                let since = std::mem::replace(&mut silence.heard_at, now);
                silence.quiet_ms = 0;
                if std::mem::take(&mut silence.is_open) {
                    let notice = notice(config, &Told::of(feed, "heard", (since, now)));
                    store.end_silence(&feed.name, now, &notice)?;
                    tracing::info!(feed = %feed.name, "is heard again");
                }
                continue;
            }
            if feed.silence_counts_in(&shift) {
                silence.quiet_ms = silence.quiet_ms.saturating_add(passed);
            }
            if !silence.is_open && silence.quiet_ms >= limit.saturating_mul(1_000) {
                let times = (silence.heard_at, now);
                let notice = notice(config, &Told::of(feed, "silent", times));
                store.begin_silence(&feed.name, times, &notice)?;
                silence.is_open = true;
                let minutes = silence.quiet_ms / 60_000;
                tracing::warn!(feed = %feed.name, minutes, "is silent");
            }
        }
        Ok(())
    }
}

/// What is told of a feed.
struct Told<'a> {
    feed: &'a str,
    line: &'a str,
    what: &'a str,
    since: i64,
    now: i64,
}

impl<'a> Told<'a> {
    fn of(feed: &'a Feed, what: &'a str, (since, now): (i64, i64)) -> Told<'a> {
        Told {
            feed: &feed.name,
            line: &feed.line,
            what,
            since,
            now,
        }
    }
}

/// What leaves for people and programs outside. It is written once, so its key can name the moment.
fn notice(config: &Config, told: &Told) -> Notice {
    let (feed, since) = (told.feed, told.since);
    // A feed's name is any text, and a key stands in headers of mails and requests.
    let digest = blake3::hash(feed.as_bytes()).to_hex();
    let (state, subject, text) = if told.what == "silent" {
        let text = format!(
            "Nothing has come from the feed {feed} since {}. Look at the station, at the folder \
             and at what connects them.",
            moment(config, since)
        );
        ("active", format!("Feed {feed} is silent"), text)
    } else {
        let text = format!("Something has come from the feed {feed} again.");
        ("returned", format!("Feed {feed} is heard again"), text)
    };
    let more = serde_json::json!({ "feed": feed, "since": utc(since) });
    let told = alerts::Told {
        key: format!("feed-{}-{}-{}", &digest[..12], told.what, told.now),
        alert: None,
        what: told.what,
        at: told.now,
        line: told.line,
        severity: Severity::Medium,
        state,
        streams: Vec::new(),
        subject,
        text,
    };
    alerts::notice(told, &more)
}

/// How long a feed that was heard at a time has been silent in the shifts that matter; counted no
/// further than it takes to raise an alert.
fn quiet_between(config: &Config, feed: &Feed, from: i64, to: i64) -> u64 {
    let limit = feed.silent_after_s.unwrap_or(0).saturating_mul(1_000);
    let (mut quiet, mut end) = (0, to);
    // A shift lasts a minute at least, and a pause between shifts that matter a day at most.
    for _ in 0..LOOK_BACK_MAX {
        let span = shifts::at(config, end.saturating_sub(1));
        let start = span.start.max(from);
        if end <= start || span.start >= end {
            break;
        }
        if feed.silence_counts_in(&span.name) {
            quiet += u64::try_from((end - start) / 1_000).unwrap_or(0);
        }
        if quiet >= limit || start == from {
            break;
        }
        end = start;
    }
    quiet.min(limit)
}

/// Shifts that are gone through for how long a feed had been silent before the start.
const LOOK_BACK_MAX: usize = 1_000;

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::{Path, PathBuf};

    const MINUTE_MS: u64 = 60_000;
    const MINUTE_US: i64 = 60_000_000;
    /// 2026-03-02, 12:00 UTC.
    const NOON: i64 = 1_772_452_800_000_000;

    fn config(folder: &Path, silent_in: &str) -> Config {
        let text = format!(
            "[plant]\nname = \"P\"\ntime_zone = \"UTC\"\n\
             [[shift]]\nname = \"day\"\nstarts = \"06:00\"\n\
             [[shift]]\nname = \"night\"\nstarts = \"13:00\"\n\
             [[feed]]\nname = \"f\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"in\"\n\
             silent_after_minutes = 30\n{silent_in}\n\
             time = {{ columns = [\"T\"], format = \"rfc3339\" }}\n\
             measure = [{{ name = \"height\", column = \"H\", unit = \"um\" }}]\n\
             [feed.roles]\nboard = \"B\"\n"
        );
        crate::config::read::read(&text, folder).unwrap()
    }

    fn folder(name: &str) -> PathBuf {
        let name = format!("driftvane-{}-silence-{name}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        std::fs::remove_dir_all(&folder).ok();
        std::fs::create_dir_all(&folder).unwrap();
        folder
    }

    /// Looks every half minute for some minutes; the clock on the wall is so far ahead.
    fn pass(
        silences: &mut Silences,
        (config, store): (&Config, &mut Store),
        minutes: std::ops::Range<u64>,
        ahead_us: i64,
    ) {
        for half in minutes.start * 2..minutes.end * 2 {
            let ms = half * MINUTE_MS / 2;
            let now = NOON + i64::try_from(ms).unwrap() * 1_000 + ahead_us;
            let heard = BTreeSet::new();
            silences.look(config, store, &heard, (now, ms)).unwrap();
        }
    }

    #[test]
    fn a_feed_is_silent_once_and_is_heard_again_by_itself() {
        let folder = folder("once");
        let config = config(&folder, "");
        let mut store = Store::open(&config.data_folder).unwrap();
        let mut silences = Silences::start(&config, &mut store, NOON, 0).unwrap();
        pass(&mut silences, (&config, &mut store), 0..30, 0);
        assert!(store.open_silences().unwrap().is_empty());
        pass(&mut silences, (&config, &mut store), 30..90, 0);
        let silences_of = || {
            let reader = crate::store::Reader::open(&config.data_folder).unwrap();
            reader.silences(i64::MIN, i64::MAX).unwrap()
        };
        let told = silences_of();
        assert_eq!(
            (told.len(), told[0].feed.as_str(), told[0].since),
            (1, "f", NOON)
        );
        // A restart goes on: neither a second alert nor a return.
        let now = NOON + 90 * MINUTE_US;
        let mut silences = Silences::start(&config, &mut store, now, 0).unwrap();
        pass(&mut silences, (&config, &mut store), 0..60, 90 * MINUTE_US);
        assert_eq!(silences_of().len(), 1);
        let heard = BTreeSet::from([0]);
        let later = (now + 60 * MINUTE_US, 60 * MINUTE_MS);
        silences.look(&config, &mut store, &heard, later).unwrap();
        assert!(store.open_silences().unwrap().is_empty());
        assert_eq!(silences_of()[0].returned_at, Some(later.0));
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn a_notice_leaves_when_a_feed_falls_silent_and_when_it_is_heard_again() {
        let folder = folder("notices");
        let config = config(&folder, "");
        let mut store = Store::open(&config.data_folder).unwrap();
        let reader = crate::store::Reader::open(&config.data_folder).unwrap();
        reader.enlist("post", "file", NOON).unwrap();
        let mut silences = Silences::start(&config, &mut store, NOON, 0).unwrap();
        pass(&mut silences, (&config, &mut store), 0..90, 0);
        let now = NOON + 90 * MINUTE_US;
        let (heard, later) = (BTreeSet::from([0]), (now, 90 * MINUTE_MS));
        silences.look(&config, &mut store, &heard, later).unwrap();
        reader.route("post", now, |_| true).unwrap();
        let due = reader.due("post", (now, MINUTE_US), Severity::Medium, 10);
        let notices: Vec<_> = due.unwrap().into_iter().map(|one| one.notice).collect();
        let said: Vec<_> = notices
            .iter()
            .map(|one| {
                let minutes = (one.at - NOON) / MINUTE_US;
                (one.kind.as_str(), one.state.as_str(), minutes, &*one.line)
            })
            .collect();
        let expected = [
            ("silent", "active", 30, "L1"),
            ("heard", "returned", 90, "L1"),
        ];
        assert_eq!(said, expected);
        assert_eq!(notices[0].subject, "Feed f is silent");
        let text = &notices[0].text;
        assert!(text.contains("since 2026-03-02 12:00"), "{text}");
        let body: serde_json::Value = serde_json::from_str(&notices[0].body).unwrap();
        assert_eq!(body["feed"], "f");
        assert_ne!(notices[0].key, notices[1].key);
        std::fs::remove_dir_all(&folder).unwrap();
    }

    /// A key stands in headers, and a feed's name may be any text.
    #[test]
    fn the_key_of_a_silence_is_plain_whatever_the_feed_is_called() {
        let config = config(Path::new("/plant"), "");
        let key = |feed| {
            let (line, what, since, now) = ("L1", "silent", NOON, NOON);
            let told = Told {
                feed,
                line,
                what,
                since,
                now,
            };
            notice(&config, &told).key
        };
        let nasty = key("S\u{fc}d \"L1\"\r\nBcc: all@plant.example");
        let is_plain = |byte: u8| byte.is_ascii_alphanumeric() || b"._-".contains(&byte);
        assert!(nasty.bytes().all(is_plain), "{nasty}");
        assert_ne!(nasty, key("S\u{fc}d"));
        assert_eq!(nasty.len(), key("f").len());
    }

    #[test]
    fn a_clock_that_is_set_raises_nothing_and_hides_nothing() {
        const YEAR_US: i64 = 365 * 86_400_000_000;
        let folder = folder("clock");
        let config = config(&folder, "");
        let mut store = Store::open(&config.data_folder).unwrap();
        let mut silences = Silences::start(&config, &mut store, NOON, 0).unwrap();
        pass(&mut silences, (&config, &mut store), 0..10, 0);
        pass(&mut silences, (&config, &mut store), 10..20, YEAR_US);
        pass(&mut silences, (&config, &mut store), 20..30, -YEAR_US);
        assert!(store.open_silences().unwrap().is_empty());
        pass(&mut silences, (&config, &mut store), 30..32, -YEAR_US);
        assert_eq!(store.open_silences().unwrap().len(), 1);
        std::fs::remove_dir_all(&folder).unwrap();
    }

    /// The night shift begins at 13:00, an hour after the start.
    #[test]
    fn silence_counts_only_in_the_shifts_that_are_named() {
        let folder = folder("shifts");
        let config = config(&folder, "silent_in = [\"night\"]");
        let mut store = Store::open(&config.data_folder).unwrap();
        let mut silences = Silences::start(&config, &mut store, NOON, 0).unwrap();
        pass(&mut silences, (&config, &mut store), 0..85, 0);
        assert!(store.open_silences().unwrap().is_empty());
        pass(&mut silences, (&config, &mut store), 85..93, 0);
        assert_eq!(store.open_silences().unwrap().len(), 1);
        // What has passed before a start counts the same way.
        let feed = &config.feeds[0];
        let quiet = |from: i64, to: i64| {
            let (from, to) = (NOON + from * MINUTE_US, NOON + to * MINUTE_US);
            quiet_between(&config, feed, from, to) / MINUTE_MS
        };
        assert_eq!([quiet(0, 60), quiet(0, 70), quiet(65, 70)], [0, 10, 5]);
        assert_eq!(quiet(-3_000, 50), 30, "not counted further than the limit");
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
