//! Folders and files that are not what they should be: away, unmounted, forbidden, special.
//!
//! The one invariant: what one feed can not have holds up no other feed, and is taken up by itself
//! when it can be had.

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::process::Command;
use std::time::Duration;

use crate::kept::{ask_again, assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{Place, assert_same_rows, wait_until};
use crate::tools::{Mounted, open_files, rounds, status, tool, tracer};

const SET_ASIDE: &str = "SELECT count(*) FROM file WHERE verdict = 'quarantined'";

#[test]
fn without_watches_or_hints_the_folders_are_scanned_and_the_limit_is_named() {
    let config = quick_config();
    let files = &deliveries(141)[..30];
    let expected = undisturbed(&config, files);
    for injection in [
        "inotify_add_watch:error=ENOSPC",
        "inotify_init1:error=EMFILE",
    ] {
        let place = Place::new(&config);
        let wrapper = tracer(&[injection], &[]);
        let watching = place.watch_by(place.command_under(wrapper, &["watch"]));
        files.iter().for_each(|file| place.deliver(file));
        let all = expected.rows();
        wait_until("all rows", || place.rows() == all);
        let log = place.log();
        assert!(log.contains("fs.inotify.max_user_"), "{injection}: {log}");
        watching.stop();
        assert_whole(&place);
        assert_same_rows("counted", &expected.counted(), &place.counted());
    }
}

/// A running daemon may open nothing more, or hardly anything: no folder, no file, or no segment.
/// What lacks a folder or a file waits, and what lacks a segment pauses reading.
#[test]
fn too_few_open_files_cost_time_and_nothing_else() {
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 1");
    let files = &deliveries(142)[..40];
    let expected = undisturbed(&config, files);
    let (mut told, mut paused) = (0, Vec::new());
    for spare in 0..rounds(3, 12) {
        let place = Place::new(&config);
        files[..10].iter().for_each(|file| place.deliver(file));
        let mut watching = place.watch();
        wait_until("the first files", || place.rows() > 0);
        limit_open_files(watching.id(), open_files(watching.id()) + spare);
        files[10..].iter().for_each(|file| place.deliver(file));
        wait_until("the lack to be told, or all rows", || {
            place.log().contains("Too many open files") || place.rows() == expected.rows()
        });
        std::thread::sleep(Duration::from_secs(1));
        told += usize::from(place.log().contains("Too many open files"));
        assert!(watching.runs(), "{spare}: {}", place.log());
        limit_open_files(watching.id(), 1_024);
        wait_until("all rows", || place.rows() == expected.rows());
        watching.stop();
        assert_eq!(place.number(SET_ASIDE), 0, "{spare} to spare");
        if place.log().contains(PAUSED) {
            paused.push(spare);
        }
        assert_whole(&place);
        assert_same_rows("counted", &expected.counted(), &place.counted());
    }
    assert!(told > 0, "no daemon lacked an open file");
    println!("with so many to spare reading paused, and went on: {paused:?}");
}

/// What is said where reading pauses for a lack of open files.
const PAUSED: &str = "can open no more files: reading is paused and nothing is lost";

#[test]
fn a_segment_that_can_not_be_opened_pauses_reading_which_goes_on_alone() {
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 1");
    let files: Vec<_> = deliveries(145).into_iter().take(20).collect();
    let expected = undisturbed(&config, &files);
    let segment = archived_paste(&expected).remove(0);
    let (folder, _) = segment.rsplit_once('/').unwrap();
    let first = files.iter().find(|file| file.station == "paste").unwrap();
    let digest = blake3::hash(&first.content).to_hex();
    let name = format!("paste-l1-{}.part", &digest.as_str()[..16]);
    for error in ["EMFILE", "ENFILE"] {
        let place = Place::new(&config);
        let part = place
            .path("driftvane-data/archive")
            .join(folder)
            .join(&name);
        let wrapper = tracer(&[&format!("openat:error={error}")], &[&part]);
        let mut watching = place.watch_by(place.command_under(wrapper, &["watch"]));
        place.deliver(first);
        wait_until("reading to pause", || place.log().contains(PAUSED));
        // It is tried again, and no less in vain.
        std::thread::sleep(Duration::from_secs(5));
        assert!(watching.runs(), "{error}: {}", place.log());
        assert_eq!((place.files(), place.rows()), (0, 0), "{error}");
        let_go(watching.id());
        let rest = files
            .iter()
            .filter(|file| file.file_name != first.file_name);
        rest.for_each(|file| place.deliver(file));
        wait_until("all rows", || place.rows() == expected.rows());
        watching.stop();
        assert_eq!(place.log().matches("alert of the system: over").count(), 1);
        let ended = "SELECT count(*) FROM trouble WHERE kind = 'open-files' AND returned_at > 0";
        assert_eq!(place.number(ended), 1, "{error}");
        assert_eq!(place.number(SET_ASIDE), 0, "{error}");
        assert_whole(&place);
        assert_same_rows("counted", &expected.counted(), &place.counted());
    }
}

#[test]
fn an_earlier_content_that_can_not_be_opened_is_compared_later() {
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 20\nscan_seconds = 1");
    let place = Place::new(&config);
    let files: Vec<_> = deliveries(146).into_iter().take(20).collect();
    let expected = undisturbed(&config, &files);
    files.iter().for_each(|file| place.deliver(file));
    place.replay();
    let before = place.counted();
    // The same rows under another name and in another content.
    let again = files.iter().find(|file| file.station == "paste").unwrap();
    let copy = format!("paste/again-{}", again.file_name);
    place.write(&copy, [&again.content[..], b"\n"].concat());
    let archive = place.path("driftvane-data/archive");
    let segments = archived_paste(&place).into_iter();
    let segments: Vec<_> = segments.map(|path| archive.join(path)).collect();
    let paths: Vec<_> = segments.iter().map(std::path::PathBuf::as_path).collect();
    let wrapper = tracer(&["openat:error=EMFILE"], &paths);
    let mut watching = place.watch_by(place.command_under(wrapper, &["watch"]));
    wait_until("the lack to be told", || {
        place.log().contains("recorded rows can not be read yet")
    });
    assert!(watching.runs(), "{}", place.log());
    let known = format!(
        "SELECT count(*) FROM file WHERE path LIKE '%again-{}'",
        again.file_name
    );
    assert_eq!(place.number(&known), 0);
    let_go(watching.id());
    wait_until("the copy to be compared", || place.number(&known) == 1);
    watching.stop();
    let verdict = format!("{known} AND verdict = 'duplicate' AND rows_duplicate = rows_read");
    assert_eq!(place.number(&verdict), 1);
    place.assert_sound();
    assert_same_rows("counted", &before, &place.counted());
    assert_same_rows("counted", &expected.counted(), &place.counted());
}

/// Ends the tracer of a process, which goes on without it.
fn let_go(process: u32) {
    let tracer = status(process, "TracerPid").to_string();
    tool("kill", &["-KILL", &tracer]);
}

/// The segments of the paste station, below the archive.
fn archived_paste(place: &Place) -> Vec<String> {
    let record = place.record();
    let query = "SELECT path FROM segment WHERE path LIKE '%station=paste/%' ORDER BY path";
    let mut query = record.prepare(query).unwrap();
    let rows = query.query_map([], |row| row.get(0)).unwrap();
    rows.map(Result::unwrap).collect()
}

fn limit_open_files(process: u32, most: usize) {
    let process = process.to_string();
    tool(
        "prlimit",
        &["--pid", &process, &format!("--nofile={most}:")],
    );
}

#[test]
fn a_share_that_is_unmounted_holds_up_no_other_feed_and_is_taken_up_again() {
    let config = quick_config();
    let files = deliveries(143);
    let place = Place::new(&config);
    let share = Mounted::in_memory(place.path("paste"), 8 << 10);
    files[..20].iter().for_each(|file| place.deliver(file));
    let watching = place.watch();
    let all =
        |count: usize| undisturbed(&config, &files[..count]).number("SELECT sum(rows) FROM unit");
    let first = all(20);
    wait_until("the first rows", || place.rows() == first);
    drop(share);
    // The others go on; what the station writes meanwhile is on the share when it is back.
    let (away, others): (Vec<_>, Vec<_>) =
        files[20..40].iter().partition(|one| one.station == "paste");
    others.iter().for_each(|file| place.deliver(file));
    let expected = undisturbed(&config, &files[..40]);
    let of_others = |place: &Place| {
        place.number("SELECT coalesce(sum(rows), 0) FROM unit WHERE feed <> 'paste-l1'")
    };
    let wanted = of_others(&expected);
    wait_until("the rows of the others", || of_others(&place) == wanted);
    let share = Mounted::in_memory(place.path("paste"), 8 << 10);
    away.iter().for_each(|file| place.deliver(file));
    let all = expected.rows();
    wait_until("the rows of the share", || place.rows() == all);
    watching.stop();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    drop(share);
}

#[test]
fn a_forbidden_file_or_folder_holds_up_no_other_and_is_taken_up_when_allowed() {
    let config = quick_config();
    let files = &deliveries(144)[..30];
    let place = Place::new(&config);
    files.iter().for_each(|file| place.deliver(file));
    let forbidden = files.iter().find(|file| file.station == "paste").unwrap();
    let forbidden = place.path("paste").join(&forbidden.file_name);
    let allow = |path: &std::path::Path, mode: u32| {
        fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    };
    // Root may read everything, so the daemon runs as someone else.
    tool(
        "chown",
        &["-R", "65534:65534", &place.folder.to_string_lossy()],
    );
    allow(&forbidden, 0);
    allow(&place.path("optical"), 0);
    let mut wrapper = Command::new("setpriv");
    wrapper.args(["--reuid=65534", "--regid=65534", "--clear-groups", "--"]);
    let watching = place.watch_by(place.command_under(wrapper, &["watch"]));
    let expected = undisturbed(&config, files);
    let all = expected.rows();
    wait_until("both to be told", || {
        let log = place.log();
        let set_aside = "SELECT count(*) FROM file WHERE code = 'F015'";
        log.contains("waiting for the folder") && place.rows() > 0 && place.number(set_aside) == 1
    });
    allow(&forbidden, 0o644);
    allow(&place.path("optical"), 0o755);
    ask_again(&place);
    wait_until("all rows", || place.rows() == all);
    watching.stop();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
}

/// A read of a pipe waits for ever, one of a device never ends, a link may lead anywhere.
#[test]
fn links_pipes_devices_and_folders_are_neither_followed_nor_opened() {
    let config = quick_config();
    let files = &deliveries(145)[..20];
    let place = Place::new(&config);
    let outside = files.iter().find(|file| file.station == "paste").unwrap();
    place.write(
        "outside.csv",
        String::from_utf8_lossy(&outside.content).replace("P0", "P7"),
    );
    let special = |name: &str| place.path("paste").join(name);
    symlink(place.path("outside.csv"), special("P000901_x.csv")).unwrap();
    symlink("P000902_x.csv", special("P000902_x.csv")).unwrap();
    symlink("/etc/passwd", special("P000903_x.csv")).unwrap();
    fs::create_dir(special("P000904_x.csv")).unwrap();
    symlink("../paste", special("P000904_x.csv/loop.csv")).unwrap();
    tool("mkfifo", &[&special("P000905_x.csv").to_string_lossy()]);
    tool(
        "mknod",
        &[&special("P000906_x.csv").to_string_lossy(), "c", "1", "5"],
    );
    let _socket = std::os::unix::net::UnixListener::bind(special("P000907_x.csv")).unwrap();
    files.iter().for_each(|file| place.deliver(file));
    let watching = place.watch();
    let expected = undisturbed(&config, files);
    let all = expected.rows();
    wait_until("all rows", || place.rows() == all);
    watching.stop();
    place.replay();
    let taken = "SELECT count(*) FROM file WHERE path LIKE '%P0009%'";
    assert_eq!(place.number(taken), 0);
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
}
