//! Content counts once, whatever it is called and however often it is seen.

use std::fs;

use driftvane::plant::Delivery;

use crate::place::{Place, assert_same_charts, assert_same_rows, list, small_config, small_plant};

fn first(count: usize) -> Vec<Delivery> {
    small_plant().deliveries(21).take(count).collect()
}

/// A place that has read the plant's first deliveries.
fn fed(count: usize) -> Place {
    let place = Place::new(&small_config(60));
    for delivery in first(count) {
        place.deliver(&delivery);
    }
    place.replay();
    place
}

fn first_of(place: &Place, station: &str) -> String {
    let mut names: Vec<String> = fs::read_dir(place.path(station))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    format!("{station}/{}", names[0])
}

/// Asserts that reading again finds nothing but so many duplicates.
fn assert_only_duplicates(place: &Place, duplicates: u64, before: &[String]) {
    let totals = place.replay();
    assert_eq!(totals["accepted"], 0, "{totals}");
    assert_eq!(totals["rows"], 0, "{totals}");
    assert_eq!(totals["duplicate"], duplicates, "{totals}");
    assert_same_rows("kept", before, &place.kept());
    place.assert_rows_add_up();
}

#[test]
fn a_file_copied_under_another_name_counts_once() {
    let place = fed(60);
    let (before, charts) = (place.kept(), place.charts());
    for (station, copy) in [
        ("paste", "paste/P000001_copy.csv"),
        ("optical", "optical/P000001_copy.csv"),
        ("function", "function/copy.csv"),
    ] {
        let original = first_of(&place, station);
        fs::copy(place.path(&original), place.path(copy)).unwrap();
        assert_only_duplicates(&place, 1, &before);
    }
    assert_same_charts(&charts, &place.charts());
    let rows =
        place.table("SELECT rows_read, rows_duplicate FROM file WHERE verdict = 'duplicate'");
    assert_eq!(rows.len(), 3);
    assert!(
        rows.iter().all(|row| !row.contains("Integer(0)")),
        "{rows:?}"
    );
}

#[test]
fn two_copies_that_wait_together_count_once() {
    let place = Place::new(&small_config(60));
    let delivery = &first(1)[0];
    place.write("paste/P000001_a.csv", &delivery.content);
    place.write("paste/P000001_b.csv", &delivery.content);
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["duplicate"]),
        (&1.into(), &1.into())
    );
    assert_eq!(totals["rows"], 256);
    place.assert_rows_add_up();
}

#[test]
fn a_file_that_is_renamed_counts_once() {
    let place = fed(60);
    let before = place.kept();
    for (station, fresh) in [
        ("paste", "paste/P000001_renamed.csv"),
        ("function", "function/renamed.csv"),
    ] {
        let original = first_of(&place, station);
        fs::rename(place.path(&original), place.path(fresh)).unwrap();
        assert_only_duplicates(&place, 1, &before);
    }
}

#[test]
fn a_growing_file_read_in_pieces_and_then_renamed_counts_once() {
    let place = Place::new(&small_config(60));
    for delivery in first(60) {
        place.deliver(&delivery);
        if delivery.station == "function" {
            place.replay();
        }
    }
    place.replay();
    let pieces = place.number("SELECT count(*) FROM file WHERE feed = 'function-l1'");
    assert!(pieces > 2, "{pieces} pieces");
    let before = place.kept();
    let original = first_of(&place, "function");
    fs::rename(place.path(&original), place.path("function/done.csv")).unwrap();
    assert_only_duplicates(&place, 1, &before);
}

#[test]
fn a_file_that_is_touched_counts_once() {
    let place = fed(60);
    let before = place.kept();
    for station in ["paste", "optical", "function"] {
        let path = place.path(&first_of(&place, station));
        let file = fs::File::options().write(true).open(&path).unwrap();
        let later = fs::metadata(&path).unwrap().modified().unwrap();
        file.set_modified(later + std::time::Duration::from_secs(90))
            .unwrap();
        let totals = place.replay();
        assert_eq!(
            (&totals["accepted"], &totals["rows"]),
            (&0.into(), &0.into())
        );
    }
    assert_same_rows("kept", &before, &place.kept());
    place.assert_rows_add_up();
}

#[test]
fn nothing_in_the_folders_of_the_feeds_is_changed() {
    let place = Place::new(&small_config(60));
    let deliveries = first(40);
    for delivery in &deliveries {
        place.deliver(delivery);
    }
    place.replay();
    for delivery in deliveries.iter().filter(|one| one.station != "function") {
        let name = format!("{}/{}", delivery.station, delivery.file_name);
        assert!(
            fs::read(place.path(&name)).unwrap() == delivery.content,
            "{name}"
        );
    }
}

/// The digest that names a batch in the archive must be of a file that counts: a copy's digest
/// names an earlier batch already, which a new one would overwrite.
#[test]
fn a_copy_read_before_new_files_keeps_what_is_archived() {
    let place = fed(30);
    let archived = |place: &Place| {
        let study = place.json(&["capability"]);
        let readings = |row: &serde_json::Value| row["archived_readings"].as_u64().unwrap();
        list(&study).iter().map(readings).sum::<u64>()
    };
    let before = archived(&place);
    assert!(before > 0);
    let paste = first_of(&place, "paste");
    fs::copy(place.path(&paste), place.path("paste/P000001_copy.csv")).unwrap();
    let next = first(60)
        .into_iter()
        .skip(30)
        .find(|one| one.station == "paste")
        .unwrap();
    place.deliver(&next);
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["duplicate"]),
        (&1.into(), &1.into())
    );
    assert!(archived(&place) > before);
    place.assert_rows_add_up();
}

/// A station closes its file under another name after rows that had not been read yet.
#[test]
fn a_growing_file_renamed_with_unread_rows_counts_each_row_once() {
    let all: Vec<Delivery> = first(120)
        .into_iter()
        .filter(|one| one.station == "function")
        .collect();
    assert!(all.len() > 10);
    let whole = Place::new(&small_config(60));
    let place = Place::new(&small_config(60));
    for delivery in &all {
        whole.deliver(delivery);
    }
    whole.replay();
    let (read, unread) = all.split_at(all.len() / 2);
    for delivery in read {
        place.deliver(delivery);
    }
    place.replay();
    for delivery in unread {
        place.deliver(delivery);
    }
    let original = first_of(&place, "function");
    fs::rename(place.path(&original), place.path("function/closed.csv")).unwrap();
    place.replay();
    assert_same_rows("counted", &place.counted(), &whole.counted());
    assert_same_charts(&whole.charts(), &place.charts());
}

/// Some stations write every panel into a file of the same name.
#[test]
fn a_file_name_used_for_the_next_panel_counts_each_panel() {
    let place = Place::new(&small_config(60));
    let plant = small_plant();
    let panels = plant.paste_files(22, 3, 256).unwrap();
    for (count, panel) in (1..).zip(panels) {
        place.write("paste/P_newest.csv", &panel.content);
        assert_eq!(place.replay()["rows"], 256);
        assert_eq!(place.number("SELECT count(DISTINCT at) FROM unit"), count);
    }
    place.assert_rows_add_up();
}
