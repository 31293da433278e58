//! The collection of bad files, and numbers that are none, through the whole program.
//!
//! Which file leads to which finding of the feeds is checked beside them; here it has to arrive in
//! the record. The one invariant: every file ends with a verdict, its rows add up, and nothing but
//! finite numbers reaches a chart.

use std::fs;
use std::path::Path;

use crate::place::{Place, list};

/// The feeds that the collection is for, and one more.
const FEEDS: &str = include_str!("corpus/feeds.toml");

fn place() -> Place {
    let place = Place::bare(FEEDS);
    for feed in ["paste", "european", "function", "counter"] {
        fs::create_dir(place.path(feed)).unwrap();
    }
    place
}

#[test]
fn every_defect_of_the_collection_ends_in_the_record_with_its_code_and_remedy() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-feeds/bad");
    let table: toml::Table = fs::read_to_string(folder.join("expected.toml"))
        .unwrap()
        .parse()
        .unwrap();
    let defects = table["defect"].as_array().unwrap();
    let place = place();
    for defect in defects {
        let text = |key: &str| defect[key].as_str().unwrap();
        let bytes = fs::read(folder.join(text("file"))).unwrap();
        place.write(&format!("{}/{}", text("feed"), text("file")), bytes);
    }
    assert_eq!(place.run(&["replay"]).code, Some(3));
    for defect in defects {
        let text = |key: &str| defect[key].as_str().unwrap();
        let of_file = format!("path LIKE '%/{}/{}'", text("feed"), text("file"));
        let rows = place.table(&format!(
            "SELECT verdict, coalesce(code, ''), rows_used + rows_duplicate, rows_rejected FROM file
             WHERE {of_file}"
        ));
        let expected = match defect.get("rows").and_then(toml::Value::as_integer) {
            None => format!("Text(\"quarantined\"), Text(\"{}\")", text("code")),
            Some(good) => {
                let codes = place.table(&format!(
                    "SELECT reject.code FROM reject JOIN file ON file.id = file WHERE {of_file}"
                ));
                let code = format!("[Text(\"{}\")]", text("code"));
                assert_eq!(codes, [code], "{}", text("file"));
                format!("Text(\"accepted_with_rejects\"), Text(\"\"), Integer({good}), Integer(1)")
            }
        };
        assert!(
            rows.len() == 1 && rows[0].contains(&expected),
            "{}: {rows:?}",
            text("file")
        );
    }
    let aside = place.json(&["quarantine", "list"]);
    let whole = defects.iter().filter(|one| one.get("rows").is_none());
    assert_eq!(list(&aside).len(), whole.count());
    assert!(!aside.to_string().contains("\"fix\":\"\""), "{aside}");
    place.assert_rows_add_up();
    place.assert_sound();
}

const HEADER: &str = "time,product,panel,board,component,pin,attempt,call,review,height,offset_x\n";

/// What looks like a number to some reader.
const BAD: [&str; 28] = [
    "nan",
    "NaN",
    "-nan",
    "inf",
    "-inf",
    "Infinity",
    "1e400",
    "-1e400",
    "1e-400",
    "1e20",
    "-1e20",
    "0x10",
    "1_000",
    "1 000",
    "1.000.000",
    "--1",
    "+-1",
    "1e",
    "e1",
    ".",
    "\u{ff11}\u{ff12}",
    "\u{661}",
    "1\u{a0}",
    "true",
    "null",
    "12O",
    "1f",
    "#DIV/0!",
];

/// What is one in every plant, and what some write.
const GOOD: [&str; 9] = [
    "-0",
    "0",
    "+5",
    "1e3",
    "007",
    "5.",
    ".5",
    "1e-7",
    "999.999999999",
];

#[test]
fn numbers_that_are_none_are_rejected_and_no_chart_holds_one() {
    let place = place();
    let mut rows = HEADER.to_owned();
    for (panel, value) in BAD.iter().chain(&GOOD).enumerate() {
        let at = format!("2026-03-02T06:{:02}:{:02}Z", panel / 60, panel % 60);
        rows.push_str(&format!(
            "{at},AX-7,P{panel},B{panel},U1,1,1,GOOD,,\"{value}\",0.5\n"
        ));
    }
    place.write("paste/numbers.csv", rows);
    let totals = place.replay();
    let rejected = place.table("SELECT code, text FROM reject ORDER BY line");
    let used = totals["rows"].as_u64().unwrap();
    assert_eq!(rejected.len(), BAD.len(), "{rejected:?}");
    for (value, row) in BAD.iter().zip(&rejected) {
        let shown = value.escape_debug().to_string();
        assert!(row.contains(&shown) && row.contains("F1"), "{value}: {row}");
    }
    assert_eq!(used as usize, GOOD.len());
    let infinite = "SELECT count(*) FROM point WHERE abs(value) > 1e300 OR value <> value
        OR size <> size OR abs(size) > 1e300";
    assert_eq!(place.number(infinite), 0);
    for stream in place.streams() {
        let chart = place.ok(&["--format", "json", "chart", &stream]);
        assert!(!chart.contains("NaN") && !chart.contains("inf"), "{chart}");
    }
    place.assert_rows_add_up();
    place.assert_sound();
}

/// The same rows by marks and declared encodings, and bytes that are none of them.
#[test]
fn encodings_are_told_by_their_marks_or_refused() {
    let row = "2026-03-02T06:00:00Z,AX-7,P1,B\u{e9}1,U1,1,1,GOOD,,100.5,0.5\n";
    let text = format!("{HEADER}{row}");
    let units = |text: &str| text.encode_utf16().collect::<Vec<u16>>();
    let little = |text: &str| {
        units(text)
            .iter()
            .flat_map(|unit| unit.to_le_bytes())
            .collect()
    };
    let big = |text: &str| {
        units(text)
            .iter()
            .flat_map(|unit| unit.to_be_bytes())
            .collect()
    };
    let latin: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let marked = format!("\u{feff}{text}");
    let half: Vec<u8> = [text.as_bytes(), b"\xc3"].concat();
    let cases: [(&str, Vec<u8>, &str); 8] = [
        ("plain", text.clone().into_bytes(), "accepted"),
        ("mark", marked.clone().into_bytes(), "accepted"),
        ("little", little(&marked), "accepted"),
        ("big", big(&marked), "accepted"),
        ("little-without-mark", little(&text), "quarantined"),
        ("latin", latin, "quarantined"),
        ("cut", half, "quarantined"),
        ("noughts", vec![0; 10_000], "quarantined"),
    ];
    for (name, bytes, verdict) in cases {
        let place = place();
        place.write(&format!("paste/{name}.csv"), bytes);
        place.run(&["replay"]);
        let found = place.table("SELECT verdict, rows_used FROM file");
        assert!(found[0].contains(verdict), "{name}: {found:?}");
        if verdict == "accepted" {
            let units = place.table("SELECT unit FROM unit");
            assert!(units[0].contains("B\u{e9}1"), "{name}: {units:?}");
        }
        place.assert_rows_add_up();
    }
}
