//! A pack made again and compared: all figures the same, or which differ and why.
//!
//! Explains no figure. The one invariant: a pack counts as reproduced only where every cell of
//! every table is the same, to the last digit.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::path::{Path, PathBuf};

use reports::tables::{Cell, Sheet};
use serde::Serialize;

use super::pack::{Figures, files, keep, read};
use super::scope::Scope;
use super::{About, Request, build, flawed, hex, program};
use crate::commands::{CommandError, parse_time};
use crate::config::Config;
use crate::output::{self, Format, Table};
use crate::store::Reader;

/// Differences that are told one by one.
const DIFFERENCES_MAX: usize = 1_000;

/// Differences that a person is shown.
const SHOWN_MAX: usize = 40;

/// Numbers as near as this, relative to their size, differ by how a computer rounds.
const ROUNDING: f64 = 1e-9;

/// What came of making a pack again.
#[derive(Debug, Serialize)]
struct Outcome {
    /// Whether all figures are the same.
    reproduced: bool,
    /// Figures of the pack.
    figures: u64,
    /// The digest of the file of figures as it was made again.
    digest: String,
    /// Where the pack was written, where it was reproduced.
    pack: Option<PathBuf>,
    /// How many differ.
    differing: u64,
    /// The first of those that differ.
    differences: Vec<Difference>,
    /// Why, as far as it is known.
    causes: Vec<String>,
}

/// A figure that differs.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Difference {
    table: String,
    row: String,
    figure: String,
    was: Cell,
    is: Cell,
}

/// Makes a pack again from its file of figures, and prints what came of it. Gives whether every
/// figure is the same.
///
/// # Errors
///
/// When the file is none, the record or archive can not be read, or standard output not written.
pub fn reproduce(
    config: &Config,
    reader: &Reader,
    path: &Path,
    format: Format,
) -> Result<bool, CommandError> {
    let before = read(path)?;
    let outcome = compare(config, reader, before)?;
    print(&outcome, format)?;
    Ok(outcome.reproduced)
}

fn request(config: &Config, about: &About) -> Result<Request, CommandError> {
    Ok(Request {
        from: parse_time(config, &about.from)?,
        to: parse_time(config, &about.to)?,
        product: about.product.clone(),
    })
}

fn compare(config: &Config, reader: &Reader, before: Figures) -> Result<Outcome, CommandError> {
    let request = request(config, &before.about)?;
    let scope = Scope::of(config, reader, &request)?;
    let flaws = flawed(reader, &scope.segments)?;
    let leave_out: BTreeSet<String> = flaws.iter().map(|(path, _)| path.clone()).collect();
    let is_same_record = is_continued(reader, &before.about)?;
    let moment = match is_same_record {
        true => reader.moment(before.about.entry)?,
        false => None,
    };
    let mut built = build((config, reader), &request, (&scope, moment), &leave_out)?;
    let mut found = Found::default();
    found.tables(&before.tables, &built.sheets);
    let (old, new) = (&before.about, &built.about);
    let mut causes: Vec<String> = flaws.into_iter().map(|(_, sentence)| sentence).collect();
    found.about(old, new, is_same_record);
    causes.extend(known_causes(reader, old, new, is_same_record, &found)?);
    let reproduced = found.count == 0;
    if reproduced {
        // What was made again is the pack itself: it says the entry and the program of its making.
        built.about = before.about;
    }
    let files = files(built)?;
    let pack = match reproduced {
        true => Some(keep(config, &request, &files)?),
        false => None,
    };
    Ok(Outcome {
        reproduced,
        figures: files.count,
        digest: files.digest,
        pack,
        differing: found.count,
        differences: found.differences,
        causes: if reproduced { Vec::new() } else { causes },
    })
}

/// Whether the record at hand holds the entry that a pack was made from.
fn is_continued(reader: &Reader, about: &About) -> Result<bool, CommandError> {
    let entry = reader.entry(about.entry)?;
    Ok(entry.is_some_and(|entry| hex(&entry.digest) == about.entry_digest))
}

/// What differs.
#[derive(Default)]
struct Found {
    count: u64,
    differences: Vec<Difference>,
    tables: BTreeSet<String>,
    is_rounding: Option<bool>,
}

impl Found {
    fn add(&mut self, difference: Difference) {
        self.count += 1;
        let near = match (&difference.was, &difference.is) {
            (Cell::Number(was), Cell::Number(is)) => {
                (was - is).abs() <= ROUNDING * was.abs().max(is.abs())
            }
            _ => false,
        };
        self.is_rounding = Some(self.is_rounding.unwrap_or(true) && near);
        self.tables.insert(difference.table.clone());
        if self.differences.len() < DIFFERENCES_MAX {
            self.differences.push(difference);
        }
    }

