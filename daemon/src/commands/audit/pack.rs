//! A pack as a folder: the page, the workbook, the tables, and the file of all figures.
//!
//! Knows no figure. The invariants: a reader sees a whole pack or none; one that says something new
//! gets a name of its own, and one that says the same is not written again.

use std::fs::{self, File};
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};

use reports::tables::Sheet;
use serde::{Deserialize, Serialize};

use super::{About, Built, Request, sound, source};
use crate::commands::CommandError;
use crate::config::Config;
use crate::shifts::file_part;
use crate::store::Reader;

/// The form of the file of figures.
const FORM: u32 = 1;

/// The file of figures within a pack.
pub(super) const FIGURES: &str = "figures.json";

/// Bytes of a file of figures that is read.
const FIGURES_BYTES_MAX: u64 = 256 << 20;

/// Packs about the same window and product; a folder that has more is refused.
const REVISIONS_MAX: u32 = 1_000;

/// Characters of a product in the name of a folder.
const NAME_MAX: usize = 40;

/// The file of figures.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Figures {
    form: u32,
    pub(super) about: About,
    pub(super) tables: Vec<Sheet>,
}

/// A pack as it is written: file names with their bytes.
pub(super) struct Files {
    pub(super) figures: Vec<u8>,
    pub(super) digest: String,
    pub(super) count: u64,
    others: Vec<(String, Vec<u8>)>,
}

/// Makes a pack and tells where it is.
///
/// # Errors
///
/// When the request names nothing that is there, the record or the archive is not sound, or the
/// folder can not be written.
pub fn make(config: &Config, reader: &Reader, request: &Request) -> Result<PathBuf, CommandError> {
    let files = files(sound(config, reader, request)?)?;
    keep(config, request, &files)
}

/// Figures are the cells that hold something and are no key.
fn count(tables: &[Sheet]) -> u64 {
    let filled = |row: &Vec<reports::tables::Cell>, keys: usize| {
        let cells = row.iter().skip(keys);
        let some = cells.filter(|cell| **cell != reports::tables::Cell::Empty);
        some.count() as u64
    };
    let table = |one: &Sheet| {
        one.rows
            .iter()
            .map(|row| filled(row, one.keys))
            .sum::<u64>()
    };
    tables.iter().map(table).sum()
}

/// Writes what was built into files.
pub(super) fn files(built: Built) -> Result<Files, CommandError> {
    let Built {
        about,
        mut view,
        sheets,
    } = built;
    let wrap = |source: io::Error| CommandError::Report {
        path: FIGURES.into(),
        source,
    };
    let figures = written(&about, &sheets).map_err(|error| wrap(error.into()))?;
    let digest = blake3::hash(&figures).to_hex().to_string();
    let count = count(&sheets);
    view.source = source(&about, (FIGURES, &digest, count));
    let mut others = Vec::new();
    for sheet in &sheets {
        let file = format!("tables/{}.csv", sheet.name.replace(' ', "-"));
        view.tables.push(reports::audit::view::TableLine {
            name: sheet.name.clone(),
            file: file.clone(),
            rows: sheet.rows.len() as u64,
        });
        others.push((file, sheet.csv().into_bytes()));
    }
    let first = about_sheet(&about, &digest);
    let all: Vec<&Sheet> = std::iter::once(&first).chain(&sheets).collect();
    let workbook = reports::xlsx(&all).map_err(wrap)?;
    others.push(("figures.xlsx".to_owned(), workbook));
    let page = reports::audit::audit_page(&view)?;
    others.push(("audit.html".to_owned(), page.into_bytes()));
    Ok(Files {
        figures,
        digest,
        count,
        others,
    })
}

/// A line a row, so that a person can compare two such files.
fn written(about: &About, tables: &[Sheet]) -> serde_json::Result<Vec<u8>> {
    let mut text = format!("{{\n\"form\": {FORM},\n\"about\": ").into_bytes();
    serde_json::to_writer(&mut text, about)?;
    text.extend(b",\n\"tables\": [");
    for (place, sheet) in tables.iter().enumerate() {
        text.extend(if place > 0 { ",\n" } else { "\n" }.bytes());
        let head = serde_json::json!({ "name": sheet.name, "keys": sheet.keys });
        let head = head.to_string();
        text.extend(head.trim_end_matches('}').bytes());
        text.extend(b", \"columns\": ");
        serde_json::to_writer(&mut text, &sheet.columns)?;
        text.extend(b", \"rows\": [");
        for (place, row) in sheet.rows.iter().enumerate() {
            text.extend(if place > 0 { ",\n" } else { "\n" }.bytes());
            serde_json::to_writer(&mut text, row)?;
        }
        text.extend(b"]}");
    }
    text.extend(b"\n]\n}\n");
    Ok(text)
}

