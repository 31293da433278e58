//! Reading `short_run`: products on one chart, each against its own target.
//!
//! Knows products and their specifications, no feed and no row. The invariant: every product that
//! the characteristic may chart has what the chart needs, or that is a problem of the file.

use spc::short_run::{Part, Scale, ShortRun};

use super::characteristic::Known;
use super::table::{Item, Table};
use crate::config::{Key, Product, Subject};
use crate::words::Role;

const SCALES: [(&str, Scale); 2] = [
    ("deviation", Scale::Deviation),
    ("standardised", Scale::Standardised),
];

/// What the targets depend on: what is measured, of which units, by which keys.
type Charted<'c> = (&'c Subject, &'c [(Key, Vec<String>)], &'c [Key]);

/// Reads the scale and finds the target of every product that may be charted.
pub(super) fn read(
    table: &Table<'_>,
    (subject, filter, group_by): Charted<'_>,
    known: &Known<'_>,
) -> Option<ShortRun> {
    let item = &table.get("short_run")?;
    let scale = item.choice(&SCALES)?;
    // Several measures together are reported with what else they can not have.
    if matches!(subject, Subject::Measures(_)) {
        return None;
    }
    let Subject::Measure(measure) = subject else {
        item.fault(
            "takes targets of measured values, but verdicts are counted",
            "remove it",
        );
        return None;
    };
    if group_by.contains(&Key::Role(Role::Product)) {
        let fix = "remove product from group_by, or remove it here";
        item.fault(
            "puts products on one chart, but each has a chart of its own",
            fix,
        );
        return None;
    }
    let only = |wanted: Role| {
        let found = filter.iter().find(|(key, _)| *key == Key::Role(wanted));
        found.map(|(_, values)| values.as_slice())
    };
    let names = only(Role::Product);
    let family = only(Role::Family).and_then(|families| match families {
        [family] => Some(family.as_str()),
        _ => None,
    });
    let charted = |product: &&Product| names.is_none_or(|names| names.contains(&product.name));
    let products: Vec<&Product> = known.products.iter().filter(charted).collect();
    if products.is_empty() && known.products.len() == known.names.len() {
        let fix = "add [[product]] with a target in its specification";
        item.fault(
            "needs the targets of products, and no product is defined",
            fix,
        );
        return None;
    }
    let parts = products.iter().map(|product| {
        let part = part(product, measure, family);
        report_missing(item, &product.name, measure, scale, part);
        (product.name.clone(), part)
    });
    // Numbers of the file are finite, and a sigma is read as one above 0.
    ShortRun::new(scale, parts.collect()).ok()
}

/// What the specification of the family says, else that of the whole product.
fn part(product: &Product, measure: &str, family: Option<&str>) -> Part {
    let find = |family: Option<&str>| {
        let is_it = |one: &&crate::config::Specification| {
            one.measure == measure && one.family.as_deref() == family
        };
        product.specifications.iter().find(is_it)
    };
    let found = family.and_then(|family| find(Some(family)));
    let found = found.or_else(|| find(None));
    Part {
        target: found.and_then(|one| one.target),
        sigma: found.and_then(|one| one.sigma),
    }
}

fn report_missing(item: &Item<'_>, product: &str, measure: &str, scale: Scale, part: Part) {
    let missing = match (scale, part.target, part.sigma) {
        (_, None, _) => "target",
        (Scale::Standardised, _, None) => "sigma",
        _ => return,
    };
    let message = format!("product {product:?} has no {missing} for {measure:?}");
    let fix = format!("add {missing} to its specification, or leave the product out by where");
    item.fault(message, fix);
}
