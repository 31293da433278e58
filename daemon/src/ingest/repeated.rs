//! Files that bring visits which another file has brought: a corrected copy, a file written again,
//! a review filled in. Only rows that are not recorded count.
//!
//! Most files bring visits that nobody has seen: for them this costs one look a visit. The one
//! invariant: charts come out as if each row had come once, whatever file brought it first.

use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};
use std::sync::Arc;

use super::facts::{counts, refuse};
use super::known::{Fate, Known, Partner, RECORDED_ROWS_MAX, Visit, visits};
use super::prepared::Prepared;
use super::tally::{self, Visits};
use super::{Ingest, Open, Start, Taken};
use crate::block::{Block, FeedIndex};
use crate::config::Config;
use crate::feeds::diagnostics::{NOT_COMPARED, REJECTS_KEPT_MAX};
use crate::store::segment::DAY_US;
use crate::store::{Archived, FileFacts, RejectFacts, StoreError, UnitKey, Verdict};
use crate::words::Call;

/// Rows of the archive that are kept at hand while files are compared with them.
const AT_HAND_ROWS_MAX: usize = 600_000;

/// Visits that another file has brought, and the entries of the chain that hold their rows.
pub(super) type Seen = BTreeMap<UnitKey, (i64, i64)>;

/// Why a file is set aside: code, reason, what to do.
pub(super) type Trouble = (String, String, String);

/// Why rows can not be compared.
pub(super) enum Hindered {
    /// The machine has run out of something: the file is read again.
    ByTheSystem,
    /// The file is set aside.
    ForGood(Trouble),
}

/// Whether the rows of a file were compared with those that are recorded.
pub(super) enum Compared {
    Done,
    NotNow,
}

/// What becomes of the rows of a file that brings visits again. All of the file is looked at first,
/// then what became of its rows is decided, and then these are sifted: so it makes no difference in
/// which pieces they come.
pub(super) struct Repeats {
    seen: Seen,
    known: Known,
    source: i64,
    /// Rows that were looked at, and those that were sifted.
    looked: usize,
    sifted: usize,
    /// Rows about something that is recorded, none of which says the same; and their places in the
    /// file.
    apart: Vec<(Block, Vec<usize>)>,
    apart_rows: usize,
    /// What rows are that are not fresh, by their places in the file.
    fates: HashMap<usize, Fate>,
    repeated: u64,
    reviewed: u64,
    conflicts: u64,
    rejects: Vec<RejectFacts>,
}

impl Repeats {
    fn new(seen: Seen, known: Known, source: i64) -> Repeats {
        Repeats {
            seen,
            known,
            source,
            looked: 0,
            sifted: 0,
            apart: Vec::new(),
            apart_rows: 0,
            fates: HashMap::new(),
            repeated: 0,
            reviewed: 0,
            conflicts: 0,
            rejects: Vec::new(),
        }
    }

    /// Looks at a piece: what is recorded as it stands is told. Gives whether there was room for
    /// the rest.
    pub(super) fn look(&mut self, config: &Config, piece: &Prepared) -> bool {
        let (block, first) = (&piece.block, self.looked);
        self.looked += block.rows;
        let mut apart = Vec::new();
        for visit in seen_of(config, &self.seen, piece) {
            for row in visit.rows() {
                match self.known.says_same(config, (block, row), visit) {
                    None => {}
                    Some(true) => {
                        self.fates.insert(first + row, Fate::Repeated);
                    }
                    Some(false) => apart.push(row),
                }
            }
        }
        apart.sort_unstable();
        self.apart_rows += apart.len();
        if !apart.is_empty() && self.apart_rows <= RECORDED_ROWS_MAX {
            let places = apart.iter().map(|row| first + row).collect();
            self.apart.push((block.select(&apart), places));
        }
        self.apart_rows <= RECORDED_ROWS_MAX
    }

