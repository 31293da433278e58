//! Tables as a workbook (Office Open XML, ISO/IEC 29500): one sheet a table.
//!
//! Must not know what a row means. Invariants: text is written as text, so it can not become a
//! formula; equal tables give equal bytes, for no time of day is written.

use std::io::{self, Write};

use crate::markup::escape;
use crate::tables::{Cell, Sheet};

mod zip;

use zip::Zip;

/// Rows of a sheet, the names of its columns included: the format has no more.
const SHEET_ROWS_MAX: usize = 1_048_576;

/// Characters of a cell: the format has no more.
const CELL_TEXT_MAX: usize = 32_767;

/// Characters that a column is made wide for.
const COLUMN_WIDTH_MAX: usize = 60;

/// Rows that the width of a column is taken from.
const WIDTH_ROWS: usize = 200;

const DECLARATION: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\" standalone=\"yes\"?>\n";
const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
const DOCUMENT: &str = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
const PACKAGE: &str = "http://schemas.openxmlformats.org/package/2006/relationships";
const TYPES: &str = "http://schemas.openxmlformats.org/package/2006/content-types";
const KIND: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml";

/// Two formats of cells: as it comes, and bold for the names of columns.
const STYLES: &str = "<fonts count=\"2\"><font><sz val=\"10\"/><name val=\"Arial\"/></font>\
<font><b/><sz val=\"10\"/><name val=\"Arial\"/></font></fonts>\
<fills count=\"2\"><fill><patternFill patternType=\"none\"/></fill>\
<fill><patternFill patternType=\"gray125\"/></fill></fills>\
<borders count=\"1\"><border><left/><right/><top/><bottom/><diagonal/></border></borders>\
<cellStyleXfs count=\"1\"><xf numFmtId=\"0\" fontId=\"0\" fillId=\"0\" borderId=\"0\"/>\
</cellStyleXfs>\
<cellXfs count=\"2\"><xf numFmtId=\"0\" fontId=\"0\" fillId=\"0\" borderId=\"0\" xfId=\"0\"/>\
<xf numFmtId=\"0\" fontId=\"1\" fillId=\"0\" borderId=\"0\" xfId=\"0\" applyFont=\"1\"/></cellXfs>\
<cellStyles count=\"1\"><cellStyle name=\"Normal\" xfId=\"0\" builtinId=\"0\"/></cellStyles>";

/// Writes tables as a workbook.
///
/// # Errors
///
/// When it would be larger than the format allows.
pub fn xlsx(sheets: &[&Sheet]) -> io::Result<Vec<u8>> {
    let mut zip = Zip::default();
    zip.add("[Content_Types].xml", |part| {
        content_types(part, sheets.len())
    })?;
    zip.add("_rels/.rels", |part| {
        write!(
            part,
            "{DECLARATION}<Relationships xmlns=\"{PACKAGE}\"><Relationship Id=\"rId1\" \
             Type=\"{DOCUMENT}/officeDocument\" Target=\"xl/workbook.xml\"/></Relationships>"
        )
    })?;
    zip.add("xl/workbook.xml", |part| workbook(part, sheets))?;
    zip.add("xl/_rels/workbook.xml.rels", |part| {
        relations(part, sheets.len())
    })?;
    zip.add("xl/styles.xml", |part| {
        write!(
            part,
            "{DECLARATION}<styleSheet xmlns=\"{MAIN}\">{STYLES}</styleSheet>"
        )
    })?;
    for (place, sheet) in (1..).zip(sheets) {
        let name = format!("xl/worksheets/sheet{place}.xml");
        zip.add(&name, |part| worksheet(part, sheet))?;
    }
    zip.finish()
}

fn content_types(part: &mut dyn Write, sheets: usize) -> io::Result<()> {
    write!(
        part,
        "{DECLARATION}<Types xmlns=\"{TYPES}\"><Default Extension=\"rels\" \
         ContentType=\"application/vnd.openxmlformats-package.relationships+xml\"/>\
         <Default Extension=\"xml\" ContentType=\"application/xml\"/>\
         <Override PartName=\"/xl/workbook.xml\" ContentType=\"{KIND}.sheet.main+xml\"/>\
         <Override PartName=\"/xl/styles.xml\" ContentType=\"{KIND}.styles+xml\"/>"
    )?;
    for place in 1..=sheets {
        write!(
            part,
            "<Override PartName=\"/xl/worksheets/sheet{place}.xml\" \
             ContentType=\"{KIND}.worksheet+xml\"/>"
        )?;
    }
    part.write_all(b"</Types>")
}

fn workbook(part: &mut dyn Write, sheets: &[&Sheet]) -> io::Result<()> {
    write!(
        part,
        "{DECLARATION}<workbook xmlns=\"{MAIN}\" xmlns:r=\"{DOCUMENT}\"><sheets>"
    )?;
    for (place, sheet) in (1..).zip(sheets) {
        let name = escape(&sheet.name);
        write!(
            part,
            "<sheet name=\"{name}\" sheetId=\"{place}\" r:id=\"rId{place}\"/>"
        )?;
    }
    part.write_all(b"</sheets></workbook>")
}

