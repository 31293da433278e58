//! One stream: its settled state, the units that can still change, and how both are evaluated.
//!
//! Units at or before the horizon are judged once and for all; later ones are judged again, from
//! the settled state on, whenever one of them changes. Only differences leave as effects.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use crate::config::Characteristic;

use super::atom::{Atom, AtomKey};
use super::budget::{Budget, Solver};
use super::chart::{ChartState, Command, Evaluated, Evaluation, LimitsVersion, late_point};
use super::effects::{AlertFacts, Effects, PointFacts, PointKind, StreamFacts};
use super::pads::{PadReadings, PadStates, PadWatch};
use super::plotted::has_point;
use super::rates::{self, Rates, StationOnLine};

/// The store's number of a stream.
pub type StreamId = i64;

/// What tells a stream from all others.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct StreamName {
    /// The characteristic's place in the configuration.
    pub characteristic: usize,
    /// The values of its keys, in the order of `group_by`.
    pub keys: Vec<Arc<str>>,
}

/// What streams of one station share while they are evaluated.
pub struct Shared<'a> {
    /// Where they are measured.
    pub station: &'a StationOnLine,
    /// How often the line is judged.
    pub rates: &'a Rates,
    /// Minutes of a shift.
    pub shift_minutes: f64,
    /// False alerts that the station may have on the line in a shift.
    pub allowed: f64,
    /// Finds thresholds.
    pub solver: &'a mut Solver,
    /// How long after the newest event a stream still takes earlier ones.
    pub lateness_us: i64,
}

/// How much of a stream a settling settles for good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// What lies behind the horizon.
    Horizon,
    /// All units that have come.
    Everything,
}

/// How a unit that comes changes what is counted: times of units.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counted {
    /// Was counted there, and is no more.
    pub before: Option<i64>,
    /// Is counted there now.
    pub after: Option<i64>,
}

/// One stream.
pub struct Stream {
    name: StreamName,
    /// The state after everything up to `settled_through`.
    settled: ChartState,
    settled_through: i64,
    newest: i64,
    /// Units that can still change, in order.
    tail: BTreeMap<AtomKey, Atom>,
    /// Where each unit of the tail stands.
    places: HashMap<Arc<str>, i64>,
    /// Units that came too late, to be written once.
    late: Vec<Atom>,
    /// What was last said about each point of the tail.
    told_points: BTreeMap<(i64, Arc<str>, PointKind), Told>,
    /// What was last said about each alert that the tail can still change.
    told_alerts: BTreeMap<AtomKey, AlertFacts>,
    /// What was last said about limits that the tail can still change.
    told_limits: BTreeMap<u32, LimitsVersion>,
    /// From when to when it matters for points of baselines how often the line is judged.
    rated: Option<(i64, i64)>,
    /// Commands that are not yet behind the horizon, in order of time.
    commands: Vec<Command>,
    /// What watches its single pads, where that is asked for.
    pads: Option<PadWatch>,
}

/// The part of a point's facts that a new evaluation can change.
#[derive(PartialEq)]
struct Told {
    count: u64,
    value: u64,
    version: u32,
    baseline: bool,
    signals: Vec<super::effects::SignalFacts>,
}

impl Told {
    fn of(point: &PointFacts) -> Told {
        Told {
            count: point.size.to_bits(),
            value: point.value.to_bits() ^ point.spread.map_or(0, f64::to_bits).rotate_left(1),
            version: point.version,
            baseline: point.baseline,
            signals: point.signals.clone(),
        }
    }
}

impl Stream {
    /// A stream that has seen nothing.
    #[must_use]
    pub fn new(name: StreamName) -> Stream {
        Stream::kept(
            name,
            ChartState::new(),
            i64::MIN,
            i64::MIN,
            Vec::new(),
            Vec::new(),
        )
    }

    /// Takes back what was said of limits that the tail can still change.
    pub fn recall(&mut self, limits: LimitsVersion) {
        if limits.version > self.settled.limits_standing() {
            self.told_limits.insert(limits.version, limits);
        }
    }

    /// A stream as it was kept: its settled state and the units after it.
    #[must_use]
    pub fn kept(
        name: StreamName,
        settled: ChartState,
        settled_through: i64,
        newest: i64,
        tail: Vec<Atom>,
        commands: Vec<Command>,
    ) -> Stream {
        let mut stream = Stream {
            name,
            settled,
            settled_through,
            newest,
            tail: BTreeMap::new(),
            places: HashMap::new(),
            late: Vec::new(),
            told_points: BTreeMap::new(),
            told_alerts: BTreeMap::new(),
            told_limits: BTreeMap::new(),
            rated: None,
            commands,
            pads: None,
        };
        for atom in tail {
            stream.places.insert(Arc::clone(&atom.unit), atom.at);
            stream.tail.insert(atom.key(), atom);
        }
        stream
    }