    /// Decides what the rows are that no recorded row says as they stand, once all of the file was
    /// looked at: the likelier partners first, over all of it.
    pub(super) fn decide(&mut self, config: &Config) {
        for partner in [Partner::Reviewed, Partner::Any] {
            for (block, places) in &self.apart {
                for (visit, row) in in_order(&visits(block)) {
                    if self.fates.contains_key(&places[row]) {
                        continue;
                    }
                    let found = self.known.fate(config, partner, (block, row), visit);
                    let Some((fate, reject)) = found else {
                        continue;
                    };
                    self.fates.insert(places[row], fate);
                    if self.rejects.len() < REJECTS_KEPT_MAX {
                        self.rejects.extend(reject);
                    }
                }
            }
        }
        self.apart.clear();
    }

    /// Begins to sift the file from its beginning.
    pub(super) fn rewind(&mut self) {
        (self.sifted, self.repeated) = (0, 0);
        (self.reviewed, self.conflicts) = (0, 0);
    }

    /// Keeps of a piece what is not recorded; nothing where all of it is.
    pub(super) fn sift(&mut self, config: &Config, piece: Prepared) -> Option<Prepared> {
        let (block, first) = (&piece.block, self.sifted);
        self.sifted += block.rows;
        let fate = |row| self.fates.get(&(first + row)).cloned();
        let fates: Vec<Fate> = (0..block.rows)
            .map(|row| fate(row).unwrap_or(Fate::Fresh))
            .collect();
        if fates.iter().all(|fate| *fate == Fate::Fresh) {
            return Some(piece);
        }
        self.count(&fates);
        let kept: Vec<usize> = (0..block.rows)
            .filter(|row| matches!(fates[*row], Fate::Fresh | Fate::Reviewed(_)))
            .collect();
        if kept.is_empty() {
            return None;
        }
        let mut reviews = Visits::new();
        let mut rest = block.select(&kept);
        for (place, row) in kept.iter().enumerate() {
            if let Fate::Reviewed(called) = &fates[*row] {
                tally::add_review(config, (block, *row), called, &mut reviews);
                rest.call[place] = Call::Recorded;
                rest.values.clear(place);
            }
        }
        let mut rest = Prepared::of(config, rest, self.source);
        tally::join(&mut rest.visits, reviews);
        Some(rest)
    }

    fn count(&mut self, fates: &[Fate]) {
        for fate in fates {
            match fate {
                Fate::Fresh => {}
                Fate::Repeated => self.repeated += 1,
                Fate::Reviewed(_) => self.reviewed += 1,
                Fate::Conflict => self.conflicts += 1,
            }
        }
    }

    /// The facts of the file once all of it was sifted.
    pub(super) fn facts(self, mut facts: FileFacts) -> FileFacts {
        let recorded = self.repeated + self.reviewed;
        facts.rows_used -= recorded + self.conflicts;
        facts.rows_duplicate += recorded;
        facts.rows_rejected += self.conflicts;
        let room = REJECTS_KEPT_MAX.saturating_sub(facts.rejects.len());
        facts.rejects.extend(self.rejects.into_iter().take(room));
        facts.rejects.sort_by_key(|reject| reject.line);
        facts.verdict = if facts.rows_rejected > 0 {
            Verdict::AcceptedWithRejects
        } else if facts.rows_used + self.reviewed > 0 {
            Verdict::Accepted
        } else {
            Verdict::Duplicate
        };
        facts
    }
}

