//! Reads feeds: where their files are, how they are written, what they measure.
//!
//! Knows no product beyond its name and opens no folder. The invariant: what a feed offers is
//! noted even where the feed is faulty, so that one fault is not reported twice.

use std::path::Path;

use jiff::tz::TimeZone;

use super::roles::{self, Evidence};
use super::table::{Item, Table, Unique};
use super::{Places, resolve, time};
use crate::config::{CallMap, Csv, Feed, Header, Layout, Measure, Shift, Steps};
use crate::words::{Role, Station};

/// What the rest of the file says that feeds depend on.
pub(super) struct Context<'c> {
    pub(super) base: &'c Path,
    /// The plant's zone; absent where it is faulty.
    pub(super) zone: Option<TimeZone>,
    pub(super) products: &'c [String],
    pub(super) places: &'c Places,
    pub(super) shifts: &'c [Shift],
}

/// What a feed offers to characteristics and specifications.
pub(super) struct Offer {
    /// Absent where it is faulty: then it may be any.
    pub(super) station: Option<Station>,
    pub(super) line: Option<String>,
    pub(super) roles: Vec<Role>,
    /// Measures with their units.
    pub(super) measures: Vec<(String, Option<String>)>,
    /// A long layout: test steps are known only when they come.
    pub(super) any_step: bool,
    pub(super) lists_failures_only: bool,
}

impl Offer {
    pub(super) fn measures(&self, name: &str) -> bool {
        self.any_step || self.measures.iter().any(|(measure, _)| measure == name)
    }

    pub(super) fn is_at(&self, station: Option<Station>) -> bool {
        self.station.is_none() || station.is_none() || self.station == station
    }
}

/// The names of the stations, as they are written.
pub(super) const STATIONS: [(&str, Station); 3] = [
    ("paste", Station::Paste),
    ("optical", Station::Optical),
    ("function", Station::Function),
];

/// The names of measures that mean verdicts.
pub(super) const VERDICTS: [&str; 3] = ["calls", "confirmed", "false_calls"];

/// Reads all feeds; what each offers is there for faulty ones too.
pub(super) fn read_all(top: &Table<'_>, context: &Context<'_>) -> (Vec<Feed>, Vec<Offer>) {
    let tables = top.need_tables("feed", "add [[feed]] with the folder of a station's files");
    let mut names = Unique::new("a feed named");
    let mut files = Unique::new("a feed of the files");
    let (mut feeds, mut offers) = (Vec::new(), Vec::new());
    for table in &tables {
        let place = read_place(table, context, &mut names, &mut files);
        let (feed, offer) = read_feed(table, context, place);
        table.finish();
        feeds.extend(feed);
        offers.push(offer);
    }
    (feeds, offers)
}

/// The keys of a feed that say whose files it reads, where and when.
struct Place {
    name: Option<String>,
    line: Option<String>,
    station: Option<Station>,
    folder: Option<std::path::PathBuf>,
    pattern: String,
}

fn read_place(
    table: &Table<'_>,
    context: &Context<'_>,
    names: &mut Unique,
    files: &mut Unique,
) -> Place {
    let name = table.need("name", "\"paste-1\"");
    let name = name.and_then(|item| item.text().inspect(|name| names.add(name, &item)));
    let line = table.text("line", "\"L1\"");
    let station = table
        .need("station", "\"paste\"")
        .and_then(|item| item.choice(&STATIONS));
    let pattern = table
        .text_if("pattern")
        .unwrap_or_else(|| "*.csv".to_owned());
    let folder = table.need("folder", "\"results/paste\"").and_then(|item| {
        let folder = resolve(context.base, &item.text()?);
        files.add(&folder.join(&pattern).display().to_string(), &item);
        let places = context.places;
        if folder.starts_with(&places.data) || folder.starts_with(&places.reports) {
            item.fault(
                "is where the program itself writes",
                "give the folder of the station",
            );
        }
        Some(folder)
    });
    Place {
        name,
        line,
        station,
        folder,
        pattern,
    }
}