/// What the workbook says of itself.
fn about_sheet(about: &About, digest: &str) -> Sheet {
    let mut sheet = Sheet::new("about", 1, &["what", "is"]);
    let product = about.product.as_deref().unwrap_or("all");
    let entry = about.entry.to_string();
    for (what, is) in [
        ("plant", about.plant.as_str()),
        ("time zone of the plant", &about.zone),
        ("from", &about.from),
        ("up to", &about.to),
        ("product", product),
        ("program", &about.program),
        ("newest entry of the record", &entry),
        ("digest of that entry", &about.entry_digest),
        ("digest of the setting", &about.setting),
        ("file of figures", FIGURES),
        ("BLAKE3 of that file", digest),
    ] {
        sheet.push(vec![what.into(), is.into()]);
    }
    sheet
}

/// Reads the file of figures of a pack, which may be named by the pack's folder.
pub(super) fn read(path: &Path) -> Result<Figures, CommandError> {
    let inside = path.join(FIGURES);
    let path = if path.is_dir() { &inside } else { path };
    let wrong = |why: String| {
        CommandError::Usage(format!(
            "{}: {why}; name a pack's {FIGURES}, or its folder",
            path.display()
        ))
    };
    let file = File::open(path).map_err(|error| wrong(error.to_string()))?;
    let size = file.metadata().map_or(0, |found| found.len());
    if size > FIGURES_BYTES_MAX {
        return Err(wrong(format!(
            "{size} bytes are more than the {FIGURES_BYTES_MAX} that such a file may have"
        )));
    }
    let mut text = Vec::new();
    let mut limited = BufReader::new(file).take(FIGURES_BYTES_MAX);
    limited
        .read_to_end(&mut text)
        .map_err(|error| wrong(error.to_string()))?;
    let found: Figures = serde_json::from_slice(&text)
        .map_err(|error| wrong(format!("it is no file of figures: {error}")))?;
    if found.form != FORM {
        return Err(wrong(format!(
            "it has the form {}, this program knows {FORM}: use the program that made it, {}",
            found.form, found.about.program
        )));
    }
    Ok(found)
}

/// The name of a pack's folder. No text of a request leads out of the folder of reports.
fn name(config: &Config, request: &Request) -> String {
    let day = |at: i64| {
        let zoned = jiff::Timestamp::from_microsecond(at)
            .unwrap_or(jiff::Timestamp::UNIX_EPOCH)
            .to_zoned_datetime(config.zone.clone());
        let is_midnight = zoned.time() == jiff::civil::Time::midnight();
        let form = if is_midnight {
            "%Y-%m-%d"
        } else {
            "%Y-%m-%dT%H%M%S"
        };
        zoned.strftime(form).to_string()
    };
    let product = request.product.as_ref().map_or_else(String::new, |name| {
        let part: String = file_part(name).chars().take(NAME_MAX).collect();
        format!("-{part}")
    });
    format!(
        "audit-{}-to-{}{product}",
        day(request.from),
        day(request.to)
    )
}

/// Whether a folder among the reports has the name of a pack that is whole.
#[must_use]
pub fn is_pack(name: &str) -> bool {
    let is_letter = |c: char| c.is_alphanumeric() || c == '-';
    name.starts_with("audit-") && name.chars().all(is_letter)
}

/// Writes a pack where the reports are, and tells where. One that is there already is left.
pub(super) fn keep(
    config: &Config,
    request: &Request,
    files: &Files,
) -> Result<PathBuf, CommandError> {
    let name = name(config, request);
    let _alone = alone(&config.report_folder).map_err(|source| CommandError::Report {
        path: config.report_folder.clone(),
        source,
    })?;
    for revision in 1..=REVISIONS_MAX {
        let suffix = match revision {
            1 => String::new(),
            revision => format!("-r{revision}"),
        };
        let folder = config.report_folder.join(format!("{name}{suffix}"));
        if !folder.exists() {
            write_folder(&folder, files).map_err(|source| CommandError::Report {
                path: folder.clone(),
                source,
            })?;
            return Ok(folder);
        }
        if is_there(&folder, files) {
            return Ok(folder);
        }
    }
    Err(CommandError::Refused(format!(
        "{} has {REVISIONS_MAX} packs named {name}; move some of them away",
        config.report_folder.display()
    )))
}