impl Ingest {
    /// Leaves of a small file what is not recorded.
    pub(super) fn sift(&mut self, taken: &mut Taken, open: &Open) -> Result<Compared, StoreError> {
        let visits = taken.pieces.iter().flat_map(|piece| &piece.visits);
        let seen = self.seen(visits, taken.start, open)?;
        if seen.is_empty() || !counts(taken.facts.verdict) {
            return Ok(Compared::Done);
        }
        let Some(feed) = taken.pieces.first().map(|piece| piece.block.feed) else {
            return Ok(Compared::Done);
        };
        let times = taken.pieces.iter().flat_map(|piece| &piece.block.at);
        let days = times.map(|at| at.div_euclid(DAY_US)).collect();
        match self.repeats(feed, taken.start, seen, &days, open)? {
            Ok(mut repeats) => {
                let config = Arc::clone(&self.config);
                let mut looked = taken.pieces.iter();
                if !looked.all(|piece| repeats.look(&config, piece)) {
                    taken.facts = refuse(taken.facts.clone(), too_many());
                    taken.drop_rows();
                    return Ok(Compared::Done);
                }
                repeats.decide(&config);
                let pieces = std::mem::take(&mut taken.pieces).into_iter();
                taken.pieces = pieces
                    .filter_map(|piece| repeats.sift(&config, piece))
                    .collect();
                taken.facts = repeats.facts(taken.facts.clone());
            }
            Err(Hindered::ByTheSystem) => return Ok(Compared::NotNow),
            Err(Hindered::ForGood(trouble)) => {
                taken.facts = refuse(taken.facts.clone(), trouble);
                taken.drop_rows();
            }
        }
        Ok(Compared::Done)
    }

    /// Which visits another file has brought, or an earlier content of this one.
    pub(super) fn seen<'a>(
        &self,
        visits: impl IntoIterator<Item = (&'a UnitKey, &'a crate::store::UnitTally)>,
        start: Start,
        open: &Open,
    ) -> Result<Seen, StoreError> {
        let is_other = |source: i64| source != start.source || start.from == 0;
        let mut visits: Vec<&UnitKey> = visits
            .into_iter()
            .filter_map(|(visit, tally)| (tally.rows > 0).then_some(visit))
            .collect();
        visits.sort_unstable();
        let recorded = self.store.recorded(&visits)?.into_iter();
        let mut seen: Seen = recorded
            .filter(|(_, recorded)| is_other(recorded.source))
            .map(|(visit, recorded)| (visit.clone(), recorded.entries))
            .collect();
        for visit in visits {
            let mut of_batch = open.bringing(visit).map(|taken| taken.start.source);
            if !seen.contains_key(visit) && of_batch.any(is_other) {
                seen.insert(visit.clone(), (i64::MAX, i64::MIN));
            }
        }
        Ok(seen)
    }

    /// Gathers the recorded rows of visits.
    pub(super) fn repeats(
        &mut self,
        feed: FeedIndex,
        start: Start,
        seen: Seen,
        days: &BTreeSet<i64>,
        open: &Open,
    ) -> Result<Result<Repeats, Hindered>, StoreError> {
        let mut known = Known::default();
        let config = Arc::clone(&self.config);
        let of_batch = open.bringing_any(seen.keys());
        for piece in of_batch.flat_map(|taken| &taken.pieces) {
            if !known.add(&piece.block, &seen_of(&config, &seen, piece)) {
                return Ok(Err(Hindered::ForGood(too_many())));
            }
        }
        let entries = seen.values().fold((i64::MAX, i64::MIN), |all, one| {
            (all.0.min(one.0), all.1.max(one.1))
        });
        let segments = self.store.segments_of(&config, feed, days, entries)?;
        if segments.iter().any(|segment| segment.is_gone) {
            return Ok(Err(let_go()));
        }
        for segment in segments {
            let mut has_room = true;
            let read = self
                .at_hand
                .each(&self.store, &config, feed, &segment, |shelved| {
                    has_room = known.add(&shelved.block, &shelved.of(&seen));
                    has_room
                });
            if let Err(error) = read {
                return Ok(Err(not_read(&error)));
            }
            if !has_room {
                return Ok(Err(Hindered::ForGood(too_many())));
            }
        }
        known.join_reviews();
        Ok(Ok(Repeats::new(seen, known, start.source)))
    }
}

/// The rows of a block in their order, each with its visit.
fn in_order(visits: &[Visit]) -> Vec<(&Visit, usize)> {
    let mut rows: Vec<(&Visit, usize)> = visits
        .iter()
        .flat_map(|visit| visit.rows().map(move |row| (visit, row)))
        .collect();
    rows.sort_unstable_by_key(|(_, row)| *row);
    rows
}

