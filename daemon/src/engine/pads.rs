//! Every pad of a stream, watched for itself while its panels come.
//!
//! A pad is compared with the rest of its panel, so that what all pads have in common leaves no
//! trace, and that difference with the pad's own panels before: a set of cumulative sums on scores
//! that start themselves. What they say is a list with a stated false discovery rate, and one
//! signal of the stream. Must not know limits, files or alerts. The one invariant: a state is a
//! function of the panels before it, in their order, and has a fixed size for each pad.

use std::collections::HashMap;
use std::sync::Arc;

use spc::cusum::{Cusum, CusumState, SET_REFERENCES};
use spc::rules::Side;
use spc::selfstart::SelfStart;

use super::atom::AtomKey;
use super::budget::pad_sums;

/// The name of what watches the pads of a stream.
pub const PADS: &str = "pads";

/// Pads of a stream that are watched; what comes beyond is left out and counted.
const WATCHED_MAX: usize = 50_000;

/// Pads of the list that are told one by one; the others are counted.
const LISTED_MAX: usize = 100;

/// The share of the list that is expected to be false at most.
pub const LIST_RATE: f64 = 0.05;

/// Panels of a pad before the first that is judged.
const READY: u32 = 10;

/// Sums of a pad that may each be the highest: three on either side.
const TRIES: f64 = 6.0;

/// What a panel shows of its pads: readings by pad. Texts of names are shared.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PadReadings(Vec<(Arc<str>, f64)>);

/// What stands between the parts of a pad's name.
const SEPARATOR: char = '\u{1f}';

/// The name of a pad: product, position, component and pin; empty where the feed has none.
#[must_use]
pub fn pad_name(parts: [&str; 4]) -> Arc<str> {
    let mut name = String::with_capacity(parts.iter().map(|part| part.len() + 1).sum());
    for (place, part) in parts.iter().enumerate() {
        if place > 0 {
            name.push(SEPARATOR);
        }
        name.push_str(part);
    }
    Arc::from(name)
}

impl PadReadings {
    /// Adds a reading of a pad.
    pub fn push(&mut self, pad: Arc<str>, value: f64) {
        self.0.push((pad, value));
    }

    /// Adds what another piece of the panel shows.
    pub fn merge(&mut self, other: &PadReadings) {
        self.0.extend_from_slice(&other.0);
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Each pad's mean less that of the other pads, by name: the same in whatever order the rows
    /// came. Nothing of a panel with one pad.
    fn differences(&self) -> Vec<(&Arc<str>, f64)> {
        let mut sorted: Vec<&(Arc<str>, f64)> = self.0.iter().collect();
        sorted.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let mut means: Vec<(&Arc<str>, f64)> = Vec::with_capacity(sorted.len());
        for own in sorted.chunk_by(|a, b| a.0 == b.0) {
            let sum: f64 = own.iter().map(|(_, value)| value).sum();
            means.push((&own[0].0, sum / own.len() as f64));
        }
        if means.len() < 2 {
            return Vec::new();
        }
        let sum: f64 = means.iter().map(|(_, mean)| mean).sum();
        let others = means.len() as f64 - 1.0;
        for (_, mean) in &mut means {
            *mean -= (sum - *mean) / others;
        }
        means
    }
}

/// What is remembered of a pad.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PadState {
    /// Its differences while nothing was wrong.
    pub reference: SelfStart,
    /// The sums.
    pub sums: [CusumState; 3],
    /// Whether it is out of control, so that nothing is learnt from it.
    pub is_out: bool,
    /// What it has shown since the middle sum is above zero: upper, lower.
    pub risen: [Risen; 2],
}

/// What a pad has shown since a sum of it is above zero.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Risen {
    /// The first panel's time.
    pub since: i64,
    /// The differences added up.
    pub sum: f64,
    /// How many.
    pub panels: u32,
}

/// The pads of a stream after some panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PadStates {
    /// The version of the baseline that they are of.
    pub version: u32,
    /// Where each pad stands.
    places: HashMap<Arc<str>, usize>,
    /// The pads, in the order in which they appeared.
    pads: Vec<(Arc<str>, PadState)>,
    /// Readings of pads beyond the bound.
    pub left_out: u64,
}