    /// What the pack says of itself that has to be the same. Another program or a longer record is
    /// no difference of figures.
    fn about(&mut self, old: &About, new: &About, is_same_record: bool) {
        let mut differ = |figure: &str, was: &str, is: &str| {
            if was != is {
                self.add(Difference {
                    table: "about".to_owned(),
                    row: String::new(),
                    figure: figure.to_owned(),
                    was: was.into(),
                    is: is.into(),
                });
            }
        };
        differ("plant", &old.plant, &new.plant);
        differ("time zone", &old.zone, &new.zone);
        differ("digest of the setting", &old.setting, &new.setting);
        if !is_same_record {
            differ(
                "newest entry's digest",
                &old.entry_digest,
                &new.entry_digest,
            );
        }
    }

    fn tables(&mut self, old: &[Sheet], new: &[Sheet]) {
        let names: BTreeSet<&str> = old.iter().chain(new).map(|one| one.name.as_str()).collect();
        for name in names {
            let is_it = |one: &&Sheet| one.name == name;
            match (old.iter().find(is_it), new.iter().find(is_it)) {
                (Some(old), Some(new)) => self.rows(old, new),
                (old, new) => self.add(Difference {
                    table: name.to_owned(),
                    row: String::new(),
                    figure: "the table".to_owned(),
                    was: presence(old.is_some()),
                    is: presence(new.is_some()),
                }),
            }
        }
    }

    /// Rows of the same name are compared in their order.
    fn rows(&mut self, old: &Sheet, new: &Sheet) {
        let mut left: BTreeMap<String, VecDeque<&Vec<Cell>>> = BTreeMap::new();
        for row in &new.rows {
            left.entry(key(new.keys, row)).or_default().push_back(row);
        }
        for row in &old.rows {
            let key = key(old.keys, row);
            match left.get_mut(&key).and_then(VecDeque::pop_front) {
                Some(other) => self.cells(old, new, (&key, row, other)),
                None => self.row(&old.name, key, (true, false)),
            }
        }
        for (key, rows) in left {
            for _ in rows {
                self.row(&old.name, key.clone(), (false, true));
            }
        }
    }

    fn row(&mut self, table: &str, row: String, (was, is): (bool, bool)) {
        self.add(Difference {
            table: table.to_owned(),
            row,
            figure: "the row".to_owned(),
            was: presence(was),
            is: presence(is),
        });
    }

    fn cells(&mut self, old: &Sheet, new: &Sheet, (key, was, is): (&str, &[Cell], &[Cell])) {
        let columns = old.columns.len().max(new.columns.len());
        for place in 0..columns {
            let (a, b) = (was.get(place), is.get(place));
            if a == b && old.columns.get(place) == new.columns.get(place) {
                continue;
            }
            let name = old.columns.get(place).or_else(|| new.columns.get(place));
            self.add(Difference {
                table: old.name.clone(),
                row: key.to_owned(),
                figure: name.cloned().unwrap_or_default(),
                was: a.cloned().unwrap_or(Cell::Empty),
                is: b.cloned().unwrap_or(Cell::Empty),
            });
        }
    }
}

fn presence(is_there: bool) -> Cell {
    if is_there { "there" } else { "not there" }.into()
}

fn key(keys: usize, row: &[Cell]) -> String {
    let cells: Vec<String> = row.iter().take(keys).map(words).collect();
    cells.join(", ")
}

fn words(cell: &Cell) -> String {
    match cell {
        Cell::Empty => "nothing".to_owned(),
        Cell::Count(count) => count.to_string(),
        Cell::Number(number) => number.to_string(),
        Cell::Text(text) => text.clone(),
    }
}

/// Why figures differ, as far as the record tells.
fn known_causes(
    reader: &Reader,
    old: &About,
    new: &About,
    is_same_record: bool,
    found: &Found,
) -> Result<Vec<String>, CommandError> {
    let mut causes = Vec::new();
    if old.program != program() {
        causes.push(format!(
            "another version of the program: {} made the pack, this is {}",
            old.program, new.program
        ));
    }
    if old.setting != new.setting {
        let words = "the configuration is another one in what makes points of rows (feeds, \
                     products, characteristics)";
        causes.push(words.to_owned());
    } else if found.is_configured() {
        let words = "the configuration is another one in specifications, detection or words of \
                     characteristics";
        causes.push(words.to_owned());
    }
    if found.tables.contains("let go") {
        for one in reader.let_go_since(i64::MIN)? {
            causes.push(format!(
                "{} {} before {} were let go by age",
                one.count,
                one.class,
                super::utc(one.before)
            ));
        }
    }
    causes.push(match (is_same_record, old.entry == new.entry) {
        (false, _) => format!(
            "it is another record, or its chain was changed: entry {} does not have the digest \
             that the pack names",
            old.entry
        ),
        (true, false) => format!(
            "the record went on from entry {} to {}: what came or was done since then is in it",
            old.entry, new.entry
        ),
        (true, true) => String::new(),
    });
    if found.is_rounding == Some(true) {
        let words = "all of them are numbers that differ in their last digits only: this computer \
                     rounds otherwise";
        causes.push(words.to_owned());
    }
    causes.retain(|cause| !cause.is_empty());
    Ok(causes)
}

