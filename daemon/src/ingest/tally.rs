//! Visits of boards: what a station found on each, and out of how many chances.
//!
//! Yield and defects per million opportunities are counted from these, never from charts.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::block::{Block, EmptyUnit};
use crate::config::{Config, Feed};
use crate::engine::{board_of, boards_of};
use crate::store::{DefectKey, UnitKey, UnitTally};
use crate::words::{Call, Review, Role};

/// The visits of a batch so far.
pub type Visits = BTreeMap<UnitKey, UnitTally>;

/// Adds the rows of a block, which a file brought.
pub fn add(config: &Config, block: &Block, source: i64, visits: &mut Visits) {
    let feed = &config.feeds[block.feed];
    let name: Arc<str> = Arc::from(feed.name.as_str());
    let mut last: Option<(Vec<u32>, u16, UnitKey)> = None;
    let codes = [Role::Board, Role::Panel, Role::Position, Role::Product].map(|role| {
        match block.key(role) {
            crate::block::Column::PerRow { codes, .. } => Some(codes.as_slice()),
            _ => None,
        }
    });
    // Rows of one unit follow each other: its tally is kept at hand and put back when it ends.
    let mut open = UnitTally::default();
    for row in 0..block.rows {
        let attempt = block.attempt[row];
        let same = last.as_ref().is_some_and(|(known, try_, _)| {
            *try_ == attempt
                && codes
                    .iter()
                    .zip(known)
                    .all(|(codes, code)| codes.is_none_or(|c| c[row] == *code))
        });
        if !same {
            if let Some((_, _, key)) = last.take() {
                put(visits, key, std::mem::take(&mut open));
            }
            let Some(unit) = board_of(&block.keys, row) else {
                continue;
            };
            let known = codes
                .iter()
                .map(|codes| codes.map_or(0, |codes| codes[row]))
                .collect();
            if feed.lists_failures_only {
                open_panel(config, block, row, &name, visits);
            }
            open.at = block.at[row];
            open.source = source;
            open.product = product_of(block, row);
            last = Some((known, attempt, (Arc::clone(&name), unit, attempt)));
        }
        count(feed, block, row, &mut open);
    }
    if let Some((_, _, key)) = last {
        put(visits, key, open);
    }
}

/// Adds a unit in which nothing was found.
pub fn add_empty(config: &Config, unit: &EmptyUnit, visits: &mut Visits) {
    let feed = &config.feeds[unit.feed];
    let product = unit.keys[Role::Product.index()]
        .text(0)
        .cloned()
        .unwrap_or_default();
    let name: Arc<str> = Arc::from(feed.name.as_str());
    let position = unit.keys[Role::Position.index()].text(0).is_some();
    let board = unit.keys[Role::Board.index()].text(0);
    let panel = unit.keys[Role::Panel.index()].text(0);
    let boards = match (board, panel) {
        (Some(board), _) => vec![Arc::clone(board)],
        (None, Some(_)) if position => board_of(&unit.keys, 0).into_iter().collect(),
        (None, Some(panel)) => boards_of(config, Some(&product), panel)
            .into_keys()
            .collect(),
        (None, None) => return,
    };
    for (board, opportunities) in share(unit.opportunities, boards) {
        let tally = UnitTally {
            at: unit.at,
            product: Arc::clone(&product),
            opportunities,
            ..UnitTally::default()
        };
        put(visits, (Arc::clone(&name), board, unit.attempt), tally);
    }
}

/// Every board of a panel was inspected, also those without a call.
fn open_panel(config: &Config, block: &Block, row: usize, name: &Arc<str>, visits: &mut Visits) {
    let Some(panel) = block.key(Role::Panel).text(row) else {
        return;
    };
    let product = product_of(block, row);
    let boards: Vec<Arc<str>> = boards_of(config, Some(&product), panel)
        .into_keys()
        .collect();
    // Where the feed does not tell boards apart, the panel is the unit.
    if boards.len() > 1 && block.key(Role::Position).text(row).is_none() {
        return;
    }
    for (board, opportunities) in share(block.opportunities[row], boards) {
        let tally = UnitTally {
            at: block.at[row],
            product: Arc::clone(&product),
            opportunities,
            ..UnitTally::default()
        };
        put(visits, (Arc::clone(name), board, block.attempt[row]), tally);
    }
}

