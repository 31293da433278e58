//! What every unit of every stream gains from rows, counted again apart from any chart.
//!
//! The same grouping as for charts, but no horizon, no limits and no state: what comes out depends
//! on the rows alone. The one invariant: the order of blocks makes no difference.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use spc::chart::ChartKind;

use super::atom::{Atom, Content};
use super::plotted::sample;
use super::{Sorted, StreamName};

/// The units of one stream.
pub type Units = BTreeMap<Arc<str>, Atom>;

/// Units of streams, counted again.
#[derive(Default)]
pub struct Recount {
    streams: BTreeMap<StreamName, Units>,
    unsure: BTreeMap<StreamName, BTreeSet<Arc<str>>>,
    units: usize,
}

impl Recount {
    /// Counts sorted rows.
    pub fn take(&mut self, sorted: Sorted) {
        for (characteristic, slots) in sorted.slots {
            for mut slot in slots {
                // No point is made of them.
                slot.atom.pads = None;
                let name = StreamName {
                    characteristic,
                    keys: slot.keys,
                };
                let units = self.streams.entry(name).or_default();
                match units.get_mut(&slot.atom.unit) {
                    Some(known) => known.merge(slot.atom),
                    None => {
                        units.insert(Arc::clone(&slot.atom.unit), slot.atom);
                        self.units += 1;
                    }
                }
            }
        }
    }

    /// Notes the units of rows that were sorted by another configuration when they were charted.
    pub fn doubt(&mut self, sorted: Sorted) {
        for (characteristic, slots) in sorted.slots {
            for slot in slots {
                let name = StreamName {
                    characteristic,
                    keys: slot.keys,
                };
                self.units += 1;
                self.unsure.entry(name).or_default().insert(slot.atom.unit);
            }
        }
    }

    /// How many units are held.
    #[must_use]
    pub fn units(&self) -> usize {
        self.units
    }

    /// Takes out the units of a stream, and those that can not be told.
    pub fn stream(&mut self, name: &StreamName) -> (Units, BTreeSet<Arc<str>>) {
        let units = self.streams.remove(name).unwrap_or_default();
        (units, self.unsure.remove(name).unwrap_or_default())
    }

    /// The streams that nobody has taken out.
    pub fn left(self) -> impl Iterator<Item = (StreamName, Units)> {
        self.streams.into_iter()
    }
}

/// Whether a unit is kept at all: some charts need more readings than one.
#[must_use]
pub fn is_kept(content: &Content, chart: ChartKind, is_part: bool) -> bool {
    let by = if is_part {
        ChartKind::Individuals
    } else {
        chart
    };
    sample(content, by).is_some()
}

/// Whether what is kept of a unit is what its rows give. Boards without a defect may stand in the
/// record alone: a file without rows has brought them, and the archive keeps rows.
#[must_use]
pub fn agrees(kept: &Content, rows: Option<&Content>) -> bool {
    match (kept, rows) {
        (Content::Measured(kept), Some(Content::Measured(rows))) => kept == rows,
        (Content::Several(kept), Some(Content::Several(rows))) => kept == rows,
        (Content::Counted(kept), Some(Content::Counted(rows))) => {
            kept.iter()
                .all(|(board, count)| rows.get(board).unwrap_or(&0) == count)
                && rows.keys().all(|board| kept.contains_key(board))
        }
        (Content::Counted(kept), None) => kept.values().all(|count| *count == 0),
        _ => false,
    }
}