fn read_feed(table: &Table<'_>, context: &Context<'_>, place: Place) -> (Option<Feed>, Offer) {
    let grows = table.flag_or("grows", false);
    let lists_failures_only =
        table.choice_or("lists", &[("all", false), ("failures", true)], false);
    let settle_ms = table.whole_or("settle_ms", 0..=600_000, 500);
    let poll = table.choice_or("watch", &[("hints", false), ("poll", true)], false);
    let scan_seconds = table.whole_or("scan_seconds", 1..=3_600, 10);
    let silent = table
        .get("silent_after_minutes")
        .and_then(|item| item.whole(&(1..=100_000)));
    let silent_in = read_silent_in(table, context.shifts);
    let csv_table = table.table("csv");
    let csv = read_csv(csv_table.as_ref());
    let file_name = table.table("file_name").map(|table| read_file_name(&table));
    let evidence = evidence_of(csv.as_ref(), file_name.as_ref(), context);

    let time = match table.need("time", "{ columns = [\"Time\"], format = \"rfc3339\" }") {
        Some(item) => item
            .table()
            .and_then(|table| time::read(&table, &evidence, context)),
        None => None,
    };
    let mut read_roles = roles::read(table.table("roles").as_ref(), &evidence);
    let measured = read_layout(table, &evidence, &mut read_roles);
    check_content(table, &measured, &read_roles, lists_failures_only);
    let offer = Offer {
        station: place.station,
        line: place.line.clone(),
        roles: read_roles.offered,
        measures: measured.offered,
        any_step: measured.is_long,
        lists_failures_only,
    };
    let feed = || {
        Some(Feed {
            name: place.name?,
            line: place.line?,
            station: place.station?,
            folder: place.folder?,
            pattern: place.pattern,
            grows,
            lists_failures_only,
            settle_ms: u64::from(settle_ms),
            poll,
            scan_ms: u64::from(scan_seconds) * 1_000,
            silent_after_s: silent.map(|minutes| u64::from(minutes) * 60),
            silent_in,
            csv: csv?,
            file_name: file_name.flatten().map(|(pattern, _)| pattern),
            time: time?,
            roles: read_roles.roles,
            call: read_roles.call,
            review: read_roles.review,
            layout: measured.layout?,
        })
    };
    (feed(), offer)
}

/// The shifts in which silence counts.
fn read_silent_in(table: &Table<'_>, shifts: &[Shift]) -> Vec<String> {
    let Some(item) = table.get("silent_in") else {
        return Vec::new();
    };
    let names = item.texts().unwrap_or_default();
    let unknown = |name: &&String| !shifts.iter().any(|shift| shift.name == **name);
    if let Some(name) = names.iter().find(unknown)
        && !shifts.is_empty()
    {
        item.fault(
            format!("no shift is called {name:?}"),
            "write names of [[shift]], or leave it out for all",
        );
    }
    names
}

/// What sources of this feed may refer to.
fn evidence_of<'c>(
    csv: Option<&Csv>,
    file_name: Option<&Option<(String, Vec<String>)>>,
    context: &Context<'c>,
) -> Evidence<'c> {
    let captures = match file_name {
        None => Some(Vec::new()),
        Some(read) => read.as_ref().map(|(_, captures)| captures.clone()),
    };
    let has_preamble = csv.is_none_or(|csv| !matches!(csv.header, Header::AfterLines(0)));
    Evidence {
        captures,
        has_preamble,
        products: context.products,
    }
}

/// Reports a feed that gives nothing to chart or count.
fn check_content(table: &Table<'_>, measured: &Measured, read: &roles::Read, failures: bool) {
    let verdict = read
        .offered
        .iter()
        .any(|role| matches!(role, Role::Call | Role::Review));
    if !failures && !verdict && !measured.is_long && measured.offered.is_empty() {
        table.fault(
            "gives neither a measure nor a call",
            "add [[feed.measure]] or roles.call",
        );
    }
}