    /// Goes on watching its pads from what was kept of them, with what the units that can still
    /// change show.
    pub fn recall_pads(&mut self, kept: PadStates, mut shown: HashMap<Arc<str>, PadReadings>) {
        self.pads = Some(PadWatch::kept(kept));
        for atom in self.tail.values_mut() {
            atom.pads = shown.remove(&atom.unit).map(Arc::new);
        }
    }

    /// What tells it from others.
    #[must_use]
    pub fn name(&self) -> &StreamName {
        &self.name
    }

    /// The newest event time.
    #[must_use]
    pub fn newest(&self) -> i64 {
        self.newest
    }

    /// The first time that can still change.
    #[must_use]
    pub fn open_after(&self) -> i64 {
        self.settled_through.saturating_add(1)
    }

    /// Whether points or limits that can still change are of a baseline in or around these minutes.
    #[must_use]
    pub fn depends_on(&self, minutes: (i64, i64)) -> bool {
        let touched = |limits: &LimitsVersion| rates::overlaps(minutes, limits.from.0, limits.to.0);
        let rated = self.rated;
        let is_rated = rated.is_some_and(|(from, to)| rates::overlaps(minutes, from, to));
        is_rated || self.told_limits.values().any(touched)
    }

    /// Whether units that can still change rest on minutes before one.
    #[must_use]
    pub fn rests_before(&self, minute: i64) -> bool {
        let is_rated = self.rated.is_some() || !self.told_limits.is_empty();
        let first = self.tail.first_key_value();
        is_rated && first.is_some_and(|(key, _)| rates::needs_before(minute, key.0))
    }

    /// Adds a piece of a unit, and says how that changes what is counted.
    pub fn add(&mut self, atom: Atom, what: &Characteristic) -> Counted {
        let counted = |atom: &Atom| has_point(atom, what).then_some(atom.at);
        self.newest = self.newest.max(atom.at);
        if let Some(&at) = self.places.get(&atom.unit) {
            let key = (at, Arc::clone(&atom.unit));
            let Some(mut merged) = self.tail.remove(&key) else {
                return Counted::default();
            };
            let before = counted(&merged);
            merged.merge(atom);
            let after = counted(&merged);
            self.places.insert(Arc::clone(&merged.unit), merged.at);
            self.tail.insert(merged.key(), merged);
            return Counted { before, after };
        }
        if atom.at <= self.settled_through {
            self.late.push(atom);
            return Counted::default();
        }
        let after = counted(&atom);
        self.places.insert(Arc::clone(&atom.unit), atom.at);
        self.tail.insert(atom.key(), atom);
        Counted {
            before: None,
            after,
        }
    }

    /// Adds a person's command. One that lies behind the horizon holds from the horizon on.
    pub fn command(&mut self, mut command: Command) {
        command.at = command.at.max(self.settled_through.saturating_add(1));
        let place = self
            .commands
            .partition_point(|other| other.at <= command.at);
        self.commands.insert(place, command);
    }

    /// Evaluates the tail and says what is new.
    pub fn settle(
        &mut self,
        (place, reach): (usize, Reach),
        characteristic: &Characteristic,
        shared: &mut Shared,
        effects: &mut Effects,
    ) {
        let lateness_us = match reach {
            Reach::Horizon => shared.lateness_us,
            Reach::Everything => 0,
        };
        let horizon = self.newest.saturating_sub(lateness_us);
        let horizon = horizon.max(self.settled_through);
        self.write_late(place, characteristic, effects);

        let mut pads = self.pads.take();
        if characteristic.watch_pads {
            pads.get_or_insert_default().begin();
        }
        let commands = std::mem::take(&mut self.commands);
        let behind = commands.partition_point(|command| command.at <= horizon);
        let mut run = Evaluation {
            stream: place,
            what: characteristic,
            budget: self.budget(shared),
            pads: pads.as_mut(),
            found: Evaluated::default(),
        };
        let (settled, note) = self.evaluate(horizon, &commands, &mut run);
        let now = run.found;
        self.rated = now.rated;

        self.tell(place, now, effects);
        self.commands = commands.get(behind..).unwrap_or_default().to_vec();
        self.advance(horizon, settled);
        let told_pads = pads.as_mut().map(|pads| pads.end(horizon));
        self.pads = pads;
        effects.streams.push(StreamFacts {
            stream: place,
            newest: self.newest,
            settled_through: self.settled_through,
            state: self.settled.clone(),
            note,
            pads: told_pads,
        });
    }

