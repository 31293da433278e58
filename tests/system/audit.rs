//! The audit pack: its figures are those of the commands and of a published example, it comes out
//! the same on another computer, and what differs is told.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::place::{Place, list, number, small_config, text, whole_files};
use crate::published;

/// A window that holds everything that the invented plant writes.
const WINDOW: [&str; 4] = ["--from", "2026-03-01", "--to", "2026-03-10"];

/// The small plant after 60 files, with an alert that was answered.
fn fed() -> Place {
    let place = Place::new(&small_config(60));
    fs::create_dir_all(place.path("gauge")).unwrap();
    let study = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-feeds/gauge/height.csv");
    fs::copy(study, place.path("gauge/height.csv")).unwrap();
    whole_files(61, 140)
        .iter()
        .for_each(|file| place.deliver(file));
    place.replay();
    let who = ["--by", "J. Novak"];
    let seen = ["--comment", "=HYPERLINK(\"http://x\")<script>"];
    let found = ["--cause", "stencil", "--action", "cleaned it"];
    place.ok(&[&["alerts", "acknowledge", "A-0001"][..], &who, &seen].concat());
    place.ok(&[&["alerts", "close", "A-0001"][..], &who, &found].concat());
    place
}

/// Makes a pack and gives its folder.
pub fn pack(place: &Place, window: &[&str]) -> PathBuf {
    let said = place.ok(&[&["report", "audit"], window].concat());
    PathBuf::from(said.trim())
}

/// The rows of a table of a pack, by column.
pub fn table(pack: &Path, name: &str) -> Vec<BTreeMap<String, Value>> {
    let text = fs::read_to_string(pack.join("figures.json")).unwrap();
    let figures: Value = serde_json::from_str(&text).unwrap();
    let tables = list(&figures["tables"]);
    let found = tables.iter().find(|one| one["name"] == name).unwrap();
    let columns: Vec<String> = list(&found["columns"])
        .iter()
        .map(|column| column.as_str().unwrap().to_owned())
        .collect();
    let row = |row: &Value| columns.iter().cloned().zip(list(row).to_vec()).collect();
    list(&found["rows"]).iter().map(row).collect()
}

/// Every file of a pack with its bytes.
fn files(pack: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    for folder in [pack.to_owned(), pack.join("tables")] {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_file() {
                let name = path.strip_prefix(pack).unwrap().to_string_lossy();
                found.insert(name.into_owned(), fs::read(&path).unwrap());
            }
        }
    }
    found
}

/// What comes of making a pack again, as JSON, and the exit code.
pub fn again(place: &Place, pack: &Path) -> (Option<i32>, Value) {
    let file = pack.join("figures.json");
    let file = file.to_string_lossy();
    let asked = ["--format", "json", "report", "audit", "--reproduce", &*file];
    let answer = place.run(&asked);
    let said = serde_json::from_str(&answer.out);
    (
        answer.code,
        said.unwrap_or_else(|_| panic!("{}", answer.err)),
    )
}

/// Asserts that a pack is not reproduced, and that the words are among differences and causes.
pub fn assert_differs(place: &Place, pack: &Path, words: &[&str]) -> Value {
    let (code, said) = again(place, pack);
    assert_eq!(code, Some(1), "{said:#}");
    assert_eq!(said["reproduced"], false);
    assert!(said["pack"].is_null());
    let all = said.to_string();
    for words in words {
        assert!(all.contains(words), "{words}: {said:#}");
    }
    said
}

#[test]
fn the_figures_are_those_of_the_commands() {
    let place = fed();
    let pack = pack(&place, &WINDOW);
    let indices = table(&pack, "indices");
    let asked = [&["capability"][..], &WINDOW].concat();
    let known = place.json(&asked);
    assert_eq!(indices.len(), list(&known).len());
    assert!(indices.len() > 3);
    for (row, found) in indices.iter().zip(list(&known)) {
        let same = [
            ("stream", &found["stream"]),
            ("lower limit", &found["lower"]),
            ("upper limit", &found["upper"]),
            (
                "source of the specification",
                &found["specification_source"],
            ),
            ("first point", &found["from"]),
            ("panels", &found["subgroups"]),
            ("readings", &found["readings"]),
            ("readings in the archive", &found["archived_readings"]),
            ("mean", &found["mean"]),
            ("sigma within", &found["sigma_within"]),
            ("sigma overall", &found["sigma_overall"]),
            ("stability", &found["stability"]),
            ("limits version", &found["limits_version"]),
            (
                "index of the nearer side",
                &found["nearest_index"]["symbol"],
            ),
            ("nearer side", &found["nearest_index"]["value"]),
            ("nearer side at least", &found["nearest_index"]["lower"]),
            ("nearer side at most", &found["nearest_index"]["upper"]),
            ("its value", &found["spread_index"]["value"]),
            ("model", &found["model"]),
            ("time model", &found["evidence"]["time_model"]["symbol"]),
            ("ppm counted", &found["ppm_observed"]),
            ("ppm expected", &found["ppm_expected"]),
            ("gauge, % of sigma overall", &found["gauge"]["of_variation"]),
        ];
        for (column, value) in same {
            assert_eq!(row[column], *value, "{column} of {}", found["stream"]);
        }
    }
    assert_charts(&place, &pack);
}

