//! A workbook is looked into with a reader of its own kind: headers, sums, packed parts.

use std::collections::BTreeMap;
use std::io::Read;

use flate2::Crc;
use flate2::read::DeflateDecoder;

use super::*;

fn number(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .rev()
        .fold(0, |number, byte| number << 8 | usize::from(*byte))
}

/// The parts of an archive by name, their sums compared.
fn parts(bytes: &[u8]) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    let mut at = 0;
    while bytes[at..].starts_with(b"PK\x03\x04") {
        let packed = number(&bytes[at + 18..at + 22]);
        let name_length = number(&bytes[at + 26..at + 28]);
        let from = at + 30 + name_length;
        let name = String::from_utf8(bytes[at + 30..from].to_vec()).unwrap();
        let mut text = String::new();
        DeflateDecoder::new(&bytes[from..from + packed])
            .read_to_string(&mut text)
            .unwrap();
        let mut sum = Crc::new();
        sum.update(text.as_bytes());
        assert_eq!(sum.sum() as usize, number(&bytes[at + 14..at + 18]));
        assert_eq!(text.len(), number(&bytes[at + 22..at + 26]));
        found.insert(name, text);
        at = from + packed;
    }
    assert!(bytes[at..].starts_with(b"PK\x01\x02"));
    found
}

fn sheet() -> Sheet {
    let mut sheet = Sheet::new("figures", 1, &["stream", "n", "mean"]);
    sheet.push(vec!["=1+1".into(), 3u64.into(), 0.1.into()]);
    sheet.push(vec!["<b>&\"\u{1b}".into(), Cell::Empty, 3.0.into()]);
    sheet.push(vec!["_x0041_ _x41_".into(), Cell::Empty, (-1e300).into()]);
    sheet
}

#[test]
fn text_stays_text_and_numbers_stay_whole() {
    let parts = parts(&xlsx(&[&sheet()]).unwrap());
    let page = &parts["xl/worksheets/sheet1.xml"];
    for wanted in [
        "<c r=\"A2\" t=\"inlineStr\"><is><t xml:space=\"preserve\">=1+1</t></is></c>",
        "<c r=\"B2\"><v>3</v></c><c r=\"C2\"><v>0.1</v></c>",
        "&lt;b&gt;&amp;&quot;\u{fffd}",
        "_x005F_x0041_ _x41_",
        "<v>-1e300</v>",
    ] {
        assert!(page.contains(wanted), "{wanted}: {page}");
    }
    assert!(!page.contains("<f>") && !page.contains("<b>"), "{page}");
    assert!(parts["xl/workbook.xml"].contains("<sheet name=\"figures\""));
}

#[test]
fn equal_tables_give_equal_bytes() {
    assert_eq!(xlsx(&[&sheet()]).unwrap(), xlsx(&[&sheet()]).unwrap());
}

#[test]
fn a_cell_holds_no_more_than_the_format_does() {
    let mut sheet = Sheet::new("long", 0, &["text"]);
    sheet.push(vec!["ä".repeat(40_000).into()]);
    let parts = parts(&xlsx(&[&sheet]).unwrap());
    let letters = parts["xl/worksheets/sheet1.xml"].matches('ä').count();
    assert_eq!(letters, CELL_TEXT_MAX - 1);
}

#[test]
fn columns_go_on_after_z() {
    let names = [0, 25, 26, 51, 52, 701, 702].map(column_name);
    assert_eq!(names, ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]);
}
