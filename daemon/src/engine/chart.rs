//! How a stream judges its units one after another.
//!
//! A state is all that the future needs of the past: the baseline so far or the frozen limits,
//! what the run rules remember, the unfinished subgroup and the open alert.

use std::sync::Arc;

use spc::chart::{Bounds, ChartKind, Limits, Sample};
use spc::rules::{self, RuleState, Side};

use crate::config::{Characteristic, Subgroup};

use super::atom::{Atom, AtomKey, Content};
use super::effects::{AlertFacts, PointFacts, PointKind, SignalFacts};
use super::plotted::{count_as_f64, median, sample};

/// Points without a signal after which a stream counts as returned to normal.
pub const QUIET_POINTS: u32 = 5;

/// The longest baseline that is remembered when limits can not be set.
const BASELINE_POINTS_MAX: usize = 5_000;

/// The name of the rule that every chart has.
pub const BEYOND_LIMITS: &str = "beyond_limits";

/// The name of the rule that watches the spread within subgroups.
pub const SPREAD_BEYOND_LIMITS: &str = "spread_beyond_limits";

/// Everything that the next unit's judgement depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartState {
    /// The number of the baseline, and of the limits made from it.
    pub version: u32,
    /// Baseline or monitoring.
    pub phase: Phase,
    /// The restart keys of the last unit.
    pub setup: Option<Vec<Arc<str>>>,
    /// The unfinished subgroup of several units in a row.
    pub group: Option<Group>,
    /// Units since the last one with a defect, where that is what is charted.
    pub units_since_event: u64,
    /// The alert that is still open.
    pub episode: Option<Episode>,
    /// Why limits can not be set, where that is so.
    pub note: Option<String>,
}

/// An unfinished subgroup of several units in a row.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// What its units contributed, merged.
    pub content: Content,
    /// How many units it has.
    pub units: usize,
    /// The value of each, where the chart needs them one by one (a median); else empty.
    pub values: Vec<f64>,
}

/// Baseline or monitoring.
#[derive(Clone, Debug, PartialEq)]
pub enum Phase {
    /// Collecting subgroups.
    Baseline {
        /// The first unit and the subgroups so far.
        first: Option<AtomKey>,
        /// The subgroups.
        samples: Vec<Sample>,
    },
    /// Judging against frozen limits.
    Monitoring {
        /// The limits.
        limits: Limits,
        /// What the run rules remember.
        rules: RuleState,
    },
}

/// Frozen limits and where they came from.
#[derive(Clone, Debug, PartialEq)]
pub struct LimitsVersion {
    /// Their number within the stream.
    pub version: u32,
    /// The first unit of the baseline.
    pub from: AtomKey,
    /// The last unit of the baseline.
    pub to: AtomKey,
    /// The numbers.
    pub limits: Limits,
    /// Who froze them.
    pub author: String,
    /// Why.
    pub reason: String,
}

/// An alert that is still open.
#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    /// The first signal.
    pub first: AtomKey,
    /// The last signal's time.
    pub last_at: i64,
    /// Signals so far.
    pub signals: u32,
    /// Names of rules that fired.
    pub rules: Vec<&'static str>,
    /// The side of the first signal.
    pub side: Side,
    /// The largest distance in sigma.
    pub size_sigma: f64,
    /// The value there.
    pub size_value: f64,
    /// Points without a signal since.
    pub quiet: u32,
}

/// What a person asked of a stream.
#[derive(Clone, Debug, PartialEq)]
pub struct Command {
    /// From this event time on.
    pub at: i64,
    /// What.
    pub kind: CommandKind,
    /// Who.
    pub author: String,
    /// Why.
    pub reason: String,
}

/// What can be asked of a stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CommandKind {
    /// Make limits from the subgroups so far.
    Freeze,
    /// Begin a new baseline.
    Restart,
}

/// What an evaluation found, in order.
#[derive(Debug, Default)]
pub struct Evaluated {
    /// The points.
    pub points: Vec<PointFacts>,
    /// The limits that were set.
    pub limits: Vec<LimitsVersion>,
    /// The alerts, the open one last.
    pub alerts: Vec<AlertFacts>,
}

