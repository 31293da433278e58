//! Hints that something happened in a feed's folder.
//!
//! Knows no file. The invariant: a hint only says "scan this feed soon"; losing one costs time
//! until the next regular scan and nothing else. At most one hint a feed waits.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use notify::{ErrorKind, Event, EventKind, RecommendedWatcher, RecursiveMode, Watcher};
use tokio::sync::mpsc;

use crate::block::FeedIndex;
use crate::config::Feed;

/// Listens for hints.
pub struct Watch {
    watcher: Option<RecommendedWatcher>,
    shared: Arc<Shared>,
    hints: mpsc::Receiver<FeedIndex>,
    folders: Vec<Folder>,
}

struct Folder {
    path: PathBuf,
    polls: bool,
    is_watched: bool,
}

/// What the watcher's thread and the receiver share.
struct Shared {
    folders: Vec<PathBuf>,
    /// Whether a hint for the feed waits already.
    waiting: Vec<AtomicBool>,
    sender: mpsc::Sender<FeedIndex>,
    /// How often the system has said that it lost events.
    lost: AtomicU64,
}

/// Why a folder gives no hints; it is scanned all the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Deaf {
    /// The feed.
    pub feed: FeedIndex,
    /// What is wrong and what to do.
    pub reason: String,
}

impl Shared {
    fn hint(&self, feed: FeedIndex) {
        let Some(waiting) = self.waiting.get(feed) else {
            return;
        };
        if waiting.swap(true, Ordering::AcqRel) {
            return;
        }
        // The channel has a place for every feed, so only a receiver that is gone refuses.
        if self.sender.try_send(feed).is_err() {
            waiting.store(false, Ordering::Release);
        }
    }

    fn take(&self, event: notify::Result<Event>) {
        let is_known = |event: &Event| !event.need_rescan() && !event.paths.is_empty();
        match event {
            Ok(event) if matches!(event.kind, EventKind::Access(_)) && is_known(&event) => {
                // Reading a file is no news; closing it after writing is.
                if event.kind.is_access() && is_closed_after_writing(&event.kind) {
                    self.hint_paths(&event);
                }
            }
            Ok(event) if is_known(&event) => self.hint_paths(&event),
            // Events were lost: every folder may have changed.
            Ok(_) | Err(_) => {
                self.lost.fetch_add(1, Ordering::Relaxed);
                (0..self.folders.len()).for_each(|feed| self.hint(feed));
            }
        }
    }

    fn hint_paths(&self, event: &Event) {
        for (feed, folder) in self.folders.iter().enumerate() {
            let is_in = |path: &PathBuf| path == folder || path.parent() == Some(folder);
            if event.paths.iter().any(is_in) {
                self.hint(feed);
            }
        }
    }
}

fn is_closed_after_writing(kind: &EventKind) -> bool {
    use notify::event::{AccessKind, AccessMode};
    matches!(
        kind,
        EventKind::Access(AccessKind::Close(AccessMode::Write))
    )
}

impl Watch {
    /// Starts to listen for the feeds that do not poll. What cannot be listened to is returned;
    /// it is found by scanning.
    #[must_use]
    pub fn start(feeds: &[Feed]) -> (Watch, Vec<Deaf>) {
        let (sender, hints) = mpsc::channel(feeds.len().max(1));
        let shared = Arc::new(Shared {
            folders: feeds.iter().map(|feed| feed.folder.clone()).collect(),
            waiting: feeds.iter().map(|_| AtomicBool::new(false)).collect(),
            sender,
            lost: AtomicU64::new(0),
        });
        let listener = Arc::clone(&shared);
        let watcher = notify::recommended_watcher(move |event| listener.take(event));
        let folder = |feed: &Feed| Folder {
            path: feed.folder.clone(),
            polls: feed.poll,
            is_watched: false,
        };
        let folders = feeds.iter().map(folder).collect();
        let mut deaf = Vec::new();
        let watcher = match watcher {
            Ok(watcher) => Some(watcher),
            Err(error) => {
                let reason = explain(&error);
                deaf.extend((0..feeds.len()).map(|feed| Deaf {
                    feed,
                    reason: reason.clone(),
                }));
                None
            }
        };
        let mut watch = Watch {
            watcher,
            shared,
            hints,
            folders,
        };
        deaf.extend((0..feeds.len()).filter_map(|feed| watch.listen(feed)));
        (watch, deaf)
    }

    /// Listens to a feed's folder if that is wanted and not done yet: for folders that appear
    /// later. Returns why it cannot.
    pub fn listen(&mut self, feed: FeedIndex) -> Option<Deaf> {
        let watcher = self.watcher.as_mut()?;
        let folder = self.folders.get_mut(feed)?;
        if folder.polls || folder.is_watched {
            return None;
        }
        match watcher.watch(&folder.path, RecursiveMode::NonRecursive) {
            Ok(()) => {
                folder.is_watched = true;
                None
            }
            Err(error) => {
                let reason = format!("{}: {}", folder.path.display(), explain(&error));
                Some(Deaf { feed, reason })
            }
        }
    }

