//! How self-starting scores should learn: at once, or only while the sums are calm.
//!
//! Purpose: the figures behind what the program does after a short baseline, up to the first
//! signal. Must not choose anything for it. The one invariant: all ways see the same made points.

use crate::write;
use spc::cusum::{Cusum, CusumState};
use spc::detection;
use spc::selfstart::{SCORE_MAX, SelfStart};
use spc::simulation::Normals;

const SEED: u64 = 90_210;

/// Points after the baseline in which false signals are counted, and the first of them.
const WINDOW: usize = 600;
const FIRST: usize = 100;

/// Runs behind a delay.
const RUNS: usize = 4_000;

/// Points in control between the limits and a shift.
const QUIET: usize = 50;

/// Points after which a run is given up.
const FAR: usize = 3_000;

/// In-control lengths, and points in control that are made for each: the two longer ones are those
/// of 15,560 streams of 60 points a shift with 20 false alerts and with one.
const LENGTHS: [(f64, usize); 3] = [
    (5_000.0, 20_000_000),
    (46_580.0, 100_000_000),
    (933_600.0, 300_000_000),
];

const BASELINES: [usize; 4] = [25, 50, 100, 200];

/// Shifts in sigmas whose delays are told.
const SHIFTS: [f64; 4] = [0.5, 0.75, 1.0, 2.0];

#[derive(Clone, Copy, PartialEq)]
enum Learning {
    /// Mean and sigma are known.
    Known,
    /// From every point.
    AtOnce,
    /// Points wait while a sum is above half its threshold.
    WhileCalm,
}

/// What is simulated: a way to learn, from a baseline of so many points.
#[derive(Clone, Copy)]
struct Way {
    name: &'static str,
    learning: Learning,
    baseline: usize,
}

struct Stream<'a> {
    set: &'a [Cusum; 3],
    learning: Learning,
    reference: SelfStart,
    waiting: SelfStart,
    sums: [CusumState; 3],
}

impl Stream<'_> {
    fn new<'a>(set: &'a [Cusum; 3], way: Way, normals: &mut Normals) -> Stream<'a> {
        Stream {
            set,
            learning: way.learning,
            reference: SelfStart::of((0..way.baseline).map(|_| normals.draw())),
            waiting: SelfStart::default(),
            sums: set.map(|one| one.start()),
        }
    }

    /// Takes a point and says whether it signals.
    fn push(&mut self, x: f64) -> bool {
        let score = match self.learning {
            Learning::Known => Some(x.clamp(-SCORE_MAX, SCORE_MAX)),
            _ => self.reference.score(x),
        };
        let Some(score) = score else {
            return false;
        };
        let (mut signals, mut highest) = (false, 0.0_f64);
        for (one, state) in self.set.iter().zip(&mut self.sums) {
            signals |= one.push(state, score).is_some();
            highest = highest.max(state.upper.max(state.lower) / one.threshold);
        }
        if self.learning == Learning::WhileCalm && highest > 0.5 {
            self.waiting.take(x);
        } else {
            self.reference.join(&std::mem::take(&mut self.waiting));
            self.reference.take(x);
        }
        signals
    }
}

/// In-control rates and delays of each way to learn.
pub fn make() {
    let mut rows = Vec::new();
    for (length, points) in LENGTHS {
        let found = detection::thresholds(length);
        let set = found.map_or_else(|why| panic!("{why}"), |found| found.cusums());
        let set = set.map(|one| Cusum {
            head_start: 0.0,
            ..one
        });
        let mut told = |way: Way| {
            let made = format!("{length},{},{}", way.baseline, way.name);
            let quiet = in_control(&set, way, (length, points));
            rows.push(format!("{made},{quiet}{}", delays(&set, way)));
        };
        told(Way {
            name: "nothing to learn",
            learning: Learning::Known,
            baseline: 0,
        });
        for baseline in BASELINES {
            for (name, learning) in [
                ("at once", Learning::AtOnce),
                ("sums below half", Learning::WhileCalm),
            ] {
                told(Way {
                    name,
                    learning,
                    baseline,
                });
            }
        }
    }
    let mut header =
        "in_control_length,baseline,learning,rate_in_100,error_100,rate_in_600,error_600"
            .to_owned();
    for shift in SHIFTS {
        header += &format!(",half_{shift},ninety_{shift}");
    }
    write::results("learning", &header, &rows);
}

/// First signals without cause in the first points, and in all, as parts of what the in-control
/// length allows for as many points, with standard errors.
fn in_control(set: &[Cusum; 3], way: Way, (length, points): (f64, usize)) -> String {
    let mut normals = Normals::new(SEED);
    let (mut judged, mut signals) = ([0_u64; 2], [0_u64; 2]);
    for _ in 0..points / WINDOW {
        let mut stream = Stream::new(set, way, &mut normals);
        let first = (1..=WINDOW).find(|_| stream.push(normals.draw()));
        for (place, window) in [FIRST, WINDOW].into_iter().enumerate() {
            let within = first.filter(|point| *point <= window);
            judged[place] += within.unwrap_or(window) as u64;
            signals[place] += u64::from(within.is_some());
        }
    }
    let part = |place: usize| {
        let expected = judged[place] as f64 / length;
        let count = signals[place] as f64;
        format!("{:.3},{:.3}", count / expected, count.sqrt() / expected)
    };
    format!("{},{}", part(0), part(1))
}

/// Points within which half and nine tenths of the runs signal a shift.
fn delays(set: &[Cusum; 3], way: Way) -> String {
    let mut text = String::new();
    for shift in SHIFTS {
        let mut normals = Normals::new(SEED + 1);
        let mut delays = Vec::with_capacity(RUNS);
        while delays.len() < RUNS {
            let mut stream = Stream::new(set, way, &mut normals);
            let mut signals = |point: &usize| {
                let moved = if *point > QUIET { shift } else { 0.0 };
                stream.push(normals.draw() + moved)
            };
            let point = (1..QUIET + FAR).find(|point| signals(point));
            let delay = point.unwrap_or(QUIET + FAR).checked_sub(QUIET);
            // A signal before the shift is none of it.
            delays.extend(delay.filter(|delay| *delay > 0));
        }
        delays.sort_unstable();
        text += &format!(",{},{}", delays[RUNS / 2], delays[RUNS * 9 / 10]);
    }
    text
}
