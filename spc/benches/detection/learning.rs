//! How self-starting scores should learn: at once, or only while the sums are calm.
//!
//! Purpose: the figures behind what the program does after a short baseline. Must not choose
//! anything for it. The one invariant: all ways see the same made points.

use crate::write;
use spc::cusum::{Cusum, CusumState};
use spc::detection;
use spc::selfstart::SelfStart;
use spc::simulation::Normals;

const SEED: u64 = 90_210;
const RUNS: usize = 4_000;

/// Points in control between the limits and a shift.
const QUIET: usize = 50;

/// Points after which a run is given up.
const FAR: usize = 3_000;

#[derive(Clone, Copy)]
enum Learning {
    /// From every point that does not signal.
    AtOnce,
    /// Points wait while a sum is above this share of its threshold.
    WhileCalm(f64),
    /// Every point waits for so many others.
    Behind(usize),
}

struct Stream<'a> {
    set: &'a [Cusum; 3],
    learning: Learning,
    reference: SelfStart,
    sums: [CusumState; 3],
    waiting: Vec<f64>,
}

impl Stream<'_> {
    /// Takes a point and says whether it signals.
    fn push(&mut self, x: f64) -> bool {
        let Some(score) = self.reference.score(x) else {
            return false;
        };
        let (mut signals, mut highest) = (false, 0.0_f64);
        for (one, state) in self.set.iter().zip(&mut self.sums) {
            signals |= one.push(state, score).is_some();
            highest = highest.max(state.upper.max(state.lower) / one.threshold);
        }
        self.waiting.push(x);
        let keep = match self.learning {
            Learning::AtOnce => 0,
            Learning::WhileCalm(share) if highest <= share => 0,
            Learning::WhileCalm(_) => self.waiting.len(),
            Learning::Behind(points) => points,
        };
        let ready = self.waiting.len().saturating_sub(keep);
        for x in self.waiting.drain(..ready) {
            self.reference.take(x);
        }
        signals
    }
}

/// The point of the first signal; `before` points in control, then a shift.
fn signalled(
    (set, learning, baseline): (&[Cusum; 3], Learning, usize),
    (shift, before, most): (f64, usize, usize),
    normals: &mut Normals,
) -> usize {
    let mut stream = Stream {
        set,
        learning,
        reference: SelfStart::of((0..baseline).map(|_| normals.draw())),
        sums: set.map(|one| one.start()),
        waiting: Vec::new(),
    };
    let mut signals = |point: &usize| {
        let moved = if *point > before { shift } else { 0.0 };
        stream.push(normals.draw() + moved)
    };
    (1..most).find(|point| signals(point)).unwrap_or(most)
}

/// In-control lengths and delays of each way to learn.
pub fn make() {
    let ways = [
        ("at once", Learning::AtOnce),
        ("sums below half", Learning::WhileCalm(0.5)),
        ("sums below a quarter", Learning::WhileCalm(0.25)),
        ("10 points behind", Learning::Behind(10)),
    ];
    let mut rows = Vec::new();
    for length in [370.0, 5_000.0] {
        let found = detection::thresholds(length);
        let set = found.map_or_else(|why| panic!("{why}"), |found| found.cusums());
        let set = set.map(|one| Cusum {
            head_start: 0.0,
            ..one
        });
        for baseline in [25, 50, 100] {
            for (name, learning) in ways {
                rows.push(row(length, (name, &set, learning, baseline)));
            }
        }
    }
    let header = "in_control_length,baseline,learning,sums_in_control,signal_in_a_fifth,\
                  half_05,ninety_05,half_1,ninety_1";
    write::results("learning", header, &rows);
}

fn row(
    length: f64,
    (name, set, learning, baseline): (&str, &[Cusum; 3], Learning, usize),
) -> String {
    let watched = (set, learning, baseline);
    let mut normals = Normals::new(SEED);
    let far = (20.0 * length) as usize;
    let quiet: Vec<usize> = (0..RUNS)
        .map(|_| signalled(watched, (0.0, 0, far), &mut normals))
        .collect();
    let mean = quiet.iter().sum::<usize>() as f64 / RUNS as f64;
    let soon = quiet.iter().filter(|point| **point as f64 <= 0.2 * length);
    let mut text = format!(
        "{length},{baseline},{name},{mean:.0},{:.3}",
        soon.count() as f64 / RUNS as f64
    );
    for shift in [0.5, 1.0] {
        let mut normals = Normals::new(SEED + 1);
        let mut delays = Vec::with_capacity(RUNS);
        while delays.len() < RUNS {
            let point = signalled(watched, (shift, QUIET, QUIET + FAR), &mut normals);
            // A signal before the shift is none of it.
            delays.extend(point.checked_sub(QUIET).filter(|delay| *delay > 0));
        }
        delays.sort_unstable();
        text += &format!(",{},{}", delays[RUNS / 2], delays[RUNS * 9 / 10]);
    }
    text
}
