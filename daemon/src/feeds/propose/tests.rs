//! Tests of proposals: each layout that stations were seen or imagined to write is read with the
//! section proposed for it.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use super::*;
use crate::config::{Config, Layout};
use crate::feeds::preview::Preview;
use crate::words::{Call, Review, Role};

fn scratch_folder() -> PathBuf {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let name = format!("driftvane-propose-{}-{number}", std::process::id());
    let folder = std::env::temp_dir().join(name);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// A file in a folder of its own; gone when dropped.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str, content: &[u8]) -> Scratch {
        let folder = scratch_folder();
        std::fs::write(folder.join(name), content).unwrap();
        Scratch(folder.join(name))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        std::fs::remove_dir_all(self.0.parent().unwrap()).unwrap();
    }
}

fn accept(path: &Path, section: &str) -> (Config, Preview) {
    let whole = format!(
        "[plant]\nname = \"Lindenau\"\ntime_zone = \"Europe/Vienna\"\n[[shift]]\nname = \"day\"\n\
         starts = \"06:00\"\n{section}"
    );
    let config = match read::read(&whole, Path::new("/")) {
        Ok(config) => config,
        Err(problems) => panic!("{problems}\n{section}"),
    };
    let found = preview(&config, 0, path).unwrap_or_else(|error| panic!("{error}\n{section}"));
    (config, found)
}

/// The section for a text, accepted by the configuration and used to read the text itself.
fn proposed(name: &str, content: &[u8]) -> (String, Config, Preview) {
    let file = Scratch::new(name, content);
    let section = propose(&file.0).unwrap();
    let (config, found) = accept(&file.0, &section);
    assert_eq!(found.rejects_total, 0, "{:?}\n{section}", found.rejects);
    (section, config, found)
}

fn sample(name: &str) -> (String, Config, Preview) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-feeds");
    let path = folder.join(name);
    let content = std::fs::read(&path).unwrap();
    proposed(&path.file_name().unwrap().to_string_lossy(), &content)
}

fn key(found: &Preview, role: Role) -> String {
    let keys = &found.rows[0].keys;
    let text = keys.iter().find(|(one, _)| *one == role);
    text.map(|(_, text)| text.clone()).unwrap_or_default()
}

#[test]
fn the_paste_files_of_the_sample_are_read_as_proposed() {
    let (section, config, found) = sample("paste/P000001_20260302T113005.csv");
    assert_eq!(found.rows.len(), 20);
    assert_eq!(config.feeds[0].station.name(), "paste");
    let row = &found.rows[0];
    let read: Vec<(&str, f64, &str)> = row
        .readings
        .iter()
        .map(|one| (one.name.as_str(), one.value, one.unit.as_str()))
        .collect();
    assert_eq!(
        read,
        [
            ("height", 105.2, "um"),
            ("area", 92.9, "pct"),
            ("volume", 81.8, "pct"),
            ("offset-x", -4.5, "um"),
            ("offset-y", -8.4, "um"),
        ]
    );
    for (role, text) in [
        (Role::Panel, "P000001"),
        (Role::Position, "1"),
        (Role::Component, "U1"),
        (Role::Pin, "1"),
        (Role::Stroke, "front"),
        (Role::Recipe, "demo-controller print 3"),
        (Role::Stencil, "ST-07"),
    ] {
        assert_eq!(key(&found, role), text, "{section}");
    }
    assert_eq!(row.call, Call::Good);
    assert_eq!(found.unused, Vec::<String>::new());
    assert!(!section.contains("# zone ="), "the times say their offset");
    assert!(section.contains("Tried: 24 rows read, none rejected."));
}