/// A panel's opportunities, shared by its boards; the first takes what is left over.
fn share(total: u32, boards: Vec<Arc<str>>) -> impl Iterator<Item = (Arc<str>, u64)> {
    let count = u32::try_from(boards.len()).unwrap_or(u32::MAX).max(1);
    let (each, rest) = (total / count, total % count);
    boards
        .into_iter()
        .enumerate()
        .map(move |(place, board)| (board, u64::from(each + if place == 0 { rest } else { 0 })))
}

/// Adds a review that came after its call, which is recorded without one and under a name.
pub fn add_review(
    config: &Config,
    (block, row): (&Block, usize),
    called: &Arc<str>,
    visits: &mut Visits,
) {
    let feed = &config.feeds[block.feed];
    let Some(unit) = board_of(&block.keys, row) else {
        return;
    };
    let review = block.review[row];
    let mut tally = UnitTally {
        at: block.at[row],
        product: product_of(block, row),
        reviewed: 1,
        confirmed: u64::from(review == Review::Confirmed),
        false_calls: u64::from(review == Review::FalseCall),
        ..UnitTally::default()
    };
    let is_called = is_called(feed, block.call[row]);
    if is_called || review == Review::Confirmed {
        let place = defect_of(block, row);
        if is_called {
            let before = (
                Arc::clone(&place.0),
                Arc::clone(&place.1),
                Arc::clone(called),
                Review::Pending as u8,
            );
            tally.replaced.insert(before, 1);
        }
        tally.defects.insert(place, 1);
    }
    let name: Arc<str> = Arc::from(feed.name.as_str());
    put(visits, (name, unit, block.attempt[row]), tally);
}

fn product_of(block: &Block, row: usize) -> Arc<str> {
    block
        .key(Role::Product)
        .text(row)
        .cloned()
        .unwrap_or_default()
}

fn count(feed: &Feed, block: &Block, row: usize, tally: &mut UnitTally) {
    if block.call[row] == Call::Recorded {
        return;
    }
    tally.rows += 1;
    tally.at = tally.at.min(block.at[row]);
    if !feed.lists_failures_only {
        tally.opportunities = tally.opportunities.max(u64::from(block.opportunities[row]));
    }
    let called = is_called(feed, block.call[row]);
    let review = block.review[row];
    tally.calls += u64::from(called);
    tally.confirmed += u64::from(review == Review::Confirmed);
    tally.false_calls += u64::from(review == Review::FalseCall);
    if called || review == Review::Confirmed {
        *tally.defects.entry(defect_of(block, row)).or_insert(0) += 1;
    }
}

/// What a row calls, and where.
fn defect_of(block: &Block, row: usize) -> DefectKey {
    let text = |role| block.key(role).text(row).cloned().unwrap_or_default();
    let component = match &block.values {
        crate::block::Values::Long { step, .. } => step.text(row).cloned().unwrap_or_default(),
        _ => text(Role::Component),
    };
    let review = block.review[row] as u8;
    (component, text(Role::Pin), text(Role::Defect), review)
}

/// A feed that lists only failures says by the row itself that the machine called.
#[must_use]
pub fn is_called(feed: &Feed, call: Call) -> bool {
    match call {
        Call::Defect => true,
        Call::Absent => feed.lists_failures_only,
        Call::Good | Call::Recorded => false,
    }
}

/// Adds the visits of one piece to those of others.
pub fn join(all: &mut Visits, visits: Visits) {
    for (key, tally) in visits {
        put(all, key, tally);
    }
}

fn put(visits: &mut Visits, key: UnitKey, tally: UnitTally) {
    match visits.entry(key) {
        std::collections::btree_map::Entry::Vacant(entry) => {
            entry.insert(tally);
        }
        std::collections::btree_map::Entry::Occupied(mut entry) => {
            let known = entry.get_mut();
            known.source = match (known.rows, tally.rows) {
                (0, _) => tally.source,
                (_, 0) => known.source,
                _ if known.source == tally.source => known.source,
                _ => 0,
            };
            known.at = known.at.min(tally.at);
            known.rows += tally.rows;
            known.calls += tally.calls;
            known.confirmed += tally.confirmed;
            known.false_calls += tally.false_calls;
            known.opportunities = known.opportunities.max(tally.opportunities);
            known.reviewed += tally.reviewed;
            for (place, count) in tally.defects {
                *known.defects.entry(place).or_insert(0) += count;
            }
            for (place, count) in tally.replaced {
                *known.replaced.entry(place).or_insert(0) += count;
            }
        }
    }
}
