//! From rows to slots: which stream and which unit each row of a block belongs to.
//!
//! Characteristics that look at the same keys share one pass over the rows. Within a pass a row
//! that looks like the one before it costs a few comparisons and no lookup.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;
use std::sync::Arc;

use spc::moments::Moments;
use spc::short_run::ShortRun;

use crate::block::{Block, Column, EmptyUnit, Values};
use crate::config::{Characteristic, Config, Key, Subgroup, Subject};
use crate::words::{Call, Review, Role};

use super::atom::{Atom, Content};

mod pads;

/// What one unit of one stream gains from a block.
pub struct Slot {
    /// The values of the stream's keys.
    pub keys: Vec<Arc<str>>,
    /// The gain.
    pub atom: Atom,
}

/// A microsecond count of a minute.
const MINUTE_US: i64 = 60_000_000;

/// No slot: the row is filtered out, a retest, or names no unit.
const NOWHERE: u32 = u32::MAX;

/// The slots of every characteristic that a block feeds.
pub fn slots(config: &Config, block: &Block) -> Vec<(usize, Vec<Slot>)> {
    let feed = &config.feeds[block.feed];
    let mut passes: Vec<(&Characteristic, Pass)> = Vec::new();
    let mut found = Vec::new();
    for (place, what) in config.characteristics.iter().enumerate() {
        if what.station != feed.station {
            continue;
        }
        let shared = passes.iter().position(|(other, _)| same_pass(other, what));
        let index = shared.unwrap_or_else(|| {
            passes.push((what, Pass::over(block, what, &feed.line)));
            passes.len() - 1
        });
        let contents = contents(config, block, what, &passes[index].1);
        let mut slots = passes[index].1.fill(contents);
        if what.watch_pads {
            pads::show(config, block, what, &mut passes[index].1, &mut slots);
        }
        found.push((place, slots.into_iter().map(|(_, slot)| slot).collect()));
    }
    found
}

/// The slots of a unit in which nothing was found: only counts gain by it.
pub fn empty_slots(config: &Config, unit: &EmptyUnit) -> Vec<(usize, Slot)> {
    let feed = &config.feeds[unit.feed];
    if unit.attempt > 1 {
        return Vec::new();
    }
    let text = |key: &Key| match key {
        Key::Line => Arc::from(feed.line.as_str()),
        Key::Role(role) => unit.keys[role.index()].text(0).cloned().unwrap_or_default(),
    };
    let mut found = Vec::new();
    for (place, what) in config.characteristics.iter().enumerate() {
        let counts = what.station == feed.station && what.subject.is_counted();
        let passes = what.filter.iter().all(|(key, allowed)| {
            allowed
                .iter()
                .any(|value| value.as_str() == text(key).as_ref())
        });
        if !counts || !passes {
            continue;
        }
        let unit_name = match what.subgroup {
            Subgroup::Minutes(minutes) => Some(window_name(window_start(unit.at, minutes))),
            Subgroup::Panel => named(&unit.keys, 0, &[Role::Panel, Role::Board]),
            Subgroup::Board | Subgroup::Consecutive(_) => {
                named(&unit.keys, 0, &[Role::Board, Role::Panel])
            }
        };
        let Some(unit_name) = unit_name else { continue };
        let panel = named(&unit.keys, 0, &[Role::Panel, Role::Board]).unwrap_or_default();
        let product = unit.keys[Role::Product.index()].text(0);
        let at = match what.subgroup {
            Subgroup::Minutes(minutes) => window_start(unit.at, minutes),
            _ => unit.at,
        };
        let atom = Atom {
            at,
            unit: unit_name,
            setup: what.restart_on.iter().map(text).collect(),
            pads: None,
            content: Content::Counted(boards_of(config, product.map(AsRef::as_ref), &panel)),
        };
        found.push((
            place,
            Slot {
                keys: what.group_by.iter().map(text).collect(),
                atom,
            },
        ));
    }
    found
}

/// Whether two characteristics sort rows alike.
fn same_pass(a: &Characteristic, b: &Characteristic) -> bool {
    a.filter == b.filter
        && a.group_by == b.group_by
        && a.restart_on == b.restart_on
        && a.subgroup == b.subgroup
}

/// One sorting of the rows of a block.
struct Pass {
    /// The slot of each row.
    slot_of_row: Vec<u32>,
    /// What each slot stands for.
    slots: Vec<Place>,
    /// The pad of each row, once that is asked.
    pads: Vec<Arc<str>>,
}

struct Place {
    keys: Vec<Arc<str>>,
    setup: Vec<Arc<str>>,
    unit: Arc<str>,
    panel: Arc<str>,
    product: Arc<str>,
    at: i64,
}