#[test]
fn the_optical_files_of_the_sample_are_read_as_proposed() {
    let (section, config, found) = sample("optical/P000001_20260302T113645.csv");
    let feed = &config.feeds[0];
    assert_eq!(feed.station.name(), "optical");
    assert!(feed.lists_failures_only, "{section}");
    assert_eq!(key(&found, Role::Panel), "P000001");
    assert_eq!(key(&found, Role::Recipe), "demo-controller optical 5");
    assert_eq!(found.rows[0].opportunities, 2_560);
    assert!(!key(&found, Role::Defect).is_empty());
    assert!(section.contains("# zone ="), "{section}");
    assert!(
        section.contains("format = \"%d.%m.%Y %H:%M:%S\""),
        "{section}"
    );
    assert!(found.rows.iter().any(|row| row.review != Review::Pending));
}

#[test]
fn the_function_file_of_the_sample_is_read_as_proposed() {
    let (section, config, found) = sample("function/function_2026-03-02_early.csv");
    let feed = &config.feeds[0];
    assert_eq!(feed.station.name(), "function");
    assert!(matches!(&feed.layout, Layout::Long(steps) if steps.value == "Value"));
    let row = &found.rows[0];
    let reading = &row.readings[0];
    assert_eq!(
        (reading.name.as_str(), reading.unit.as_str()),
        ("supply current", "mA")
    );
    assert_eq!(reading.limits, (Some(70.0), Some(100.0)));
    assert_eq!((row.attempt, row.call), (1, Call::Good));
    assert_eq!(key(&found, Role::Board), "P000001-1");
    assert_eq!(key(&found, Role::Fixture), "F1");
    assert!(section.contains("# measure = \"supply current\"\n# lower = 70.0\n# upper = 100.0\n"));
}

/// The layout of the README: two lines first, semicolons, decimal commas, the day first.
const EUROPEAN: &str = "Product;LN-200\nOperator;night team\n\
    Date;Time;Panel;Board;Component;Pad;Stroke;Height\n\
    04.03.2026;06:12:07;P0001;1;U1;1;front;0,1012\n\
    04.03.2026;06:12:07;P0001;1;U1;2;front;0,0987\n\
    04.03.2026;06:12:07;P0001;2;U1;1;front;0,1034\n";

#[test]
fn preamble_semicolons_and_decimal_commas_are_understood() {
    let (section, config, found) = proposed("r.csv", EUROPEAN.as_bytes());
    let csv = &config.feeds[0].csv;
    assert_eq!((csv.delimiter, csv.decimal), (b';', b','));
    assert!((found.rows[0].readings[0].value - 0.1012).abs() < 1e-12);
    assert_eq!(key(&found, Role::Product), "LN-200");
    assert_eq!(key(&found, Role::Position), "1");
    assert_eq!(key(&found, Role::Pin), "1");
    // 6:12 in Vienna in March is 5:12 UTC.
    assert_eq!(found.rows[0].at, 1_772_601_127_000_000);
    for words in [
        "columns = [\"Date\", \"Time\"]",
        "check: the header names no unit",
        "check: times say no offset",
    ] {
        assert!(section.contains(words), "{words}\n{section}");
    }
}

