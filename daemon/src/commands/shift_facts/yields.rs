//! A shift's yields by line, station and product, beside those of the product's runs before.
//!
//! Knows no page. The one invariant: a product is compared with its own runs on the same line and
//! station only, never with another product's shift.

use std::collections::{BTreeMap, BTreeSet};

use reports::view::{EarlierRuns, YieldRow};
use spc::quality::{Proportion, dpmo, first_pass_yield};

use super::{feed, gives_verdict};
use crate::commands::{CommandError, local_minute};
use crate::config::{Config, Feed};
use crate::shifts;
use crate::store::Reader;
use crate::store::query::YieldFacts;
use crate::words::Station;

/// The confidence of the interval of a yield.
const CONFIDENCE: f64 = 0.95;

/// Earlier shifts of a product that it is compared with.
const RUNS_MAX: usize = 5;

/// How far back earlier shifts are looked for, in microseconds: 30 days.
const LOOK_BACK_US: i64 = 30 * 86_400 * 1_000_000;

/// Line, station and product.
type Place = (String, Option<Station>, String);

/// What one line, station and product add up to.
#[derive(Default)]
struct Sum {
    units: u64,
    good: u64,
    final_good: u64,
    calls: u64,
    confirmed: u64,
    false_calls: u64,
    defects: u64,
    opportunities: Option<u64>,
    is_partial: bool,
    opportunity_basis: Vec<String>,
    yield_basis: Vec<String>,
    is_reviewed: bool,
}

/// Yields by line, station and product.
pub fn yields(
    config: &Config,
    reader: &Reader,
    window: (i64, i64),
) -> Result<Vec<YieldRow>, CommandError> {
    let now = sums(config, reader, window)?;
    let products: BTreeSet<String> = now.keys().map(|(_, _, product)| product.clone()).collect();
    let mut before: BTreeMap<Place, Earlier> = BTreeMap::new();
    for product in &products {
        earlier(config, reader, (product, window.0), &mut before)?;
    }
    Ok(now
        .into_iter()
        .map(|(place, sum)| {
            let earlier = before.get(&place).map(|one| earlier_runs(config, one));
            yield_row(place, sum, earlier)
        })
        .collect())
}

/// What a product added up to at one place in the shifts before.
struct Earlier {
    sum: Sum,
    runs: u64,
    since: i64,
}

/// Adds the newest shifts before a time in which a product ran.
fn earlier(
    config: &Config,
    reader: &Reader,
    (product, before): (&str, i64),
    to: &mut BTreeMap<Place, Earlier>,
) -> Result<(), CommandError> {
    let oldest = before.saturating_sub(LOOK_BACK_US);
    let mut end = before;
    for _ in 0..RUNS_MAX {
        let Some(at) = reader.ran_before(product, (oldest, end))? else {
            break;
        };
        let span = shifts::at(config, at);
        let found = sums(config, reader, (span.start, end.min(span.end)))?;
        for (place, sum) in found.into_iter().filter(|((_, _, of), _)| of == product) {
            match to.get_mut(&place) {
                Some(known) => {
                    known.sum.join(&sum);
                    known.runs += 1;
                    known.since = span.start;
                }
                None => {
                    let (runs, since) = (1, span.start);
                    to.insert(place, Earlier { sum, runs, since });
                }
            }
        }
        // A shift that has no length would be found again and again.
        end = span.start.min(end.saturating_sub(1));
    }
    Ok(())
}

fn earlier_runs(config: &Config, earlier: &Earlier) -> EarlierRuns {
    let sum = &earlier.sum;
    let share = sum.first_pass();
    EarlierRuns {
        runs: earlier.runs,
        since: local_minute(config, earlier.since),
        units: sum.units,
        fpy: share.map(|share| share.value),
        fpy_low: share.map(|share| share.lower),
        fpy_high: share.map(|share| share.upper),
        false_share: sum.false_share(),
        dpmo: sum.dpmo(),
    }
}

impl Sum {
    fn first_pass(&self) -> Option<Proportion> {
        first_pass_yield(self.good, self.units, CONFIDENCE)
    }

    fn opportunities(&self) -> Option<u64> {
        self.opportunities.filter(|_| !self.is_partial)
    }

    fn dpmo(&self) -> Option<f64> {
        dpmo(self.defects, self.opportunities()?)
    }

    /// The share of false calls among the calls that a person has judged.
    fn false_share(&self) -> Option<f64> {
        let judged = self.confirmed + self.false_calls;
        (self.is_reviewed && judged > 0).then(|| self.false_calls as f64 / judged as f64)
    }

    fn join(&mut self, other: &Sum) {
        self.units += other.units;
        self.good += other.good;
        self.calls += other.calls;
        self.confirmed += other.confirmed;
        self.false_calls += other.false_calls;
        self.defects += other.defects;
        self.is_reviewed |= other.is_reviewed;
        self.is_partial |= other.is_partial;
        if let Some(count) = other.opportunities {
            *self.opportunities.get_or_insert(0) += count;
        }
    }
}