impl Pass {
    fn over(block: &Block, what: &Characteristic, line: &str) -> Pass {
        let columns = distinguishing(block, what);
        let window = match what.subgroup {
            Subgroup::Minutes(minutes) => Some(minutes),
            _ => None,
        };
        let mut pass = Pass {
            slot_of_row: Vec::with_capacity(block.rows),
            slots: Vec::new(),
            pads: Vec::new(),
        };
        let mut known: HashMap<(Vec<u32>, i64), u32> = HashMap::new();
        for rows in alike(block, &columns, window) {
            let first = rows.start;
            if block.attempt[first] > 1 {
                pass.slot_of_row.resize(rows.end, NOWHERE);
                continue;
            }
            let start = window.map_or(0, |minutes| window_start(block.at[first], minutes));
            let codes = columns.iter().map(|codes| codes[first]).collect();
            let slot = *known
                .entry((codes, start))
                .or_insert_with(|| pass.open(block, first, what, line));
            if slot != NOWHERE && window.is_none() {
                let place = &mut pass.slots[slot as usize];
                place.at = block.at[rows.clone()]
                    .iter()
                    .copied()
                    .fold(place.at, i64::min);
            }
            pass.slot_of_row.resize(rows.end, slot);
        }
        pass
    }

    /// A new slot for what this row stands for; nowhere if the filter or a missing unit says so.
    fn open(&mut self, block: &Block, row: usize, what: &Characteristic, line: &str) -> u32 {
        let text = |key: &Key| match key {
            Key::Line => Arc::from(line),
            Key::Role(role) => block.key(*role).text(row).cloned().unwrap_or_default(),
        };
        let wanted = what.filter.iter().all(|(key, allowed)| {
            let value = text(key);
            allowed
                .iter()
                .any(|allowed| allowed.as_str() == value.as_ref())
        });
        let unit = unit_of(block, row, what.subgroup);
        let (true, Some(unit)) = (wanted, unit) else {
            return NOWHERE;
        };
        let at = match what.subgroup {
            Subgroup::Minutes(minutes) => window_start(block.at[row], minutes),
            _ => block.at[row],
        };
        self.slots.push(Place {
            keys: what.group_by.iter().map(text).collect(),
            setup: what.restart_on.iter().map(text).collect(),
            panel: named(&block.keys, row, &[Role::Panel, Role::Board]).unwrap_or_default(),
            product: text(&Key::Role(Role::Product)),
            unit,
            at,
        });
        u32::try_from(self.slots.len() - 1).unwrap_or(NOWHERE)
    }

    /// The slots that got something, with their numbers.
    fn fill(&self, contents: Vec<Option<Content>>) -> Vec<(usize, Slot)> {
        self.slots
            .iter()
            .zip(contents)
            .enumerate()
            .filter_map(|(number, (place, content))| {
                let atom = Atom {
                    at: place.at,
                    unit: Arc::clone(&place.unit),
                    setup: place.setup.clone(),
                    content: content?,
                    pads: None,
                };
                let keys = place.keys.clone();
                Some((number, Slot { keys, atom }))
            })
            .collect()
    }
}

/// Rows that follow each other and belong together: equal codes, time window and attempt. Column
/// by column, because that compiles to vector instructions.
fn alike(block: &Block, columns: &[&[u32]], window: Option<u32>) -> Vec<Range<usize>> {
    let mut differs = vec![0u32; block.rows];
    for codes in columns {
        mark(&mut differs, codes, |a, b| a ^ b);
    }
    mark(&mut differs, &block.attempt, |a, b| u32::from(a ^ b));
    if let Some(minutes) = window {
        mark(&mut differs, &block.at, |a, b| {
            u32::from(window_start(a, minutes) != window_start(b, minutes))
        });
    }
    let mut runs = Vec::new();
    let mut start = 0;
    for (row, differs) in differs.iter().enumerate().skip(1) {
        if *differs != 0 {
            runs.push(start..row);
            start = row;
        }
    }
    if start < block.rows {
        runs.push(start..block.rows);
    }
    runs
}

/// Marks the rows whose value differs from the one before.
fn mark<T: Copy>(differs: &mut [u32], column: &[T], difference: impl Fn(T, T) -> u32) {
    for (differs, pair) in differs.iter_mut().skip(1).zip(column.windows(2)) {
        *differs |= difference(pair[0], pair[1]);
    }
}

