//! Run lengths of limits and run rules by a Markov chain.
//!
//! Purpose: exact lengths for rules that see only the zone of a point. Must not know CUSUMs or
//! averages. The one invariant: the chances of all zones add up to 1.
//!
//! C. W. Champ and W. H. Woodall, Technometrics 29(4) 1987: the states are what the rules remember.
//! Here they are found by running the rules themselves, and the distribution over them is carried
//! forward until the share that signals stands still, from where it is a geometric tail. The same
//! forward run takes a drifting mean.

use super::{Change, RunLength, RunLengthError, Scheme};
use crate::normal;
use crate::rules::{Rule, RuleState};
use std::collections::BTreeMap;

/// Points after which the share that signals may be taken for constant, at the earliest.
const SETTLED_FROM: u64 = 200;

/// Survivors that no longer matter to the average.
const SURVIVORS_MIN: f64 = 1e-14;

/// Whether every rule sees zones only. Trends and alternations compare values.
pub(super) fn has_zones_only(rules: &[Rule]) -> bool {
    let compares = |rule: &Rule| matches!(rule, Rule::Trend6 | Rule::Alternating14);
    !rules.iter().any(compares)
}

/// States that have not signalled, and where each zone leads; `None` is a signal.
struct Chain {
    /// Upper ends of the zones, ascending; the last zone has none.
    edges: Vec<f64>,
    next: Vec<Vec<Option<usize>>>,
}

/// Run length from a new start. Cost: states times zones times the points until the tail.
pub(super) fn length(
    scheme: &Scheme,
    change: Change,
    points_max: u64,
) -> Result<RunLength, RunLengthError> {
    let chain = Chain::of(scheme);
    let mut spread = vec![0.0; chain.next.len()];
    spread[0] = 1.0;
    let (mut survivors, mut mean, mut ninety, mut before) = (1.0, 0.0, None, f64::NAN);
    let is_steady = !matches!(change, Change::Drift(slope) if slope.abs() > 0.0);
    for point in 1..=points_max {
        mean += survivors;
        let share = chain.step(&mut spread, change.mean_at(point));
        survivors *= 1.0 - share;
        if ninety.is_none() && survivors <= 0.1 {
            ninety = Some(point as f64);
        }
        if survivors < SURVIVORS_MIN {
            return Ok(RunLength::exact(mean, ninety));
        }
        let has_settled = (share - before).abs() <= 1e-12 * share;
        if is_steady && point >= SETTLED_FROM && has_settled && share > 0.0 {
            // Carried on as a geometric tail.
            let more = (survivors / 0.1).ln() / -(-share).ln_1p();
            let ninety = ninety.unwrap_or(point as f64 + more.max(0.0).ceil());
            let total = super::plausible(mean + survivors / share)?;
            return Ok(RunLength::exact(total, Some(ninety)));
        }
        before = share;
    }
    Err(RunLengthError::NoSignal { points: points_max })
}

impl Chain {
    fn of(scheme: &Scheme) -> Self {
        let rules = &scheme.rules;
        let mut edges = vec![-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        edges.extend(scheme.limits.iter().flat_map(|width| [-width, *width]));
        edges.sort_by(f64::total_cmp);
        edges.dedup_by(|a, b| (*a - *b).abs() < 1e-12);
        let points = representatives(&edges);
        let mut states = vec![RuleState::default()];
        let mut known = BTreeMap::from([(states[0].encode(), 0)]);
        let mut next: Vec<Vec<Option<usize>>> = Vec::new();
        while next.len() < states.len() {
            let from = states[next.len()].clone();
            let mut to = Vec::with_capacity(points.len());
            for z in &points {
                let mut state = from.clone();
                let signals = !state.push(*z, 0.0, rules).is_empty();
                if signals || scheme.limits.is_some_and(|width| z.abs() > width) {
                    to.push(None);
                    continue;
                }
                forget_what_rules_do_not_need(&mut state, rules);
                let index = *known.entry(state.encode()).or_insert(states.len());
                if index == states.len() {
                    states.push(state);
                }
                to.push(Some(index));
            }
            next.push(to);
        }
        Self { edges, next }
    }

    /// Carries the normalised distribution of the survivors one point on; the share that signals.
    fn step(&self, spread: &mut Vec<f64>, mean: f64) -> f64 {
        let chances = self.chances(mean);
        let mut after = vec![0.0; spread.len()];
        let mut signalled = 0.0;
        for (held, to) in spread.iter().zip(&self.next) {
            for (chance, to) in chances.iter().zip(to) {
                match to {
                    Some(index) => after[*index] += held * chance,
                    None => signalled += held * chance,
                }
            }
        }
        let left: f64 = after.iter().sum();
        if left > 0.0 {
            after.iter_mut().for_each(|held| *held /= left);
        }
        *spread = after;
        signalled
    }

    /// The chance of each zone, from the tail that avoids cancellation.
    fn chances(&self, mean: f64) -> Vec<f64> {
        let count = self.edges.len() + 1;
        let end = |index: usize| self.edges.get(index).copied().unwrap_or(f64::INFINITY) - mean;
        let start = |index: usize| match index.checked_sub(1) {
            Some(before) => end(before),
            None => f64::NEG_INFINITY,
        };
        let chance = |index: usize| {
            let (from, to) = (start(index), end(index));
            if from >= 0.0 {
                below(-from) - below(-to)
            } else {
                below(to) - below(from)
            }
        };
        (0..count).map(chance).collect()
    }
}

fn below(z: f64) -> f64 {
    if z.is_infinite() {
        return if z > 0.0 { 1.0 } else { 0.0 };
    }
    normal::below(z)
}

/// One point inside each zone, which stands for the zone.
fn representatives(edges: &[f64]) -> Vec<f64> {
    let inner = edges.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
    let first = edges.first().map(|edge| edge - 1.0);
    let last = edges.last().map(|edge| edge + 1.0);
    first.into_iter().chain(inner).chain(last).collect()
}

/// Merges states that lead to the same future, so that the chain stays finite and small.
fn forget_what_rules_do_not_need(state: &mut RuleState, rules: &[Rule]) {
    let needs = |rule| rules.contains(&rule);
    let keep = |needed: bool, mask: u32| if needed { mask } else { 0 };
    let counts = |needed: bool, value: i32| if needed { value } else { 0 };
    state.run = counts(needs(Rule::Run8) || needs(Rule::Run9), state.run);
    state.beyond_2s_upper &= keep(needs(Rule::TwoOfThree2s), 0b11);
    state.beyond_2s_lower &= keep(needs(Rule::TwoOfThree2s), 0b11);
    state.beyond_1s_upper &= keep(needs(Rule::FourOfFive1s), 0b1111);
    state.beyond_1s_lower &= keep(needs(Rule::FourOfFive1s), 0b1111);
    state.within = counts(needs(Rule::Within1s15), state.within);
    state.outside = counts(needs(Rule::Outside1s8), state.outside);
    (state.trend, state.alternation) = (0, 0);
    state.last = None;
}