/// A panel as the pads are judged by it.
#[derive(Clone, Debug)]
pub struct Panel {
    /// Where it stands.
    pub key: AtomKey,
    /// What it shows.
    pub readings: Arc<PadReadings>,
    /// The version of the baseline or the limits that hold.
    pub version: u32,
    /// The run length that all pads together have; absent while a baseline is taken.
    pub run_length: Option<f64>,
}

impl Panel {
    /// Whether judging it again would say the same.
    fn is(&self, other: &Panel) -> bool {
        Arc::ptr_eq(&self.readings, &other.readings)
            && (&self.key, self.version) == (&other.key, other.version)
            && self.run_length.map(f64::to_bits) == other.run_length.map(f64::to_bits)
    }
}

/// What a panel says of its pads.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Said {
    /// The pad farthest beyond its threshold.
    pub signal: Option<PadSignal>,
    /// Whether no pad is on the list.
    pub is_calm: bool,
}

/// A pad beyond its threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PadSignal {
    /// The side.
    pub side: Side,
    /// Its shift, in sigmas of its own.
    pub shift: f64,
    /// Since when.
    pub since: i64,
    /// How many times as far as its threshold.
    reach: f64,
}

/// A pad on the list.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedPad {
    /// Product, position, component, pin.
    pub name: [String; 4],
    /// How far it has moved against the rest of its panel, in the unit.
    pub change: f64,
    /// The same in sigmas of its own.
    pub change_sigma: f64,
    /// Since when.
    pub since: i64,
    /// Its p-value.
    pub p: f64,
    /// The smallest rate at which it would be on the list.
    pub adjusted: f64,
}

/// The list after a panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PadList {
    /// The panel's time; nothing before the first.
    pub at: Option<i64>,
    /// Pads that were judged.
    pub tested: usize,
    /// The pads, the most certain first.
    pub pads: Vec<ListedPad>,
    /// Pads on the list beyond those that are told.
    pub more: usize,
    /// Readings of pads beyond the bound of what is watched.
    pub left_out: u64,
}

impl PadStates {
    /// Pads as they were kept.
    #[must_use]
    pub fn kept(version: u32, pads: Vec<(Arc<str>, PadState)>, left_out: u64) -> PadStates {
        let names = pads.iter().map(|(name, _)| Arc::clone(name));
        PadStates {
            version,
            places: names.zip(0..).collect(),
            pads,
            left_out,
        }
    }

    /// The pads with their names.
    #[must_use]
    pub fn pads(&self) -> &[(Arc<str>, PadState)] {
        &self.pads
    }

    /// Takes the next panel.
    fn take(&mut self, panel: &Panel) -> Said {
        if panel.version != self.version {
            *self = PadStates {
                version: panel.version,
                ..PadStates::default()
            };
        }
        let differences = panel.readings.differences();
        let set = panel.run_length.and_then(|length| {
            let pads = self.pads.len().max(differences.len());
            pad_sums(pads as f64 * length)
        });
        let mut farthest: Option<PadSignal> = None;
        for (name, difference) in differences {
            let Some(pad) = self.pad(name) else {
                continue;
            };
            if let Some(found) = pad.take(panel.key.0, difference, set.as_ref())
                && farthest.is_none_or(|other| found.reach > other.reach)
            {
                farthest = Some(found);
            }
        }
        Said {
            signal: farthest,
            is_calm: self.is_calm(),
        }
    }

    fn pad(&mut self, name: &Arc<str>) -> Option<&mut PadState> {
        if let Some(&place) = self.places.get(name) {
            return self.pads.get_mut(place).map(|(_, pad)| pad);
        }
        if self.pads.len() >= WATCHED_MAX {
            self.left_out += 1;
            return None;
        }
        self.places.insert(Arc::clone(name), self.pads.len());
        self.pads.push((Arc::clone(name), PadState::default()));
        self.pads.last_mut().map(|(_, pad)| pad)
    }

    /// Pads that have been judged.
    fn judged(&self) -> impl Iterator<Item = &(Arc<str>, PadState)> {
        self.pads
            .iter()
            .filter(|(_, pad)| pad.reference.count >= READY)
    }

