//! The same results in another layout need another configuration and nothing else.

use driftvane::plant::Delivery;

use crate::place::{
    Place, assert_same_charts, assert_same_rows, config_with_baselines, small_plant,
};

/// The columns of the paste files, as the invented plant and as another station writes them.
const COLUMNS: [(&str, &str); 14] = [
    ("Inspected at", "Prüfzeit"),
    ("Panel", "Nutzen"),
    ("Position", "Platz"),
    ("Component", "Bauteil"),
    ("Pin", "Anschluss"),
    ("Stroke", "Rakelrichtung"),
    ("Recipe", "Rezept"),
    ("Stencil", "Schablone"),
    ("Height um", "Höhe µm"),
    ("Area pct", "Fläche %"),
    ("Volume pct", "Volumen %"),
    ("Offset x um", "Versatz x µm"),
    ("Offset y um", "Versatz y µm"),
    ("Result", "Ergebnis"),
];

/// How another station writes: encoding and time.
#[derive(Clone, Copy)]
struct Dialect {
    encoding: &'static str,
    time: &'static str,
    encode: fn(&str) -> Vec<u8>,
}

const DIALECTS: [Dialect; 4] = [
    Dialect {
        encoding: "windows-1252",
        time: "%d.%m.%Y %H:%M:%S",
        encode: windows_1252,
    },
    Dialect {
        encoding: "utf-16le",
        time: "%d/%m/%Y %H:%M:%S",
        encode: utf_16_le,
    },
    Dialect {
        encoding: "utf-16be",
        time: "%d-%m-%y %H:%M:%S",
        encode: utf_16_be,
    },
    Dialect {
        encoding: "utf-8",
        time: "%d.%m.%Y %I:%M:%S %p",
        encode: utf_8_with_mark,
    },
];

fn config(dialect: Option<&Dialect>) -> String {
    let mut config = config_with_baselines(&[("three-way", 8)]);
    let Some(dialect) = dialect else {
        return config;
    };
    let encoding = format!("encoding = \"{}\"", dialect.encoding);
    let time = format!("format = \"{}\"\nzone = \"Europe/Berlin\"", dialect.time);
    // The feed of paste inspection comes first, so the first of each is its own.
    for (from, to) in [
        ("delimiter = \",\"", "delimiter = \";\""),
        ("decimal = \".\"", "decimal = \",\""),
        ("encoding = \"utf-8\"", encoding.as_str()),
        ("format = \"rfc3339\"", time.as_str()),
    ] {
        assert!(config.contains(from));
        config = config.replacen(from, to, 1);
    }
    let end = config.find("name = \"optical-l1\"").unwrap();
    let rest = config.split_off(end);
    for (from, to) in COLUMNS {
        let (from, to) = (format!("\"{from}\""), format!("\"{to}\""));
        assert!(config.contains(&from), "{from}");
        config = config.replace(&from, &to);
    }
    config + &rest
}

/// A paste file as the other station writes it: columns in another order, too.
fn translate(content: &[u8], time: &str) -> String {
    let content = std::str::from_utf8(content).unwrap();
    let mut text = String::new();
    for (number, line) in content.lines().enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if number == 0 {
            let fresh = COLUMNS.iter().map(|(_, fresh)| (*fresh).to_owned());
            cells = fresh.collect();
        } else {
            let at: jiff::Timestamp = cells[0].parse().unwrap();
            let zoned = at.in_tz("Europe/Berlin").unwrap();
            cells[0] = zoned.strftime(time).to_string();
            for cell in &mut cells[8..13] {
                *cell = cell.replace('.', ",");
            }
        }
        cells.rotate_left(5);
        text.push_str(&cells.join(";"));
        text.push_str("\r\n");
    }
    text
}

fn windows_1252(text: &str) -> Vec<u8> {
    // Every character used here has the same number in windows-1252 as in Unicode.
    text.chars()
        .map(|letter| u8::try_from(u32::from(letter)).unwrap())
        .collect()
}

fn utf_16_le(text: &str) -> Vec<u8> {
    let units = std::iter::once(0xFEFF).chain(text.encode_utf16());
    units.flat_map(u16::to_le_bytes).collect()
}

