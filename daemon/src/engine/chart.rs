//! How a stream judges its units one after another.
//!
//! A state is all that the future needs of the past: the baseline so far or the frozen limits,
//! what the run rules remember, the unfinished subgroup and the open alert.

use std::sync::Arc;

use spc::chart::{Bounds, ChartKind, Limits, Sample};
use spc::rules::{self, RuleState};

use crate::config::{Characteristic, Subgroup};

use super::atom::{Atom, AtomKey};
use super::baseline::{self, BaselinePoint, Findings};
use super::budget::{Budget, parts};
use super::detect::{Detection, DetectorState, is_detector};
use super::early;
use super::effects::{AlertFacts, PointFacts, PointKind, SignalFacts};
use super::episode::{self, Episode};
use super::gathering::{Group, SinceEvent};
use super::pads::{PADS, PadWatch, Panel, Said};
use super::plotted::{is_between, placed, sample};

/// The longest baseline that is remembered when limits can not be set.
const BASELINE_POINTS_MAX: usize = 5_000;

/// The width of limits that are drawn, but make no signals.
pub(super) const WIDTH_DRAWN: f64 = 3.0;

/// The name of the rule that a chart has.
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
    /// What lies since the last event, where that is what is charted.
    pub since_event: SinceEvent,
    /// The alert that is still open.
    pub episode: Option<Episode>,
    /// Why limits can not be set, where that is so.
    pub note: Option<String>,
}

/// Baseline or monitoring.
#[derive(Clone, Debug, PartialEq)]
pub enum Phase {
    /// Collecting subgroups.
    Baseline {
        /// The subgroups so far.
        points: Vec<BaselinePoint>,
        /// What watches them meanwhile.
        watch: Box<DetectorState>,
    },
    /// Judging against frozen limits.
    Monitoring(Box<Monitoring>),
}

impl Phase {
    /// A baseline without points.
    #[must_use]
    pub fn new() -> Phase {
        Phase::Baseline {
            points: Vec::new(),
            watch: Box::default(),
        }
    }
}

impl Default for Phase {
    fn default() -> Phase {
        Phase::new()
    }
}

/// What a stream is judged by, and what that remembers.
#[derive(Clone, Debug, PartialEq)]
pub struct Monitoring {
    /// The limits.
    pub limits: Limits,
    /// What they are watched with.
    pub detection: Detection,
    /// What the run rules remember.
    pub rules: RuleState,
    /// What the detectors of lasting shifts remember.
    pub detectors: DetectorState,
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
    /// What they are watched with.
    pub detection: Detection,
    /// What was found out about the baseline.
    pub findings: Findings,
    /// Who froze them.
    pub author: String,
    /// Why.
    pub reason: String,
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
    /// From when to when it mattered for the points of baselines how often the line is judged.
    pub rated: Option<(i64, i64)>,
}

/// One evaluation of a stream: what it is judged by, and what was found so far.
pub struct Evaluation<'a> {
    /// The stream's place.
    pub stream: usize,
    /// What is charted.
    pub what: &'a Characteristic,
    /// What its thresholds may cost.
    pub budget: Budget<'a>,
    /// What watches the single pads, where that is asked for.
    pub pads: Option<&'a mut PadWatch>,
    /// The findings.
    pub found: Evaluated,
}

impl Evaluation<'_> {
    /// Judges the pads of a unit; `run_length` is what all detectors of its limits have together.
    fn judge_pads(&mut self, atom: &Atom, version: u32, run_length: Option<f64>) -> Option<Said> {
        let pads = self.pads.as_mut()?;
        let panel = Panel {
            key: atom.key(),
            readings: Arc::clone(atom.pads.as_ref()?),
            version,
            run_length: run_length.map(|length| length * parts(self.what)),
        };
        Some(pads.judge(panel))
    }
}

impl ChartState {
    /// The state of a stream that has seen nothing.
    #[must_use]
    pub fn new() -> ChartState {
        ChartState {
            version: 1,
            phase: Phase::new(),
            setup: None,
            group: None,
            since_event: SinceEvent::default(),
            episode: None,
            note: None,
        }
    }

    /// The state of a stream whose kept one can not be taken over: a new baseline.
    #[must_use]
    pub fn anew(version: u32, episode: Option<Episode>) -> ChartState {
        let note = "its state of an older version could not be taken over: a new baseline began";
        ChartState {
            version,
            episode,
            note: Some(note.to_owned()),
            ..ChartState::new()
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
            Phase::Monitoring(_) => self.version,
        }
    }

