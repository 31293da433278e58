//! What the columns of an unknown table may stand for: roles, measures, test steps, limits.
//!
//! Knows no TOML. The invariant: a column is used once, and every guess says whether its name or
//! only its content speaks for it.

use super::sheet::Sheet;
use super::when::{Place, When};
use super::words::{self, Meaning, StepPart};
use crate::feeds::number;
use crate::words::Role;

/// Different texts of a column that are looked at.
const DISTINCT_MAX: usize = 40;

/// What is known of a column's cells.
#[derive(Clone, Debug, Default)]
pub(super) struct Content {
    /// Different texts, in the order in which they first came; at most [`DISTINCT_MAX`].
    pub(super) distinct: Vec<String>,
    /// Whether every text is a number.
    pub(super) is_number: bool,
    /// Whether every text is a whole number.
    pub(super) is_whole: bool,
    /// The least and the greatest number.
    pub(super) range: (f64, f64),
    pub(super) filled: usize,
}

/// A role and why.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct RoleGuess {
    pub(super) role: Role,
    pub(super) from: RoleFrom,
    /// What to check; empty where the name says it all.
    pub(super) check: String,
}

/// Where a role is found.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum RoleFrom {
    Column(usize),
    Preamble(String),
}

/// A measured column.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct MeasureGuess {
    pub(super) column: usize,
    pub(super) name: String,
    pub(super) unit: Option<String>,
    /// Whether it may as well be a count or an identifier.
    pub(super) is_doubtful: bool,
}

/// The columns of a row a test step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct StepsGuess {
    pub(super) name: usize,
    pub(super) value: usize,
    pub(super) unit: Option<usize>,
    pub(super) lower: Option<usize>,
    pub(super) upper: Option<usize>,
    pub(super) verdict: Option<usize>,
}

/// Everything that was guessed.
#[derive(Debug)]
pub(super) struct Guess {
    pub(super) decimal: u8,
    /// What to check about the decimal mark; empty where nothing is in doubt.
    pub(super) decimal_check: String,
    pub(super) contents: Vec<Content>,
    pub(super) roles: Vec<RoleGuess>,
    pub(super) measures: Vec<MeasureGuess>,
    pub(super) steps: Option<StepsGuess>,
    /// Columns that look like specification or test limits.
    pub(super) limits: Vec<usize>,
    /// Names of columns that occur more than once: they can not be used.
    pub(super) twice: Vec<String>,
    /// Columns that stay without a meaning.
    pub(super) unused: Vec<usize>,
}

impl Guess {
    /// What the columns of a table may stand for, the time's being known.
    pub(super) fn of(sheet: &Sheet, when: &When) -> Guess {
        let (decimal, decimal_check) = decimal_of(sheet);
        let columns = 0..sheet.columns.len();
        let contents: Vec<Content> = columns
            .clone()
            .map(|column| content(sheet, column, decimal))
            .collect();
        let mut used: Vec<bool> = sheet
            .columns
            .iter()
            .map(|name| name.is_empty() || is_twice(sheet, name))
            .collect();
        if let Place::Columns(time) = &when.place {
            for &column in time.iter().chain(&when.rivals) {
                used[column] = true;
            }
        }
        let steps = steps(sheet, &contents, &mut used);
        let roles = roles(sheet, &contents, &mut used, steps.as_ref());
        let free = |used: &[bool]| -> Vec<usize> {
            columns.clone().filter(|column| !used[*column]).collect()
        };
        let is_number = |column: &usize| contents[*column].is_number;
        let (limits, numbers): (Vec<usize>, Vec<usize>) = free(&used)
            .into_iter()
            .filter(is_number)
            .partition(|column| words::is_limit(&sheet.columns[*column]));
        let measures = match steps {
            Some(_) => Vec::new(),
            None => measures(sheet, &contents, &numbers),
        };
        for &column in limits.iter().chain(measures.iter().map(|one| &one.column)) {
            used[column] = true;
        }
        let mut twice: Vec<String> = sheet
            .columns
            .iter()
            .filter(|name| !name.is_empty() && is_twice(sheet, name))
            .cloned()
            .collect();
        twice.sort();
        twice.dedup();
        Guess {
            decimal,
            decimal_check,
            roles,
            measures,
            steps,
            limits,
            twice,
            unused: free(&used),
            contents,
        }
    }

    /// Where a role is, if anywhere.
    pub(super) fn role(&self, role: Role) -> Option<&RoleGuess> {
        self.roles.iter().find(|one| one.role == role)
    }
}

fn is_twice(sheet: &Sheet, name: &str) -> bool {
    sheet.columns.iter().filter(|one| *one == name).count() > 1
}