/// The code columns that tell slots apart.
fn distinguishing<'a>(block: &'a Block, what: &Characteristic) -> Vec<&'a [u32]> {
    let mut roles: Vec<Role> = vec![Role::Product];
    match what.subgroup {
        Subgroup::Panel => roles.extend([Role::Panel, Role::Board]),
        Subgroup::Board | Subgroup::Consecutive(_) => {
            roles.extend([Role::Board, Role::Panel, Role::Position]);
        }
        Subgroup::Minutes(_) => roles.extend([Role::Panel]),
    }
    // A board of a panel is not a unit of its own where the panel is.
    if what.subgroup == Subgroup::Panel && *block.key(Role::Panel) != Column::Absent {
        roles.retain(|role| *role != Role::Board);
    }
    if matches!(what.subgroup, Subgroup::Minutes(_)) {
        roles.retain(|role| *role != Role::Panel);
    }
    let filters = what.filter.iter().map(|(key, _)| key);
    for key in filters.chain(&what.group_by).chain(&what.restart_on) {
        if let Key::Role(role) = key {
            roles.push(*role);
        }
    }
    roles.sort_unstable();
    roles.dedup();
    let codes = |role| match block.key(role) {
        Column::PerRow { codes, .. } => Some(codes.as_slice()),
        Column::Absent | Column::Constant(_) => None,
    };
    roles.into_iter().filter_map(codes).collect()
}

/// The name of the unit a row belongs to.
fn unit_of(block: &Block, row: usize, subgroup: Subgroup) -> Option<Arc<str>> {
    match subgroup {
        Subgroup::Panel => named(&block.keys, row, &[Role::Panel, Role::Board]),
        Subgroup::Board | Subgroup::Consecutive(_) => board_of(&block.keys, row),
        Subgroup::Minutes(minutes) => Some(window_name(window_start(block.at[row], minutes))),
    }
}

/// The first of some roles that a row has.
fn named(keys: &[Column; Role::COUNT], row: usize, roles: &[Role]) -> Option<Arc<str>> {
    roles
        .iter()
        .find_map(|role| keys[role.index()].text(row))
        .cloned()
}

/// A board by its serial number, else by its place in its panel, else by the panel alone.
#[must_use]
pub fn board_of(keys: &[Column; Role::COUNT], row: usize) -> Option<Arc<str>> {
    if let Some(board) = keys[Role::Board.index()].text(row) {
        return Some(Arc::clone(board));
    }
    let panel = keys[Role::Panel.index()].text(row)?;
    match keys[Role::Position.index()].text(row) {
        Some(position) => Some(Arc::from(format!("{panel}/{position}"))),
        None => Some(Arc::clone(panel)),
    }
}

fn window_start(at: i64, minutes: u32) -> i64 {
    let width = i64::from(minutes) * MINUTE_US;
    at.div_euclid(width) * width
}

fn window_name(start: i64) -> Arc<str> {
    let text = jiff::Timestamp::from_microsecond(start)
        .map_or_else(|_| start.to_string(), |time| time.to_string());
    Arc::from(text)
}

/// Every board of a panel without a defect yet.
#[must_use]
pub fn boards_of(config: &Config, product: Option<&str>, panel: &str) -> BTreeMap<Arc<str>, u32> {
    let known = config
        .products
        .iter()
        .find(|known| Some(known.name.as_str()) == product);
    let only = (config.products.len() == 1).then(|| &config.products[0]);
    match known.or(only) {
        Some(product) if product.boards > 1 => (1..=product.boards)
            .map(|position| (Arc::from(format!("{panel}/{position}")), 0))
            .collect(),
        _ => BTreeMap::from([(Arc::from(panel), 0)]),
    }
}

/// What each slot of a pass gains for one characteristic.
fn contents(
    config: &Config,
    block: &Block,
    what: &Characteristic,
    pass: &Pass,
) -> Vec<Option<Content>> {
    match &what.subject {
        Subject::Measure(name) => {
            let short_run = what.short_run.as_ref();
            let moments = measured(config, block, name, short_run, pass);
            let gain = |one: Moments| (one.count() > 0).then_some(Content::Measured(one));
            moments.into_iter().map(gain).collect()
        }
        Subject::Measures(names) => several(config, block, names, pass),
        Subject::Calls | Subject::Confirmed | Subject::FalseCalls => {
            counted(config, block, what, pass)
        }
    }
}

/// Readings of several measures by slot.
fn several(config: &Config, block: &Block, names: &[String], pass: &Pass) -> Vec<Option<Content>> {
    let mut slots = vec![Vec::with_capacity(names.len()); pass.slots.len()];
    for name in names {
        let moments = measured(config, block, name, None, pass);
        for (slot, moments) in slots.iter_mut().zip(moments) {
            slot.push(moments);
        }
    }
    let gain = |all: Vec<Moments>| {
        let any = all.iter().any(|one| one.count() > 0);
        any.then_some(Content::Several(all))
    };
    slots.into_iter().map(gain).collect()
}