#[test]
fn other_encodings_and_headers_in_german_are_understood() {
    let rows = "Prüfzeit;Nutzen;Platz;Bauteil;Anschluss;Rakelrichtung;Höhe µm;Fläche %;Ergebnis\n\
        04.03.2026 06:12:07;N1;1;U1;1;front;101,5;98,0;ok\n\
        25.03.2026 06:12:09;N2;2;U1;2;back;99,25;97,5;ng\n";
    let windows: Vec<u8> = rows
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let little: Vec<u8> = std::iter::once(0xFEFF)
        .chain(rows.encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect();
    let big: Vec<u8> = rows.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let marked = format!("\u{feff}{rows}").into_bytes();
    for (content, encoding) in [
        (rows.as_bytes().to_vec(), "UTF-8"),
        (windows, "windows-1252"),
        (little, "UTF-16LE"),
        (big, "UTF-16BE"),
        (marked, "UTF-8"),
    ] {
        let (section, config, found) = proposed("n.csv", &content);
        let feed = &config.feeds[0];
        assert_eq!(feed.csv.encoding.name(), encoding);
        assert_eq!(feed.station.name(), "paste");
        let read: Vec<(&str, &str)> = found.rows[0]
            .readings
            .iter()
            .map(|one| (one.name.as_str(), one.unit.as_str()))
            .collect();
        assert_eq!(read, [("höhe", "um"), ("fläche", "%")], "{section}");
        assert_eq!(key(&found, Role::Panel), "N1");
        assert_eq!(key(&found, Role::Stroke), "front");
        assert_eq!(found.rows[1].call, Call::Defect);
    }
}

#[test]
fn day_and_month_are_left_to_a_person_where_both_fit() {
    let text = "When|Serial|R (kOhm)\n02/03/2026 06:12|A1|1.5\n03/04/2026 06:13|A2|1.25\n";
    let (section, config, _) = proposed("t.txt", text.as_bytes());
    assert_eq!(config.feeds[0].csv.delimiter, b'|');
    assert!(section.contains("format = \"%d/%m/%Y %H:%M\""));
    assert!(section.contains("check: day or month first? Also fits: %m/%d/%Y %H:%M"));
    assert!(section.contains("unit = \"kOhm\""), "{section}");
}

#[test]
fn keys_and_time_may_be_in_the_file_name_alone() {
    let text = "RefDes,Reason,Verdict,Review\nU1,lifted,ng,open\nU2,shifted,ng,reject\n";
    let (section, _, found) = proposed("LN_P0017_20260304T061207.csv", text.as_bytes());
    assert!(
        section.contains("pattern = \"{anything}_{panel}_{time}.csv\""),
        "{section}"
    );
    assert_eq!(key(&found, Role::Panel), "P0017");
    assert_eq!(key(&found, Role::Component), "U1");
    assert_eq!(found.rows[1].review, Review::Confirmed);
}

#[test]
fn limits_beside_measures_become_comments() {
    let text = "Time,Board serial,Height (um),Height min,Height max,Shots\n\
        2026-03-04T06:12:07Z,B-1,101.5,80,160,12\n2026-03-04T06:12:09Z,B-2,99.5,80,160,13\n";
    let (section, config, _) = proposed("t.csv", text.as_bytes());
    assert!(
        section
            .contains("# measure = \"height\"\n# lower = 80.0\n# upper = 160.0\n# unit = \"um\""),
        "{section}"
    );
    let Layout::Wide(measures) = &config.feeds[0].layout else {
        panic!("no wide layout");
    };
    assert_eq!(
        measures.len(),
        1,
        "a count is no measure until someone says so"
    );
    assert!(section.contains("# column = \"Shots\""), "{section}");
    assert!(section.contains("check: whole numbers without a unit"));
}

#[test]
fn hostile_headers_can_not_change_the_section() {
    let text = "Time,\"Height\"\" ] [[feed]] (um)\",\"# panel = \"\"x\",Height um\n\
        2026-03-04T06:12:07Z,1.5,2.5,3.5\n";
    let (section, config, found) = proposed("t.csv", text.as_bytes());
    assert_eq!(config.feeds.len(), 1, "{section}");
    assert_eq!(found.rows.len(), 1);
}

#[test]
fn what_can_not_be_proposed_is_said_with_a_way_out() {
    for (content, words) in [
        (&b""[..], "the file is empty"),
        (b"\x00\x01\x02\x03", "NUL"),
        (b"1,2\n3,4\n", "names of the columns"),
        (
            b"Height,Width\n1.5,2.5\n",
            "reads as a date with a time of day",
        ),
    ] {
        let file = Scratch::new("x.csv", content);
        let said = propose(&file.0).unwrap_err().to_string();
        assert!(said.contains(words), "{said}");
        assert!(said.contains("x.csv"), "{said}");
    }
    let folder = scratch_folder();
    assert!(
        propose(&folder)
            .unwrap_err()
            .to_string()
            .contains("no regular file")
    );
    std::fs::remove_dir_all(&folder).unwrap();
    let gone = propose(&folder).unwrap_err().to_string();
    assert!(gone.contains("name a file that can be read"), "{gone}");
}
