//! Readings in, points, limits, signals and alert episodes out.
//!
//! Names neither feeds nor the store, does no I/O and reads no clock. What it holds is a function
//! of the set of readings and commands alone: within the lateness horizon their order, the way
//! they were cut into files and the moments at which the program was stopped change no digit.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use crate::block::{Block, EmptyUnit};
use crate::config::{Characteristic, Config, Key};

mod atom;
mod baseline;
mod budget;
mod cause;
mod chart;
mod detect;
mod early;
mod effects;
mod episode;
mod gathering;
mod grouping;
mod pads;
mod plotted;
mod rates;
mod recount;
mod rehearsal;
mod stream;
#[cfg(test)]
mod tests;

pub use atom::{Atom, AtomKey, Content};
pub use baseline::{BaselinePoint, Excluded, Findings};
pub use budget::{allowed, shift_minutes, starting_length, stepped};
pub use cause::{CauseGroup, GROUP_US_MAX, Kin, Trace, grouped};
pub use chart::{
    BEYOND_LIMITS, ChartState, Command, CommandKind, LimitsVersion, Monitoring, Phase,
    SPREAD_BEYOND_LIMITS, bounds, late_point,
};
pub use detect::{CUSUM, Detection, DetectorState, EWMA, STARTING, is_detector};
pub use early::early_weight;
pub use effects::{AlertFacts, Effects, PointFacts, PointKind, SignalFacts, StreamFacts};
pub use episode::Episode;
pub use gathering::{Group, SinceEvent};
pub use pads::{
    LIST_RATE, ListedPad, PADS, PadFacts, PadList, PadReadings, PadState, PadStates, PadWatch,
    Risen,
};
pub use plotted::{is_between, placed};
pub use rates::{counted_since, station_of};
pub use recount::{Recount, agrees, is_kept};
pub use rehearsal::{Delay, Early, QUIET_BEFORE, Rehearsal};
pub use stream::{Stream, StreamId, StreamName};

use budget::Solver;
use grouping::Slot;
use rates::{Rates, StationOnLine};
use stream::{Reach, Shared};

pub use grouping::{board_of, boards_of};

/// All streams of a configuration.
pub struct Engine {
    /// What is charted, and the products.
    config: Arc<Config>,
    /// Every stream met so far.
    streams: Vec<Stream>,
    /// Where a stream stands in `streams`.
    by_name: HashMap<StreamName, usize>,
    /// Where each stream is measured, in the order of `streams`.
    stations: Vec<StationOnLine>,
    /// Streams with something new since the last settling.
    dirty: BTreeSet<usize>,
    /// How often lines are judged.
    rates: Rates,
    /// Finds thresholds.
    solver: Solver,
}

/// The rows of a block, sorted into what each unit of each stream gains by them.
pub struct Sorted {
    slots: Vec<(usize, Vec<Slot>)>,
}

impl Sorted {
    /// Sorts a block. Needs no state: any thread may do it.
    #[must_use]
    pub fn of(config: &Config, block: &Block) -> Sorted {
        Sorted {
            slots: grouping::slots(config, block),
        }
    }
}

impl Sorted {
    /// What the rows show of the pads that are watched: stream, unit, readings.
    pub fn each_shown(
        self,
        config: &Config,
        tell: &mut dyn FnMut(StreamName, Arc<str>, &PadReadings),
    ) {
        let watched = |place: &usize| config.characteristics[*place].watch_pads;
        let slots = self.slots.into_iter().filter(|(place, _)| watched(place));
        for (characteristic, slots) in slots {
            for slot in slots {
                let Some(pads) = &slot.atom.pads else {
                    continue;
                };
                let name = StreamName {
                    characteristic,
                    keys: slot.keys,
                };
                tell(name, Arc::clone(&slot.atom.unit), pads);
            }
        }
    }
}

impl Engine {
    /// An engine that has seen nothing.
    #[must_use]
    pub fn new(config: Arc<Config>) -> Engine {
        let rates = Rates::new(config.lateness_us);
        Engine {
            config,
            streams: Vec::new(),
            by_name: HashMap::new(),
            stations: Vec::new(),
            dirty: BTreeSet::new(),
            rates,
            solver: Solver::default(),
        }
    }

    /// Takes back a stream that was kept earlier, and how many units it has had: times and counts
    /// of those that came in time.
    pub fn restore(&mut self, stream: Stream, units: &[(i64, u64)]) {
        let place = self.push(stream);
        let what = &self.config.characteristics[self.streams[place].name().characteristic];
        for (at, count) in units {
            let station = &self.stations[place];
            self.rates
                .add(station, rates::units_a_point(what), *at, *count);
        }
        let newest = self.streams[place].newest();
        self.rates.seen(&self.stations[place], newest);
        // What came before was forgotten before the stop, too.
        self.rates.forget();
        self.dirty.insert(place);
    }

    fn push(&mut self, stream: Stream) -> usize {
        let place = self.streams.len();
        self.by_name.insert(stream.name().clone(), place);
        self.stations
            .push(rates::station_of(&self.config, stream.name()));
        self.streams.push(stream);
        place
    }

