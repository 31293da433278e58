//! Where pads lie on a panel and what was measured there, read from the archive.
//!
//! Knows no nominal value and no picture. The one invariant: a mean does not depend on the order
//! in which segments were written.

use std::collections::BTreeMap;

use spc::moments::Moments;

use super::query::ReadingFilter;
use super::strata::{Seen, StrataFilter, read_columns};
use super::{Reader, StoreError};
use crate::words::Role;

/// The measures that say where a pad lies.
pub const PLACE_MEASURES: [&str; 2] = ["x", "y"];

/// Pads of a panel that are told apart; what comes beyond is left out.
pub const PADS_MAX: usize = 100_000;

/// What names a pad.
const NAMES: [Role; 5] = [
    Role::Product,
    Role::Family,
    Role::Position,
    Role::Component,
    Role::Pin,
];

/// A pad and the means of its first attempts.
#[derive(Clone, Debug, PartialEq)]
pub struct PadFacts {
    /// Product, family, position, component, pin; empty where the feed does not carry it.
    pub names: [String; 5],
    /// Its place.
    pub place: (f64, f64),
    /// The mean of the measure.
    pub mean: f64,
    /// Readings behind it.
    pub readings: u64,
}

#[derive(Default)]
struct Sums {
    x: Moments,
    y: Moments,
    value: Moments,
}

impl Reader {
    /// The pads that readings are of, by name; none where their segments carry no places.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn pads(&self, readings: &ReadingFilter) -> Result<Vec<PadFacts>, StoreError> {
        let filter = StrataFilter {
            readings: readings.clone(),
            beside: PLACE_MEASURES.to_vec(),
            unit: [Role::Panel, Role::Board],
            by: NAMES.to_vec(),
        };
        let mut pads: BTreeMap<[String; 5], Sums> = BTreeMap::new();
        for path in self.segments_for(readings)? {
            if let Some(columns) = read_columns(&path, &filter)? {
                columns.each(&filter, |row| add(row, &mut pads));
            }
        }
        let facts = pads.into_iter().filter_map(|(names, sums)| {
            Some(PadFacts {
                names,
                place: (sums.x.mean()?, sums.y.mean()?),
                mean: sums.value.mean()?,
                readings: sums.value.count(),
            })
        });
        Ok(facts.collect())
    }
}

fn add(row: &Seen, pads: &mut BTreeMap<[String; 5], Sums>) {
    let [Some(x), Some(y)] = row.beside else {
        return;
    };
    let names: [String; 5] = std::array::from_fn(|place| row.names[place].to_owned());
    let [_, _, _, component, pin] = &names;
    if component.is_empty() && pin.is_empty() {
        return;
    }
    if pads.len() >= PADS_MAX && !pads.contains_key(&names) {
        return;
    }
    let sums = pads.entry(names).or_default();
    let numbers = [
        (&mut sums.x, *x),
        (&mut sums.y, *y),
        (&mut sums.value, row.value),
    ];
    for (sum, number) in numbers {
        if Moments::accepts(number) {
            sum.push(number);
        }
    }
}