/// Waits until nobody else writes a pack into the folder, as the page and a command may at once:
/// they would mix their files. Where a file system knows no such lock, that can not be kept out.
fn alone(folder: &Path) -> io::Result<File> {
    fs::create_dir_all(folder)?;
    let place = File::open(folder)?;
    if let Err(error) = place.lock() {
        tracing::debug!(%error, folder = %folder.display(), "the folder knows no lock");
    }
    Ok(place)
}

fn is_there(folder: &Path, files: &Files) -> bool {
    let same =
        |name: &str, bytes: &[u8]| fs::read(folder.join(name)).is_ok_and(|found| found == bytes);
    let mut others = files.others.iter();
    same(FIGURES, &files.figures) && others.all(|(name, bytes)| same(name, bytes))
}

/// The folder gets its name when all of it is on the disk; of a half one nothing is left.
fn write_folder(folder: &Path, files: &Files) -> io::Result<()> {
    let part = folder.with_extension("part");
    let parent = folder.parent().unwrap_or(Path::new("."));
    let write = || {
        if part.exists() {
            fs::remove_dir_all(&part)?;
        }
        fs::create_dir_all(part.join("tables"))?;
        let first = (FIGURES, files.figures.as_slice());
        let others = files.others.iter();
        let others = others.map(|(name, bytes)| (name.as_str(), bytes.as_slice()));
        for (name, bytes) in std::iter::once(first).chain(others) {
            let mut file = File::create(part.join(name))?;
            file.write_all(bytes)?;
            file.sync_all()?;
        }
        File::open(part.join("tables"))?.sync_all()?;
        File::open(&part)?.sync_all()?;
        fs::rename(&part, folder)?;
        File::open(parent)?.sync_all()
    };
    write().inspect_err(|_| {
        if let Err(left) = fs::remove_dir_all(&part) {
            tracing::debug!(%left, part = %part.display(), "nothing to take away");
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packs_that_are_written_at_the_same_time_are_whole_and_do_not_mix() {
        let base = std::env::temp_dir().join(format!("driftvane-packs-{}", std::process::id()));
        fs::remove_dir_all(&base).ok();
        let text = "[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\n\
            [[shift]]\nname = \"day\"\nstarts = \"00:00\"\n\
            [[feed]]\nname = \"p\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"p\"\n\
            time = { columns = [\"At\"], format = \"rfc3339\" }\n\
            measure = [{ name = \"height\", column = \"H\", unit = \"um\" }]\n\
            [feed.roles]\npanel = \"Panel\"\n";
        let config = crate::config::read::read(text, &base).unwrap();
        let request = Request {
            from: 0,
            to: 86_400_000_000,
            product: None,
        };
        // Each pack says something else, and four of them the same as another.
        let files = |mark: u8| Files {
            figures: vec![mark; 1 << 18],
            digest: String::new(),
            count: 0,
            others: (0..12)
                .map(|number| (format!("tables/{number}.csv"), vec![mark; 1 << 12]))
                .collect(),
        };
        let kept: Vec<(u8, PathBuf)> = std::thread::scope(|scope| {
            let keep = |mark: u8| (mark, keep(&config, &request, &files(mark)).unwrap());
            let all: Vec<_> = (0..8)
                .map(|mark| scope.spawn(move || keep(mark / 2)))
                .collect();
            all.into_iter().map(|one| one.join().unwrap()).collect()
        });
        for (mark, path) in &kept {
            assert!(is_there(path, &files(*mark)), "{}", path.display());
        }
        let mut names: Vec<String> = fs::read_dir(&config.report_folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        let name = "audit-1970-01-01-to-1970-01-02";
        let expected = ["", "-r2", "-r3", "-r4"].map(|end| format!("{name}{end}"));
        assert_eq!(names, expected);
        fs::remove_dir_all(&base).unwrap();
    }
}
