//! A page over a small record whose texts are hostile on purpose. The plant is invented.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

use jiff::Timestamp;
use tokio::sync::watch;

use crate::config::Serve;
use crate::ingest::Ingest;
use crate::serve::Page;
use crate::serve::access::{Access, Role, entry};
use crate::store::{Failure, Reader};
use crate::words::Severity;

/// What an inspection file could carry into a text, safe to stand in TOML and CSV.
pub(super) const HOSTILE: &str =
    "<img src=x onerror=alert(1)>'&lt;</title><script>alert(2)</script>";

/// The headers that every response has, by what their value holds.
pub(super) const HEADERS: [(&str, &str); 6] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
];

/// A record with hostile texts in it, and its page; gone when dropped.
pub(super) struct Site {
    folder: PathBuf,
    pub(super) page: Arc<Page>,
    pub(super) changes: watch::Sender<u64>,
}

impl Drop for Site {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.folder).ok();
    }
}

fn config_text() -> String {
    format!(
        "[plant]\nname = \"{HOSTILE}\"\ntime_zone = \"UTC\"\nlateness_minutes = 0\n\
         [[shift]]\nname = \"{HOSTILE}\"\nstarts = \"00:00\"\n\
         [[feed]]\nname = \"{HOSTILE}\"\nline = \"{HOSTILE}\"\nstation = \"paste\"\n\
         folder = \"files\"\ntime = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
         measure = [{{ name = \"height\", column = \"Height\", unit = \"{HOSTILE}\" }}]\n\
         [feed.roles]\npanel = \"Panel\"\nfamily = \"Family\"\n\
         [[characteristic]]\nname = \"{HOSTILE}\"\nstation = \"paste\"\nmeasure = \"height\"\n\
         group_by = [\"family\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\nbaseline = 10\n\
         reaction_plan = \"{HOSTILE}\"\n\
         [[alerts.channel]]\nname = \"hub\"\nkind = \"webhook\"\nurl = \"http://hub/\"\n"
    )
}

fn write_files(folder: &Path) {
    let files = folder.join("files");
    std::fs::create_dir_all(&files).unwrap();
    let mut text = "At,Panel,Family,Height\n".to_owned();
    for panel in 0..30 {
        let height = 100 + panel % 4 + if panel == 27 { 60 } else { 0 };
        text.push_str(&format!(
            "2026-03-02T06:{panel:02}:00Z,{HOSTILE}{panel},{HOSTILE},{height}\n"
        ));
        // A family of its own that has no limits yet.
        if panel < 3 {
            text.push_str(&format!(
                "2026-03-02T06:{panel:02}:00Z,P{panel},few,{height}\n"
            ));
        }
    }
    text.push_str(&format!("{HOSTILE},P,F,1\n"));
    std::fs::write(files.join("<img src=x onerror=alert(1)>.csv"), text).unwrap();
    std::fs::write(files.join("<b>wrong.csv"), format!("{HOSTILE};x\n1;2\n")).unwrap();
}

/// Has a notice wait for a channel that fails.
fn fail_to_send(reader: &Reader) {
    let news = reader.untold(10).unwrap();
    let config = crate::config::read::read(&config_text(), Path::new("/")).unwrap();
    let notices = crate::alerts::compose::compose(&config, reader, &news).unwrap();
    let notices: Vec<_> = notices.into_iter().map(|notice| (notice, None)).collect();
    reader.enlist("hub", "webhook", 0).unwrap();
    reader
        .tell(&notices, news.last().unwrap().event, 0)
        .unwrap();
    reader.route("hub", 0, |_| true).unwrap();
    let due = reader.due("hub", (0, 0), Severity::Low, 1).unwrap();
    let failure = Failure {
        now: 0,
        notice_at: 0,
        channel_at: 60_000_000,
        problem: HOSTILE,
        fix: HOSTILE,
    };
    reader.failed("hub", &due[0], failure).unwrap();
}

/// A page; with tokens, or for everyone to look at.
pub(super) fn site(tokens: bool) -> Site {
    site_of(tokens, "")
}

/// A page, with more in its configuration.
pub(super) fn site_of(tokens: bool, more: &str) -> Site {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let folder =
        std::env::temp_dir().join(format!("driftvane-page-{}-{number}", std::process::id()));
    write_files(&folder);
    let config = Arc::new(crate::config::read::read(&(config_text() + more), &folder).unwrap());
    let mut ingest = Ingest::open(Arc::clone(&config), 1).unwrap();
    let outcome = crate::run::replay(&mut ingest, &[], &mut |_, _, _| {}).unwrap();
    assert_eq!((outcome.accepted, outcome.quarantined), (1, 1));
    fail_to_send(&Reader::open(&config.data_folder).unwrap());
    let access = if tokens {
        let path = folder.join("tokens.toml");
        let text = entry("desk", Role::Operate, None, "operator")
            + &entry("wall", Role::View, None, "viewer")
            + &entry("office", Role::Approve, None, "approver")
            + &entry("guest", Role::Approve, Some(Timestamp::UNIX_EPOCH), "ended");
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        Access::read(Some(&path)).unwrap()
    } else {
        Access::open()
    };
    let settings = Serve {
        listen: "127.0.0.1:0".parse().unwrap(),
        tokens: None,
        allowed_hosts: vec!["spc.example".to_owned()],
    };
    let (changes, changed) = watch::channel(0);
    let page = Page::new(
        config,
        &settings,
        Arc::new(access),
        (changed, Arc::default()),
    )
    .unwrap();
    Site {
        folder,
        page: Arc::new(page),
        changes,
    }
}