/// The decimal mark that numbers have, and what to check about it.
fn decimal_of(sheet: &Sheet) -> (u8, String) {
    let count = |mark: u8| -> usize {
        let cells = (0..sheet.columns.len()).flat_map(|column| sheet.cells(column));
        cells
            .filter(|cell| {
                cell.as_bytes().contains(&mark) && number::parse(cell.as_bytes(), mark).is_some()
            })
            .count()
    };
    let (commas, points) = (count(b','), count(b'.'));
    if sheet.delimiter == b',' {
        let check = if commas > 0 && points == 0 {
            "numbers are written with a decimal comma although commas part the cells; have the \
             station write semicolons"
        } else {
            ""
        };
        return (b'.', check.to_owned());
    }
    let check = if commas > 0 && points > 0 {
        format!("{commas} numbers have a comma, {points} a point")
    } else if commas + points == 0 && !sheet.rows.is_empty() {
        "no number in this file has a decimal mark".to_owned()
    } else {
        String::new()
    };
    (if commas > points { b',' } else { b'.' }, check)
}

fn content(sheet: &Sheet, column: usize, decimal: u8) -> Content {
    let mut found = Content {
        is_number: true,
        is_whole: true,
        range: (f64::INFINITY, f64::NEG_INFINITY),
        ..Content::default()
    };
    for cell in sheet.cells(column) {
        found.filled += 1;
        match number::parse(cell.as_bytes(), decimal) {
            Some(value) => found.range = (found.range.0.min(value), found.range.1.max(value)),
            None => found.is_number = false,
        }
        let is_whole = cell
            .strip_prefix('-')
            .unwrap_or(cell)
            .bytes()
            .all(|byte| byte.is_ascii_digit());
        found.is_whole &= is_whole;
        if found.distinct.len() < DISTINCT_MAX && !found.distinct.iter().any(|one| one == cell) {
            found.distinct.push(cell.to_owned());
        }
    }
    found.is_number &= found.filled > 0;
    found.is_whole &= found.is_number;
    found
}

/// A row a test step: a column of names and one of values, both called so.
fn steps(sheet: &Sheet, contents: &[Content], used: &mut [bool]) -> Option<StepsGuess> {
    let best = |part: StepPart, used: &[bool], fits: &dyn Fn(&Content) -> bool| {
        let free = (0..sheet.columns.len()).filter(|column| !used[*column]);
        let ranked = free.filter(|column| fits(&contents[*column]));
        ranked
            .map(|column| (words::step_rank(&sheet.columns[column], part), column))
            .filter(|(rank, _)| *rank > 0)
            .max_by_key(|(rank, column)| (*rank, std::cmp::Reverse(*column)))
            .map(|(_, column)| column)
    };
    let number = |content: &Content| content.is_number;
    let text = |content: &Content| !content.is_number && content.filled > 0;
    let value = best(StepPart::Value, used, &number)?;
    let name = best(StepPart::Name, used, &text)?;
    used[value] = true;
    used[name] = true;
    let mut take = |part: StepPart, fits: &dyn Fn(&Content) -> bool| {
        let column = best(part, used, fits)?;
        used[column] = true;
        Some(column)
    };
    let unit = take(StepPart::Unit, &text);
    let lower = take(StepPart::Lower, &number);
    let upper = take(StepPart::Upper, &number);
    let verdict = (0..sheet.columns.len())
        .find(|column| !used[*column] && is_call(&sheet.columns[*column], &contents[*column]));
    if let Some(column) = verdict {
        used[column] = true;
    }
    Some(StepsGuess {
        name,
        value,
        unit,
        lower,
        upper,
        verdict,
    })
}

/// Whether a column is a verdict whose good words are known.
fn is_call(header: &str, content: &Content) -> bool {
    let known = |word: &String| words::verdict(word).is_some();
    let few = content.distinct.len() <= 12 && content.filled > 0;
    let by_name = words::role_rank(header, Role::Call) > 0 && content.distinct.iter().any(known);
    few && (by_name || content.distinct.iter().all(known))
}

fn roles(
    sheet: &Sheet,
    contents: &[Content],
    used: &mut [bool],
    steps: Option<&StepsGuess>,
) -> Vec<RoleGuess> {
    let mut ranked: Vec<(u8, Role, usize, &str)> = Vec::new();
    for role in Role::ALL {
        // The verdict of a test step stands with the steps.
        if role == Role::Call && steps.is_some() {
            continue;
        }
        for column in (0..sheet.columns.len()).filter(|column| !used[*column]) {
            let (rank, check) = rank(&sheet.columns[column], &contents[column], role);
            if rank > 0 {
                ranked.push((rank, role, column, check));
            }
        }
    }
    ranked.sort_by_key(|(rank, role, column, _)| (std::cmp::Reverse(*rank), *role, *column));
    let mut found: Vec<RoleGuess> = Vec::new();
    for (_, role, column, check) in ranked {
        if used[column] || found.iter().any(|one| one.role == role) {
            continue;
        }
        used[column] = true;
        found.push(RoleGuess {
            role,
            from: RoleFrom::Column(column),
            check: check.to_owned(),
        });
    }
    for (key, value) in &sheet.preamble {
        let fits = |role: &Role| {
            role.is_text() && words::role_rank(key, *role) > 0
                || *role == Role::Opportunities
                    && words::role_rank(key, *role) > 0
                    && number::parse_count(value.as_bytes()).is_some()
        };
        let role = Role::ALL.into_iter().find(fits);
        if let Some(role) = role.filter(|role| !found.iter().any(|one| one.role == *role)) {
            found.push(RoleGuess {
                role,
                from: RoleFrom::Preamble(key.clone()),
                check: String::new(),
            });
        }
    }
    found.sort_by_key(|one| one.role);
    found
}

