//! A guess as commented TOML.
//!
//! Decides nothing about the file. The invariant: every text of the file is written as a TOML
//! string or as a comment of one line, so that no header can break or change the section.

use std::path::Path;

use super::meaning::{Content, Guess, MeasureGuess, RoleFrom, StepsGuess, sorted_words};
use super::sheet::Sheet;
use super::when::{Place, When};
use super::words;
use crate::feeds::number;
use crate::words::{Role, Station};

/// Test steps that are listed with their limits.
const STEPS_MAX: usize = 12;

/// Characters of a text of the file in a comment.
const COMMENT_MAX: usize = 80;

/// The section for a file.
pub(super) fn section(path: &Path, sheet: &Sheet, when: &When, guess: &Guess) -> String {
    let names = FileName::of(path, when, guess);
    let mut page = Page::default();
    place(&mut page, path, sheet, guess);
    dialect(&mut page, sheet, guess);
    if let Some(names) = &names {
        page.line("");
        page.line("[feed.file_name]");
        let note = "check: which parts of the name mean what";
        page.noted(&format!("pattern = {}", quoted(&names.pattern)), note);
    }
    time(&mut page, sheet, when);
    roles(&mut page, sheet, guess, names.as_ref());
    match &guess.steps {
        Some(steps) => step_table(&mut page, sheet, guess, steps),
        None => measures(&mut page, sheet, guess),
    }
    specifications(&mut page, sheet, guess);
    left_over(&mut page, sheet, when, guess);
    page.text
}

#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// A line with a comment, where there is one.
    fn noted(&mut self, line: &str, note: &str) {
        if note.is_empty() {
            self.line(line);
        } else {
            let line = format!("{line:<40} # {note}");
            self.line(&line);
        }
    }
}

/// A text as a TOML string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn quoted_list(texts: &[String]) -> String {
    let quoted: Vec<String> = texts.iter().map(|text| quoted(text)).collect();
    format!("[{}]", quoted.join(", "))
}

/// A text of the file in a comment: one line, without control characters.
pub(super) fn comment(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if plain.chars().count() <= COMMENT_MAX {
        return plain;
    }
    let cut: String = plain.chars().take(COMMENT_MAX).collect();
    format!("{cut}...")
}

fn station(guess: &Guess, sheet: &Sheet) -> (Station, &'static str) {
    let is_paste = |one: &MeasureGuess| words::is_paste_quantity(&sheet.columns[one.column]);
    if guess.steps.is_some() {
        (Station::Function, "a row a test step")
    } else if guess.measures.iter().any(is_paste) {
        (Station::Paste, "columns of printed paste")
    } else if guess.role(Role::Defect).is_some() || guess.measures.is_empty() {
        (Station::Optical, "verdicts without measured values")
    } else {
        (Station::Function, "measured values")
    }
}

fn place(page: &mut Page, path: &Path, sheet: &Sheet, guess: &Guess) {
    let (station, why) = station(guess, sheet);
    let folder = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let folder = folder.parent().unwrap_or(Path::new("/"));
    let pattern = path.extension().map_or_else(
        || "*".to_owned(),
        |ext| format!("*.{}", ext.to_string_lossy()),
    );
    page.line("[[feed]]");
    page.noted(
        &format!("name = \"{}-1\"", station.name()),
        "check: unlike every other feed's",
    );
    page.noted("line = \"L1\"", "check: the line's name");
    page.noted(
        &format!("station = \"{}\"", station.name()),
        &format!("check: {why}"),
    );
    page.noted(
        &format!("folder = {}", quoted(&folder.to_string_lossy())),
        "check: where the station writes",
    );
    page.line(&format!("pattern = {}", quoted(&pattern)));
    page.noted(
        "grows = false",
        "check: true where rows are added to a file",
    );
    if guess.steps.is_some() {
        page.line("layout = \"long\"");
    } else if lists_failures(guess) {
        page.noted(
            "lists = \"failures\"",
            "check: \"all\" if good locations have rows, too",
        );
    }
}

/// Whether rows seem to exist for failures only: nothing is measured and no verdict is good.
fn lists_failures(guess: &Guess) -> bool {
    let call = guess.role(Role::Call).map(|one| &one.from);
    let has_good = match call {
        Some(RoleFrom::Column(column)) => !sorted_words(&guess.contents[*column])[0].is_empty(),
        _ => false,
    };
    let sure = guess.measures.iter().any(|one| !one.is_doubtful);
    guess.steps.is_none() && !sure && !has_good
}