fn relations(part: &mut dyn Write, sheets: usize) -> io::Result<()> {
    write!(part, "{DECLARATION}<Relationships xmlns=\"{PACKAGE}\">")?;
    for place in 1..=sheets {
        write!(
            part,
            "<Relationship Id=\"rId{place}\" Type=\"{DOCUMENT}/worksheet\" \
             Target=\"worksheets/sheet{place}.xml\"/>"
        )?;
    }
    let styles = sheets + 1;
    write!(
        part,
        "<Relationship Id=\"rId{styles}\" Type=\"{DOCUMENT}/styles\" Target=\"styles.xml\"/>\
         </Relationships>"
    )
}

/// The names of the columns stay in sight while rows are scrolled.
fn worksheet(part: &mut dyn Write, sheet: &Sheet) -> io::Result<()> {
    if sheet.rows.len() >= SHEET_ROWS_MAX {
        return Err(io::Error::other(format!(
            "the table \"{}\" has {} rows; a workbook holds {SHEET_ROWS_MAX}",
            sheet.name,
            sheet.rows.len()
        )));
    }
    write!(
        part,
        "{DECLARATION}<worksheet xmlns=\"{MAIN}\"><sheetViews><sheetView workbookViewId=\"0\">\
         <pane ySplit=\"1\" topLeftCell=\"A2\" activePane=\"bottomLeft\" state=\"frozen\"/>\
         </sheetView></sheetViews>"
    )?;
    if !sheet.columns.is_empty() {
        part.write_all(b"<cols>")?;
        for column in 0..sheet.columns.len() {
            let (number, width) = (column + 1, width(sheet, column));
            write!(
                part,
                "<col min=\"{number}\" max=\"{number}\" width=\"{width}\" customWidth=\"1\"/>"
            )?;
        }
        part.write_all(b"</cols>")?;
    }
    part.write_all(b"<sheetData>")?;
    let names: Vec<String> = (0..sheet.columns.len()).map(column_name).collect();
    part.write_all(b"<row r=\"1\">")?;
    for (name, column) in names.iter().zip(&sheet.columns) {
        text(part, &format!("{name}1\" s=\"1"), column)?;
    }
    part.write_all(b"</row>")?;
    for (number, row) in (2..).zip(&sheet.rows) {
        write!(part, "<row r=\"{number}\">")?;
        for (name, cell) in names.iter().zip(row) {
            match cell {
                Cell::Empty => {}
                Cell::Count(count) => {
                    write!(part, "<c r=\"{name}{number}\"><v>{count}</v></c>")?;
                }
                Cell::Number(value) => {
                    write!(part, "<c r=\"{name}{number}\"><v>{value:?}</v></c>")?;
                }
                Cell::Text(words) => text(part, &format!("{name}{number}"), words)?,
            }
        }
        part.write_all(b"</row>")?;
    }
    part.write_all(b"</sheetData></worksheet>")
}

fn text(part: &mut dyn Write, place: &str, words: &str) -> io::Result<()> {
    let cut: String;
    let words = if words.chars().nth(CELL_TEXT_MAX).is_some() {
        cut = words.chars().take(CELL_TEXT_MAX - 1).chain(['…']).collect();
        cut.as_str()
    } else {
        words
    };
    let words = escape(&unlike_a_code(words));
    write!(
        part,
        "<c r=\"{place}\" t=\"inlineStr\"><is><t xml:space=\"preserve\">{words}</t></is></c>"
    )
}

/// Text that looks like the code of a character in the format, such as `_x0041_`, is read as that
/// character, unless its first letter is written as a code.
fn unlike_a_code(text: &str) -> String {
    let is_code = |rest: &str| {
        let rest = rest.as_bytes();
        rest.len() >= 7
            && rest[1] == b'x'
            && rest[6] == b'_'
            && rest[2..6].iter().all(u8::is_ascii_hexdigit)
    };
    let mut out = String::with_capacity(text.len());
    for (place, letter) in text.char_indices() {
        if letter == '_' && is_code(&text[place..]) {
            out.push_str("_x005F_");
        } else {
            out.push(letter);
        }
    }
    out
}

/// The letters of a column: A to Z, AA, AB, ...
fn column_name(place: usize) -> String {
    let mut rest = place + 1;
    let mut letters = Vec::new();
    while rest > 0 {
        letters.push(b'A' + u8::try_from((rest - 1) % 26).unwrap_or(0));
        rest = (rest - 1) / 26;
    }
    letters.reverse();
    String::from_utf8(letters).unwrap_or_default()
}

fn width(sheet: &Sheet, column: usize) -> usize {
    let cells = sheet.rows.iter().take(WIDTH_ROWS);
    let shown = cells
        .filter_map(|row| row.get(column))
        .map(|cell| match cell {
            Cell::Empty => 0,
            Cell::Count(count) => count.to_string().len(),
            Cell::Number(_) => 12,
            Cell::Text(text) => text.chars().count(),
        });
    let name = sheet.columns[column].chars().count();
    shown.max().unwrap_or(0).max(name).min(COLUMN_WIDTH_MAX) + 2
}

#[cfg(test)]
mod tests;
