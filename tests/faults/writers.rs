//! Stations that write as they please: slowly, again, over what was there, under changing names.
//!
//! The one invariant: a file counts as it was when it rested, each content once.

use std::fs;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use driftvane::clock::Monotonic;
use driftvane::plant::Delivery;

use crate::kept::{assert_whole, quick_config};
use crate::place::{Chance, Place, Watching, small_config, small_plant, wait_until};
use crate::tools::{computed_ms, is_long, rounds};

/// Panels of paste inspection, 256 deposits each.
fn panels(seed: u64, count: u32) -> Vec<Delivery> {
    small_plant()
        .paste_files(seed, count, 256)
        .unwrap()
        .collect()
}

fn lines(file: &Delivery) -> Vec<String> {
    let text = String::from_utf8(file.content.clone()).unwrap();
    text.lines().map(|line| format!("{line}\n")).collect()
}

/// A daemon that is at work in a place.
fn at_work(place: &Place) -> Watching {
    let watching = place.watch();
    wait_until("the daemon to be at work", || {
        place.log().contains("watching")
    });
    watching
}

#[test]
fn a_file_that_is_being_written_waits_until_it_rests_and_then_counts_whole() {
    let settle_ms = 1_500;
    let place = Place::new(&small_config(60).replace("settle_ms = 200", "settle_ms = 1500"));
    let file = &panels(91, 1)[0];
    let lines = lines(file);
    let name = format!("paste/{}", file.file_name);
    let watching = at_work(&place);
    let (clock, mut last_ms, mut longest_ms) = (Monotonic::start(), 0, 0);
    place.write(&name, &lines[0]);
    for line in &lines[1..50] {
        std::thread::sleep(Duration::from_millis(50));
        place.append(&name, line.as_bytes());
        longest_ms = longest_ms.max(clock.ms() - last_ms);
        last_ms = clock.ms();
    }
    // A computer that stood still meanwhile let the file rest.
    let early = place.rows();
    let is_undisturbed = longest_ms < settle_ms && clock.ms() - last_ms < settle_ms;
    assert!(
        early == 0 || !is_undisturbed,
        "{early} rows of a file that was being written"
    );
    println!("written with pauses of at most {longest_ms} ms, {early} rows counted meanwhile");
    // A pause longer than the rest that the feed asks for: what stands there counts.
    wait_until("the rows so far", || place.rows() == 49);
    for line in &lines[50..] {
        place.append(&name, line.as_bytes());
    }
    wait_until("all rows", || place.rows() == 256);
    assert_eq!(place.number("SELECT sum(rows_used) FROM file"), 256);
    watching.stop();
    assert_whole(&place);
}

#[test]
fn of_a_file_that_was_added_to_only_the_new_rows_count() {
    let place = Place::new(&small_config(60));
    let file = &panels(92, 1)[0];
    let lines = lines(file);
    let name = format!("paste/{}", file.file_name);
    let mut chance = Chance::new(92);
    let mut written = 1;
    place.write(&name, &lines[0]);
    while written < lines.len() {
        let more = (1 + chance.below(60)).min(lines.len() - written);
        place.append(&name, lines[written..written + more].concat().as_bytes());
        written += more;
        assert_eq!(place.replay()["rows"], more);
        let touched = fs::File::options()
            .append(true)
            .open(place.path(&name))
            .unwrap();
        let at = touched.metadata().unwrap().modified().unwrap() + Duration::from_secs(2);
        touched.set_modified(at).unwrap();
        assert_eq!(place.replay()["rows"], 0);
    }
    assert_eq!(place.number("SELECT sum(rows) FROM unit"), 256);
    assert_whole(&place);
}

/// Two panels take turns under one name, about a thousand times a second.
#[test]
fn a_file_replaced_while_it_is_read_counts_as_one_of_both_and_never_as_a_mix() {
    let place = Place::new(&small_config(60).replace("settle_ms = 200", "settle_ms = 0"));
    let files = panels(93, 8);
    for (number, file) in files.iter().enumerate() {
        place.write(&format!("away/{number}"), &file.content);
    }
    let watching = at_work(&place);
    let mut chance = Chance::new(93);
    let (clock, mut renames) = (Monotonic::start(), 0);
    while clock.ms() < rounds(3_000, 30_000) as u64 {
        let number = chance.below(files.len());
        let (from, next) = (
            place.path(&format!("away/{number}")),
            place.path("paste/P_new.part"),
        );
        fs::copy(from, &next).unwrap();
        fs::rename(&next, place.path("paste/P_newest.csv")).unwrap();
        std::thread::sleep(Duration::from_micros(500));
        renames += 1;
    }
    watching.stop();
    place.replay();
    let counted = place.number("SELECT count(*) FROM file WHERE verdict = 'accepted'");
    let seen = place.number("SELECT count(*) FROM file");
    println!("{renames} renames, {seen} times a version was read, {counted} contents count");
    // Four boards a panel and 64 deposits a board: all of a panel or nothing.
    assert_eq!(
        place.number("SELECT count(*) FROM unit WHERE rows <> 64"),
        0
    );
    let units = place.number("SELECT count(*) FROM unit");
    assert!(
        counted >= 1 && units == 4 * counted,
        "{units} boards of {counted} panels"
    );
    assert_eq!(
        place.number("SELECT count(*) FROM file WHERE verdict = 'quarantined'"),
        0
    );
    assert_whole(&place);
}