    fn budget<'a>(&'a self, shared: &'a mut Shared) -> Budget<'a> {
        Budget {
            rates: shared.rates,
            station: shared.station,
            shift_minutes: shared.shift_minutes,
            allowed: shared.allowed,
            solver: &mut *shared.solver,
            told: &self.told_limits,
        }
    }

    /// Judges the tail: gives the state at the horizon, and the note at the end.
    fn evaluate(
        &self,
        horizon: i64,
        commands: &[Command],
        run: &mut Evaluation,
    ) -> (ChartState, Option<String>) {
        let mut settled = self.settled.clone();
        let mut left = commands;
        let mut state: Option<ChartState> = None;
        for (key, atom) in &self.tail {
            if key.0 > horizon && state.is_none() {
                left = apply_before(&mut settled, left, horizon + 1, run);
                state = Some(settled.clone());
            }
            let current = state.as_mut().unwrap_or(&mut settled);
            left = apply_before(current, left, key.0, run);
            current.judge(atom, run);
        }
        if state.is_none() {
            left = apply_before(&mut settled, left, horizon + 1, run);
        }
        let mut last = state.unwrap_or_else(|| settled.clone());
        apply_before(&mut last, left, i64::MAX, run);
        last.close(run);
        (settled, last.note)
    }

    fn write_late(&mut self, place: usize, what: &Characteristic, effects: &mut Effects) {
        for atom in std::mem::take(&mut self.late) {
            let version = self.settled.version_now();
            if let Some(point) = late_point(place, atom, what, version) {
                effects.points.push(point);
            }
        }
    }

    /// Moves everything up to the horizon behind it.
    fn advance(&mut self, horizon: i64, settled: ChartState) {
        self.settled = settled;
        self.settled_through = horizon;
        let open = self
            .tail
            .split_off(&(horizon.saturating_add(1), Arc::from("")));
        for key in std::mem::replace(&mut self.tail, open).into_keys() {
            self.places.remove(&key.1);
        }
        self.told_points.retain(|key, _| key.0 > horizon);
        let keep = self.settled.episode_start();
        self.told_alerts
            .retain(|key, _| key.0 > horizon || Some(key) == keep.as_ref());
        let standing = self.settled.limits_standing();
        self.told_limits.retain(|number, _| *number > standing);
    }

    /// Says what differs from what was said before.
    fn tell(&mut self, place: usize, now: Evaluated, effects: &mut Effects) {
        let mut told = BTreeMap::new();
        for point in now.points {
            let key = (point.at, Arc::clone(&point.unit), point.kind);
            let fresh = Told::of(&point);
            if self.told_points.get(&key) != Some(&fresh) {
                effects.points.push(point);
            }
            told.insert(key, fresh);
        }
        for key in self
            .told_points
            .keys()
            .filter(|key| !told.contains_key(*key))
        {
            effects
                .gone_points
                .push((place, key.0, Arc::clone(&key.1), key.2));
        }
        self.told_points = told;

        let alerts: BTreeMap<AtomKey, AlertFacts> = now
            .alerts
            .iter()
            .map(|alert| {
                (
                    (alert.first_at, Arc::clone(&alert.first_unit)),
                    alert.clone(),
                )
            })
            .collect();
        for (key, alert) in &alerts {
            if self.told_alerts.get(key) != Some(alert) {
                effects.alerts.push(alert.clone());
            }
        }
        for key in self
            .told_alerts
            .keys()
            .filter(|key| !alerts.contains_key(*key))
        {
            effects.withdrawn.push((place, key.0, Arc::clone(&key.1)));
        }
        self.told_alerts = alerts;

        let limits: BTreeMap<u32, LimitsVersion> = now
            .limits
            .iter()
            .map(|limits| (limits.version, limits.clone()))
            .collect();
        for (version, fresh) in &limits {
            if self.told_limits.get(version) != Some(fresh) {
                effects.limits.push((place, fresh.clone()));
            }
        }
        if let Some(highest) = self.told_limits.keys().next_back()
            && !limits.contains_key(highest)
        {
            let standing = self.settled.limits_standing();
            let end = limits.keys().next_back().copied().unwrap_or(standing);
            effects.limits_end.push((place, end));
        }
        self.told_limits = limits;
    }
}

/// Applies the commands before a time and gives back the others.
fn apply_before<'a>(
    state: &mut ChartState,
    commands: &'a [Command],
    time: i64,
    run: &mut Evaluation,
) -> &'a [Command] {
    let (due, left) = commands.split_at(commands.partition_point(|command| command.at < time));
    for command in due {
        state.apply(command, run);
    }
    left
}
