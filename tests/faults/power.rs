//! The power goes: what the block device holds is what is left.
//!
//! The record and the alert file lie on a file system in an image. After a kill the image is
//! copied, so that everything that the program did not have synced is lost, and the copy is
//! mounted. Torn or reordered writes of the device itself are not made. The one invariant: what
//! anyone could have seen before the cut is there after it.

use std::fs;
use std::path::Path;
use std::time::Duration;

use crate::kept::{
    assert_same, assert_whole, deliveries, news, quick_config, said, sent, undisturbed,
};
use crate::place::{Chance, Place, assert_same_charts, assert_same_rows, wait_until};
use crate::tools::{Mounted, rounds, tool};

/// What a reader of the record sees: files that count, and news that have left.
fn shown(place: &Place) -> (Vec<String>, Vec<String>) {
    let files = "SELECT feed, path, hash, from_byte, to_byte, verdict, rows_used FROM file
        ORDER BY id";
    (place.table(files), sent(place))
}

fn image(path: &Path) {
    fs::File::create(path).unwrap().set_len(96 << 20).unwrap();
    tool("mkfs.ext4", &["-q", "-F", &path.to_string_lossy()]);
}

/// Takes what the device holds for the new device.
fn cut_power(place: &Place, mounted: Mounted) -> Mounted {
    let (image, copy) = (place.path("image"), place.path("image.cut"));
    let (from, to) = (image.to_string_lossy(), copy.to_string_lossy());
    tool("cp", &["--sparse=always", &from, &to]);
    let folder = mounted.folder.clone();
    drop(mounted);
    fs::rename(&copy, &image).unwrap();
    Mounted::of_image(&image, folder)
}

/// A place whose record and alert file lie on a disk of their own.
fn on_a_disk() -> (Place, Mounted) {
    let config = quick_config();
    let on_disk = config.replace("\"alerts.jsonl\"", "\"driftvane-data/alerts.jsonl\"");
    assert_ne!(config, on_disk);
    let place = Place::new(&on_disk);
    image(&place.path("image"));
    let disk = Mounted::of_image(&place.path("image"), place.path("driftvane-data"));
    // Where the tests look for it.
    std::os::unix::fs::symlink("driftvane-data/alerts.jsonl", place.path("alerts.jsonl")).unwrap();
    (place, disk)
}

#[test]
fn a_power_cut_loses_nothing_that_was_shown() {
    let (place, mut disk) = on_a_disk();
    let files = deliveries(84);
    let mut chance = Chance::new(3);
    let cuts = rounds(5, 60);
    let (mut left, mut known) = (files.as_slice(), 0);
    for cut in 0..cuts {
        let (now, later) = left.split_at(left.len() / (cuts - cut));
        left = later;
        let mut watching = place.watch();
        now.iter().for_each(|file| place.deliver(file));
        wait_until("the daemon to be at work", || {
            place.log().matches("watching").count() > cut
        });
        std::thread::sleep(Duration::from_millis(chance.below(1_200) as u64));
        let (acknowledged, told) = shown(&place);
        watching.kill();
        disk = cut_power(&place, disk);
        let what = format!("cut {cut}, {} files shown", acknowledged.len());
        place.assert_sound();
        let (after, _) = shown(&place);
        assert!(after.starts_with(&acknowledged), "{what}: {}", after.len());
        let lines = news(&place);
        let lost = told.iter().find(|event| !lines.contains(event));
        assert!(lost.is_none(), "{what}: the alert file has lost {lost:?}");
        known += acknowledged.len();
    }
    println!("{cuts} power cuts, {known} times a file had been shown, none was lost");
    assert!(known > 0, "no cut came after anything was shown");
    place.replay();
    assert_whole(&place);
    let expected = undisturbed(&quick_config(), &files);
    assert_same_charts(&expected.charts(), &place.charts());
    assert_same_rows("alerts", &expected.alerts(), &place.alerts());
    drop(disk);
}

/// Commits one after another, each cut right after it was said to be done.
#[test]
fn a_power_cut_right_after_a_replay_loses_nothing_of_it() {
    let (place, mut disk) = on_a_disk();
    let files = deliveries(85);
    for part in files[..60].chunks(60 / rounds(3, 20)) {
        part.iter().for_each(|file| place.deliver(file));
        place.replay();
        let before = said(&place);
        let report = place.ok(&["report", "shift"]);
        let page = fs::read(report.trim()).unwrap();
        disk = cut_power(&place, disk);
        assert_same("after the cut", &before, &said(&place));
        assert!(
            fs::read(report.trim()).unwrap() == page,
            "the report is another one"
        );
        place.assert_sound();
    }
    drop(disk);
}
