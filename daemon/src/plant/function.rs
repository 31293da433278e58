//! The function station: one growing file per shift, one row per test step of a board.
//!
//! Must not know the other stations. Invariant: a board's values belong to the board: a retest
//! measures the same board again, with a little noise of its own.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::clock::Clock;
use super::random::Random;
use super::settings::{Settings, Step};
use super::{Stream, panel_id};

/// The columns, in order.
pub(super) const HEADER: &str =
    "Tested,Serial,Fixture,Attempt,Step,Value,Unit,Lower,Upper,Verdict\n";

/// Local time without an offset.
pub(super) const TIME_FORMAT: &str = "%Y-%m-%d %H:%M:%S";

/// Share of the step's standard deviation that is noise of the single measurement.
const REPEAT_SHARE: f64 = 0.2;

/// One run of the test on one board.
#[derive(Debug)]
pub(super) struct Run {
    pub at: Timestamp,
    pub panel: u32,
    pub position: u32,
    pub attempt: u32,
    /// Which of the two fixtures, 0 or 1.
    pub fixture: usize,
    values: Vec<f64>,
}

/// The fixture of a first attempt: it changes with position and panel, so that neither is
/// confounded with it.
fn fixture_of(panel: u32, position: u32) -> usize {
    ((panel + position) % 2) as usize
}

/// When the first attempt on a board ends. The two fixtures work side by side.
fn tested_at(
    settings: &Settings,
    clock: &Clock,
    printed_at: Timestamp,
    position: u32,
) -> Timestamp {
    let function = &settings.function;
    let slot = i64::from(position.div_ceil(2));
    let delay = i64::from(function.delay_seconds) + slot * i64::from(function.seconds_per_board);
    clock.after(printed_at, delay)
}

/// When the named fixture first tests a board of the panel.
pub(super) fn first_use(
    settings: &Settings,
    clock: &Clock,
    (panel, printed_at): (u32, Timestamp),
    fixture: &str,
) -> Timestamp {
    let position = (1..=settings.plant.boards)
        .find(|&position| settings.function.fixtures[fixture_of(panel, position)] == fixture);
    tested_at(settings, clock, printed_at, position.unwrap_or(1))
}

/// All runs of the boards of one panel: first attempts, and second ones where the first failed.
pub(super) fn runs(
    settings: &Settings,
    clock: &Clock,
    seed: u64,
    (panel, printed_at): (u32, Timestamp),
) -> Vec<Run> {
    let function = &settings.function;
    let mut runs = Vec::new();
    for position in 1..=settings.plant.boards {
        let path = [
            Stream::Function as u64,
            u64::from(panel),
            u64::from(position),
        ];
        let mut random = Random::new(seed, &path);
        let board: Vec<f64> = function.step.iter().map(|_| random.normal()).collect();
        let steps = function.step.len() as u32;
        let spoilt = random
            .happens(function.contact_fault_share)
            .then(|| random.below(steps));
        let mut first = Run {
            at: tested_at(settings, clock, printed_at, position),
            panel,
            position,
            attempt: 1,
            fixture: fixture_of(panel, position),
            values: Vec::new(),
        };
        measure(settings, &board, spoilt, &mut first, &mut random);
        let failed = function
            .step
            .iter()
            .zip(&first.values)
            .any(|(step, &v)| !passes(step, v));
        let second = failed.then(|| Run {
            at: clock.after(first.at, i64::from(function.retest_delay_seconds)),
            attempt: 2,
            fixture: 1 - first.fixture,
            values: Vec::new(),
            ..first
        });
        runs.push(first);
        if let Some(mut second) = second {
            let recovers = random.happens(function.retest_recovers_share);
            let spoilt = spoilt.filter(|_| !recovers);
            measure(settings, &board, spoilt, &mut second, &mut random);
            runs.push(second);
        }
    }
    runs
}

fn measure(
    settings: &Settings,
    board: &[f64],
    spoilt: Option<u32>,
    run: &mut Run,
    random: &mut Random,
) {
    let function = &settings.function;
    let lasting = (1.0 - REPEAT_SHARE * REPEAT_SHARE).sqrt();
    for (index, (step, own)) in function.step.iter().zip(board).enumerate() {
        let deviation = lasting * own + REPEAT_SHARE * random.normal();
        let mut value = step.mean + step.sd * deviation;
        if run.fixture == 1 {
            value += step.second_fixture;
        }
        for fault in &settings.fixture_step {
            let here = fault.step == step.name && fault.fixture == function.fixtures[run.fixture];
            if here && run.panel >= fault.from_panel {
                value += fault.size;
            }
        }
        if spoilt == Some(index as u32) {
            value = step.lower - 0.2 * (step.upper - step.lower);
        }
        run.values.push(round(value, step.decimals));
    }
}

fn round(value: f64, decimals: u8) -> f64 {
    let scale = (0..decimals).fold(1.0, |scale, _| scale * 10.0);
    (value * scale).round() / scale
}

fn passes(step: &Step, value: f64) -> bool {
    (step.lower..=step.upper).contains(&value)
}

/// The rows of one run.
pub(super) fn rows(settings: &Settings, clock: &Clock, run: &Run) -> String {
    let function = &settings.function;
    let lead = format!(
        "{},{}-{},{},{}",
        clock.text(run.at, TIME_FORMAT),
        panel_id(run.panel),
        run.position,
        function.fixtures[run.fixture],
        run.attempt
    );
    let mut text = String::new();
    for (step, &value) in function.step.iter().zip(&run.values) {
        let Step {
            name,
            unit,
            lower,
            upper,
            ..
        } = step;
        let verdict = if passes(step, value) { "pass" } else { "fail" };
        let decimals = usize::from(step.decimals);
        let limits = format!("{lower:.decimals$},{upper:.decimals$}");
        // Writing to a String cannot fail.
        let _infallible = writeln!(
            text,
            "{lead},{name},{value:.decimals$},{unit},{limits},{verdict}"
        );
    }
    text
}