impl ChartState {
    /// The state of a stream that has seen nothing.
    #[must_use]
    pub fn new() -> ChartState {
        ChartState {
            version: 1,
            phase: Phase::Baseline {
                first: None,
                samples: Vec::new(),
            },
            setup: None,
            group: None,
            units_since_event: 0,
            episode: None,
            note: None,
        }
    }

    /// The number of the baseline or the limits that hold now.
    #[must_use]
    pub fn version_now(&self) -> u32 {
        self.version
    }

    /// The highest version of limits that has been set.
    #[must_use]
    pub fn limits_standing(&self) -> u32 {
        match self.phase {
            Phase::Baseline { .. } => self.version - 1,
            Phase::Monitoring { .. } => self.version,
        }
    }

    /// Where the open alert began.
    #[must_use]
    pub fn episode_start(&self) -> Option<AtomKey> {
        self.episode.as_ref().map(|episode| episode.first.clone())
    }

    /// Judges the next unit.
    pub fn judge(
        &mut self,
        stream: usize,
        atom: &Atom,
        what: &Characteristic,
        out: &mut Evaluated,
    ) {
        if self
            .setup
            .as_ref()
            .is_some_and(|setup| *setup != atom.setup)
        {
            self.restart();
        }
        self.setup = Some(atom.setup.clone());
        match what.subgroup {
            _ if what.chart == ChartKind::G => self.count_on(stream, atom, what, out),
            Subgroup::Consecutive(size) => self.gather(stream, atom, size, what, out),
            Subgroup::Panel | Subgroup::Board | Subgroup::Minutes(_) => {
                if let Some(sample) = sample(&atom.content, what.chart) {
                    self.chart(stream, atom, PointKind::Whole, sample, what, out);
                }
            }
        }
    }

    /// Carries out a person's command.
    pub fn apply(&mut self, command: &Command, what: &Characteristic, out: &mut Evaluated) {
        match command.kind {
            CommandKind::Restart => self.restart(),
            CommandKind::Freeze => {
                if let Phase::Baseline {
                    first: Some(first),
                    samples,
                } = &self.phase
                {
                    let to = out.points.last().map_or_else(
                        || (command.at, Arc::from("")),
                        |point| (point.at, Arc::clone(&point.unit)),
                    );
                    let (first, samples) = (first.clone(), samples.clone());
                    self.freeze(
                        &samples,
                        first,
                        to,
                        what,
                        (&command.author, &command.reason),
                        out,
                    );
                }
            }
        }
    }

    /// Ends an evaluation: the open alert is told as it stands.
    pub fn close(&self, stream: usize, out: &mut Evaluated) {
        if let Some(episode) = &self.episode {
            out.alerts.push(episode.facts(stream, None));
        }
    }

    fn restart(&mut self) {
        // A baseline that has seen nothing yet is as good as a new one.
        if !matches!(self.phase, Phase::Baseline { first: None, .. }) {
            self.version = self.limits_standing() + 1;
            self.phase = Phase::Baseline {
                first: None,
                samples: Vec::new(),
            };
        }
        self.group = None;
        self.units_since_event = 0;
        self.note = None;
    }

    /// Counts units up to one with a defect, which is a point.
    fn count_on(&mut self, stream: usize, atom: &Atom, what: &Characteristic, out: &mut Evaluated) {
        if let Some(part) = sample(&atom.content, ChartKind::Individuals) {
            let point = self.point(stream, atom, PointKind::Part, part);
            out.points.push(point);
        }
        self.units_since_event += 1;
        if atom.content.has_event() {
            let count = Sample {
                size: 1.0,
                value: count_as_f64(std::mem::take(&mut self.units_since_event)),
                spread: None,
            };
            self.chart(stream, atom, PointKind::Group, count, what, out);
        }
    }