fn dialect(page: &mut Page, sheet: &Sheet, guess: &Guess) {
    page.line("");
    page.line("[feed.csv]");
    let delimiter = match sheet.delimiter {
        b'\t' => "tab".to_owned(),
        mark => char::from(mark).to_string(),
    };
    page.line(&format!("delimiter = {}", quoted(&delimiter)));
    if sheet.quote != b'"' {
        page.line(&format!(
            "quote = {}",
            quoted(&char::from(sheet.quote).to_string())
        ));
    }
    let decimal = char::from(guess.decimal).to_string();
    let check = match guess.decimal_check.as_str() {
        "" => String::new(),
        check => format!("check: {check}"),
    };
    page.noted(&format!("decimal = {}", quoted(&decimal)), &check);
    let note = match sheet.encoding_is_marked {
        true => "as the file's first bytes say",
        false if sheet.encoding == encoding_rs::UTF_8 => "",
        false => "check: letters beyond ASCII; the file does not say its encoding",
    };
    let label = sheet.encoding.name().to_lowercase();
    page.noted(&format!("encoding = {}", quoted(&label)), note);
    let note = match sheet.preamble_lines {
        0 => "",
        _ => "check: if their number varies: header_starts_with = \"..\"",
    };
    page.noted(&format!("preamble_lines = {}", sheet.preamble_lines), note);
}

fn time(page: &mut Page, sheet: &Sheet, when: &When) {
    page.line("");
    page.line("[feed.time]");
    match &when.place {
        Place::Columns(columns) => {
            let names: Vec<String> = columns
                .iter()
                .map(|column| sheet.columns[*column].clone())
                .collect();
            let note = match when.rivals.is_empty() {
                true => String::new(),
                false => {
                    let rivals = when.rivals.iter().map(|column| &sheet.columns[*column]);
                    let rivals: Vec<&str> = rivals.map(String::as_str).collect();
                    format!("check: also times: {}", comment(&rivals.join(", ")))
                }
            };
            page.noted(&format!("columns = {}", quoted_list(&names)), &note);
        }
        Place::Preamble(key) => page.line(&format!("preamble = {}", quoted(key))),
        Place::FileName(_) => page.noted(
            "file_name = \"time\"",
            "check: is it when the unit was inspected?",
        ),
    }
    let note = match when.others.as_slice() {
        [] => String::new(),
        others => format!(
            "check: day or month first? Also fits: {}",
            others.join(", ")
        ),
    };
    page.noted(&format!("format = {}", quoted(&when.format)), &note);
    if !when.has_offset {
        page.noted(
            "# zone = \"Europe/Vienna\"",
            "check: times say no offset; without this line: the plant's",
        );
    }
}

/// The pattern of the file name and what its parts are.
struct FileName {
    pattern: String,
    has_panel: bool,
}

impl FileName {
    /// A pattern where the time or the panel is only there.
    fn of(path: &Path, when: &When, guess: &Guess) -> Option<FileName> {
        let stem = path.file_stem()?.to_str()?;
        let time = match when.place {
            Place::FileName(place) => Some(place),
            _ => None,
        };
        let unit_is_known = guess.role(Role::Panel).is_some() || guess.role(Role::Board).is_some();
        let parts: Vec<&str> = stem.split('_').collect();
        if stem.contains(['{', '}']) || (time.is_none() && (unit_is_known || parts.len() < 2)) {
            return None;
        }
        let is_number = |part: &str| part.bytes().any(|byte| byte.is_ascii_digit());
        let panel = (0..parts.len())
            .filter(|place| Some(*place) != time && !unit_is_known)
            .find(|place| is_number(parts[*place]));
        if time.is_none() && panel.is_none() {
            return None;
        }
        let name = |place: usize| match place {
            _ if Some(place) == time => "{time}",
            _ if Some(place) == panel => "{panel}",
            _ => "{anything}",
        };
        let names: Vec<&str> = (0..parts.len()).map(name).collect();
        let ending = path.extension().map_or_else(String::new, |ending| {
            format!(".{}", ending.to_string_lossy())
        });
        Some(FileName {
            pattern: format!("{}{ending}", names.join("_")),
            has_panel: panel.is_some(),
        })
    }
}

fn roles(page: &mut Page, sheet: &Sheet, guess: &Guess, names: Option<&FileName>) {
    page.line("");
    page.line("[feed.roles]");
    if guess.role(Role::Product).is_none() {
        page.noted(
            "# product = { constant = \"..\" }",
            "check: one product only? Name it under [[product]]",
        );
    }
    if names.is_some_and(|names| names.has_panel) {
        page.noted(
            "panel = { file_name = \"panel\" }",
            "check: guessed from the file's name",
        );
    }
    for one in &guess.roles {
        let (source, content) = match &one.from {
            RoleFrom::Column(column) => (
                quoted(&sheet.columns[*column]),
                Some(&guess.contents[*column]),
            ),
            RoleFrom::Preamble(key) => (format!("{{ preamble = {} }}", quoted(key)), None),
        };
        let (line, check) = match (one.role, content) {
            (Role::Call, Some(content)) => call(&source, content),
            (Role::Review, Some(content)) => review(&source, content),
            _ => (source, String::new()),
        };
        let note: Vec<&str> = [one.check.as_str(), check.as_str()]
            .into_iter()
            .filter(|note| !note.is_empty())
            .collect();
        page.noted(&format!("{} = {line}", one.role.name()), &note.join("; "));
    }
}

