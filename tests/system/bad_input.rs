//! What can not be read is set aside whole or row by row, said aloud, and stops nothing else.

use std::fs;
use std::time::{Duration, UNIX_EPOCH};

use driftvane::plant::Delivery;

use crate::place::{Place, list, one_feed, small_config, small_plant, text, wait_until};

fn paste(count: usize) -> Vec<Delivery> {
    small_plant()
        .paste_files(31, 60, 256)
        .unwrap()
        .take(count)
        .collect()
}

fn as_text(delivery: &Delivery) -> String {
    String::from_utf8(delivery.content.clone()).unwrap()
}

/// The height of the first row.
fn first_height(content: &str) -> String {
    let row = content.lines().nth(1).unwrap();
    row.split(',').nth(8).unwrap().to_owned()
}

/// A paste file in which every height is written with a decimal comma.
fn with_decimal_commas(content: &str) -> String {
    let mut text = String::new();
    for (number, line) in content.lines().enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if number > 0 {
            for cell in &mut cells[8..13] {
                *cell = format!("\"{}\"", cell.replace('.', ","));
            }
        }
        text.push_str(&cells.join(","));
        text.push('\n');
    }
    text
}

#[test]
fn files_that_do_not_fit_are_set_aside_whole_and_the_others_count() {
    let place = Place::new(&small_config(60));
    let files = paste(5);
    place.deliver(&files[0]);
    place.write(
        "paste/P000002_x.csv",
        as_text(&files[1]).replacen("Height um", "Height", 1),
    );
    place.write("paste/P000003_x.csv", as_text(&files[2]).replace(',', ";"));
    place.write(
        "paste/P000004_x.csv",
        with_decimal_commas(&as_text(&files[3])),
    );
    place.deliver(&files[4]);

    let answer = place.run(&["--format", "json", "replay"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    let totals: serde_json::Value = serde_json::from_str(&answer.out).unwrap();
    assert_eq!(
        (&totals["accepted"], &totals["quarantined"]),
        (&2.into(), &3.into())
    );
    assert_eq!(totals["rows"], 2 * 256);
    let units = place.table("SELECT unit, rows FROM unit ORDER BY unit");
    assert_eq!(units.len(), 2 * 4, "four boards a panel: {units:?}");

    let aside = "SELECT code, reason, fix FROM file WHERE verdict = 'quarantined' ORDER BY path";
    let aside = place.table(aside);
    for (row, code) in aside.iter().zip(["F004", "F006", "F007"]) {
        assert!(row.contains(code), "{row}");
        assert!(
            !row.contains("Text(\"\")") && !row.contains("Null"),
            "{row}"
        );
    }
    assert!(aside[0].contains("Height um"), "{}", aside[0]);
    place.assert_rows_add_up();
    // What was set aside once is not set aside again.
    assert_eq!(place.run(&["replay"]).code, Some(0));
}

#[test]
fn a_file_set_aside_counts_once_it_has_been_corrected() {
    let place = Place::new(&small_config(60));
    let file = &paste(1)[0];
    let name = format!("paste/{}", file.file_name);
    place.write(&name, as_text(file).replacen("Height um", "Height", 1));
    assert_eq!(place.run(&["replay"]).code, Some(3));
    place.deliver(file);
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["rows"]),
        (&1.into(), &256.into())
    );
}

#[test]
fn a_bad_row_is_named_by_line_and_column_and_the_rest_counts() {
    let place = Place::new(&small_config(60));
    let file = &paste(1)[0];
    let good = as_text(file);
    let height = first_height(&good);
    let bad = good.replacen(&format!(",{height},"), ",12O.4,", 1);
    place.write(&format!("paste/{}", file.file_name), bad);
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["rejects"]),
        (&1.into(), &1.into())
    );
    assert_eq!(totals["rows"], 255);
    let rejects = place.table("SELECT line, place, reason, text FROM reject");
    assert_eq!(rejects.len(), 1);
    assert!(
        rejects[0].starts_with("[Integer(2), Text(\"Height um\")"),
        "{rejects:?}"
    );
    assert!(rejects[0].contains("12O.4"), "{rejects:?}");
    place.assert_rows_add_up();

    let checked = place.json(&["check"]);
    let rejected = &list(&checked)[0]["rejected"][0];
    assert_eq!(rejected["line"], 2);
    assert_eq!(text(rejected, "column"), "Height um");
    assert!(text(rejected, "reason").contains("12O.4"), "{rejected}");
}

#[test]
fn a_missing_folder_is_told_and_taken_up_when_it_appears() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 20");
    let place = Place::bare(&config);
    fs::create_dir(place.path("optical")).unwrap();
    fs::create_dir(place.path("function")).unwrap();
    let told = place.run(&["replay"]);
    assert!(told.err.contains("paste"), "{}", told.err);
    let answer = place.run(&["--format", "json", "check"]);
    assert_eq!(answer.code, Some(1), "{}", answer.err);
    let checked: serde_json::Value = serde_json::from_str(&answer.out).unwrap();
    let problem = text(&list(&checked)[0], "problem");
    assert!(problem.contains("paste"), "{problem}");
    fs::create_dir(place.path("paste")).unwrap();
    assert_eq!(place.run(&["check"]).code, Some(0), "an empty folder waits");
    fs::remove_dir(place.path("paste")).unwrap();

    let mut watching = place.watch();
    wait_until("the missing folder to be told", || {
        place.log().contains("waiting for the folder")
    });
    for file in paste(3) {
        place.deliver(&file);
    }
    wait_until("the files of the new folder", || {
        place.number("SELECT count(DISTINCT at) FROM unit") == 3
    });
    assert!(watching.runs(), "{}", place.log());
}

