//! Reads products, their families and specifications.
//!
//! Knows what feeds offer, so that a specification of nothing is refused, but no file of a feed.
//! The invariant: limits that come out are in order.

use super::feed::Offer;
use super::table::{Item, Table, Unique};
use crate::config::{Family, Product, Specification};
use crate::words::{Role, Station};

/// The names of the products, whatever else is wrong with them.
pub(super) fn names(tables: &[Table<'_>]) -> Vec<String> {
    let named = tables
        .iter()
        .filter_map(|table| table.get("name").filter(Item::is_text));
    named.filter_map(|item| item.text_or_empty()).collect()
}

/// Reads all products; beside them the names of all families, also of faulty products.
pub(super) fn read_all(tables: &[Table<'_>], offers: &[Offer]) -> (Vec<Product>, Vec<String>) {
    let mut unique = Unique::new("a product named");
    let mut families = Vec::new();
    let mut products = Vec::new();
    for table in tables {
        let name = table.need("name", "\"A100\"");
        let name = name.and_then(|item| item.text().inspect(|name| unique.add(name, &item)));
        products.extend(read_product(table, name, offers, &mut families));
    }
    (products, families)
}

fn read_product(
    table: &Table<'_>,
    name: Option<String>,
    offers: &[Offer],
    all_families: &mut Vec<String>,
) -> Option<Product> {
    let boards = table
        .need("boards", "4")
        .and_then(|item| item.whole(&(1..=1_000)));
    let opportunities = table
        .table("opportunities")
        .map(|table| read_counts(&table));
    let rows = table.table("rows").map(|table| read_counts(&table));
    let (families, family_names) = read_families(table);
    let specifications = read_specifications(table, &family_names, offers);
    table.finish();
    all_families.extend(family_names);
    Some(Product {
        name: name?,
        boards: boards?,
        opportunities: opportunities.unwrap_or_default(),
        rows: rows.unwrap_or_default(),
        families,
        specifications,
    })
}

/// Counts a board by station.
fn read_counts(table: &Table<'_>) -> Vec<(Station, u32)> {
    let mut counts = Vec::new();
    for station in Station::ALL {
        let count = table
            .get(station.name())
            .and_then(|item| item.whole(&(1..=10_000_000)));
        counts.extend(count.map(|count| (station, count)));
    }
    table.finish();
    counts
}

fn read_families(product: &Table<'_>) -> (Vec<Family>, Vec<String>) {
    let mut unique = Unique::new("a family named");
    let (mut families, mut names) = (Vec::new(), Vec::new());
    for table in product.tables("family") {
        let name = table.need("name", "\"fine\"");
        let name = name.and_then(|item| item.text().inspect(|name| unique.add(name, &item)));
        names.extend(name.clone());
        let patterns = table.need("components", "[\"U*\"]");
        let area_ratio = table.get("area_ratio").and_then(|item| {
            let ratio = item.number()?;
            if ratio <= 0.0 {
                item.fault(
                    "is not above 0",
                    "write the area of an opening over that of its wall, such as 0.66",
                );
            }
            Some(ratio)
        });
        table.finish();
        let components = patterns.and_then(|item| {
            let components = item.texts()?;
            if item.items().is_some_and(|items| items.is_empty()) {
                item.fault(
                    "is empty",
                    "write patterns of component names, such as [\"U*\"]",
                );
            }
            Some(components)
        });
        if let (Some(name), Some(components)) = (name, components) {
            families.push(Family {
                name,
                components,
                area_ratio,
            });
        }
    }
    (families, names)
}

fn read_specifications(
    product: &Table<'_>,
    families: &[String],
    offers: &[Offer],
) -> Vec<Specification> {
    let mut unique = Unique::new("a specification of");
    let mut specifications = Vec::new();
    let family_in_feed = offers
        .iter()
        .any(|offer| offer.roles.contains(&Role::Family));
    for table in product.tables("specification") {
        let measure = table.need("measure", "\"height\"");
        let family = table.get("family");
        let family_name = family.as_ref().and_then(|item| {
            let name = item.text()?;
            if !family_in_feed && !families.contains(&name) {
                item.unknown(&name, families.iter().map(String::as_str));
            }
            Some(name)
        });
        let name = measure.as_ref().and_then(|item| {
            let name = item.text()?;
            let key = family_name.iter().fold(name.clone(), |key, family| {
                format!("{key} of family {family}")
            });
            unique.add(&key, item);
            check_measure(item, &name, offers);
            Some(name)
        });
        let specification = read_limits(&table, name.as_deref(), offers);
        table.finish();
        specifications.extend(specification.map(|limits| Specification {
            family: family_name,
            ..limits
        }));
    }
    specifications
}

/// Reports a measure that none of these feeds measures.
pub(super) fn check_measure(item: &Item<'_>, name: &str, offers: &[Offer]) {
    if offers.iter().all(|offer| !offer.measures(name)) {
        let known = offers.iter().flat_map(|offer| &offer.measures);
        let mut known: Vec<&str> = known.map(|(name, _)| name.as_str()).collect();
        known.sort_unstable();
        known.dedup();
        item.unknown(name, known.into_iter());
    }
}

/// Reads the keys that specifications of products and of characteristics have in common. The
/// caller finishes the table.
pub(super) fn read_limits(
    table: &Table<'_>,
    measure: Option<&str>,
    offers: &[Offer],
) -> Option<Specification> {
    let lower = table.number_if("lower");
    let target = table.number_if("target");
    let sigma = table.number_if("sigma");
    if let (Some(sigma), Some(item)) = (sigma, table.get("sigma"))
        && sigma <= 0.0
    {
        item.fault("is not above 0", "write the sigma of a single reading");
    }
    let (upper_item, lower_item) = (table.get("upper"), table.get("lower"));
    let upper = upper_item.as_ref().and_then(Item::number);
    let unit = table.need("unit", "\"um\"");
    let unit_text = unit.as_ref().and_then(Item::text_or_empty);
    let source = table.text("source", "\"drawing 100, revision B\"");
    if upper_item.is_none() && lower_item.is_none() {
        table.fault("has neither lower nor upper", "add lower, upper or both");
    }
    if let (Some(lower), Some(upper), Some(item)) = (lower, upper, &upper_item)
        && lower >= upper
    {
        item.fault(
            format!("{upper} is not above lower, {lower}"),
            "exchange or correct them",
        );
    } else if let (Some(target), Some(item)) = (target, table.get("target"))
        && (lower.is_some_and(|lower| target < lower) || upper.is_some_and(|upper| target > upper))
    {
        item.fault(
            format!("{target} is outside lower and upper"),
            "correct the target",
        );
    }
    if let (Some(measure), Some(text), Some(item)) = (measure, &unit_text, &unit) {
        check_unit(item, text, measure, offers);
    }
    let (measure, unit, source) = (measure?.to_owned(), unit_text?, source?);
    Some(Specification {
        measure,
        family: None,
        lower,
        target,
        sigma: sigma.filter(|sigma| *sigma > 0.0),
        upper,
        unit,
        source,
    })
}

/// Reports a unit that differs from the one of every feed with that measure: limits in another
/// unit would judge every board wrongly.
fn check_unit(item: &Item<'_>, unit: &str, measure: &str, offers: &[Offer]) {
    let measures = offers.iter().flat_map(|offer| &offer.measures);
    let units = measures
        .filter(|(name, _)| name == measure)
        .filter_map(|(_, unit)| unit.as_ref());
    let units: Vec<&String> = units.collect();
    if let Some(first) = units.first()
        && !units.iter().any(|other| *other == unit)
    {
        let message = format!("{unit:?} is not the unit of measure {measure:?}, {first:?}");
        item.fault(message, "write the limits in the unit of the feed");
    }
}
