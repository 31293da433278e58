//! An alert while it is open: it begins with a signal and ends when the stream has been quiet.
//!
//! Must not know limits or thresholds. The one invariant: what it says of its beginning never
//! changes.

use std::sync::Arc;

use spc::rules::Side;

use super::atom::{Atom, AtomKey};
use super::chart::Evaluation;
use super::effects::{AlertFacts, PointFacts, SignalFacts};

/// Points without a signal after which a stream counts as returned to normal.
pub const QUIET_POINTS: u32 = 5;

/// An alert that is still open.
#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    /// The first signal.
    pub first: AtomKey,
    /// The last signal's time.
    pub last_at: i64,
    /// Points with a signal so far.
    pub signals: u32,
    /// Names of rules that fired.
    pub rules: Vec<&'static str>,
    /// The side of the first signal.
    pub side: Side,
    /// The largest distance in sigma: of a point, or of the shift that a detector estimates.
    pub size_sigma: f64,
    /// The value of the point there.
    pub size_value: f64,
    /// Points without a signal since.
    pub quiet: u32,
    /// When it most likely began, where what signalled first tells that itself.
    pub since: Option<i64>,
}

impl Episode {
    /// An alert that begins with a signal at a unit.
    pub fn new(atom: &Atom, signal: &SignalFacts, value: f64) -> Episode {
        Episode {
            first: atom.key(),
            last_at: atom.at,
            signals: 0,
            rules: Vec::new(),
            side: signal.side,
            size_sigma: 0.0,
            size_value: value,
            quiet: 0,
            since: None,
        }
    }

    /// Takes a point with signals; `size` is how far out it or the shift is, in sigmas.
    pub fn extend(&mut self, at: i64, value: f64, size: f64, signals: &[SignalFacts]) {
        self.last_at = at;
        self.quiet = 0;
        self.signals += 1;
        if size.abs() > self.size_sigma.abs() {
            self.size_sigma = size;
            self.size_value = value;
        }
        for signal in signals {
            if !self.rules.contains(&signal.by) {
                self.rules.push(signal.by);
            }
        }
    }

    /// What is said of it.
    pub fn facts(&self, stream: usize, returned_at: Option<i64>) -> AlertFacts {
        AlertFacts {
            stream,
            first_at: self.first.0,
            first_unit: Arc::clone(&self.first.1),
            last_at: self.last_at,
            signals: self.signals,
            rules: self.rules.join(","),
            side: self.side,
            size_sigma: self.size_sigma,
            size_value: self.size_value,
            since: self.since,
            returned: returned_at.is_some(),
            returned_at,
        }
    }
}

/// Follows the open alert at a point: it begins or goes on with a signal, and ends when enough
/// points are quiet at which all that fired is calm. `size` is how far out the point or the shift
/// is, in sigmas.
pub fn follow(
    open: &mut Option<Episode>,
    (atom, point): (&Atom, &PointFacts),
    size: f64,
    calm: impl Fn(&str) -> bool,
    run: &mut Evaluation,
) {
    match (&mut *open, point.signals.first()) {
        (None, None) => {}
        (Some(episode), None) => {
            episode.quiet += u32::from(episode.rules.iter().all(|by| calm(by)));
            if episode.quiet >= QUIET_POINTS {
                let returned = episode.facts(run.stream, Some(atom.at));
                run.found.alerts.push(returned);
                *open = None;
            }
        }
        (open, Some(first)) => open
            .get_or_insert_with(|| Episode::new(atom, first, point.value))
            .extend(atom.at, point.value, size, &point.signals),
    }
}
