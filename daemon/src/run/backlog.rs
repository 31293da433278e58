//! The order in which a backlog is read: that of its events.
//!
//! Knows no record. The one invariant: files are put in order, none is added or left out.

use std::convert::Infallible;

use crate::config::Config;
use crate::feeds::glance::{Glance, glance};
use crate::ingest::{Waiting, are_one_batch};
use crate::pipeline;

/// Files that a thread looks into at one go for the time of their first event.
const LOOKED_AT_ONCE: usize = 64;

/// Bytes of small files that are kept from this look until they are taken; files beyond are read
/// once more.
const SEEN_BYTES_MAX: usize = 32 << 20;

/// Puts a backlog in the order of its events; looks into the files on several threads. What is
/// judged at one go needs no order but that of the names.
pub(super) fn in_time_order(
    config: &Config,
    mut waiting: Vec<Waiting>,
    threads: usize,
) -> Vec<Waiting> {
    if are_one_batch(&waiting) {
        waiting.sort_by(|one, other| one.found.path.cmp(&other.found.path));
        return waiting;
    }
    let mut looks = Vec::with_capacity(waiting.len());
    let mut kept_bytes = 0;
    let mut jobs = waiting.chunks(LOOKED_AT_ONCE);
    let looked = pipeline::in_order::<_, _, Infallible>(
        threads,
        &mut || Ok(jobs.next()),
        &|some: &[Waiting]| -> Vec<Glance> {
            let look = |one: &Waiting| glance(config, one.feed, &one.found);
            some.iter().map(look).collect()
        },
        &mut |some| {
            for mut look in some {
                kept_bytes += look.whole.as_ref().map_or(0, |whole| whole.bytes().len());
                look.whole = look.whole.filter(|_| kept_bytes <= SEEN_BYTES_MAX);
                looks.push(look);
            }
            Ok(())
        },
    );
    let Ok(()) = looked;
    let mut keyed: Vec<(i64, Waiting)> = looks
        .into_iter()
        .zip(waiting)
        .map(|(look, one)| {
            let whole = look.whole;
            (look.first.unwrap_or(i64::MAX), Waiting { whole, ..one })
        })
        .collect();
    keyed.sort_by(|(a, one), (b, other)| (a, &one.found.path).cmp(&(b, &other.found.path)));
    keyed.into_iter().map(|(_, one)| one).collect()
}