/// Asserts that limits and signals of a pack are those of the charts.
fn assert_charts(place: &Place, pack: &Path) {
    let (limits, signals) = (table(pack, "limits"), table(pack, "signals"));
    let (mut versions, mut fired) = (0, 0);
    for stream in place.streams() {
        let chart = place.chart(&stream);
        for version in list(&chart["limits"]) {
            let is_it = |row: &&BTreeMap<String, Value>| {
                row["stream"] == stream.as_str() && row["version"] == version["version"]
            };
            let row = limits.iter().find(is_it).unwrap();
            for column in ["centre", "lower", "upper", "subgroups"] {
                assert_eq!(row[column], version[column], "{column} of {stream}");
            }
            versions += 1;
        }
        let points = list(&chart["points"]);
        fired += points
            .iter()
            .map(|point| list(&point["signals"]).len())
            .sum::<usize>();
    }
    assert_eq!((limits.len(), signals.len()), (versions, fired));
    assert!(fired > 0);
    // Each belongs to an alert.
    assert!(
        signals.iter().all(|row| row["alert"].is_string()),
        "{signals:?}"
    );
}

#[test]
fn who_did_what_and_the_files_stand_in_the_pack() {
    let place = fed();
    let pack = pack(&place, &WINDOW);
    let alerts = table(&pack, "alerts");
    let answered = alerts.iter().find(|row| row["alert"] == "A-0001").unwrap();
    assert_eq!(answered["cause"], "stencil");
    assert_eq!(answered["closed by"], "J. Novak");
    let acts = table(&pack, "acts");
    assert!(
        acts.iter()
            .any(|row| row["what"] == "acknowledged" && row["who"] == "J. Novak")
    );
    let read = place.table("SELECT id FROM file ORDER BY id");
    let listed = table(&pack, "files");
    let listed = listed
        .iter()
        .map(|row| format!("[Integer({})]", row["number"]));
    assert_eq!(listed.collect::<Vec<_>>(), read);
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009, Example 6.1:
/// the capability of the resist flow width against 1.00 to 2.00.
#[test]
fn a_published_capability_goes_through_the_whole_pack() {
    let golden = published::expected("capability.toml");
    let examples = golden["example"].as_array().unwrap();
    let example = examples
        .iter()
        .find(|one| one["id"].as_str() == Some("hard_bake"))
        .unwrap();
    let config = published::config(
        "[[feed.measure]]\nname = \"value\"\ncolumn = \"Value\"\nunit = \"um\"",
        "measure = \"value\"\nchart = \"mean-range\"\nbaseline = 15\n\
         specification = { lower = 1.0, upper = 2.0, unit = \"um\", source = \"Example 6.1\" }",
    );
    let place = Place::bare(&config);
    for (subgroup, row) in (1..).zip(published::series("xbar_r_hard_bake.csv").iter().take(25)) {
        let mut file = "At,Subgroup,Item,Value\n".to_owned();
        for (item, value) in row[1..].iter().enumerate() {
            let at = published::at(subgroup);
            file += &format!("{at},S{subgroup:03},{item},{value}\n");
        }
        place.write(&format!("series/S{subgroup:03}.csv"), file);
    }
    place.replay();
    let pack = pack(&place, &["--from", "2026-01-01", "--to", "2026-02-01"]);
    let row = &table(&pack, "indices")[0];
    assert_eq!(
        (&row["spread index"], &row["panels"]),
        (&"Cp".into(), &25.into())
    );
    for (column, name) in [
        ("its value", "cp"),
        ("nearer side", "cpk"),
        ("sigma within", "sigma_hat"),
    ] {
        let wanted = example["recomputed"][name].as_float().unwrap();
        let found = row[column].as_f64().unwrap();
        assert!(
            (found - wanted).abs() < 1e-9,
            "{name}: {found}, not {wanted}"
        );
    }
    // As printed in the book, on the page that an auditor reads.
    let page = fs::read_to_string(pack.join("audit.html")).unwrap();
    assert!(
        page.contains("Cp <strong>1.192</strong>"),
        "Cp is not on the page"
    );
    assert!(page.contains("Example 6.1") && page.contains("25 independent panels"));
}

#[test]
fn a_pack_comes_out_the_same_from_a_backup_on_another_computer() {
    let place = fed();
    let made = pack(&place, &WINDOW);
    // Asked for again it is the same, and not written again.
    let before = files(&made);
    assert_eq!(pack(&place, &WINDOW), made);
    let backup = place.path("backup");
    place.ok(&["backup", &backup.to_string_lossy()]);
    let other = Place::new(&small_config(60));
    fs::create_dir_all(other.path("gauge")).unwrap();
    fs::copy(
        place.path("gauge/height.csv"),
        other.path("gauge/height.csv"),
    )
    .unwrap();
    other.ok(&["restore", &backup.to_string_lossy()]);
    // Reports that are written there make entries of their own, which change no figure.
    other.ok(&["report", "shift"]);
    let (code, said) = again(&other, &made);
    assert_eq!(
        (code, &said["reproduced"]),
        (Some(0), &Value::from(true)),
        "{said:#}"
    );
    assert!(number(&said, "figures") > 1_000.0);
    let remade = PathBuf::from(text(&said, "pack"));
    assert!(remade.starts_with(&other.folder), "{}", remade.display());
    assert_eq!(files(&remade), before);
    assert!(before.len() > 18 && before.contains_key("figures.xlsx"));
    let page = String::from_utf8(before["audit.html"].clone()).unwrap();
    let digest = blake3_of(&made.join("figures.json"));
    assert!(page.contains(&digest) && text(&said, "digest") == digest);
    // What a person does afterwards to an alert is no part of it.
    let who = ["--by", "E"];
    other.ok(&[
        &["alerts", "comment", "A-0001", "--comment", "late"][..],
        &who,
    ]
    .concat());
    other.ok(&[
        &["alerts", "acknowledge", "A-0002", "--comment", "x"][..],
        &who,
    ]
    .concat());
    assert_eq!(again(&other, &made).0, Some(0));
    // What is done about limits holds in the window, and is told with its reason.
    let stream = "paste-height/L1/demo-controller/fine/back";
    let restart = ["limits", "restart", stream, "--from", "2026-03-02T12:00"];
    other.ok(&[&restart[..], &who, &["--reason", "stencil"]].concat());
    assert_differs(&other, &made, &["the record went on from entry"]);
}

/// The digest of a file, as the pack itself is asked for it by its page.
fn blake3_of(path: &Path) -> String {
    blake3::hash(&fs::read(path).unwrap()).to_hex().to_string()
}

#[test]
fn what_differs_is_told_with_its_reason() {
    let place = fed();
    let made = pack(&place, &WINDOW);
    // A point that someone changed behind the program's back.
    let value = place.number("SELECT count(*) FROM point");
    assert!(value > 0);
    let stream = "(SELECT id FROM stream WHERE label LIKE 'paste-height/%' ORDER BY label LIMIT 1)";
    let point = format!("stream = {stream} AND kind = 0 ORDER BY at LIMIT 1");
    let change = |by: &str| {
        let record = place.record();
        let sql = format!(
            "UPDATE point SET value = value {by} WHERE (stream, at, unit, kind) IN
                 (SELECT stream, at, unit, kind FROM point WHERE {point})"
        );
        assert_eq!(record.execute(&sql, []).unwrap(), 1);
    };
    change("+ 64.0");
    let said = assert_differs(&place, &made, &["BLAKE3 of the points", "2026-03-02"]);
    let days = list(&said["differences"])
        .iter()
        .filter(|one| one["table"] == "days");
    assert!(
        days.clone()
            .all(|one| text(one, "row").starts_with("paste-height/"))
    );
    assert!(days.count() >= 2, "{said:#}");
    assert_eq!(said["causes"], Value::Array(Vec::new()));
    let shown = place.run(&["report", "audit", "--reproduce", &made.to_string_lossy()]);
    assert!(shown.out.starts_with("not reproduced: "), "{}", shown.out);
    assert!(
        shown.out.ends_with("whether the record is sound\n"),
        "{}",
        shown.out
    );
    change("- 64.0");
    assert_eq!(again(&place, &made).0, Some(0));
    // Another specification.
    let config = fs::read_to_string(place.path("driftvane.toml")).unwrap();
    let other = config.replacen("upper = 160", "upper = 150", 1);
    assert_ne!(other, config);
    fs::write(place.path("driftvane.toml"), &other).unwrap();
    let said = assert_differs(&place, &made, &["upper limit", "specifications"]);
    let limit = list(&said["differences"])
        .iter()
        .find(|one| one["figure"] == "upper limit");
    let limit = limit.unwrap();
    assert_eq!((number(limit, "was"), number(limit, "is")), (160.0, 150.0));
    fs::write(place.path("driftvane.toml"), config).unwrap();
}

#[test]
fn a_segment_that_is_not_sound_is_named() {
    let place = fed();
    let made = pack(&place, &WINDOW);
    // A segment that is gone.
    let segment = place.record().query_row(
        "SELECT path FROM segment WHERE path LIKE '%station=paste%' ORDER BY path LIMIT 1",
        [],
        |row| row.get::<_, String>(0),
    );
    let segment = segment.unwrap();
    let path = place.path("driftvane-data/archive").join(&segment);
    let bytes = fs::read(&path).unwrap();
    fs::remove_file(&path).unwrap();
    let missing = format!("{segment} of the archive");
    assert_differs(
        &place,
        &made,
        &[&missing, "is missing", "readings in the archive"],
    );
    let refused = place.run(&[&["report", "audit"][..], &WINDOW].concat());
    assert_eq!(refused.code, Some(1));
    assert!(refused.err.contains(&segment) && refused.err.contains("restore a backup"));
    // One that was changed.
    let mut changed = bytes.clone();
    let middle = changed.len() / 2;
    changed[middle] ^= 1;
    fs::write(&path, changed).unwrap();
    assert_differs(&place, &made, &["is not what was written"]);
    fs::write(&path, bytes).unwrap();
    assert_eq!(again(&place, &made).0, Some(0));
}

#[test]
fn readings_that_were_let_go_are_named_as_the_reason() {
    let config = published::config(
        "[[feed.measure]]\nname = \"value\"\ncolumn = \"Value\"\nunit = \"um\"",
        "measure = \"value\"\nchart = \"individuals\"\nbaseline = 20\n\
         specification = { lower = 1.0, upper = 20.0, unit = \"um\", source = \"invented\" }",
    );
    let place = Place::bare(&config);
    let mut file = "At,Subgroup,Item,Value\n".to_owned();
    for subgroup in 0..144 {
        let (at, value) = (published::at(subgroup), 8 + subgroup * 7 % 5);
        file += &format!("{at},S{subgroup:03},1,{value}\n");
    }
    place.write("series/all.csv", file);
    place.replay();
    let made = pack(&place, &["--from", "2026-01-01", "--to", "2026-01-07"]);
    assert_eq!(table(&made, "segments").len(), 6);
    let keep = "[store]\nkeep_readings_days = 2\n";
    place.write("driftvane.toml", format!("{config}\n{keep}"));
    let mut daemon = place.watch();
    let gone = "readings were let go";
    crate::place::wait_until(gone, || place.log().contains(gone));
    daemon.signal("TERM");
    assert_eq!(daemon.ended(), Some(0));
    let words = ["let go by age", "readings in the archive", "segments"];
    let said = assert_differs(&place, &made, &words);
    let causes = said["causes"].to_string();
    assert!(causes.contains("readings before 2026-01-0"), "{said:#}");
    // A pack of what is left says so itself.
    let left = pack(&place, &["--from", "2026-01-01", "--to", "2026-01-07"]);
    let page = fs::read_to_string(left.join("audit.html")).unwrap();
    assert!(page.contains("were let go on") && page.contains("Not whole"));
}

#[test]
fn no_text_of_a_feed_becomes_markup_a_formula_or_a_path() {
    let hostile = "../=1+1<script>alert(1)</script>";
    let config = published::config(
        "[[feed.measure]]\nname = \"value\"\ncolumn = \"Value\"\nunit = \"um\"",
        "measure = \"value\"\nchart = \"individuals\"\nbaseline = 5\n\
         specification = { lower = 1.0, upper = 9.0, unit = \"um\", source = \"<b>=1\" }",
    );
    let config = config
        .replace(
            "product = { constant = \"sample\" }",
            "product = \"Product\"",
        )
        .replace(
            "group_by = [\"line\"]",
            "group_by = [\"line\", \"product\"]",
        );
    let place = Place::bare(&config);
    let mut file = "At,Subgroup,Item,Value,Product\n".to_owned();
    for subgroup in 0..12 {
        let value = if subgroup == 11 { 90 } else { 4 + subgroup % 3 };
        let at = published::at(subgroup);
        file += &format!("{at},\"=HYPERLINK(\"\"http://x/{subgroup}\"\")\",1,{value},{hostile}\n");
    }
    place.write("series/<img>.csv", file);
    place.replay();
    let window = ["--from", "2026-01-01", "--to", "2026-01-03"];
    let made = pack(&place, &[&window[..], &["--product", hostile]].concat());
    let reports = place.path("driftvane-data/reports");
    assert_eq!(made.parent(), Some(reports.as_path()));
    let page = fs::read_to_string(made.join("audit.html")).unwrap();
    for markup in [
        "<script",
        "<img",
        "<b>=1",
        "http-equiv=\"refresh",
        "src=",
        "url(",
    ] {
        assert!(!page.contains(markup), "{markup}");
    }
    assert!(page.contains("&lt;script&gt;"));
    for (name, bytes) in files(&made) {
        if !name.ends_with(".csv") {
            continue;
        }
        let text = String::from_utf8(bytes).unwrap();
        let formula =
            |line: &str| line.starts_with('=') || line.contains(",=") || line.contains(",\"=");
        assert!(!text.lines().any(formula), "{name}: {text}");
    }
    let signals = table(&made, "signals");
    assert_eq!(signals[0]["board"], "=HYPERLINK(\"http://x/11\")");
}

#[test]
fn a_request_for_what_is_not_there_is_refused_with_what_is() {
    let place = fed();
    let refused = |arguments: &[&str], code: i32, words: &str| {
        let answer = place.run(&[&["report", "audit"], arguments].concat());
        assert_eq!(answer.code, Some(code), "{arguments:?}: {}", answer.err);
        assert!(answer.err.contains(words), "{arguments:?}: {}", answer.err);
    };
    refused(&["--from", "2026-03-01"], 2, "--to");
    refused(
        &["--from", "yesterday", "--to", "2026-03-10"],
        2,
        "'yesterday' is not a time",
    );
    refused(
        &["--from", "2026-02-30", "--to", "2026-03-10"],
        2,
        "'2026-02-30' is not a time",
    );
    refused(
        &["--from", "2026-03-10", "--to", "2026-03-01"],
        2,
        "it has to begin (--from) before it ends (--to)",
    );
    let product = [&WINDOW[..], &["--product", "nothing-such"]].concat();
    refused(&product, 2, "there are: demo-controller");
    refused(
        &["--from", "2020-01-01", "--to", "2020-02-01"],
        1,
        "the record has events from 2026-03-02",
    );
    let both = [&WINDOW[..], &["--reproduce", "x"]].concat();
    refused(&both, 2, "cannot be used with");
    refused(&["--reproduce", "no-such-file"], 2, "no-such-file");
    let config = place.path("driftvane.toml");
    refused(
        &["--reproduce", &config.to_string_lossy()],
        2,
        "it is no file of figures",
    );
    let made = pack(
        &place,
        &[&WINDOW[..], &["--product", "demo-controller"]].concat(),
    );
    assert!(made.ends_with("audit-2026-03-01-to-2026-03-10-demo-controller"));
    let newer = fs::read_to_string(made.join("figures.json")).unwrap();
    fs::write(
        place.path("newer.json"),
        newer.replace("\"form\": 1", "\"form\": 2"),
    )
    .unwrap();
    let newer = place.path("newer.json");
    refused(
        &["--reproduce", &newer.to_string_lossy()],
        2,
        "use the program that made it",
    );
}

#[test]
fn a_pack_that_says_something_new_has_a_name_of_its_own() {
    let place = fed();
    let first = pack(&place, &WINDOW);
    place.ok(&[
        "alerts",
        "comment",
        "A-0001",
        "--by",
        "E",
        "--comment",
        "more",
    ]);
    let second = pack(&place, &WINDOW);
    assert_eq!(
        second.to_string_lossy(),
        format!("{}-r2", first.to_string_lossy())
    );
}