fn read_csv(table: Option<&Table<'_>>) -> Option<Csv> {
    let Some(table) = table else {
        let header = Header::AfterLines(0);
        let encoding = encoding_rs::UTF_8;
        return Some(Csv {
            delimiter: b',',
            quote: b'"',
            decimal: b'.',
            encoding,
            header,
        });
    };
    let delimiter_item = table.get("delimiter");
    let delimiter = delimiter_item.as_ref().map_or(Some(b','), read_mark);
    let quote_item = table.get("quote");
    let quote = quote_item.as_ref().map_or(Some(b'"'), read_mark);
    let decimal_item = table.get("decimal");
    let decimal = decimal_item
        .as_ref()
        .map_or(Some(b'.'), |item| item.choice(&[(".", b'.'), (",", b',')]));
    let encoding = table
        .get("encoding")
        .map_or(Some(encoding_rs::UTF_8), |item| {
            let label = item.text()?;
            let found = encoding_rs::Encoding::for_label_no_replacement(label.as_bytes());
            if found.is_none() {
                let fix =
                    "write a label of the Encoding Standard, such as \"utf-8\", \"windows-1252\"";
                item.fault(format!("no encoding is called {label:?}"), fix);
            }
            found
        });
    if let (Some(delimiter), Some(decimal)) = (delimiter, decimal)
        && delimiter == decimal
        && let Some(item) = decimal_item.as_ref().or(delimiter_item.as_ref())
    {
        let fix = "set delimiter to what stands between cells, such as \";\"";
        item.fault("decimal and delimiter are the same", fix);
    }
    if let (Some(delimiter), Some(quote)) = (delimiter, quote)
        && delimiter == quote
        && let Some(item) = quote_item.as_ref().or(delimiter_item.as_ref())
    {
        item.fault("quote and delimiter are the same", "correct one of them");
    }
    let header = read_header(table);
    table.finish();
    let (delimiter, quote, decimal) = (delimiter?, quote?, decimal?);
    Some(Csv {
        delimiter,
        quote,
        decimal,
        encoding: encoding?,
        header: header?,
    })
}

pub(super) fn read_mark(item: &Item<'_>) -> Option<u8> {
    let text = item.text_or_empty()?;
    let mark = match text.as_bytes() {
        _ if text == "tab" => Some(b'\t'),
        [mark] if mark.is_ascii_punctuation() || matches!(mark, b'\t' | b' ') => Some(*mark),
        _ => None,
    };
    if mark.is_none() {
        let fix = "write one ASCII character that is no letter or digit, or \"tab\"";
        item.fault(format!("{text:?} cannot be used"), fix);
    }
    mark
}

fn read_header(table: &Table<'_>) -> Option<Header> {
    let lines = table.get("preamble_lines");
    let start = table.get("header_starts_with");
    if let (Some(_), Some(item)) = (&lines, &start) {
        item.fault("stands beside preamble_lines", "keep one of the two");
    }
    if let Some(item) = start {
        return item.text().map(Header::StartsWith);
    }
    let lines = lines.map_or(Some(0), |item| item.whole(&(0..=1_000)))?;
    usize::try_from(lines).ok().map(Header::AfterLines)
}

/// The pattern, and the names of its captures.
fn read_file_name(table: &Table<'_>) -> Option<(String, Vec<String>)> {
    let item = table.need("pattern", "\"{panel}_{anything}.csv\"");
    table.finish();
    let item = item?;
    let pattern = item.text()?;
    match captures(&pattern) {
        Ok(captures) => Some((pattern, captures)),
        Err(message) => {
            item.fault(message, "write captures like {panel}_{anything}.csv");
            None
        }
    }
}

fn captures(pattern: &str) -> Result<Vec<String>, String> {
    let mut names: Vec<String> = Vec::new();
    let mut rest = pattern;
    while let Some(at) = rest.find(['{', '}']) {
        let (before, braced) = rest.split_at(at);
        let Some((name, after)) = braced
            .strip_prefix('{')
            .and_then(|text| text.split_once('}'))
        else {
            return Err("has a brace without its partner".to_owned());
        };
        let is_word = |letter: char| letter.is_ascii_alphanumeric() || letter == '_';
        if name.is_empty() || !name.chars().all(is_word) {
            return Err(format!("{{{name}}} is no name of letters, digits and _"));
        }
        if before.is_empty() && !names.is_empty() {
            return Err(format!(
                "{{{name}}} follows another capture: no text tells them apart"
            ));
        }
        if names.iter().any(|other| other == name) && name != "anything" {
            return Err(format!("{{{name}}} is there twice"));
        }
        names.push(name.to_owned());
        rest = after;
    }
    Ok(names)
}