    /// Where the open alert began.
    #[must_use]
    pub fn episode_start(&self) -> Option<AtomKey> {
        self.episode.as_ref().map(|episode| episode.first.clone())
    }

    /// Judges the next unit.
    pub fn judge(&mut self, atom: &Atom, run: &mut Evaluation) {
        if self
            .setup
            .as_ref()
            .is_some_and(|setup| *setup != atom.setup)
        {
            self.restart();
        }
        self.setup = Some(atom.setup.clone());
        match run.what.subgroup {
            _ if is_between(run.what.chart) => self.count_on(atom, run),
            Subgroup::Consecutive(size) => self.gather(atom, size, run),
            Subgroup::Panel | Subgroup::Board | Subgroup::Minutes(_) => {
                if let Some(sample) = sample(&atom.content, run.what.chart) {
                    self.chart(atom, PointKind::Whole, sample, run);
                }
            }
        }
    }

    /// Carries out a person's command.
    pub fn apply(&mut self, command: &Command, run: &mut Evaluation) {
        match command.kind {
            CommandKind::Restart => self.restart(),
            CommandKind::Freeze => {
                if let Phase::Baseline { points, .. } = &self.phase {
                    let to = run.found.points.last().map_or_else(
                        || (command.at, Arc::from("")),
                        |point| (point.at, Arc::clone(&point.unit)),
                    );
                    let points = points.clone();
                    self.freeze(&points, to, (&command.author, &command.reason), run);
                }
            }
        }
    }

    /// Ends an evaluation: the open alert is told as it stands.
    pub fn close(&self, run: &mut Evaluation) {
        if let Some(episode) = &self.episode {
            run.found.alerts.push(episode.facts(run.stream, None));
        }
    }

    fn restart(&mut self) {
        // A baseline that has seen nothing yet is as good as a new one.
        let is_new =
            |phase: &Phase| matches!(phase, Phase::Baseline { points, .. } if points.is_empty());
        if !is_new(&self.phase) {
            self.version = self.limits_standing() + 1;
            self.phase = Phase::new();
        }
        self.group = None;
        self.since_event = SinceEvent::default();
        self.note = None;
    }