    /// Whether the list is empty: the step-up of Benjamini and Hochberg looks at small p-values.
    fn is_calm(&self) -> bool {
        let tested = self.judged().count() as f64;
        let p = self.judged().map(|(_, pad)| pad.p_value());
        let mut small: Vec<f64> = p.filter(|p| *p <= LIST_RATE).collect();
        small.sort_by(f64::total_cmp);
        let mut ranked = small.iter().zip(1..);
        !ranked.any(|(p, rank)| p * tested <= LIST_RATE * f64::from(rank))
    }

    /// The list.
    #[must_use]
    fn list(&self, at: Option<i64>) -> PadList {
        let judged: Vec<&(Arc<str>, PadState)> = self.judged().collect();
        let p: Vec<f64> = judged.iter().map(|(_, pad)| pad.p_value()).collect();
        // Every p-value is from 0 to 1 and the rate is a constant.
        let Ok(found) = spc::multiple::list(&p, LIST_RATE) else {
            return PadList::default();
        };
        let listed = found.listed.iter().take(LISTED_MAX).map(|&place| {
            let (name, pad) = judged[place];
            let side = pad.side();
            let change = pad.change(side);
            let mut parts = name.split(SEPARATOR).map(str::to_owned);
            ListedPad {
                name: std::array::from_fn(|_| parts.next().unwrap_or_default()),
                change,
                change_sigma: change / pad.sigma(),
                since: pad.risen(side).since,
                p: p[place],
                adjusted: found.adjusted[place],
            }
        });
        PadList {
            at,
            tested: p.len(),
            pads: listed.collect(),
            more: found.listed.len().saturating_sub(LISTED_MAX),
            left_out: self.left_out,
        }
    }
}

impl PadState {
    /// Takes the next difference.
    fn take(&mut self, at: i64, x: f64, set: Option<&[Cusum; 3]>) -> Option<PadSignal> {
        let score = self.reference.score(x);
        let judged = set.filter(|_| self.reference.count >= READY).zip(score);
        let Some((set, score)) = judged else {
            self.reference.take(x);
            return None;
        };
        let mut found: Option<PadSignal> = None;
        let mut is_calm = true;
        for (one, state) in set.iter().zip(&mut self.sums) {
            let side = one.push(state, score);
            let reach = state.upper.max(state.lower) / one.threshold;
            is_calm &= reach <= 0.5;
            if let Some(side) = side
                && found.is_none_or(|other| reach > other.reach)
            {
                found = Some(PadSignal {
                    side,
                    shift: 0.0,
                    since: at,
                    reach,
                });
            }
            // A sum that signals comes down soon when the pad is as it was.
            state.upper = state.upper.min(one.threshold);
            state.lower = state.lower.min(one.threshold);
        }
        for (risen, points) in self.risen.iter_mut().zip(sides(&self.sums[1])) {
            risen.take(at, x, points);
        }
        // In control a pad learns from every panel, which keeps its scores independent of one
        // another. Panels of a fault would teach it that the fault is how it is: so it learns
        // nothing between a signal and the time at which its sums are low again.
        self.is_out = found.is_some() || (self.is_out && !is_calm);
        if !self.is_out {
            self.reference.take(x);
        }
        found.map(|found| PadSignal {
            since: self.risen(found.side).since,
            shift: self.change(found.side) / self.sigma(),
            ..found
        })
    }

    fn risen(&self, side: Side) -> &Risen {
        match side {
            Side::Lower => &self.risen[1],
            _ => &self.risen[0],
        }
    }

    /// How far it has moved: its mean since the middle sum rose, less that of its reference.
    fn change(&self, side: Side) -> f64 {
        let risen = self.risen(side);
        match risen.panels {
            0 => 0.0,
            panels => risen.sum / f64::from(panels) - self.reference.mean,
        }
    }