    fn gather(
        &mut self,
        stream: usize,
        atom: &Atom,
        size: usize,
        what: &Characteristic,
        out: &mut Evaluated,
    ) {
        let part = sample(&atom.content, ChartKind::Individuals);
        if let Some(part) = part {
            let point = self.point(stream, atom, PointKind::Part, part);
            out.points.push(point);
        }
        let mut group = match self.group.take() {
            None => Group {
                content: atom.content.clone(),
                units: 1,
                values: Vec::new(),
            },
            Some(mut group) => {
                match (&mut group.content, &atom.content) {
                    (Content::Measured(mine), Content::Measured(theirs)) => mine.merge(theirs),
                    (Content::Counted(mine), Content::Counted(theirs)) => mine.extend(
                        theirs
                            .iter()
                            .map(|(board, defects)| (Arc::clone(board), *defects)),
                    ),
                    (Content::Measured(_), Content::Counted(_))
                    | (Content::Counted(_), Content::Measured(_)) => {}
                }
                group.units += 1;
                group
            }
        };
        if what.chart == ChartKind::MedianRange {
            group.values.extend(part.map(|part| part.value));
        }
        if group.units < size {
            self.group = Some(group);
            return;
        }
        let whole = Atom {
            content: group.content,
            ..atom.clone()
        };
        let sample = match what.chart {
            ChartKind::MedianRange => median(&group.values),
            chart => sample(&whole.content, chart),
        };
        if let Some(sample) = sample {
            self.chart(stream, &whole, PointKind::Group, sample, what, out);
        }
    }

    fn point(&self, stream: usize, atom: &Atom, kind: PointKind, sample: Sample) -> PointFacts {
        PointFacts {
            stream,
            at: atom.at,
            unit: Arc::clone(&atom.unit),
            kind,
            size: sample.size,
            value: sample.value,
            spread: sample.spread,
            version: self.version,
            baseline: matches!(self.phase, Phase::Baseline { .. }),
            signals: Vec::new(),
            atom: atom.clone(),
        }
    }

    fn chart(
        &mut self,
        stream: usize,
        atom: &Atom,
        kind: PointKind,
        sample: Sample,
        what: &Characteristic,
        out: &mut Evaluated,
    ) {
        let mut point = self.point(stream, atom, kind, sample);
        match &mut self.phase {
            Phase::Baseline { first, samples } => {
                let first = first.get_or_insert_with(|| atom.key()).clone();
                if samples.len() == BASELINE_POINTS_MAX {
                    samples.remove(0);
                }
                samples.push(sample);
                let full = samples.len() >= what.baseline;
                let samples = if full { samples.clone() } else { Vec::new() };
                out.points.push(point);
                if full {
                    let reason = format!("baseline of {} subgroups complete", samples.len());
                    self.freeze(
                        &samples,
                        first,
                        atom.key(),
                        what,
                        ("driftvane", &reason),
                        out,
                    );
                }
            }
            Phase::Monitoring { limits, rules } => {
                let z = limits.standardised(sample.value, sample.size);
                point.signals = signals(limits, rules, &sample, z, what);
                let told: Vec<SignalFacts> = point.signals.clone();
                out.points.push(point);
                self.follow(stream, atom, sample.value, z, &told, out);
            }
        }
    }

    /// Opens, extends or ends the alert.
    fn follow(
        &mut self,
        stream: usize,
        atom: &Atom,
        value: f64,
        z: f64,
        signals: &[SignalFacts],
        out: &mut Evaluated,
    ) {
        let Some(first_signal) = signals.first() else {
            if let Some(episode) = &mut self.episode {
                episode.quiet += 1;
                if episode.quiet >= QUIET_POINTS {
                    out.alerts.push(episode.facts(stream, Some(atom.at)));
                    self.episode = None;
                }
            }
            return;
        };
        let episode = self.episode.get_or_insert_with(|| Episode {
            first: atom.key(),
            last_at: atom.at,
            signals: 0,
            rules: Vec::new(),
            side: first_signal.side,
            size_sigma: 0.0,
            size_value: value,
            quiet: 0,
        });
        episode.last_at = atom.at;
        episode.quiet = 0;
        episode.signals += 1;
        if z.abs() > episode.size_sigma.abs() {
            episode.size_sigma = z;
            episode.size_value = value;
        }
        for signal in signals {
            if !episode.rules.contains(&signal.by) {
                episode.rules.push(signal.by);
            }
        }
    }

