//! Names of files, boards, lines, shifts and charts that would lead out of their folder.
//!
//! The plant is invented. The one invariant: what a file or the configuration calls something is
//! never a path, and never ends a line.

use std::fs;
use std::path::Path;

use crate::place::{Place, one_feed};
use crate::requests::files_below;

/// A way out of the folder of a test.
const OUT: &str = "../../../driftvane-out";

/// A place whose line, shift, feed, chart, boards and files have such names.
fn place() -> Place {
    let out = OUT;
    let config = one_feed(&[
        ("line = \"L1\"", &format!("line = \"{out}\"")),
        ("name = \"day\"", &format!("name = \"{out}\"")),
        ("name = \"paste\"\n", &format!("name = \"{out}\"\n")),
        (
            "name = \"height\"\nstation",
            &format!("name = \"{out}\"\nstation"),
        ),
        (
            "panel = \"Panel\"",
            "panel = \"Panel\"\nproduct = \"Product\"",
        ),
        ("[\"line\"]", "[\"line\", \"product\"]"),
    ]);
    let place = Place::bare(&(config + "baseline = 10\n[alerts]\nfile = \"alerts.jsonl\"\n"));
    let long = "x".repeat(10 << 10);
    let names = [
        out,
        "/etc/passwd",
        "..",
        "a/b",
        "a\\b",
        "\u{202e}txt.exe",
        &long,
        "%2e%2e%2f",
    ];
    let mut rows = "At,Panel,Product,Height\n".to_owned();
    for (product, name) in names.iter().enumerate() {
        for panel in 0..16 {
            let height = 100 + panel % 4 + if panel == 14 { 90 } else { 0 };
            rows.push_str(&format!(
                "2026-03-02T06:{panel:02}:{product:02}Z,{name}{product}-{panel},{name},{height}\n"
            ));
        }
    }
    place.write("paste/\u{202e}..csv", &rows);
    place.write(
        "paste/a\nb\r.csv",
        rows.replace(":00Z", ":30Z").replace("-1", "-9"),
    );
    place
}

/// What lies where such a name would lead.
fn strays() -> Vec<String> {
    let names = fs::read_dir(std::env::temp_dir()).unwrap();
    let names = names.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned());
    names
        .filter(|name| name.contains("driftvane-out"))
        .collect()
}

#[test]
fn no_name_of_a_feed_a_shift_or_a_board_becomes_a_path() {
    let place = place();
    assert_eq!(place.replay()["accepted"], 2);
    let report = place.ok(&["report", "shift", "--at", "2026-03-02T06:10:00Z"]);
    let reports = place.path("driftvane-data/reports");
    assert_eq!(Path::new(report.trim()).parent().unwrap(), reports);
    place.ok(&["backup", &place.path("backup").to_string_lossy()]);
    for stream in place.streams() {
        place.ok(&["--format", "svg", "chart", &stream]);
    }
    assert_eq!(strays(), Vec::<String>::new());
    for path in files_below(&place.folder) {
        let is_known = ["driftvane-data/", "backup/", "paste/"]
            .iter()
            .any(|part| path.starts_with(&*place.path(part).to_string_lossy()));
        assert!(
            is_known || path.ends_with(".toml") || path.ends_with(".jsonl"),
            "{path}"
        );
    }
    let told = fs::read_to_string(place.path("alerts.jsonl")).unwrap();
    assert!(told.lines().count() > 3);
    for line in told.lines() {
        serde_json::from_str::<serde_json::Value>(line).unwrap();
    }
    place.assert_rows_add_up();
    place.assert_sound();
}