    /// Forgets that a folder is listened to: after a scan found it gone, so that
    /// [`Watch::listen`] takes it up again.
    pub fn lost(&mut self, feed: FeedIndex) {
        let Some(folder) = self.folders.get_mut(feed) else {
            return;
        };
        if folder.is_watched
            && let Some(watcher) = self.watcher.as_mut()
            && let Err(error) = watcher.unwatch(&folder.path)
        {
            tracing::debug!(folder = %folder.path.display(), %error, "was not watched any more");
        }
        folder.is_watched = false;
    }

    /// The next feed to scan. Waits for ever where nothing gives hints.
    pub async fn next(&mut self) -> FeedIndex {
        match self.hints.recv().await {
            Some(feed) => {
                // Cleared before the caller scans: what happens from now on is a new hint.
                self.shared.waiting[feed].store(false, Ordering::Release);
                feed
            }
            None => std::future::pending().await,
        }
    }

    /// How often the system has lost events so far.
    #[must_use]
    pub fn lost_events(&self) -> u64 {
        self.shared.lost.load(Ordering::Relaxed)
    }

    /// Asks for a scan of a feed.
    pub fn hint(&self, feed: FeedIndex) {
        self.shared.hint(feed);
    }
}

fn explain(error: &notify::Error) -> String {
    let limit = "the system's limit of watches is reached; raise fs.inotify.max_user_watches \
                 and fs.inotify.max_user_instances. Until then the folder is only scanned";
    match &error.kind {
        ErrorKind::MaxFilesWatch => limit.to_owned(),
        // ENOSPC and EMFILE are what inotify says at its limits.
        ErrorKind::Io(io) if matches!(io.raw_os_error(), Some(28 | 24)) => limit.to_owned(),
        ErrorKind::PathNotFound => "the folder is not there; it is looked for again".to_owned(),
        _ => format!("cannot listen for changes ({error}); the folder is only scanned"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    /// The next hint, or none within a generous time.
    fn next(watch: &mut Watch, wait: Duration) -> Option<FeedIndex> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .unwrap();
        runtime.block_on(async { tokio::time::timeout(wait, watch.next()).await.ok() })
    }

    #[test]
    fn a_written_file_hints_its_feed_and_a_missing_folder_is_taken_up_later() {
        let folder = std::env::temp_dir().join(format!("driftvane-{}-watch", std::process::id()));
        std::fs::create_dir_all(folder.join("one")).unwrap();
        let feeds = ["one", "two"].map(|name| crate::feeds::tests::feed_in(&folder.join(name)));
        let (mut watch, deaf) = Watch::start(&feeds);
        assert_eq!(deaf.iter().map(|deaf| deaf.feed).collect::<Vec<_>>(), [1]);
        std::fs::write(folder.join("one/a.csv"), "x").unwrap();
        assert_eq!(next(&mut watch, Duration::from_secs(20)), Some(0));
        std::fs::create_dir_all(folder.join("two")).unwrap();
        assert_eq!(watch.listen(1), None);
        std::fs::write(folder.join("two/a.csv"), "x").unwrap();
        let mut hints = std::iter::from_fn(|| next(&mut watch, Duration::from_secs(20)));
        assert!(hints.any(|feed| feed == 1));
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn lost_events_hint_every_feed_and_hints_do_not_pile_up() {
        let mut feeds = ["one", "two"].map(|name| crate::feeds::tests::feed_in(name.as_ref()));
        feeds.iter_mut().for_each(|feed| feed.poll = true);
        let (mut watch, deaf) = Watch::start(&feeds);
        assert!(deaf.is_empty(), "polled feeds need no watch: {deaf:?}");
        let rescan = || Ok(Event::new(EventKind::Other).set_flag(notify::event::Flag::Rescan));
        for _ in 0..1000 {
            watch.shared.take(rescan());
        }
        let wait = Duration::from_millis(1);
        let hints: Vec<FeedIndex> = std::iter::from_fn(|| next(&mut watch, wait)).collect();
        assert_eq!(hints, [0, 1]);
        assert_eq!(watch.lost_events(), 1000);
        watch.hint(1);
        assert_eq!(next(&mut watch, wait), Some(1));
    }

    #[test]
    fn the_limit_of_watches_is_named() {
        let io = std::io::Error::from_raw_os_error(28);
        let reason = explain(&notify::Error::io(io));
        assert!(reason.contains("fs.inotify.max_user_watches"), "{reason}");
    }
}