/// Readings by slot, against their product's target where products share a chart. A product that
/// the file does not define has no target, so it stays off such a chart, as if filtered out.
fn measured(
    config: &Config,
    block: &Block,
    name: &str,
    short_run: Option<&ShortRun>,
    pass: &Pass,
) -> Vec<Moments> {
    let charted = |slot: u32, value: f64| match short_run {
        None => Some(value),
        Some(parts) => parts
            .plotted(&pass.slots[slot as usize].product, value, 1.0)
            .ok(),
    };
    let mut moments = vec![Moments::new(); pass.slots.len()];
    match &block.values {
        Values::Wide(columns) => {
            let crate::config::Layout::Wide(measures) = &config.feeds[block.feed].layout else {
                return moments;
            };
            let place = measures.iter().position(|measure| measure.name == name);
            let Some(column) = place.and_then(|place| columns.get(place)) else {
                return moments;
            };
            // Rows of one unit follow each other.
            let mut first = 0;
            for rows in pass.slot_of_row.chunk_by(|a, b| a == b) {
                let values = &column[first..first + rows.len()];
                first += rows.len();
                if rows[0] != NOWHERE {
                    let values = values.iter().copied().filter(|value| !value.is_nan());
                    let values = values.filter_map(|value| charted(rows[0], value));
                    moments[rows[0] as usize].push_all(values);
                }
            }
        }
        Values::Long { step, value, .. } => {
            let wanted = wanted_codes(step, name);
            for (row, (&slot, &value)) in pass.slot_of_row.iter().zip(value).enumerate() {
                if slot != NOWHERE
                    && !value.is_nan()
                    && wanted.holds(row)
                    && let Some(value) = charted(slot, value)
                {
                    moments[slot as usize].push(value);
                }
            }
        }
        Values::None => {}
    }
    moments
}

/// Which rows are of one test step.
enum Wanted<'a> {
    All,
    Nothing,
    Code(&'a [u32], u32),
}

impl Wanted<'_> {
    fn holds(&self, row: usize) -> bool {
        match self {
            Wanted::All => true,
            Wanted::Nothing => false,
            Wanted::Code(codes, code) => codes[row] == *code,
        }
    }
}

fn wanted_codes<'a>(step: &'a Column, name: &str) -> Wanted<'a> {
    match step {
        Column::Absent => Wanted::Nothing,
        Column::Constant(word) if word.as_ref() == name => Wanted::All,
        Column::Constant(_) => Wanted::Nothing,
        Column::PerRow { codes, words } => {
            let code = words.iter().position(|word| word.as_ref() == name);
            match code.and_then(|code| u32::try_from(code).ok()) {
                Some(code) => Wanted::Code(codes, code),
                None => Wanted::Nothing,
            }
        }
    }
}

fn counted(
    config: &Config,
    block: &Block,
    what: &Characteristic,
    pass: &Pass,
) -> Vec<Option<Content>> {
    let lists_failures_only = config.feeds[block.feed].lists_failures_only;
    let start = |place: &Place| {
        if lists_failures_only {
            boards_of(config, Some(&place.product), &place.panel)
        } else {
            BTreeMap::new()
        }
    };
    let mut boards: Vec<BTreeMap<Arc<str>, u32>> = pass.slots.iter().map(start).collect();
    let mut gains = vec![false; boards.len()];
    for (row, &slot) in pass.slot_of_row.iter().enumerate() {
        let (true, Some(board)) = (slot != NOWHERE, board_of(&block.keys, row)) else {
            continue;
        };
        let hit = match what.subject {
            Subject::Calls => {
                block.call[row] == Call::Defect
                    || (lists_failures_only && block.call[row] == Call::Absent)
            }
            Subject::Confirmed => block.review[row] == Review::Confirmed,
            Subject::FalseCalls => block.review[row] == Review::FalseCall,
            Subject::Measure(_) | Subject::Measures(_) => false,
        };
        // A review that came later says nothing about what was counted before it.
        if hit || block.call[row] != Call::Recorded {
            gains[slot as usize] = true;
            *boards[slot as usize].entry(board).or_insert(0) += u32::from(hit);
        }
    }
    let gain = |(boards, gains): (_, bool)| gains.then_some(Content::Counted(boards));
    boards.into_iter().zip(gains).map(gain).collect()
}
