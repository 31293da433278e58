//! Lines, cells and files without end.
//!
//! The one invariant: what is too long is set aside with its reason, and memory stays as it was.

use std::fs;
use std::io::Write;

use crate::place::{Place, small_config, small_plant, text, wait_until};
use crate::tools::{is_long, peak_kib};

/// How much more memory a line without end may take, in KiB.
const MORE_KIB: u64 = 32 << 10;

/// A line without end: a gibibyte in the long form.
fn line_bytes() -> usize {
    if is_long() { 1 << 30 } else { 96 << 20 }
}

/// Writes a beginning, then as many bytes of a filling as make a line without end.
fn write_endless(place: &Place, name: &str, beginning: &[u8], filling: &str) {
    let part = place.path("away");
    let mut file = fs::File::create(&part).unwrap();
    file.write_all(beginning).unwrap();
    let block = filling.repeat((1 << 20) / filling.len());
    for _ in 0..line_bytes() / block.len() {
        file.write_all(block.as_bytes()).unwrap();
    }
    drop(file);
    fs::rename(&part, place.path(name)).unwrap();
}

#[test]
fn a_line_without_end_is_set_aside_and_memory_stays_flat() {
    let config = small_config(60).replace("settle_ms = 200", "settle_ms = 20");
    let place = Place::new(&config);
    let files: Vec<_> = small_plant()
        .paste_files(22, 60, 256)
        .unwrap()
        .take(12)
        .collect();
    let good = &files[0].content;
    let watching = place.watch();
    let known = |count: i64| place.files() == count;
    // As much as files of this kind take.
    let usual: Vec<u8> = files.iter().flat_map(|file| file.content.clone()).collect();
    place.write("paste/P000000_all.csv", &usual);
    files.iter().for_each(|file| place.deliver(file));
    wait_until("the usual files", || known(1 + files.len() as i64));
    let before = peak_kib(watching.id());
    let quoted = [&good[..good.len() - 200], b"\n\"P".as_slice()].concat();
    let cases: [(&str, &[u8], &str, &[&str]); 5] = [
        ("P900001_header.csv", b"", "x", &["F003", "F010"]),
        ("P900002_row.csv", good, "1", &["F010"]),
        ("P900003_cells.csv", good, "1,", &["F010"]),
        ("P900004_quote.csv", &quoted, "1,2", &["F010"]),
        (
            "P900005_header-cells.csv",
            b"Inspected at,",
            "a,b;",
            &["F003", "F010"],
        ),
    ];
    for (number, (name, beginning, filling, codes)) in (1..).zip(cases) {
        write_endless(&place, &format!("paste/{name}"), beginning, filling);
        wait_until(name, || known(1 + files.len() as i64 + number));
        let query = format!("SELECT verdict, code, rows_used FROM file WHERE path LIKE '%{name}'");
        let found = place.table(&query);
        let more = peak_kib(watching.id()).saturating_sub(before);
        println!("{name}: {found:?}, {more} KiB more than {before}");
        assert!(
            codes.iter().any(|code| found[0].contains(code)),
            "{name}: {found:?}"
        );
        assert!(found[0].contains("Integer(0)"), "{name}: {found:?}");
        assert!(more <= MORE_KIB, "{name}: {more} KiB more");
        fs::remove_file(place.path("paste").join(name)).unwrap();
    }
    watching.stop();
    place.assert_sound();
    place.assert_rows_add_up();
}

/// A file of nothing but rows that can not be used; a quote that is never closed is one of them.
#[test]
fn rows_without_end_that_can_not_be_used_are_counted_and_memory_stays_flat() {
    let place = Place::new(&small_config(60).replace("settle_ms = 200", "settle_ms = 20"));
    let plant = small_plant().undisturbed();
    let files: Vec<_> = plant.paste_files(26, 640, 256).unwrap().collect();
    let usual: Vec<u8> = files[2..]
        .iter()
        .flat_map(|file| file.content.clone())
        .collect();
    assert!(usual.len() > 10 << 20, "{} bytes", usual.len());
    let watching = place.watch();
    let known = |count: i64| place.files() == count;
    place.write("paste/P800000_usual.csv", &usual);
    wait_until("a large file", || known(1));
    // Looking up what explains an alert takes memory too, which is none of the rows'.
    assert_eq!(place.number("SELECT count(*) FROM alert"), 0);
    let before = peak_kib(watching.id());
    let [good, other] = [&files[0].content, &files[1].content];
    let end = other.len() - 3_000;
    let open_quote = [&other[..end], b"\n\"P".as_slice(), &other[end..]].concat();
    for (number, (name, beginning)) in
        (2..).zip([("P800001_x.csv", good), ("P800002_x.csv", &open_quote)])
    {
        let mut text = beginning.clone();
        let rows = if is_long() { 20 << 20 } else { 2 << 20 };
        text.extend(b"1,2\n".repeat(rows));
        place.write(&format!("paste/{name}"), &text);
        wait_until(name, || known(number));
        let query = format!("SELECT rows_used, rows_rejected FROM file WHERE path LIKE '%{name}'");
        let found = place.table(&query);
        let more = peak_kib(watching.id()).saturating_sub(before);
        println!("{name}: {found:?}, {more} KiB more than {before}");
        let rejected = format!("SELECT rows_rejected FROM file WHERE path LIKE '%{name}'");
        assert!(place.number(&rejected) >= rows as i64, "{found:?}");
        assert!(more <= MORE_KIB, "{name}: {more} KiB more");
    }
    watching.stop();
    // Of so many rows a thousand are kept a file; all are counted.
    let kept = place.number("SELECT max(n) FROM (SELECT count(*) n FROM reject GROUP BY file)");
    assert_eq!(kept, 1_000);
    let apart = "SELECT count(*) FROM file
        WHERE rows_read <> rows_used + rows_rejected + rows_duplicate";
    assert_eq!(place.number(apart), 0);
    place.assert_sound();
}

/// What has to be converted in memory as a whole has a bound of its own.
#[test]
fn a_file_too_large_to_be_converted_is_set_aside() {
    let place = Place::new(&small_config(60));
    let path = place.path("paste/P000001_x.csv");
    let mut file = fs::File::create(&path).unwrap();
    file.write_all(b"\xff\xfeP\0a\0").unwrap();
    file.set_len((64 << 20) + 2).unwrap();
    let answer = place.run(&["replay"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    let aside = place.json(&["quarantine", "list"]);
    let reason = text(&aside[0], "reason");
    assert!(reason.contains("64 MiB"), "{reason}");
    place.assert_sound();
}