#[test]
fn a_bad_configuration_is_refused_with_every_problem_and_nothing_starts() {
    let config = small_config(60)
        .replace(
            "time_zone = \"Europe/Berlin\"",
            "time_zone = \"Europe/Nowhere\"",
        )
        .replace("chart = \"three-way\"", "chart = \"four-way\"")
        .replace("settle_ms = 200", "settle_seconds = 200");
    let place = Place::new(&config);
    for command in ["replay", "watch", "check", "streams"] {
        let answer = place.run(&[command]);
        assert_eq!(answer.code, Some(2), "{command}: {}", answer.err);
        assert_eq!(answer.out, "");
        for word in [
            "Europe/Nowhere",
            "four-way",
            "settle_seconds",
            "plant.time_zone",
        ] {
            assert!(
                answer.err.contains(word),
                "{command}: {word}: {}",
                answer.err
            );
        }
    }
    assert!(!place.path("driftvane-data").exists());
}

#[test]
fn a_command_that_does_not_exist_is_a_usage_error() {
    let place = Place::new(&small_config(60));
    assert_eq!(place.run(&["recount"]).code, Some(2));
    assert_eq!(place.run(&["chart"]).code, Some(2));
    let picture = place.run(&["--format", "svg", "streams"]);
    assert_eq!(picture.code, Some(2));
    assert!(
        picture.err.contains("only a chart has a picture"),
        "{}",
        picture.err
    );
}

#[test]
fn a_file_set_aside_for_its_times_is_read_whole_when_it_is_touched() {
    let place = Place::new(&small_config(60));
    let file = &paste(1)[0];
    let year = as_text(file).replace("\n2026-", "\n2999-");
    place.write("paste/P000001_x.csv", &year);
    let first = place.run(&["replay"]);
    assert_eq!(first.code, Some(3), "{}", first.err);

    // An empty rest of the file must not pass for a clean one.
    place.write("paste/P000001_x.csv", format!("{year}\n"));
    let second = place.run(&["replay"]);
    assert_eq!(second.code, Some(3), "{}", second.out);
    assert_eq!(place.number("SELECT count(*) FROM unit"), 0);

    place.deliver(file);
    assert_eq!(place.replay()["rows"], 256);
}

#[test]
fn a_number_too_large_for_exact_sums_is_a_finding() {
    let place = Place::new(&small_config(60));
    let content = as_text(&paste(1)[0]);
    let height = format!(",{},", first_height(&content));
    place.write(
        "paste/P000001_x.csv",
        content.replacen(&height, ",1e20,", 1),
    );
    let totals = place.json(&["replay"]);
    assert_eq!(
        (&totals["rows"], &totals["rejects"]),
        (&255.into(), &1.into())
    );
}

#[test]
fn a_log_that_can_not_be_written_costs_its_lines_alone() {
    let place = Place::new(&small_config(60));
    place.deliver(&paste(1)[0]);
    let full = fs::OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let status = std::process::Command::new(env!("CARGO_BIN_EXE_driftvane"))
        .arg("--config")
        .arg(place.path("driftvane.toml"))
        .arg("replay")
        .stderr(full)
        .stdout(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(status.success());
    assert_eq!(place.number("SELECT sum(rows_used) FROM file"), 256);
}

#[test]
fn a_path_that_does_not_exist_is_a_usage_error() {
    let place = Place::new(&small_config(60));
    let answer = place.run(&["replay", "nowhere"]);
    assert_eq!(answer.code, Some(2));
    assert!(
        answer.err.contains("nowhere does not exist"),
        "{}",
        answer.err
    );
}

/// A file of one panel that says to be of a day, and that was written on another.
fn written(place: &Place, name: &str, said: &str, on: &str) {
    place.write(
        &format!("paste/{name}"),
        format!("At,Panel,Height\n{said} 06:00:00,{name},100\n"),
    );
    let on: jiff::Timestamp = format!("{on}T09:00:00Z").parse().unwrap();
    let path = place.path(&format!("paste/{name}"));
    let file = fs::File::options().write(true).open(path).unwrap();
    let since = Duration::from_micros(on.as_microsecond().unsigned_abs());
    file.set_modified(UNIX_EPOCH + since).unwrap();
}

#[test]
fn dates_that_seem_to_have_month_and_day_exchanged_are_asked_about_and_never_guessed() {
    let format = ("format = \"rfc3339\"", "format = \"%m/%d/%Y %H:%M:%S\"");
    let place = Place::bare(&one_feed(&[format]));
    // Read as the third of April, written on the fourth of March.
    written(&place, "a.csv", "04/03/2024", "2024-03-04");
    written(&place, "b.csv", "01/20/2024", "2024-01-20");
    let answer = place.run(&["replay"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    let aside = "SELECT path, code, reason, fix FROM file WHERE verdict = 'quarantined'";
    let aside = place.table(aside);
    assert_eq!(aside.len(), 1, "{aside:?}");
    for words in ["a.csv", "F016", "2024-04-03", "2024-03-04", "touch"] {
        assert!(aside[0].contains(words), "{words}: {aside:?}");
    }
    assert_eq!(place.number("SELECT count(*) FROM unit"), 1);
    // Somebody says that the dates are right.
    written(&place, "a.csv", "04/03/2024", "2024-05-01");
    assert_eq!(place.replay()["accepted"], 1);
    // What goes on where the feed has been is no accident.
    written(&place, "c.csv", "04/05/2024", "2024-05-04");
    assert_eq!(place.replay()["accepted"], 1);
    place.assert_rows_add_up();
    place.assert_sound();
}
