//! The single pads of each unit.
//!
//! Knows names and readings, and nothing of how pads are watched. The one invariant: names are made
//! once for all measures of a pass.

use std::collections::HashMap;
use std::sync::Arc;

use super::{NOWHERE, Pass, Slot};
use crate::block::{Block, Column, Values};
use crate::config::{Characteristic, Config, Layout, Subject};
use crate::engine::pads::{PadReadings, pad_name};
use crate::words::Role;

/// What tells the pads of a stream apart.
const PAD: [Role; 4] = [Role::Product, Role::Position, Role::Component, Role::Pin];

/// Gives each slot the readings of its pads.
pub(super) fn show(
    config: &Config,
    block: &Block,
    what: &Characteristic,
    pass: &mut Pass,
    slots: &mut [(usize, Slot)],
) {
    let (Subject::Measure(name), Values::Wide(columns)) = (&what.subject, &block.values) else {
        return;
    };
    let Layout::Wide(measures) = &config.feeds[block.feed].layout else {
        return;
    };
    let place = measures.iter().position(|measure| measure.name == *name);
    let Some(column) = place.and_then(|place| columns.get(place)) else {
        return;
    };
    if pass.pads.is_empty() {
        pass.pads = names(block);
    }
    let mut shown: Vec<PadReadings> = vec![PadReadings::default(); pass.slots.len()];
    let rows = pass.slot_of_row.iter().zip(&pass.pads).zip(column);
    for ((&slot, pad), &value) in rows {
        if slot != NOWHERE && !value.is_nan() {
            shown[slot as usize].push(Arc::clone(pad), value);
        }
    }
    for (number, slot) in slots {
        let own = std::mem::take(&mut shown[*number]);
        slot.atom.pads = (!own.is_empty()).then(|| Arc::new(own));
    }
}

/// The name of each row's pad; rows of one pad share it.
fn names(block: &Block) -> Vec<Arc<str>> {
    let code = |role: Role, row: usize| match block.key(role) {
        Column::PerRow { codes, .. } => codes[row],
        Column::Absent | Column::Constant(_) => 0,
    };
    let mut known: HashMap<[u32; 4], Arc<str>> = HashMap::new();
    let name = |row: usize| {
        let codes = PAD.map(|role| code(role, row));
        let fresh =
            || pad_name(PAD.map(|role| block.key(role).text(row).map_or("", AsRef::as_ref)));
        Arc::clone(known.entry(codes).or_insert_with(fresh))
    };
    (0..block.rows).map(name).collect()
}