    /// How seldom a pad that is as it was gets a sum so high: a random walk of standard normal
    /// steps less k ever passes x with a chance of at most exp(-2 k x) (the bound of Cramer and
    /// Lundberg), wherever it is stopped, and one of six sums may be the one.
    fn p_value(&self) -> f64 {
        let exponent = |(reference, state): (&f64, &CusumState)| {
            2.0 * reference * state.upper.max(state.lower)
        };
        let sums = SET_REFERENCES.iter().zip(&self.sums);
        let most = sums.map(exponent).fold(0.0, f64::max);
        (TRIES * (-most).exp()).min(1.0)
    }

    /// The side that its most certain sum is on.
    fn side(&self) -> Side {
        let reach = |one: &(&f64, &CusumState)| one.0 * one.1.upper.max(one.1.lower);
        let sums = SET_REFERENCES.iter().zip(&self.sums);
        let best = sums.max_by(|a, b| reach(a).total_cmp(&reach(b)));
        match best {
            Some((_, state)) if state.lower > state.upper => Side::Lower,
            _ => Side::Upper,
        }
    }

    /// The standard deviation of its differences.
    fn sigma(&self) -> f64 {
        let freedom = f64::from(self.reference.count.saturating_sub(1)).max(1.0);
        (self.reference.squares / freedom).sqrt()
    }
}

impl Risen {
    /// Takes a difference after which a sum has been above zero for so many panels.
    fn take(&mut self, at: i64, x: f64, points: u32) {
        if points <= 1 {
            *self = Risen {
                since: at,
                ..Risen::default()
            };
        }
        self.sum += x;
        self.panels = self.panels.saturating_add(1);
    }
}

/// For how many panels a sum has been above zero: upper, lower.
fn sides(sum: &CusumState) -> [u32; 2] {
    [sum.upper_points, sum.lower_points]
}

/// The pads of one stream while it is judged: settled, and after every panel that can still change.
/// Panels that come in order are taken once, not anew with every evaluation.
#[derive(Debug, Default)]
pub struct PadWatch {
    settled: PadStates,
    current: PadStates,
    judged: Vec<(Panel, Said)>,
    /// How many of them the evaluation under way has met.
    met: usize,
    told: Option<PadList>,
}

impl PadWatch {
    /// A watch that goes on from what was kept.
    #[must_use]
    pub fn kept(settled: PadStates) -> PadWatch {
        PadWatch {
            current: settled.clone(),
            settled,
            ..PadWatch::default()
        }
    }

    /// Begins an evaluation.
    pub fn begin(&mut self) {
        self.met = 0;
    }

    /// Judges the next panel of an evaluation.
    pub fn judge(&mut self, panel: Panel) -> Said {
        if let Some((known, said)) = self.judged.get(self.met) {
            if known.is(&panel) {
                self.met += 1;
                return *said;
            }
            self.go_back();
        }
        let said = self.current.take(&panel);
        self.judged.push((panel, said));
        self.met += 1;
        said
    }

    /// Forgets the panels that the evaluation has not met.
    fn go_back(&mut self) {
        self.judged.truncate(self.met);
        self.current = self.settled.clone();
        for (panel, _) in &self.judged {
            self.current.take(panel);
        }
    }

    /// Ends an evaluation: what lies up to the horizon is settled. Gives the settled pads where
    /// they have moved on, and the list where it differs from what was told.
    pub fn end(&mut self, horizon: i64) -> PadFacts {
        if self.judged.len() > self.met {
            self.go_back();
        }
        let list = self
            .current
            .list(self.judged.last().map(|(panel, _)| panel.key.0));
        let settled = self
            .judged
            .partition_point(|(panel, _)| panel.key.0 <= horizon);
        for (panel, _) in self.judged.drain(..settled) {
            self.settled.take(&panel);
        }
        // With no panel that can still change the list stays that of the last one.
        let has_news = list.at.is_some() && self.told.as_ref() != Some(&list);
        if has_news {
            self.told = Some(list.clone());
        }
        PadFacts {
            settled: (settled > 0).then(|| self.settled.clone()),
            list: has_news.then_some(list),
        }
    }
}

/// What is to be kept of the pads of a stream.
#[derive(Debug, Default)]
pub struct PadFacts {
    /// The settled pads, where they have moved on.
    pub settled: Option<PadStates>,
    /// The list, where it is another one.
    pub list: Option<PadList>,
}