impl Found {
    /// Whether something differs that the configuration says by itself.
    fn is_configured(&self) -> bool {
        let said = |one: &Difference| {
            let indices = ["unit", "lower limit", "target", "upper limit"];
            let streams = ["detection", "reaction plan", "unit"];
            match one.table.as_str() {
                "indices" => {
                    indices.contains(&one.figure.as_str())
                        || one.figure == "source of the specification"
                }
                "streams" => streams.contains(&one.figure.as_str()),
                _ => false,
            }
        };
        self.differences.iter().any(said)
    }
}

fn print(outcome: &Outcome, format: Format) -> Result<(), CommandError> {
    let mut table = Table::new(&["table", "row", "figure", "was", "is"]);
    let shown = match format {
        Format::Table => SHOWN_MAX,
        _ => DIFFERENCES_MAX,
    };
    for one in outcome.differences.iter().take(shown) {
        table.push(vec![
            one.table.as_str().into(),
            one.row.as_str().into(),
            one.figure.as_str().into(),
            words(&one.was).into(),
            words(&one.is).into(),
        ]);
    }
    if format != Format::Table {
        return Ok(output::print_rows(format, &table, outcome)?);
    }
    if let Some(pack) = &outcome.pack {
        return Ok(output::print(&format!(
            "reproduced: all {} figures are the same; the file of figures has the BLAKE3 digest \
             {}\n{}\n",
            outcome.figures,
            outcome.digest,
            pack.display()
        ))?);
    }
    output::print(&format!(
        "not reproduced: {} differences to the pack\n",
        outcome.differing
    ))?;
    output::print_rows(format, &table, outcome)?;
    let more = outcome.differing.saturating_sub(shown as u64);
    let mut lines = String::new();
    if more > 0 {
        lines += &format!("and {more} more (--format json has the first {DIFFERENCES_MAX})\n");
    }
    for cause in &outcome.causes {
        lines += &format!("why: {cause}\n");
    }
    if outcome.causes.is_empty() {
        lines += "why: not known; `driftvane verify` says whether the record is sound\n";
    }
    Ok(output::print(&lines)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(rows: &[(&str, f64)]) -> Sheet {
        let mut sheet = Sheet::new("figures", 1, &["stream", "mean"]);
        for (name, number) in rows {
            sheet.push(vec![(*name).into(), (*number).into()]);
        }
        sheet
    }

    fn differences(old: &Sheet, new: &Sheet) -> Found {
        let mut found = Found::default();
        found.tables(std::slice::from_ref(old), std::slice::from_ref(new));
        found
    }

    #[test]
    fn each_cell_and_row_that_differs_is_told() {
        let old = sheet(&[("a", 1.0), ("b", 2.0), ("b", 3.0), ("c", 4.0)]);
        assert_eq!(differences(&old, &old).count, 0);
        let found = differences(
            &old,
            &sheet(&[("a", 1.0), ("b", 2.5), ("b", 3.0), ("d", 4.0)]),
        );
        let told: Vec<String> = found
            .differences
            .iter()
            .map(|one| {
                let (was, is) = (words(&one.was), words(&one.is));
                format!("{} {} {was} {is}", one.row, one.figure)
            })
            .collect();
        let wanted = [
            "b mean 2 2.5",
            "c the row there not there",
            "d the row not there there",
        ];
        assert_eq!(told, wanted);
        assert_eq!(found.is_rounding, Some(false));
    }

    #[test]
    fn last_digits_alone_are_told_from_other_differences() {
        let old = sheet(&[("a", 1.0), ("b", 0.0)]);
        let near = differences(&old, &sheet(&[("a", 1.0 + 1e-15), ("b", 0.0)]));
        assert_eq!((near.count, near.is_rounding), (1, Some(true)));
        let far = differences(&old, &sheet(&[("a", 1.0 + 1e-15), ("b", 1e-300)]));
        assert_eq!((far.count, far.is_rounding), (2, Some(false)));
    }

    #[test]
    fn more_than_is_told_is_counted() {
        let rows = |by: f64| {
            let names: Vec<String> = (0..1_200).map(|row| row.to_string()).collect();
            let rows: Vec<(&str, f64)> = names.iter().map(|name| (&**name, by)).collect();
            sheet(&rows)
        };
        let found = differences(&rows(1.0), &rows(2.0));
        assert_eq!(
            (found.count, found.differences.len()),
            (1_200, DIFFERENCES_MAX)
        );
    }
}