/// The visits of a piece that another file has brought.
fn seen_of<'a>(config: &Config, seen: &Seen, piece: &'a Prepared) -> Vec<&'a Visit> {
    let feed: Arc<str> = Arc::from(config.feeds[piece.block.feed].name.as_str());
    let is_seen = |visit: &&Visit| {
        seen.contains_key(&(Arc::clone(&feed), Arc::clone(&visit.unit), visit.attempt))
    };
    piece.by_visit().iter().filter(is_seen).collect()
}

fn not_read(error: &StoreError) -> Hindered {
    if error.is_of_the_system() {
        tracing::warn!(%error, "recorded rows can not be read yet");
        return Hindered::ByTheSystem;
    }
    Hindered::ForGood(not_compared(
        format!("Its visits are recorded, and the rows of these can not be read: {error}"),
        "run `driftvane verify`; mend the archive, then have the file read again",
    ))
}

fn let_go() -> Hindered {
    Hindered::ForGood(not_compared(
        "Its visits are recorded, and their readings were let go by age, as [store] \
         keep_readings_days says: which of its rows count already can not be told"
            .to_owned(),
        "take it off the list with `driftvane quarantine discard`; for the next time, correct \
         files before their readings go, or keep these longer",
    ))
}

/// Why a file is set aside of whose visits too much is recorded to be compared.
pub(super) fn too_many() -> Trouble {
    not_compared(
        format!("More than {RECORDED_ROWS_MAX} rows of its visits are recorded already"),
        "write the rows that were corrected as a file of their own",
    )
}

fn not_compared(reason: String, fix: &str) -> Trouble {
    (NOT_COMPARED.to_owned(), reason, fix.to_owned())
}

/// Segments that were read lately, so that many files of one batch cost one reading.
#[derive(Default)]
pub(super) struct AtHand {
    shelved: VecDeque<(String, Shelved)>,
    rows: usize,
}

/// Rows of a segment by visit.
pub(super) struct Shelved {
    block: Block,
    visits: HashMap<(Arc<str>, u16), Visit>,
}

impl Shelved {
    fn new(block: Block) -> Shelved {
        let by_name = |visit: Visit| ((Arc::clone(&visit.unit), visit.attempt), visit);
        Shelved {
            visits: visits(&block).into_iter().map(by_name).collect(),
            block,
        }
    }

    fn of(&self, seen: &Seen) -> Vec<&Visit> {
        let named = |(_, unit, attempt): &UnitKey| self.visits.get(&(Arc::clone(unit), *attempt));
        seen.keys().filter_map(named).collect()
    }
}

impl AtHand {
    /// Looks at the rows of a segment, as long as that is wanted: at once, or part by part where
    /// there are more than can be kept.
    fn each(
        &mut self,
        store: &crate::store::Store,
        config: &Config,
        feed: FeedIndex,
        segment: &Archived,
        mut look: impl FnMut(&Shelved) -> bool,
    ) -> Result<(), StoreError> {
        if let Some((_, shelved)) = self.shelved.iter().find(|(path, _)| *path == segment.path) {
            look(shelved);
            return Ok(());
        }
        if segment.rows > AT_HAND_ROWS_MAX {
            for first in (0..segment.rows).step_by(AT_HAND_ROWS_MAX) {
                let rows = (first, AT_HAND_ROWS_MAX);
                let part = Shelved::new(store.archived(config, feed, segment, rows)?);
                if !look(&part) {
                    break;
                }
            }
            return Ok(());
        }
        let all = store.archived(config, feed, segment, (0, segment.rows))?;
        let shelved = Shelved::new(all);
        look(&shelved);
        self.rows += segment.rows;
        self.shelved.push_back((segment.path.clone(), shelved));
        while self.rows > AT_HAND_ROWS_MAX
            && let Some((_, gone)) = self.shelved.pop_front()
        {
            self.rows -= gone.block.rows;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