/// The same by writers that cut the file and write it anew.
#[test]
fn a_file_written_over_in_place_ends_as_its_last_content() {
    let place = Place::new(&small_config(60).replace("settle_ms = 200", "settle_ms = 300"));
    let files = panels(94, 6);
    let watching = at_work(&place);
    let mut chance = Chance::new(94);
    for file in &files {
        for part in 0..=chance.below(3) {
            let len = file.content.len();
            let end = if part == 0 { len } else { chance.below(len) };
            place.write("paste/P_newest.csv", &file.content[..end]);
        }
        place.write("paste/P_newest.csv", &file.content);
        let unit = file.file_name.split('_').next().unwrap();
        let whole = format!("SELECT coalesce(sum(rows), 0) FROM unit WHERE unit LIKE '{unit}%'");
        wait_until(unit, || place.rows() > 0 && place.number(&whole) == 256);
    }
    watching.stop();
    assert_eq!(place.number("SELECT sum(rows) FROM unit"), 6 * 256);
    assert_whole(&place);
}

/// Files change names, leave and come back while the daemon looks for them.
#[test]
fn a_storm_of_renames_and_removals_counts_each_content_once() {
    let config = quick_config().replace("settle_ms = 20", "settle_ms = 0");
    let place = Place::new(&config);
    let files = panels(95, 12);
    let watching = at_work(&place);
    let before_ms = computed_ms(watching.id());
    let over = AtomicBool::new(false);
    let lasts_ms = if is_long() { 30_000 } else { 3_000 };
    let clock = Monotonic::start();
    let moves: usize = std::thread::scope(|scope| {
        let storms = [1u64, 2].map(|half| {
            let (place, files, over) = (&place, &files, &over);
            scope.spawn(move || storm(place, files, half, over))
        });
        while clock.ms() < lasts_ms {
            std::thread::sleep(Duration::from_millis(50));
        }
        over.store(true, Ordering::Relaxed);
        storms.into_iter().map(|storm| storm.join().unwrap()).sum()
    });
    let computed_ms = computed_ms(watching.id()) - before_ms;
    println!(
        "{moves} renames in {} ms, while the daemon computed for {computed_ms} ms",
        clock.ms()
    );
    wait_until("all rows", || place.rows() == 12 * 256);
    watching.stop();
    assert_eq!(place.replay()["rows"], 0);
    let counted = "SELECT count(*) FROM file WHERE verdict = 'accepted'";
    assert_eq!(place.number(counted), 12);
    assert_eq!(
        place.number("SELECT count(*) FROM unit WHERE rows <> 64"),
        0
    );
    assert_whole(&place);
}

/// Half of the files under changing names, in and out of the folder; all there at the end.
fn storm(place: &Place, files: &[Delivery], half: u64, over: &AtomicBool) -> usize {
    let mut chance = Chance::new(950 + half);
    let mine: Vec<usize> = (0..files.len())
        .filter(|n| *n as u64 % 2 == half % 2)
        .collect();
    let name = |file: usize, number: usize| match number {
        0 => place.path(&format!("away-{file}")),
        _ => place.path(&format!("paste/P9{file:05}_{number}.csv")),
    };
    let mut at = vec![0; files.len()];
    for file in &mine {
        fs::write(name(*file, 0), &files[*file].content).unwrap();
    }
    let mut moves = 0;
    while !over.load(Ordering::Relaxed) {
        let file = mine[chance.below(mine.len())];
        let next = chance.below(4);
        fs::rename(name(file, at[file]), name(file, next)).unwrap();
        at[file] = next;
        // A copy that is gone again before anyone can have opened it.
        if chance.below(50) == 0 {
            let copy = place.path(&format!("paste/P8{file:05}_x.csv"));
            let part = copy.with_extension("part");
            fs::copy(name(file, next), &part).unwrap();
            fs::rename(&part, &copy).unwrap();
            fs::remove_file(&copy).unwrap();
        }
        moves += 1;
    }
    for file in mine {
        fs::rename(name(file, at[file]), name(file, 1)).unwrap();
    }
    moves
}
