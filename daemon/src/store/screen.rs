//! Each pad of a panel before and after a time, against the rest of its panel.
//!
//! Knows no test and no threshold. The one invariant: what all pads of a panel have in common
//! leaves no trace, so that only pads that moved by themselves differ.

use std::collections::BTreeMap;

use spc::moments::Moments;

use super::strata::{StrataFilter, read_columns};
use super::{Reader, StoreError};

/// Pads that are screened; what comes beyond is left out and counted.
const SCREENED_MAX: usize = 100_000;

/// What looks at a reading: panel, values of the roles, time, number.
type Visit<'a> = dyn FnMut(&str, &[&str], i64, f64) + 'a;

/// A pad's readings, each less the mean of its panel's readings.
#[derive(Clone, Debug, Default)]
pub struct Screened {
    /// Before the time.
    pub before: Moments,
    /// From the time on.
    pub after: Moments,
}

/// The pads of a window.
#[derive(Clone, Debug, Default)]
pub struct Screening {
    /// By the values of the roles that tell pads apart.
    pub pads: BTreeMap<Vec<String>, Screened>,
    /// Readings of pads beyond the bound.
    pub left_out: u64,
}

impl Reader {
    /// Screens the pads that a filter's roles tell apart. The archive is read twice: for the means
    /// of panels, and for the readings.
    ///
    /// # Errors
    ///
    /// When the record or a segment of the archive can not be read.
    pub fn screen(&self, filter: &StrataFilter, since: i64) -> Result<Screening, StoreError> {
        let mut panels: BTreeMap<String, Moments> = BTreeMap::new();
        self.each_reading(filter, &mut |unit, _, _, value| {
            if !panels.contains_key(unit) {
                panels.insert(unit.to_owned(), Moments::new());
            }
            if let Some(panel) = panels.get_mut(unit) {
                panel.push(value);
            }
        })?;
        let means: BTreeMap<String, f64> = panels
            .into_iter()
            .filter_map(|(unit, panel)| Some((unit, panel.mean()?)))
            .collect();
        let mut screening = Screening::default();
        self.each_reading(filter, &mut |unit, names, at, value| {
            let Some(mean) = means.get(unit) else { return };
            let key: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
            let pads = &mut screening.pads;
            if pads.len() >= SCREENED_MAX && !pads.contains_key(&key) {
                screening.left_out += 1;
                return;
            }
            let pad = pads.entry(key).or_default();
            let side = if at < since {
                &mut pad.before
            } else {
                &mut pad.after
            };
            side.push(value - mean);
        })?;
        Ok(screening)
    }

    fn each_reading(&self, filter: &StrataFilter, visit: &mut Visit) -> Result<(), StoreError> {
        for path in self.segments_for(&filter.readings)? {
            if let Some(columns) = read_columns(&path, filter)? {
                columns.each(filter, |row| {
                    if Moments::accepts(row.value) {
                        visit(row.unit, row.names, row.at, row.value);
                    }
                });
            }
        }
        Ok(())
    }
}