fn sums(
    config: &Config,
    reader: &Reader,
    (from, to): (i64, i64),
) -> Result<BTreeMap<Place, Sum>, CommandError> {
    let reviewed = reader.reviewed_feeds()?;
    let mut sums: BTreeMap<Place, Sum> = BTreeMap::new();
    for facts in reader.yields(from, to)? {
        let feed = feed(config, &facts.feed);
        if !feed.is_none_or(gives_verdict) {
            continue;
        }
        let line = feed.map_or_else(String::new, |feed| feed.line.clone());
        let key = (line, feed.map(|feed| feed.station), facts.product.clone());
        let is_reviewed = reviewed.contains(&facts.feed);
        add(
            config,
            sums.entry(key).or_default(),
            feed,
            &facts,
            is_reviewed,
        );
    }
    Ok(sums)
}

fn add(config: &Config, sum: &mut Sum, feed: Option<&Feed>, facts: &YieldFacts, reviewed: bool) {
    let by_review = reviewed && feed.is_none_or(|feed| feed.station == Station::Optical);
    let (good, last, defects, basis) = if by_review {
        let basis = "no confirmed defect at the first inspection";
        (
            facts.without_confirmed,
            facts.last_without_confirmed,
            facts.confirmed,
            basis,
        )
    } else {
        let basis = match feed.map(|feed| feed.station) {
            Some(Station::Function) => "every step passed at the first attempt",
            _ => "no call at the first inspection",
        };
        (
            facts.without_call,
            facts.last_without_call,
            facts.calls,
            basis,
        )
    };
    sum.units += facts.units;
    sum.good += good;
    sum.final_good += last;
    sum.defects += defects;
    sum.calls += facts.calls;
    sum.confirmed += facts.confirmed;
    sum.false_calls += facts.false_calls;
    sum.is_reviewed |= reviewed;
    note(&mut sum.yield_basis, basis);
    let (opportunities, basis) = opportunities(config, feed, facts);
    note(&mut sum.opportunity_basis, basis);
    match opportunities {
        Some(count) => *sum.opportunities.get_or_insert(0) += count,
        None => sum.is_partial = true,
    }
}

fn note(list: &mut Vec<String>, words: &str) {
    if !list.iter().any(|known| known == words) {
        list.push(words.to_owned());
    }
}

fn opportunities(
    config: &Config,
    feed: Option<&Feed>,
    facts: &YieldFacts,
) -> (Option<u64>, &'static str) {
    if facts.opportunities > 0 {
        return (Some(facts.opportunities), "as the feed states");
    }
    let product = config
        .products
        .iter()
        .find(|product| product.name == facts.product);
    let only = || (config.products.len() == 1).then(|| &config.products[0]);
    let station = feed.map(|feed| feed.station);
    let a_board = product.or_else(only).and_then(|product| {
        let found = product
            .opportunities
            .iter()
            .find(|(kind, _)| Some(*kind) == station);
        found.map(|(_, count)| u64::from(*count))
    });
    if let Some(a_board) = a_board {
        return (
            Some(a_board * facts.units),
            "the product's opportunities a board",
        );
    }
    if feed.is_some_and(|feed| feed.lists_failures_only) {
        let basis = "not known: the feed lists calls only, and the product gives none";
        return (None, basis);
    }
    (
        Some(facts.rows),
        "rows of the feed, a location or step each",
    )
}

/// Where the intervals of a yield and of the one before do not touch, which way it moved.
fn compared(now: Option<Proportion>, before: Option<&EarlierRuns>) -> &'static str {
    let bounds = before.and_then(|runs| runs.fpy_low.zip(runs.fpy_high));
    match (now, bounds) {
        (Some(now), Some((low, _))) if now.upper < low => "lower than before",
        (Some(now), Some((_, high))) if now.lower > high => "higher than before",
        _ => "",
    }
}

fn yield_row((line, station, product): Place, sum: Sum, before: Option<EarlierRuns>) -> YieldRow {
    let (share, false_share, dpmo) = (sum.first_pass(), sum.false_share(), sum.dpmo());
    let opportunities = sum.opportunities();
    let pending = sum.calls.saturating_sub(sum.confirmed + sum.false_calls);
    let mut basis = sum.yield_basis;
    if sum.is_reviewed && pending > 0 {
        basis.push(format!(
            "{pending} calls without a review yet count as good"
        ));
    }
    YieldRow {
        line,
        station: station.map_or("unknown", Station::name).to_owned(),
        product,
        units: sum.units,
        first_pass_good: sum.good,
        fpy: share.map(|share| share.value),
        fpy_low: share.map(|share| share.lower),
        fpy_high: share.map(|share| share.upper),
        final_good: Some(sum.final_good),
        machine_calls: (station != Some(Station::Function)).then_some(sum.calls),
        false_calls: sum.is_reviewed.then_some(sum.false_calls),
        confirmed_defects: sum.is_reviewed.then_some(sum.confirmed),
        opportunities,
        false_share,
        dpmo,
        opportunity_basis: sum.opportunity_basis.join("; "),
        yield_basis: basis.join("; "),
        compared: compared(share, before.as_ref()).to_owned(),
        before,
    }
}
