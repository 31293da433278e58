//! Maps of panels for the shift report, where a feed carries the places of pads.
//!
//! Knows no HTML and no SVG. The one invariant: where no place is measured there is no map, rather
//! than one with invented places.

use std::collections::{BTreeMap, BTreeSet};

use reports::view::{Pad, PadMap};

use super::capability::wanted_keys;
use super::{CommandError, characteristic};
use crate::config::{Characteristic, Config, Feed, Key, Layout, Measure, Product, Subject};
use crate::store::Reader;
use crate::store::pads::{PLACE_MEASURES, PadFacts};
use crate::store::query::{ReadingFilter, StreamRow};

/// Maps of a report.
const MAPS_MAX: usize = 4;

/// The share of pads that lie within the scale of a map: the others are drawn as its ends.
const WITHIN_SCALE: f64 = 0.98;

/// The maps of a shift: one for each line, product and charted measure.
///
/// # Errors
///
/// When the record or archive can not be read.
pub fn pad_maps(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<Vec<PadMap>, CommandError> {
    let mut maps = Vec::new();
    for feed in &config.feeds {
        for measure in charted(config, feed) {
            let pads = reader.pads(&ReadingFilter {
                station: feed.station,
                measure: &measure.name,
                keys: vec![(Key::Line, vec![feed.line.clone()])],
                from,
                to,
            })?;
            let products: BTreeSet<&str> = pads.iter().map(|pad| pad.names[0].as_str()).collect();
            for product in products {
                let of_product = pads.iter().filter(|pad| pad.names[0] == product);
                maps.push(map(config, feed, measure, &of_product.collect::<Vec<_>>()));
            }
        }
    }
    maps.truncate(MAPS_MAX);
    Ok(maps)
}

/// The map of what a stream is made of; nothing where its feed carries no places of pads.
///
/// # Errors
///
/// When the record or archive can not be read.
pub(crate) fn of_stream(
    config: &Config,
    reader: &Reader,
    stream: &StreamRow,
    (from, to): (i64, i64),
) -> Result<Option<PadMap>, CommandError> {
    let what = characteristic(config, stream)?;
    let Subject::Measure(wanted) = &what.subject else {
        return Ok(None);
    };
    for feed in config
        .feeds
        .iter()
        .filter(|feed| feed.station == what.station)
    {
        let measures = charted(config, feed);
        let Some(measure) = measures.into_iter().find(|one| one.name == *wanted) else {
            continue;
        };
        let pads = reader.pads(&ReadingFilter {
            station: feed.station,
            measure: &measure.name,
            keys: wanted_keys(what, stream),
            from,
            to,
        })?;
        if !pads.is_empty() {
            let all: Vec<&PadFacts> = pads.iter().collect();
            return Ok(Some(map(config, feed, measure, &all)));
        }
    }
    Ok(None)
}

/// Whether a feed of a characteristic carries the places of its pads, so that it can have a map.
pub(crate) fn has_places(config: &Config, what: &Characteristic) -> bool {
    let Subject::Measure(wanted) = &what.subject else {
        return false;
    };
    let mut feeds = config.feeds.iter();
    feeds.any(|feed| {
        let measures = charted(config, feed);
        feed.station == what.station && measures.iter().any(|one| one.name == *wanted)
    })
}

/// The charted measures of a feed that also carries the places of its pads.
fn charted<'a>(config: &Config, feed: &'a Feed) -> Vec<&'a Measure> {
    let Layout::Wide(measures) = &feed.layout else {
        return Vec::new();
    };
    let has = |name: &str| measures.iter().any(|measure| measure.name == name);
    if !PLACE_MEASURES.iter().all(|name| has(name)) {
        return Vec::new();
    }
    let is_charted = |measure: &&Measure| {
        config.characteristics.iter().any(|what| {
            what.station == feed.station && what.subject == Subject::Measure(measure.name.clone())
        })
    };
    let is_place = |measure: &&Measure| PLACE_MEASURES.contains(&measure.name.as_str());
    measures
        .iter()
        .filter(|one| is_charted(one) && !is_place(one))
        .collect()
}

fn map(config: &Config, feed: &Feed, measure: &Measure, facts: &[&PadFacts]) -> PadMap {
    let name = facts.first().map_or("", |pad| pad.names[0].as_str());
    let product = config.products.iter().find(|product| product.name == name);
    let means = family_means(facts);
    let mut are_targets = true;
    let pads: Vec<Pad> = facts
        .iter()
        .map(|pad| {
            let family = pad.names[1].as_str();
            let nominal = target(product, &measure.name, family).unwrap_or_else(|| {
                are_targets = false;
                means.get(family).copied().unwrap_or(pad.mean)
            });
            Pad {
                label: label(pad),
                x: pad.place.0,
                y: pad.place.1,
                deviation: pad.mean - nominal,
            }
        })
        .collect();
    let against = match are_targets {
        true => "the specified target",
        false => "the mean of its family, where no target is specified",
    };
    let readings: u64 = facts.iter().map(|pad| pad.readings).sum();
    PadMap {
        title: format!("{} by pad: {} {name}", measure.name, feed.line),
        description: format!(
            "Mean of each pad over the time shown against {against}; {readings} readings of first \
             attempts."
        ),
        unit: measure.unit.clone(),
        bound: bound(&pads),
        pads,
    }
}

fn label(pad: &PadFacts) -> String {
    let [_, _, position, component, pin] = &pad.names;
    let place = match (position.is_empty(), pin.is_empty()) {
        (true, true) => component.clone(),
        (true, false) => format!("{component}.{pin}"),
        (false, true) => format!("{position} {component}"),
        (false, false) => format!("{position} {component}.{pin}"),
    };
    place.trim().to_owned()
}

fn target(product: Option<&Product>, measure: &str, family: &str) -> Option<f64> {
    let of = |family: Option<&str>| {
        let mut all = product?.specifications.iter();
        all.find(|one| one.measure == measure && one.family.as_deref() == family)
    };
    of(Some(family)).or_else(|| of(None))?.target
}

fn family_means<'a>(facts: &[&'a PadFacts]) -> BTreeMap<&'a str, f64> {
    let mut sums: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    for pad in facts {
        let sum = sums.entry(pad.names[1].as_str()).or_default();
        *sum = (sum.0 + pad.mean, sum.1 + 1.0);
    }
    sums.into_iter()
        .map(|(family, (sum, count))| (family, sum / count))
        .collect()
}

/// The end of the scale: few pads lie beyond it, and it is never nothing.
fn bound(pads: &[Pad]) -> f64 {
    let mut sizes: Vec<f64> = pads.iter().map(|pad| pad.deviation.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let place = (sizes.len() as f64 * WITHIN_SCALE).floor();
    let place = (place as usize).min(sizes.len().saturating_sub(1));
    sizes
        .get(place)
        .copied()
        .filter(|bound| *bound > 0.0)
        .unwrap_or(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pad(deviation: f64) -> Pad {
        Pad {
            deviation,
            ..Pad::default()
        }
    }

    #[test]
    fn a_single_outlier_does_not_stretch_the_scale() {
        let mut pads: Vec<Pad> = (1..=99).map(|size| pad(f64::from(size) / 10.0)).collect();
        pads.push(pad(-500.0));
        assert!((bound(&pads) - 9.9).abs() < 1e-12);
        assert!((bound(&[]) - 1.0).abs() < 1e-12);
        assert!((bound(&[pad(0.0)]) - 1.0).abs() < 1e-12);
    }
}
