//! Inputs without number for decoding, parsing and the configuration.
//!
//! New inputs come from a committed corpus and from what was treated in a new way since. The one
//! invariant: a failure leaves its input in a file, and the seed repeats the run.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use driftvane::clock::Monotonic;

use crate::mutation::Pool;
use crate::place::Chance;
use crate::targets::{TARGETS, Target};
use crate::tools::rounds;

/// An execution that is still under way after so many looks hangs: after twenty seconds.
const LOOKS_MAX: u32 = 1_000;
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// The seeds of the workers follow from this one.
const SEED: u64 = 20_261_125;

/// Folders of inputs, from the repository.
fn folders(target: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let own = format!("tests/abuse/corpus/{target}");
    let shared: &[&str] = match target {
        "config" => &["config", "sample-feeds"],
        _ => &[
            "sample-feeds/bad",
            "sample-feeds/paste",
            "sample-feeds/optical",
            "sample-feeds/function",
        ],
    };
    std::iter::once(own.as_str())
        .chain(shared.iter().copied())
        .map(|folder| root.join(folder))
        .collect()
}

fn corpus(target: &str) -> Vec<Vec<u8>> {
    let mut files: Vec<PathBuf> = folders(target)
        .iter()
        .flat_map(|folder| fs::read_dir(folder).unwrap())
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_file() && path.extension().is_some_and(|end| end != "md"))
        .collect();
    files.sort();
    assert!(files.len() > 5, "{files:?}");
    files.iter().map(|path| fs::read(path).unwrap()).collect()
}

/// What a worker is at, for whoever looks for a hang.
#[derive(Default)]
struct Bench {
    input: Mutex<Vec<u8>>,
    /// The number of the execution under way; 0 between two.
    since: AtomicU64,
    done: AtomicU64,
}

/// Keeps an input that a failure is owed to, and says where.
fn keep(target: &str, input: &[u8]) -> PathBuf {
    let digest = blake3::hash(input).to_hex();
    let name = format!("fuzz-{target}-{}", &digest.as_str()[..16]);
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    fs::write(&path, input).unwrap();
    path
}

/// Runs a target so many times on inputs of one worker; gives how many were kept as new.
fn work(target: Target, worker: u64, executions: u64, bench: &Bench) -> usize {
    let mut chance = Chance::new(SEED + worker);
    let mut pool = Pool::new(&corpus(target.name));
    let mut seen = std::collections::HashSet::new();
    for execution in 1..=executions {
        let input = pool.next(&mut chance);
        bench.input.lock().unwrap().clone_from(&input);
        bench.since.store(execution, Ordering::Release);
        let Ok(alike) = catch_unwind(AssertUnwindSafe(|| (target.run)(&input))) else {
            panic!("{}: {}", target.name, keep(target.name, &input).display());
        };
        bench.since.store(0, Ordering::Release);
        bench.done.fetch_add(1, Ordering::Relaxed);
        if seen.insert(alike) {
            pool.keep(&input, &mut chance);
        }
    }
    seen.len()
}

fn fuzz(name: &str, executions: usize) {
    let target = *TARGETS.iter().find(|target| target.name == name).unwrap();
    let workers = std::thread::available_parallelism()
        .map_or(1, usize::from)
        .min(8);
    let share = (executions / workers) as u64;
    let benches: Vec<Bench> = (0..workers).map(|_| Bench::default()).collect();
    let (clock, over) = (Monotonic::start(), AtomicBool::new(false));
    let ways: usize = std::thread::scope(|scope| {
        let (benches, over) = (&benches, &over);
        scope.spawn(move || look_for_hangs(name, benches, over));
        let running: Vec<_> = benches
            .iter()
            .zip(0..)
            .map(|(bench, worker)| scope.spawn(move || work(target, worker, share, bench)))
            .collect();
        let ended: Vec<_> = running.into_iter().map(|one| one.join()).collect();
        over.store(true, Ordering::Release);
        ended.into_iter().map(|one| one.unwrap()).sum()
    });
    let done: u64 = benches
        .iter()
        .map(|bench| bench.done.load(Ordering::Relaxed))
        .sum();
    println!(
        "{name}: {done} executions, treated in {ways} ways, in {} ms",
        clock.ms()
    );
    assert_eq!(done, share * workers as u64);
}

/// Counts looks, not time: a computer that stands still looks at nothing.
fn look_for_hangs(target: &str, benches: &[Bench], over: &AtomicBool) {
    let mut seen = vec![(0, 0); benches.len()];
    while !over.load(Ordering::Acquire) {
        std::thread::sleep(LOOK_EVERY);
        for (bench, (since, looks)) in benches.iter().zip(&mut seen) {
            let now = bench.since.load(Ordering::Acquire);
            *looks = if now > 0 && now == *since {
                *looks + 1
            } else {
                0
            };
            *since = now;
            if *looks > LOOKS_MAX {
                let path = keep(target, &bench.input.lock().unwrap());
                println!("{target} hangs on {}", path.display());
                // No other thread can end the one that hangs.
                std::process::exit(101);
            }
        }
    }
}

#[test]
fn fuzz_decode_ends_in_text_or_a_reason() {
    fuzz("decode", rounds(10_000, 6_000_000));
}

#[test]
fn fuzz_parse_ends_in_rows_or_findings() {
    fuzz("parse", rounds(10_000, 3_400_000));
}

#[test]
fn fuzz_config_ends_in_a_configuration_or_problems() {
    fuzz("config", rounds(1_000, 600_000));
}