/// How a machine's verdict is read, and what to check.
fn call(source: &str, content: &Content) -> (String, String) {
    let [good, bad, pending, unknown] = sorted_words(content);
    let list = match good.is_empty() {
        true => String::new(),
        false => format!("good = {}, ", quoted_list(&good)),
    };
    let others: Vec<String> = [bad, pending, unknown].concat();
    let check = match (good.is_empty(), others.is_empty()) {
        (true, _) => "check: which text means good?".to_owned(),
        (false, true) => "check: only good ones seen; any other text is taken as a defect".into(),
        (false, false) => format!(
            "check: any other text is a defect; seen: {}",
            comment(&others.join(", "))
        ),
    };
    (
        format!("{{ column = {source}, {list}defect = [\"*\"] }}"),
        check,
    )
}

/// How a human verdict is read, and what to check.
fn review(source: &str, content: &Content) -> (String, String) {
    let [mut good, mut bad, mut pending, unknown] = sorted_words(content);
    let mut check = "check: which text means what?".to_owned();
    if !unknown.is_empty() {
        let unknown = comment(&unknown.join(", "));
        check.push_str(&format!(
            " Not understood, taken as not yet reviewed: {unknown}"
        ));
    }
    if bad.is_empty() {
        bad.push("confirmed".to_owned());
    }
    if good.is_empty() {
        good.push("false call".to_owned());
    }
    pending.extend(unknown);
    // Whatever else comes is nobody's verdict.
    pending.push("*".to_owned());
    let line = format!(
        "{{ column = {source}, confirmed = {}, false_call = {}, pending = {} }}",
        quoted_list(&bad),
        quoted_list(&good),
        quoted_list(&pending)
    );
    (line, check)
}

fn measures(page: &mut Page, sheet: &Sheet, guess: &Guess) {
    for one in &guess.measures {
        let lead = if one.is_doubtful { "# " } else { "" };
        let (low, high) = guess.contents[one.column].range;
        page.line("");
        if one.is_doubtful {
            page.line(
                "# check: whole numbers without a unit: a measure, or a count or an identifier?",
            );
        }
        page.line(&format!("{lead}[[feed.measure]]"));
        page.line(&format!("{lead}name = {}", quoted(&one.name)));
        let column = format!("{lead}column = {}", quoted(&sheet.columns[one.column]));
        page.noted(&column, &format!("seen: {low} to {high}"));
        match &one.unit {
            Some(unit) => page.line(&format!("{lead}unit = {}", quoted(unit))),
            None => page.noted(
                &format!("{lead}unit = \"\""),
                "check: the header names no unit",
            ),
        }
    }
    if sheet.rows.is_empty() {
        page.line("");
        page.line("# check: no row to go by; look for [[feed.measure]] in a file with rows");
    }
}

fn step_table(page: &mut Page, sheet: &Sheet, guess: &Guess, steps: &StepsGuess) {
    let name = |column: usize| quoted(&sheet.columns[column]);
    page.line("");
    page.line("[feed.steps]");
    page.line(&format!("name = {}", name(steps.name)));
    page.line(&format!("value = {}", name(steps.value)));
    match steps.unit {
        Some(column) => page.line(&format!("unit = {}", name(column))),
        None => page.noted("# unit = \"..\"", "check: no column of units was found"),
    }
    for (key, column) in [("lower", steps.lower), ("upper", steps.upper)] {
        if let Some(column) = column {
            let note = "test limits; specifications may be wider";
            page.noted(&format!("{key} = {}", name(column)), note);
        }
    }
    if let Some(column) = steps.verdict {
        let (line, check) = call(&name(column), &guess.contents[column]);
        page.noted(&format!("verdict = {line}"), &check);
    }
}

fn specifications(page: &mut Page, sheet: &Sheet, guess: &Guess) {
    page.line("");
    page.line("# Specifications belong to the product, with their source; capability needs them.");
    page.line("# check: limits in a station's file may be narrower than the specification.");
    let lines = match &guess.steps {
        Some(steps) => step_limits(sheet, guess, steps),
        None => wide_limits(sheet, guess),
    };
    page.line("# [[product]]");
    page.line("# name = \"..\"");
    for (measure, limits, unit) in lines {
        page.line("# [[product.specification]]");
        page.line(&format!("# measure = {}", quoted(&measure)));
        page.line(&format!("# {limits}"));
        page.line(&format!("# unit = {}", quoted(&unit)));
        page.line("# source = \"..\"");
    }
}