    /// Every stream, in the order in which they appeared.
    #[must_use]
    pub fn streams(&self) -> &[Stream] {
        &self.streams
    }

    /// Adds the rows of a block to the subgroups they belong to.
    #[cfg(test)]
    pub fn absorb(&mut self, block: &Block) {
        self.take(Sorted::of(&self.config, block));
    }

    /// Adds the sorted rows of a block.
    pub fn take(&mut self, sorted: Sorted) {
        for (characteristic, slots) in sorted.slots {
            for slot in slots {
                self.place(characteristic, slot);
            }
        }
    }

    /// Adds a unit in which the station found nothing.
    pub fn absorb_empty(&mut self, unit: &EmptyUnit) {
        let config = Arc::clone(&self.config);
        for (characteristic, slot) in grouping::empty_slots(&config, unit) {
            self.place(characteristic, slot);
        }
    }

    fn place(&mut self, characteristic: usize, slot: Slot) {
        let name = StreamName {
            characteristic,
            keys: slot.keys,
        };
        let place = match self.by_name.get(&name) {
            Some(&place) => place,
            None => self.push(Stream::new(name)),
        };
        let what = &self.config.characteristics[characteristic];
        let counted = self.streams[place].add(slot.atom, what);
        self.rates
            .seen(&self.stations[place], self.streams[place].newest());
        if counted.before != counted.after {
            let (station, units) = (&self.stations[place], rates::units_a_point(what));
            if let Some(at) = counted.before {
                self.rates.remove(station, units, at);
            }
            if let Some(at) = counted.after {
                self.rates.add(station, units, at, 1);
            }
        }
        self.dirty.insert(place);
    }

    /// The first time of a stream that can still change; the least time for an unknown stream.
    #[must_use]
    pub fn open_after(&self, stream: usize) -> i64 {
        self.streams
            .get(stream)
            .map_or(i64::MIN, Stream::open_after)
    }

    /// Takes a person's command on one stream.
    pub fn command(&mut self, stream: usize, command: Command) {
        self.streams[stream].command(command);
        self.dirty.insert(stream);
    }

    /// Evaluates what has changed since the last call and says what is to be kept.
    pub fn settle(&mut self) -> Effects {
        let mut all = Effects::default();
        self.settle_each(&mut |effects| all.append(effects));
        all
    }

    /// The same, stream by stream, so that the first can be kept while others are evaluated.
    pub fn settle_each(&mut self, tell: &mut dyn FnMut(Effects)) {
        self.touch_dependants();
        for place in std::mem::take(&mut self.dirty) {
            self.settle_one(place, Reach::Horizon, tell);
        }
        for place in self.left_behind() {
            self.settle_one(place, Reach::Everything, tell);
        }
        self.rates.forget();
    }

    fn settle_one(&mut self, place: usize, reach: Reach, tell: &mut dyn FnMut(Effects)) {
        let stream = &mut self.streams[place];
        let characteristic = &self.config.characteristics[stream.name().characteristic];
        let station = &self.stations[place];
        let mut shared = Shared {
            station,
            rates: &self.rates,
            shift_minutes: budget::shift_minutes(&self.config),
            allowed: budget::allowed(&self.config, station),
            solver: &mut self.solver,
            lateness_us: self.config.lateness_us,
        };
        let mut effects = Effects::default();
        stream.settle((place, reach), characteristic, &mut shared, &mut effects);
        tell(effects);
    }

    /// Streams whose units rest on counts that are about to be forgotten: others of their station
    /// have gone on for more than a day without them.
    fn left_behind(&self) -> Vec<usize> {
        let places = self.streams.iter().zip(&self.stations).enumerate();
        let behind = places.filter(|(_, (stream, station))| {
            let first = self.rates.first_to_keep(station);
            first.is_some_and(|first| stream.rests_before(first))
        });
        behind.map(|(place, _)| place).collect()
    }

    /// Streams whose thresholds rest on counts that have changed are judged again, too.
    fn touch_dependants(&mut self) {
        let changed = self.rates.changed();
        if changed.is_empty() {
            return;
        }
        for (place, stream) in self.streams.iter().enumerate() {
            let minutes = changed.get(&self.stations[place]);
            if minutes.is_some_and(|minutes| stream.depends_on(*minutes)) {
                self.dirty.insert(place);
            }
        }
    }
}

/// The readable name of a stream: its characteristic and the values of its keys.
#[must_use]
pub fn stream_label(characteristic: &Characteristic, keys: &[Arc<str>]) -> String {
    let mut label = characteristic.name.clone();
    for key in keys {
        label.push('/');
        label.push_str(if key.is_empty() { "-" } else { key });
    }
    label
}

/// The keys of a stream with their names.
#[must_use]
pub fn named_keys(characteristic: &Characteristic, keys: &[Arc<str>]) -> Vec<(Key, Arc<str>)> {
    characteristic
        .group_by
        .iter()
        .copied()
        .zip(keys.iter().cloned())
        .collect()
}