/// How well a column fits a role (10 times its name's rank, and a little for its content), and
/// what to check.
fn rank(header: &str, content: &Content, role: Role) -> (u8, &'static str) {
    let name = words::role_rank(header, role) * 10;
    let empty = content.filled == 0;
    let is_small = content.is_whole && content.range.0 >= 0.0 && content.range.1 <= 64.0;
    match role {
        // A "board" that only counts from one up is a place in the panel.
        Role::Board if is_small && name > 0 => (0, ""),
        Role::Position if is_small && words::role_rank(header, Role::Board) > 0 => (
            25,
            "check: small whole numbers, so a place in the panel rather than a board's serial",
        ),
        Role::Attempt if name > 0 => match content.is_whole && content.range.0 >= 1.0 {
            true => (name + 1, ""),
            false => (0, ""),
        },
        Role::Opportunities if name > 0 && !content.is_whole => (0, ""),
        Role::Call if is_call(header, content) => match name {
            0 => (5, "check: guessed from its words alone"),
            _ => (name + 1, ""),
        },
        Role::Call => (0, ""),
        Role::Review if name > 0 && !empty && !has_verdict(content) => (0, ""),
        Role::Stroke if name == 0 && is_stroke(content) => {
            (6, "check: guessed from its words alone")
        }
        Role::Component if name == 0 && is_component(content) => {
            (4, "check: guessed from its texts alone")
        }
        _ if name > 0 && name < 20 => (name, "check: guessed from one word of the header"),
        _ if name > 0 && empty => (name, "check: this file has no row with a text there"),
        _ => (name, ""),
    }
}

fn has_verdict(content: &Content) -> bool {
    content
        .distinct
        .iter()
        .any(|word| words::verdict(word).is_some())
}

fn is_stroke(content: &Content) -> bool {
    content.distinct.len() == 2 && content.distinct.iter().all(|word| words::is_stroke(word))
}

/// Names such as U1, C23, LED4.
fn is_component(content: &Content) -> bool {
    let is_name = |text: &String| {
        let digits = text.trim_start_matches(|c: char| c.is_ascii_uppercase());
        let letters = text.len() - digits.len();
        (1..=3).contains(&letters)
            && (1..=4).contains(&digits.len())
            && digits.bytes().all(|byte| byte.is_ascii_digit())
    };
    content.distinct.len() > 2 && content.distinct.iter().all(is_name)
}

fn measures(sheet: &Sheet, contents: &[Content], numbers: &[usize]) -> Vec<MeasureGuess> {
    let mut found: Vec<MeasureGuess> = Vec::new();
    for &column in numbers {
        let header = &sheet.columns[column];
        let unit = words::unit(header).map(|(unit, _)| unit);
        let is_plain = contents[column].is_whole && unit.is_none() && !words::is_quantity(header);
        let base = match words::measure_name(header) {
            name if name.is_empty() => format!("measure-{}", column + 1),
            name => name,
        };
        let is_taken = |name: &str| {
            found.iter().any(|one| one.name == name)
                || ["calls", "confirmed", "false_calls"].contains(&name)
        };
        let numbered = (2..).map(|number| format!("{base}-{number}"));
        let name = std::iter::once(base.clone())
            .chain(numbered)
            .find(|name| !is_taken(name))
            .unwrap_or(base);
        found.push(MeasureGuess {
            column,
            name,
            unit,
            is_doubtful: is_plain,
        });
    }
    found
}

/// The texts of a column of verdicts by their meaning: good, bad, pending, unknown.
pub(super) fn sorted_words(content: &Content) -> [Vec<String>; 4] {
    let mut sorted: [Vec<String>; 4] = Default::default();
    for word in &content.distinct {
        let place = match words::verdict(word) {
            Some(Meaning::Good) => 0,
            Some(Meaning::Bad) => 1,
            Some(Meaning::Pending) => 2,
            None => 3,
        };
        sorted[place].push(word.clone());
    }
    sorted
}