type Limits = (String, String, String);

/// The limits of the first row of each test step.
fn step_limits(sheet: &Sheet, guess: &Guess, steps: &StepsGuess) -> Vec<Limits> {
    let mut found: Vec<Limits> = Vec::new();
    for row in &sheet.rows {
        let cell = |column: Option<usize>| {
            column
                .and_then(|column| row.get(column))
                .map(|cell| cell.trim())
        };
        let Some(name) = cell(Some(steps.name)) else {
            continue;
        };
        if found.len() == STEPS_MAX || found.iter().any(|(known, ..)| known == name) {
            continue;
        }
        let number =
            |column| number::parse(cell(column).unwrap_or_default().as_bytes(), guess.decimal);
        let limits = limits(number(steps.lower), None, number(steps.upper));
        let unit = cell(steps.unit).unwrap_or_default().to_owned();
        found.push((name.to_owned(), limits, unit));
    }
    found
}

/// What columns of limits say about each measure.
fn wide_limits(sheet: &Sheet, guess: &Guess) -> Vec<Limits> {
    let measures = guess.measures.iter().filter(|one| !one.is_doubtful);
    let measures: Vec<&MeasureGuess> = measures.collect();
    let of = |one: &&MeasureGuess| {
        let about = words::tokens(&one.name);
        let belongs = |column: &&usize| {
            let tokens = words::tokens(&sheet.columns[**column]);
            measures.len() == 1 || about.iter().all(|word| tokens.contains(word))
        };
        let value = |wanted: &[&str]| {
            let columns = guess.limits.iter().filter(belongs);
            let mut fitting = columns.filter(|column| {
                words::tokens(&sheet.columns[**column])
                    .iter()
                    .any(|token| wanted.contains(&token.as_str()))
            });
            // A limit that differs from row to row is none of the product.
            let content = &guess.contents[*fitting.next()?];
            let is_same = content.distinct.len() == 1;
            is_same.then_some(content.range.0)
        };
        let lower = value(&["lower", "min", "minimum", "low", "untergrenze"]);
        let target = value(&["nominal", "target", "expected", "soll"]);
        let upper = value(&["upper", "max", "maximum", "high", "obergrenze"]);
        let unit = one.unit.clone().unwrap_or_default();
        (one.name.clone(), limits(lower, target, upper), unit)
    };
    measures.iter().map(of).collect()
}

fn limits(lower: Option<f64>, target: Option<f64>, upper: Option<f64>) -> String {
    let line = |key: &str, value: Option<f64>| match value {
        Some(value) => Some(format!("{key} = {value:?}")),
        None if key == "target" => None,
        None => Some(format!("{key} = ..")),
    };
    let lines = [("lower", lower), ("target", target), ("upper", upper)];
    let lines: Vec<String> = lines
        .iter()
        .filter_map(|(key, value)| line(key, *value))
        .collect();
    lines.join("\n# ")
}

fn left_over(page: &mut Page, sheet: &Sheet, when: &When, guess: &Guess) {
    let describe = |columns: &[usize]| -> Vec<String> {
        let one = |column: &usize| {
            let example = guess.contents[*column].distinct.first();
            let example = example.map_or("empty", String::as_str);
            comment(&format!("{} ({example})", sheet.columns[*column]))
        };
        columns.iter().map(one).collect()
    };
    page.line("");
    for (what, columns) in [
        ("check: not used, with an example", &guess.unused),
        ("check: looks like limits, not read", &guess.limits),
        ("check: further times, not read", &when.rivals),
    ] {
        if !columns.is_empty() {
            page.line(&format!("# {what}: {}", describe(columns).join(", ")));
        }
    }
    if !guess.twice.is_empty() {
        let names = comment(&guess.twice.join(", "));
        page.line(&format!(
            "# check: there more than once, so they can not be used by name: {names}"
        ));
    }
    if sheet.ragged > 0 {
        let line = format!(
            "# check: {} rows have another number of cells",
            sheet.ragged
        );
        page.line(&line);
    }
    if !sheet.preamble.is_empty() {
        let entries = sheet
            .preamble
            .iter()
            .map(|(key, value)| format!("{key}: {value}"));
        let entries: Vec<String> = entries.map(|entry| comment(&entry)).collect();
        page.line(&format!(
            "# Lines before the header: {}",
            entries.join("; ")
        ));
    }
}
