//! Work on several threads whose results are taken in the order of the jobs.
//!
//! Knows nothing of what the work is. The invariant: results are taken one after another, on the
//! caller's thread, in the order in which the jobs were given out; only a bounded number of jobs
//! is under way.

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Mutex, PoisonError};

/// Jobs under way beside the one that each thread works on.
const AHEAD: usize = 2;

/// Gives out jobs until there are none, and takes what came of them. The first error of `next` or
/// `take` ends it; jobs under way are finished and dropped.
///
/// # Errors
///
/// What `next` or `take` returned.
pub fn in_order<J: Send, R: Send, E>(
    threads: usize,
    next: &mut dyn FnMut() -> Result<Option<J>, E>,
    work: &(dyn Fn(J) -> R + Sync),
    take: &mut dyn FnMut(R) -> Result<(), E>,
) -> Result<(), E> {
    far_ahead((threads, AHEAD), next, work, take)
}

/// The same, with so many jobs under way beside the one that each thread works on: where `take`
/// stands still for a while, the threads go on.
///
/// # Errors
///
/// What `next` or `take` returned.
pub fn far_ahead<J: Send, R: Send, E>(
    (threads, ahead): (usize, usize),
    next: &mut dyn FnMut() -> Result<Option<J>, E>,
    work: &(dyn Fn(J) -> R + Sync),
    take: &mut dyn FnMut(R) -> Result<(), E>,
) -> Result<(), E> {
    if threads <= 1 {
        while let Some(job) = next()? {
            take(work(job))?;
        }
        return Ok(());
    }
    let room = threads + ahead;
    std::thread::scope(|scope| {
        let (jobs, waiting) = sync_channel::<(u64, J)>(room);
        let waiting = std::sync::Arc::new(Mutex::new(waiting));
        let (results, done) = sync_channel::<(u64, R)>(room);
        for _ in 0..threads {
            let (waiting, results) = (std::sync::Arc::clone(&waiting), results.clone());
            scope.spawn(move || {
                while let Some((number, job)) = next_job(&waiting) {
                    if results.send((number, work(job))).is_err() {
                        return;
                    }
                }
            });
        }
        drop((results, waiting));
        let (mut sent, mut taken, mut is_done) = (0u64, 0u64, false);
        let mut early = BTreeMap::new();
        loop {
            while !is_done && sent - taken < room as u64 {
                match next()? {
                    // A channel is closed only where a thread broke down: the scope passes its
                    // panic on as soon as this returns.
                    Some(job) => {
                        if jobs.send((sent, job)).is_err() {
                            return Ok(());
                        }
                        sent += 1;
                    }
                    None => is_done = true,
                }
            }
            if sent == taken {
                return Ok(());
            }
            let Ok((number, result)) = done.recv() else {
                return Ok(());
            };
            early.insert(number, result);
            while let Some(result) = early.remove(&taken) {
                take(result)?;
                taken += 1;
            }
        }
    })
}

fn next_job<J>(waiting: &Mutex<Receiver<J>>) -> Option<J> {
    let waiting = waiting.lock().unwrap_or_else(PoisonError::into_inner);
    waiting.recv().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn squares(threads: usize, stop_at: u64) -> (Result<(), u64>, Vec<u64>) {
        let mut jobs = 0..1_000u64;
        let mut squares = Vec::new();
        let result = in_order(
            threads,
            &mut || Ok(jobs.next()),
            &|job| {
                // Uneven work, so that results overtake each other.
                let spins = (job * 7_919) % 997;
                (0..spins).fold(job * job, |square, spin| {
                    std::hint::black_box(square + spin - spin)
                })
            },
            &mut |square| {
                if squares.len() as u64 == stop_at {
                    return Err(stop_at);
                }
                squares.push(square);
                Ok(())
            },
        );
        (result, squares)
    }

    #[test]
    fn results_come_in_the_order_of_the_jobs() {
        let wanted: Vec<u64> = (0..1_000).map(|job| job * job).collect();
        for threads in [1, 2, 5] {
            assert_eq!(squares(threads, u64::MAX), (Ok(()), wanted.clone()));
        }
    }

    #[test]
    fn the_first_error_ends_it() {
        for threads in [1, 3] {
            let (result, squares) = squares(threads, 10);
            assert_eq!(result, Err(10));
            assert_eq!(squares.len(), 10);
        }
    }
}