fn utf_16_be(text: &str) -> Vec<u8> {
    let units = std::iter::once(0xFEFF).chain(text.encode_utf16());
    units.flat_map(u16::to_be_bytes).collect()
}

fn utf_8_with_mark(text: &str) -> Vec<u8> {
    format!("\u{feff}{text}").into_bytes()
}

fn read(config: &str, files: &[Delivery]) -> Place {
    let place = Place::new(config);
    for file in files {
        place.deliver(file);
    }
    let totals = place.replay();
    assert_eq!(totals["accepted"], files.len(), "{totals}");
    assert_eq!(totals["rejects"], 0, "{totals}");
    place
}

#[test]
fn a_new_layout_needs_only_configuration() {
    let files: Vec<Delivery> = small_plant().paste_files(41, 24, 256).unwrap().collect();
    let plain = read(&config(None), &files);
    let charts = plain.charts();
    assert_eq!(
        charts.len(),
        22,
        "three measures by family, and two offsets, by stroke"
    );
    assert!(!plain.limits().is_empty());
    for dialect in DIALECTS {
        println!("{}, {}", dialect.encoding, dialect.time);
        let translated: Vec<Delivery> = files
            .iter()
            .map(|file| Delivery {
                content: (dialect.encode)(&translate(&file.content, dialect.time)),
                ..file.clone()
            })
            .collect();
        let other = read(&config(Some(&dialect)), &translated);
        assert_same_charts(&charts, &other.charts());
        assert_same_rows("limits", &plain.limits(), &other.limits());
        assert_same_rows("alerts", &plain.alerts(), &other.alerts());
    }
}

/// The parts of a configuration around a proposed feed.
const AROUND: &str = "[plant]\nname = \"Lindenau\"\ntime_zone = \"Europe/Berlin\"\n\
    [[shift]]\nname = \"day\"\nstarts = \"06:00\"\n";

/// What `check` says with the feed that `propose` writes for a file.
fn checked(place: &Place, file: &str) -> serde_json::Value {
    let path = place.path(file);
    let section = place.ok(&["propose", path.to_str().unwrap()]);
    place.write("driftvane.toml", format!("{AROUND}{section}"));
    let checks = place.json(&["check"]);
    assert_eq!(checks[0]["problem"], serde_json::Value::Null, "{section}");
    assert_eq!(checks[0]["rejected"].as_array().unwrap().len(), 0);
    checks[0].clone()
}

#[test]
fn what_is_proposed_for_a_layout_reads_it() {
    let files: Vec<Delivery> = small_plant().paste_files(41, 2, 24).unwrap().collect();
    for dialect in DIALECTS {
        println!("{}, {}", dialect.encoding, dialect.time);
        let place = Place::bare("");
        let text = translate(&files[1].content, dialect.time);
        place.write("results/N1.csv", (dialect.encode)(&text));
        let check = checked(&place, "results/N1.csv");
        assert_eq!(check["rows"], 24);
        let reading = &check["readings"][0];
        assert_eq!(reading["measure"], "höhe");
        assert_eq!(reading["unit"], "um");
        assert_eq!(reading["verdict"], "good");
        assert_eq!(check["unused_columns"], serde_json::json!([]));
    }
    // The files of functional test arrive in pieces, of which only the first has a header.
    let plant = small_plant();
    let whole = plant.deliveries(71).filter(|one| !one.append);
    for delivery in whole.take(30) {
        let place = Place::new("");
        place.deliver(&delivery);
        let name = format!("{}/{}", delivery.station, delivery.file_name);
        checked(&place, &name);
    }
}

#[test]
fn a_file_without_a_table_is_refused_with_a_reason() {
    let place = Place::bare("");
    place.write("picture.csv", [0x89, b'P', b'N', b'G', 0, 0, 0, 13]);
    let path = place.path("picture.csv");
    let answer = place.run(&["propose", path.to_str().unwrap()]);
    assert_eq!((answer.code, answer.out.as_str()), (Some(1), ""));
    assert!(
        answer.err.contains("picture.csv: it holds NUL bytes"),
        "{}",
        answer.err
    );
}