/// What a layout gives.
struct Measured {
    layout: Option<Layout>,
    offered: Vec<(String, Option<String>)>,
    is_long: bool,
}

fn read_layout(table: &Table<'_>, evidence: &Evidence<'_>, read: &mut roles::Read) -> Measured {
    let layout = table.get("layout");
    let is_long = layout.as_ref().map_or(Some(false), |item| {
        item.choice(&[("wide", false), ("long", true)])
    });
    let measures = table.tables("measure");
    let steps = table.table("steps");
    // Where the layout itself is faulty, whatever is there tells which was meant.
    let is_long = is_long.unwrap_or(steps.is_some());
    if is_long {
        if let Some(measure) = measures.first() {
            measure.fault(
                "does not fit layout = \"long\"",
                "remove it, or write layout = \"wide\"",
            );
        }
        let steps = match steps {
            None => {
                let fix = "add [feed.steps] with the columns of name and value";
                table.fault("has layout = \"long\" but no steps", fix);
                None
            }
            Some(steps) => read_steps(&steps, evidence, read),
        };
        return Measured {
            layout: steps.map(Layout::Long),
            offered: Vec::new(),
            is_long,
        };
    }
    if let Some(steps) = steps {
        steps.fault(
            "needs a long layout",
            "write layout = \"long\", or remove it",
        );
    }
    let mut offered = Vec::new();
    let mut names = Unique::new("a measure named");
    let read: Vec<Measure> = measures
        .iter()
        .filter_map(|table| read_measure(table, &mut names, &mut offered))
        .collect();
    let layout = (read.len() == measures.len()).then_some(Layout::Wide(read));
    Measured {
        layout,
        offered,
        is_long,
    }
}

fn read_measure(
    table: &Table<'_>,
    names: &mut Unique,
    offered: &mut Vec<(String, Option<String>)>,
) -> Option<Measure> {
    let item = table.need("name", "\"height\"");
    let name = item.and_then(|item| {
        let name = item.text()?;
        names.add(&name, &item);
        if VERDICTS.contains(&name.as_str()) {
            item.fault(
                format!("{name:?} means verdicts"),
                "give the measure another name",
            );
        }
        Some(name)
    });
    let column = table.text("column", "\"Height\"");
    let unit = table
        .need("unit", "\"um\"")
        .and_then(|item| item.text_or_empty());
    let scale = table.get("scale").map_or(Some(1.0), |item| {
        let scale = item.number()?;
        if scale == 0.0 {
            item.fault(
                "is 0: every value would be 0",
                "write what numbers are multiplied by",
            );
        }
        Some(scale)
    });
    let plausible = table.get("plausible").and_then(|item| read_range(&item));
    table.finish();
    offered.extend(name.clone().map(|name| (name, unit.clone())));
    Some(Measure {
        name: name?,
        column: column?,
        unit: unit?,
        scale: scale?,
        plausible,
    })
}

fn read_range(item: &Item<'_>) -> Option<(f64, f64)> {
    let items = item.items()?;
    let numbers: Vec<Option<f64>> = items.iter().map(Item::number).collect();
    match numbers[..] {
        [Some(low), Some(high)] if low < high => Some((low, high)),
        [Some(low), Some(high)] => {
            item.fault(
                format!("{low} is not below {high}"),
                "exchange or correct them",
            );
            None
        }
        [_, _] => None,
        _ => {
            item.fault("is no pair", "write two numbers: [lowest, highest]");
            None
        }
    }
}

fn read_steps(table: &Table<'_>, evidence: &Evidence<'_>, read: &mut roles::Read) -> Option<Steps> {
    let name = table.text("name", "\"Step\"");
    let value = table.text("value", "\"Value\"");
    let (unit, lower) = (table.text_if("unit"), table.text_if("lower"));
    let upper = table.text_if("upper");
    if let Some(item) = table.get("verdict") {
        if read.offered.contains(&Role::Call) {
            item.fault("stands beside roles.call", "keep one of the two");
        }
        read.offered.push(Role::Call);
        let call: Option<CallMap> = roles::read_call(&item, evidence);
        read.call = call;
    }
    table.finish();
    Some(Steps {
        name: name?,
        value: value?,
        unit,
        lower,
        upper,
    })
}