    pub(super) fn point(
        &self,
        atom: &Atom,
        kind: PointKind,
        sample: Sample,
        run: &Evaluation,
    ) -> PointFacts {
        PointFacts {
            stream: run.stream,
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

    /// Charts a sample: for the baseline, or judged.
    pub(super) fn chart(
        &mut self,
        atom: &Atom,
        kind: PointKind,
        mut sample: Sample,
        run: &mut Evaluation,
    ) {
        if let Phase::Monitoring(by) = &self.phase {
            sample.value = placed(&by.limits, &atom.content).unwrap_or(sample.value);
        }
        let point = self.point(atom, kind, sample, run);
        match &self.phase {
            Phase::Baseline { .. } => self.collect(atom, point, sample, run),
            Phase::Monitoring(_) => self.monitor(atom, point, sample, run),
        }
    }

    /// Adds a point to the baseline, watched as far as it can be without limits.
    fn collect(
        &mut self,
        atom: &Atom,
        mut point: PointFacts,
        sample: Sample,
        run: &mut Evaluation,
    ) {
        let Phase::Baseline { points, watch } = &mut self.phase else {
            return;
        };
        if points.len() == BASELINE_POINTS_MAX {
            points.remove(0);
        }
        points.push(BaselinePoint {
            key: atom.key(),
            sample,
            means: atom.content.means().unwrap_or_default(),
        });
        run.judge_pads(atom, self.version, None);
        let from = points.first().map_or(atom.at, |first| first.key.0);
        early::watch(watch, &mut self.episode, (from, atom), &mut point, run);
        let full = points.len() >= run.what.baseline;
        let points = if full { points.clone() } else { Vec::new() };
        run.found.points.push(point);
        if full {
            let reason = format!("baseline of {} subgroups complete", points.len());
            self.freeze(&points, atom.key(), ("driftvane", &reason), run);
        }
    }

    /// Judges a point against the limits, and follows the alert that it belongs to.
    fn monitor(
        &mut self,
        atom: &Atom,
        mut point: PointFacts,
        sample: Sample,
        run: &mut Evaluation,
    ) {
        let Phase::Monitoring(by) = &mut self.phase else {
            return;
        };
        let Monitoring {
            limits,
            detection,
            rules,
            detectors,
        } = by.as_mut();
        let z = limits.standardised(sample.value, sample.size);
        point.signals = signals(limits, detection, rules, &sample, run.what);
        let mut size = if point.signals.is_empty() { 0.0 } else { z };
        for found in detectors.judge(detection, limits, &sample, z) {
            if found.shift.abs() > size.abs() {
                size = found.shift;
            }
            point.signals.push(found.signal);
        }
        let pads = run.judge_pads(atom, self.version, Some(detection.run_length));
        let is_own = !point.signals.is_empty();
        let moved = pads.and_then(|said| said.signal);
        if let Some(pad) = moved {
            let signal = SignalFacts {
                by: PADS,
                side: pad.side,
            };
            point.signals.push(signal);
            // Of a stream that has moved as a whole its own figure is told.
            size = if is_own { size } else { pad.shift };
        }
        let is_new = self.episode.is_none();
        let calm = |by: &str| match by {
            PADS => pads.is_none_or(|said| said.is_calm),
            by => detectors.is_calm(detection, by),
        };
        episode::follow(&mut self.episode, (atom, &point), size, calm, run);
        if let (true, false, Some(episode)) = (is_new, is_own, &mut self.episode) {
            episode.since = moved.map(|pad| pad.since);
        }
        // Points of a fault would teach the scores that the fault is how the process is. An alert
        // without a lasting shift leaves out its signals alone: a reference that stands still for
        // long is no better than a short baseline.
        let lasts = |episode: &Episode| episode.rules.iter().any(|by| is_detector(by));
        match self.episode.as_ref().is_some_and(lasts) {
            true => detectors.unlearn(),
            false if !is_own => detectors.learn(detection, z),
            false => {}
        }
        run.found.points.push(point);
    }

    fn freeze(
        &mut self,
        points: &[BaselinePoint],
        to: AtomKey,
        (author, reason): (&str, &str),
        run: &mut Evaluation,
    ) {
        let what = run.what;
        let Some(from) = points.first().map(|point| point.key.clone()) else {
            return;
        };
        let size = baseline::mean_size(points).floor() as u32;
        let told = run.budget.detection(what, self.version, (&from, &to), size);
        let detection = match told {
            Ok(detection) => detection,
            Err(error) => {
                self.note = Some(format!("thresholds can not be set: {error}"));
                return;
            }
        };
        let width = what.limit_width.or(detection.width);
        let width = width.unwrap_or(WIDTH_DRAWN);
        let (limits, kept, findings) = match baseline::limits(what, points, width) {
            Ok(made) => made,
            Err(error) => {
                self.note = Some(format!("limits can not be set: {error}"));
                return;
            }
        };
        self.note = slow(&detection);
        self.phase = Phase::Monitoring(Box::new(Monitoring {
            limits: limits.clone(),
            detection: detection.clone(),
            rules: RuleState::default(),
            detectors: DetectorState::start(&detection, &limits, &kept),
        }));
        run.found.limits.push(LimitsVersion {
            version: self.version,
            from,
            to,
            limits,
            detection,
            findings,
            author: author.to_owned(),
            reason: reason.to_owned(),
        });
    }
}

impl Default for ChartState {
    fn default() -> ChartState {
        ChartState::new()
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

/// What a person should know of a weighted average that is slow at its run length.
fn slow(detection: &Detection) -> Option<String> {
    let ewma = detection.ewma?;
    let slow = spc::ewma::is_slow(ewma.weight, detection.run_length);
    slow.then(|| {
        format!(
            "a weight of {} is slow to find a shift at an in-control run length of {}; raise \
             ewma_weight to 0.1 or more, or use \"cusum\"",
            ewma.weight, detection.run_length
        )
    })
}

/// The signals of limits and run rules at a point. Width replaces the three sigma of the classic
/// first rule.
fn signals(
    limits: &Limits,
    detection: &Detection,
    state: &mut RuleState,
    sample: &Sample,
    what: &Characteristic,
) -> Vec<SignalFacts> {
    let mut found = Vec::new();
    if detection.width.is_some() {
        let value = rules::beyond(sample.value, bounds(limits, sample.size, what.exact_limits));
        found.extend(value.map(|side| SignalFacts {
            by: BEYOND_LIMITS,
            side,
        }));
        let spread = sample.spread.zip(limits.spread_bounds(sample.size));
        let side = spread.and_then(|(spread, bounds)| rules::beyond(spread, bounds));
        found.extend(side.map(|side| SignalFacts {
            by: SPREAD_BEYOND_LIMITS,
            side,
        }));
    }
    let z = limits.standardised(sample.value, sample.size);
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
