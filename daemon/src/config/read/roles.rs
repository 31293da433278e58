//! Reads where roles, calls and reviews come from.
//!
//! Knows no measure and no chart. The invariant: a source that comes out names a capture or a
//! preamble only where the feed has one.

use super::table::{Item, Table};
use crate::config::{CallMap, ReviewMap, Source};
use crate::words::Role;

/// What a source may refer to.
pub(super) struct Evidence<'e> {
    /// The captures of the file name; absent where its pattern is faulty.
    pub(super) captures: Option<Vec<String>>,
    /// Whether lines stand before the header.
    pub(super) has_preamble: bool,
    /// The names of the products.
    pub(super) products: &'e [String],
}

/// The roles of a feed.
#[derive(Default)]
pub(super) struct Read {
    pub(super) roles: Vec<(Role, Source)>,
    pub(super) call: Option<CallMap>,
    pub(super) review: Option<ReviewMap>,
    /// The roles that are there, also where they are faulty.
    pub(super) offered: Vec<Role>,
}

/// Reads the table of roles, in the order of [`Role::ALL`].
pub(super) fn read(table: Option<&Table<'_>>, evidence: &Evidence<'_>) -> Read {
    let mut read = Read::default();
    let Some(table) = table else {
        return read;
    };
    for role in Role::ALL {
        let Some(item) = table.get(role.name()) else {
            continue;
        };
        read.offered.push(role);
        match role {
            Role::Call => read.call = read_call(&item, evidence),
            Role::Review => read.review = read_review(&item, evidence),
            _ => read
                .roles
                .extend(read_role(role, &item, evidence).map(|source| (role, source))),
        }
    }
    table.finish();
    read
}

fn read_role(role: Role, item: &Item<'_>, evidence: &Evidence<'_>) -> Option<Source> {
    if !item.is_table() {
        return item.text().map(Source::Column);
    }
    let table = item.table()?;
    let source = read_source(&table, evidence);
    table.finish();
    let source = source?;
    if let (Role::Product, Source::Constant(name)) = (role, &source)
        && !evidence.products.contains(name)
    {
        item.unknown(name, evidence.products.iter().map(String::as_str));
    }
    Some(source)
}

/// Reads exactly one of the four sources. The caller finishes the table.
pub(super) fn read_source(table: &Table<'_>, evidence: &Evidence<'_>) -> Option<Source> {
    let column = table.get("column");
    let constant = table.get("constant");
    let given = [column.is_some(), constant.is_some()]
        .iter()
        .filter(|given| **given)
        .count();
    let elsewhere = read_elsewhere(table, evidence);
    if given + elsewhere.given != 1 {
        let found = if given + elsewhere.given == 0 {
            "no source"
        } else {
            "several sources"
        };
        let fix = "give one of column, constant, file_name, preamble";
        table.fault(format!("has {found}"), fix);
    }
    let column = column.and_then(|item| item.text()).map(Source::Column);
    let constant = constant.and_then(|item| item.text()).map(Source::Constant);
    column.or(constant).or(elsewhere.source)
}

/// A source outside the rows, and how many were given.
pub(super) struct Elsewhere {
    pub(super) source: Option<Source>,
    pub(super) given: usize,
}

/// Reads a capture of the file name or an entry of the preamble.
pub(super) fn read_elsewhere(table: &Table<'_>, evidence: &Evidence<'_>) -> Elsewhere {
    let file_name = table.get("file_name");
    let preamble = table.get("preamble");
    let given = usize::from(file_name.is_some()) + usize::from(preamble.is_some());
    let file_name = file_name.and_then(|item| {
        let name = item.text()?;
        if evidence
            .captures
            .as_ref()
            .is_some_and(|captures| !captures.contains(&name))
        {
            let message = format!("no capture of the file name is called {name:?}");
            item.fault(
                message,
                format!("put {{{name}}} into feed.file_name.pattern"),
            );
        }
        Some(Source::FileName(name))
    });
    let preamble = preamble.and_then(|item| {
        let key = item.text()?;
        if !evidence.has_preamble {
            let fix = "set csv.preamble_lines or csv.header_starts_with";
            item.fault("this feed has no lines before its header", fix);
        }
        Some(Source::Preamble(key))
    });
    Elsewhere {
        source: file_name.or(preamble),
        given,
    }
}

/// Reads how calls are written.
pub(super) fn read_call(item: &Item<'_>, evidence: &Evidence<'_>) -> Option<CallMap> {
    let example = "{ column = \"Result\", good = [\"OK\"], defect = [\"*\"] }";
    let table = verdict_table(item, example)?;
    let source = read_source(&table, evidence);
    let good = table.get("good");
    let defect = table.need("defect", "[\"*\"]");
    let lists = read_lists([good, defect]);
    table.finish();
    let [good, defect] = lists;
    Some(CallMap {
        source: source?,
        good,
        defect,
    })
}

fn read_review(item: &Item<'_>, evidence: &Evidence<'_>) -> Option<ReviewMap> {
    let example = "{ column = \"Review\", confirmed = [\"NG\"], false_call = [\"OK\"] }";
    let table = verdict_table(item, example)?;
    let source = read_source(&table, evidence);
    let confirmed = table.need("confirmed", "[\"NG\"]");
    let false_call = table.need("false_call", "[\"OK\"]");
    let lists = read_lists([confirmed, false_call, table.get("pending")]);
    table.finish();
    let [confirmed, false_call, pending] = lists;
    Some(ReviewMap {
        source: source?,
        confirmed,
        false_call,
        pending,
    })
}

fn verdict_table<'a>(item: &Item<'a>, example: &str) -> Option<Table<'a>> {
    if item.is_table() {
        return item.table();
    }
    item.fault(
        "does not say what its texts mean",
        format!("write {example}"),
    );
    None
}

/// Reads lists of texts, reporting a text that is in two of them or twice in one.
fn read_lists<const N: usize>(items: [Option<Item<'_>>; N]) -> [Vec<String>; N] {
    let mut seen: Vec<String> = Vec::new();
    items.map(|item| {
        let Some(item) = item else {
            return Vec::new();
        };
        let texts = item.texts().unwrap_or_default();
        for text in &texts {
            if seen.contains(text) {
                let fix = "let each text mean one thing, once";
                item.fault(format!("{text:?} already has a meaning"), fix);
            }
            seen.push(text.clone());
        }
        texts
    })
}