    fn freeze(
        &mut self,
        samples: &[Sample],
        from: AtomKey,
        to: AtomKey,
        what: &Characteristic,
        (author, reason): (&str, &str),
        out: &mut Evaluated,
    ) {
        match Limits::estimate(what.chart, samples, what.limit_width) {
            Ok(mut limits) => {
                if what.widen {
                    limits.width *= widening(&limits, samples);
                }
                out.limits.push(LimitsVersion {
                    version: self.version,
                    from,
                    to,
                    limits: limits.clone(),
                    author: author.to_owned(),
                    reason: reason.to_owned(),
                });
                self.phase = Phase::Monitoring {
                    limits,
                    rules: RuleState::default(),
                };
                self.note = None;
            }
            Err(error) => self.note = Some(format!("limits can not be set: {error}")),
        }
    }
}

impl Default for ChartState {
    fn default() -> ChartState {
        ChartState::new()
    }
}

impl Episode {
    fn facts(&self, stream: usize, returned_at: Option<i64>) -> AlertFacts {
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
            returned: returned_at.is_some(),
            returned_at,
        }
    }
}

/// The control limits of a point: exact ones where they are wanted and exist.
#[must_use]
pub fn bounds(limits: &Limits, size: f64, exact: bool) -> Bounds {
    let wanted = if exact {
        spc::probability::bounds(limits, size)
    } else {
        None
    };
    wanted.unwrap_or_else(|| limits.bounds(size))
}

/// How much wider limits from so few subgroups have to be. A chart that no widening is known for
/// keeps the width that was asked for.
fn widening(limits: &Limits, samples: &[Sample]) -> f64 {
    if limits.between_events().is_some() {
        let factor = spc::between_events::widening(limits.width, limits.subgroups);
        return factor.unwrap_or(1.0);
    }
    let sizes: f64 = samples.iter().map(|sample| sample.size).sum();
    let size = sizes / count_as_f64(samples.len() as u64);
    spc::widening::factor(limits.kind, limits.subgroups, size).unwrap_or(1.0)
}

/// The signals at a point. Width replaces the three sigma of the classic first rule.
fn signals(
    limits: &Limits,
    state: &mut RuleState,
    sample: &Sample,
    z: f64,
    what: &Characteristic,
) -> Vec<SignalFacts> {
    let mut found = Vec::new();
    let bounds = bounds(limits, sample.size, what.exact_limits);
    if let Some(side) = rules::beyond(sample.value, bounds) {
        found.push(SignalFacts {
            by: BEYOND_LIMITS,
            side,
        });
    }
    if let (Some(spread), Some(bounds)) = (sample.spread, limits.spread_bounds(sample.size))
        && let Some(side) = rules::beyond(spread, bounds)
    {
        found.push(SignalFacts {
            by: SPREAD_BEYOND_LIMITS,
            side,
        });
    }
    for (rule, side) in state.push(z, sample.value, &what.rules) {
        found.push(SignalFacts {
            by: rule.name(),
            side,
        });
    }
    found
}

/// A unit that came too late: kept and shown, but judged by no rule.
pub fn late_point(
    stream: usize,
    atom: Atom,
    what: &Characteristic,
    version: u32,
) -> Option<PointFacts> {
    let sample = sample(&atom.content, what.chart)
        .or_else(|| sample(&atom.content, ChartKind::Individuals))?;
    Some(PointFacts {
        stream,
        at: atom.at,
        unit: Arc::clone(&atom.unit),
        kind: PointKind::Late,
        size: sample.size,
        value: sample.value,
        spread: sample.spread,
        version,
        baseline: false,
        signals: Vec::new(),
        atom,
    })
}
