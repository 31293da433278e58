//! A backup is whole, of one moment, and comes back as it was; anything else is refused.

use std::fs;
use std::path::PathBuf;

use crate::place::{
    Place, assert_same_charts, assert_same_rows, small_config, wait_until, whole_files,
};

fn fed(count: usize) -> Place {
    let place = Place::new(&small_config(60));
    whole_files(61, count)
        .iter()
        .for_each(|file| place.deliver(file));
    place.replay();
    place
}

fn backup(place: &Place, name: &str) -> PathBuf {
    let folder = place.path(name);
    let said = place.ok(&["backup", &folder.to_string_lossy()]);
    assert!(said.contains("is a backup of"), "{said}");
    folder
}

/// A place of the same plant that has read nothing.
fn fresh() -> Place {
    Place::new(&small_config(60))
}

#[test]
fn a_backup_comes_back_as_it_was_and_reading_goes_on_from_there() {
    let place = fed(60);
    let stream = place.streams().remove(0);
    let who = ["--by", "J. Novak", "--reason", "new stencil"];
    place.ok(&[&["limits", "restart", &stream][..], &who].concat());
    let folder = backup(&place, "backup");
    let back = fresh();
    let said = back.ok(&["restore", &folder.to_string_lossy()]);
    assert!(said.contains("holds what was backed up"), "{said}");
    back.assert_sound();
    assert_same_charts(&place.charts(), &back.charts());
    assert_same_rows("alerts", &place.alerts(), &back.alerts());
    let trail = "SELECT * FROM chain ORDER BY seq";
    assert_eq!(place.table(trail), back.table(trail));
    // What was read before is known; what comes then counts.
    let files = whole_files(61, 80);
    files.iter().for_each(|file| back.deliver(file));
    let totals = back.replay();
    assert_eq!(totals["accepted"], 20, "{totals}");
    assert_eq!(totals["duplicate"], 60, "{totals}");
    back.assert_sound();
    back.assert_rows_add_up();
}

#[test]
fn a_backup_beside_a_running_daemon_is_of_one_moment() {
    let place = Place::new(&small_config(60).replace("settle_ms = 200", "settle_ms = 10"));
    let files = whole_files(62, 110);
    let daemon = place.watch();
    let mut taken = Vec::new();
    for part in files.chunks(22) {
        part.iter().for_each(|file| place.deliver(file));
        wait_until("some file to be read", || place.files() > 0);
        taken.push(backup(&place, &format!("backup-{}", taken.len())));
    }
    daemon.stop();
    for folder in taken {
        let back = fresh();
        back.ok(&["restore", &folder.to_string_lossy()]);
        back.assert_sound();
        files.iter().for_each(|file| back.deliver(file));
        back.replay();
        assert_eq!(back.number("SELECT count(DISTINCT hash) FROM file"), 110);
        back.assert_sound();
        back.assert_rows_add_up();
    }
}

#[test]
fn what_is_not_whole_or_not_empty_is_refused_and_nothing_is_touched() {
    let place = fed(60);
    let folder = backup(&place, "backup");
    let name = folder.to_string_lossy();
    for (command, path) in [("backup", &*name), ("restore", &*name)] {
        let answer = place.run(&[command, path]);
        assert_eq!(answer.code, Some(1), "{}", answer.err);
        assert!(
            answer.err.contains("is not empty; nothing is overwritten"),
            "{}",
            answer.err
        );
    }
    let refused = |words: &str| {
        let back = fresh();
        let answer = back.run(&["restore", &name]);
        assert_eq!(answer.code, Some(1), "{words}: {}", answer.err);
        assert!(answer.err.contains(words), "{words}: {}", answer.err);
        assert!(!back.path("driftvane-data").exists(), "{words}");
    };
    let spoil = |path: PathBuf, words: &str| {
        let whole = fs::read(&path).unwrap();
        let mut spoilt = whole.clone();
        let middle = spoilt.len() / 2;
        spoilt[middle] ^= 4;
        fs::write(&path, spoilt).unwrap();
        refused(words);
        fs::remove_file(&path).unwrap();
        refused(if words.contains("archive") { words } else { "" });
        fs::write(&path, whole).unwrap();
    };
    spoil(folder.join("driftvane.sqlite"), "its bytes are not those");
    let segment = place.table("SELECT path FROM segment ORDER BY path LIMIT 1");
    let segment = segment[0].split('"').nth(1).unwrap();
    spoil(folder.join("archive").join(segment), "check 'archive'");
    // As an interrupted one is left: its list is written last.
    let list = folder.join("driftvane-backup.json");
    fs::rename(&list, list.with_extension("away")).unwrap();
    refused("it is no backup, or not a whole one");
    fs::rename(list.with_extension("away"), &list).unwrap();
    let before = fs::read(folder.join("driftvane.sqlite")).unwrap();
    fresh().ok(&["restore", &name]);
    assert_eq!(fs::read(folder.join("driftvane.sqlite")).unwrap(), before);
    let left: Vec<_> = fs::read_dir(&folder).unwrap().collect();
    assert_eq!(left.len(), 3, "nothing is left beside a backup: {left:?}");
}

#[test]
fn a_segment_that_is_damaged_is_not_backed_up_as_if_it_were_sound() {
    let place = fed(60);
    let segment = place.table("SELECT path FROM segment ORDER BY path LIMIT 1");
    let segment = segment[0].split('"').nth(1).unwrap();
    let path = place.path("driftvane-data/archive").join(segment);
    let mut bytes = fs::read(&path).unwrap();
    bytes[40] ^= 1;
    fs::write(&path, bytes).unwrap();
    let folder = place.path("backup");
    let answer = place.run(&["backup", &folder.to_string_lossy()]);
    assert_eq!(answer.code, Some(1), "{}", answer.out);
    assert!(
        answer.err.contains("run `driftvane verify`"),
        "{}",
        answer.err
    );
    assert!(!folder.join("driftvane-backup.json").exists());
}
