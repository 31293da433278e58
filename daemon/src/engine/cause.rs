//! Which streams out of control have one cause: episodes in, groups out.
//!
//! Knows no chart, no store and no clock. Two invariants: the groups are a function of the set of
//! episodes alone, in whatever order these became known; and to which group an episode belongs
//! depends on earlier episodes only, so that groups before a change stay as they are.

use std::sync::Arc;

use crate::config::{Config, Key, Subject};
use crate::words::{Role, Station};

use super::stream::StreamName;

/// How long after its first episode a group takes further ones: a fault that goes on for longer
/// is told again.
pub const GROUP_US_MAX: i64 = 24 * 3_600_000_000;

/// What begins within this part of the time that is near begins nearly at once.
const AT_ONCE: i64 = 3;

/// Keys whose values tell one cause from another; what is no key of both streams tells nothing.
const STRATA: [Role; 5] = [
    Role::Family,
    Role::Stroke,
    Role::Position,
    Role::Fixture,
    Role::Component,
];

/// What a stream has in common with others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kin {
    /// The line; empty where the stream does not tell.
    line: Arc<str>,
    station: Station,
    /// The product; empty where the stream does not tell.
    product: Arc<str>,
    /// What it charts, and every measure that is linked with it.
    measures: Vec<String>,
    /// The strata it is about.
    strata: Vec<(Role, Arc<str>)>,
}

/// An episode of a stream, as far as its cause is concerned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trace {
    /// The number by which the caller knows it.
    pub episode: i64,
    /// The time of its first signal.
    pub first_at: i64,
    /// The unit of its first signal.
    pub first_unit: Arc<str>,
    /// The stream's readable name, which no other has.
    pub stream: Arc<str>,
    /// When it returned; nothing while it is active.
    pub returned_at: Option<i64>,
    /// What its stream has in common with others.
    pub kin: Arc<Kin>,
}

/// Episodes with one cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CauseGroup {
    /// The episodes, the first one first.
    pub members: Vec<Trace>,
}

impl Kin {
    /// What a stream has in common with others.
    #[must_use]
    pub fn of(config: &Config, name: &StreamName) -> Kin {
        let what = &config.characteristics[name.characteristic];
        let value = |key: Key| -> Arc<str> {
            let place = what.group_by.iter().position(|own| *own == key);
            if let Some(value) = place.and_then(|place| name.keys.get(place)) {
                return Arc::clone(value);
            }
            let filtered = what.filter.iter().find(|(own, _)| *own == key);
            match filtered.map(|(_, values)| values.as_slice()) {
                Some([only]) => Arc::from(only.as_str()),
                _ => Arc::from(""),
            }
        };
        let named = |role: &Role| (*role, value(Key::Role(*role)));
        let told = |(_, value): &(Role, Arc<str>)| !value.is_empty();
        Kin {
            line: value(Key::Line),
            station: what.station,
            product: value(Key::Role(Role::Product)),
            measures: linked(config, &what.subject),
            strata: STRATA.iter().map(named).filter(told).collect(),
        }
    }

    /// Whether both are measured at one place, on one product.
    fn is_beside(&self, other: &Kin) -> bool {
        let agree = |a: &str, b: &str| a.is_empty() || b.is_empty() || a == b;
        self.station == other.station
            && agree(&self.line, &other.line)
            && agree(&self.product, &other.product)
    }

    /// Whether one cause moves both: they chart linked measures, or what one fixture measures.
    fn moves_with(&self, other: &Kin) -> bool {
        let is_linked = |name: &String| other.measures.contains(name);
        let is_fixture = |own: &&(Role, Arc<str>)| own.0 == Role::Fixture;
        let fixture = self.strata.iter().find(is_fixture);
        self.measures.iter().any(is_linked) || fixture.is_some_and(|one| other.strata.contains(one))
    }

    /// Whether they are about the same stratum, as far as both tell.
    fn shares_stratum(&self, other: &Kin) -> bool {
        let common = |(role, _): &&(Role, Arc<str>)| other.strata.iter().any(|own| own.0 == *role);
        let mut common = self.strata.iter().filter(common).peekable();
        common.peek().is_none() || common.any(|one| other.strata.contains(one))
    }
}

/// What a subject charts, with every measure that a cause moves along with it.
fn linked(config: &Config, subject: &Subject) -> Vec<String> {
    let charted: Vec<&str> = match subject {
        Subject::Measure(name) => vec![name],
        Subject::Measures(names) => names.iter().map(String::as_str).collect(),
        // A defect is called, and then confirmed or not: three charts of one thing.
        Subject::Calls | Subject::Confirmed | Subject::FalseCalls => return vec!["calls".into()],
    };
    let mut all: Vec<String> = charted.iter().map(|&name| name.to_owned()).collect();
    for set in &config.alerts.linked {
        if set.iter().any(|name| charted.contains(&name.as_str())) {
            all.extend(set.iter().cloned());
        }
    }
    all.sort();
    all.dedup();
    all
}

impl Trace {
    /// What sorts episodes: nothing that depends on the order in which they became known.
    fn order(&self) -> (i64, &str, &str) {
        (self.first_at, &self.first_unit, &self.stream)
    }

    /// Whether a later episode has the cause of this one. What is about the same stratum has, near
    /// in time and while this one goes on; what has nothing in common but the place and a linked
    /// measure, only where both begin nearly at once.
    fn takes(&self, later: &Trace, near_us: i64) -> bool {
        if !self.kin.is_beside(&later.kin) || !self.kin.moves_with(&later.kin) {
            return false;
        }
        let until = |end: i64, near_us: i64| later.first_at <= end.saturating_add(near_us);
        if self.kin.shares_stratum(&later.kin) {
            return self.returned_at.is_none_or(|end| until(end, near_us));
        }
        until(self.first_at, near_us / AT_ONCE)
    }
}

impl CauseGroup {
    fn takes(&self, later: &Trace, near_us: i64) -> bool {
        let founded = self
            .members
            .first()
            .map_or(i64::MIN, |first| first.first_at);
        later.first_at <= founded.saturating_add(GROUP_US_MAX)
            && self.members.iter().any(|one| one.takes(later, near_us))
    }
}

/// Sorts later episodes into groups that stand, and into new ones. Each goes to the oldest group
/// that has its cause. The groups that stand are those founded at most [`GROUP_US_MAX`] before the
/// first of the later episodes, with their members before it, in any order.
#[must_use]
pub fn grouped(
    mut standing: Vec<CauseGroup>,
    mut later: Vec<Trace>,
    near_us: i64,
) -> Vec<CauseGroup> {
    for group in &mut standing {
        group.members.sort_by(|a, b| a.order().cmp(&b.order()));
    }
    standing.retain(|group| !group.members.is_empty());
    standing.sort_by(|a, b| a.members[0].order().cmp(&b.members[0].order()));
    later.sort_by(|a, b| a.order().cmp(&b.order()));
    for trace in later {
        match standing
            .iter_mut()
            .find(|group| group.takes(&trace, near_us))
        {
            Some(group) => group.members.push(trace),
            None => standing.push(CauseGroup {
                members: vec![trace],
            }),
        }
    }
    standing
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::read;

    const MINUTE: i64 = 60_000_000;
    const NEAR: i64 = 30 * MINUTE;

    fn plant() -> Config {
        let text = include_str!("../../../sample-feeds/driftvane.toml");
        read::read(text, std::path::Path::new("/plant")).unwrap()
    }

    /// A stream of the invented plant by its characteristic and keys.
    fn kin(config: &Config, characteristic: &str, keys: &[&str]) -> Arc<Kin> {
        let mut all = config.characteristics.iter();
        let name = StreamName {
            characteristic: all.position(|what| what.name == characteristic).unwrap(),
            keys: keys.iter().map(|key| Arc::from(*key)).collect(),
        };
        Arc::new(Kin::of(config, &name))
    }

    fn trace(episode: i64, kin: &Arc<Kin>, minute: i64, returned: Option<i64>) -> Trace {
        Trace {
            episode,
            first_at: minute * MINUTE,
            first_unit: Arc::from(format!("P{minute}")),
            stream: Arc::from(format!("{kin:?}")),
            returned_at: returned.map(|minute| minute * MINUTE),
            kin: Arc::clone(kin),
        }
    }

    fn numbers(groups: &[CauseGroup]) -> Vec<Vec<i64>> {
        let of = |group: &CauseGroup| group.members.iter().map(|one| one.episode).collect();
        groups.iter().map(of).collect()
    }

    #[test]
    fn height_area_and_volume_of_one_fault_are_one_group() {
        let config = plant();
        let fine = ["L1", "demo-controller", "fine", "back"];
        let all: Vec<Trace> = ["paste-volume", "paste-height", "paste-area"]
            .iter()
            .zip(0..)
            .map(|(name, place)| trace(place, &kin(&config, name, &fine), 10 * place, None))
            .collect();
        assert_eq!(numbers(&grouped(Vec::new(), all, NEAR)), [[0, 1, 2]]);
    }

    #[test]
    fn what_shares_a_stratum_joins_as_long_as_the_fault_goes_on() {
        let config = plant();
        let at = |family, stroke| {
            let keys = ["L1", "demo-controller", family, stroke];
            kin(&config, "paste-height", &keys)
        };
        let first = trace(0, &at("fine", "back"), 0, None);
        let same_stroke = trace(1, &at("coarse", "back"), 300, None);
        let nothing_in_common = trace(2, &at("chip", "front"), 800, None);
        let all = vec![first, same_stroke, nothing_in_common];
        assert_eq!(
            numbers(&grouped(Vec::new(), all.clone(), NEAR)),
            [vec![0, 1], vec![2]]
        );
        let mut over = all;
        over[0].returned_at = Some(100 * MINUTE);
        over.truncate(2);
        assert_eq!(numbers(&grouped(Vec::new(), over, NEAR)), [[0], [1]]);
    }

    #[test]
    fn other_stations_measures_and_days_stay_apart() {
        let config = plant();
        let paste = kin(
            &config,
            "paste-height",
            &["L1", "demo-controller", "fine", "back"],
        );
        let other_line = kin(
            &config,
            "paste-height",
            &["L2", "demo-controller", "fine", "back"],
        );
        let offset = kin(
            &config,
            "print-offset-x",
            &["L1", "demo-controller", "back"],
        );
        let test = kin(&config, "analog-input", &["L1", "demo-controller", "F2"]);
        let all = vec![
            trace(0, &paste, 0, None),
            trace(1, &other_line, 1, None),
            trace(2, &offset, 2, None),
            trace(3, &test, 3, None),
            trace(4, &paste, 25 * 60, None),
        ];
        assert_eq!(numbers(&grouped(Vec::new(), all, NEAR)).len(), 5);
    }

    #[test]
    fn one_fixture_moves_all_its_steps_and_calls_move_with_what_is_confirmed() {
        let config = plant();
        let fixture = |name| kin(&config, name, &["L1", "demo-controller", "F2"]);
        let calls = |name| kin(&config, name, &["L1", "demo-controller"]);
        let all = vec![
            trace(0, &fixture("analog-input"), 0, None),
            trace(1, &calls("optical-calls"), 1, None),
            trace(2, &fixture("supply-current"), 2, None),
            trace(3, &calls("optical-confirmed"), 3, None),
        ];
        assert_eq!(numbers(&grouped(Vec::new(), all, NEAR)), [[0, 2], [1, 3]]);
    }

    /// Numbers that follow from a seed: SplitMix64 (Steele, Lea and Flood, 2014).
    struct Chance(u64);

    impl Chance {
        fn below(&mut self, bound: usize) -> usize {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut mixed = self.0;
            mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            usize::try_from((mixed ^ (mixed >> 31)) % bound as u64).unwrap()
        }
    }

    /// Episodes of many streams over some days, some of which have returned.
    fn some_days(config: &Config, chance: &mut Chance) -> Vec<Trace> {
        let families = ["fine", "chip", "coarse"];
        let names = ["paste-height", "paste-area", "paste-volume"];
        let one = |number: i64, chance: &mut Chance| {
            let keys = [
                "L1",
                "demo-controller",
                families[chance.below(3)],
                ["front", "back"][chance.below(2)],
            ];
            let kin = kin(config, names[chance.below(3)], &keys);
            let minute = i64::try_from(chance.below(4_000)).unwrap();
            let lasts = i64::try_from(chance.below(300)).unwrap();
            let returned = (chance.below(4) > 0).then_some(minute + lasts);
            trace(number, &kin, minute, returned)
        };
        let mut all: Vec<Trace> = (0..120).map(|number| one(number, chance)).collect();
        // A stream has one first signal at a unit.
        all.sort_by(|a, b| a.order().cmp(&b.order()));
        all.dedup_by(|a, b| a.order() == b.order());
        all
    }

    #[test]
    fn groups_do_not_depend_on_the_order_in_which_episodes_become_known() {
        let config = plant();
        for seed in 0..20 {
            let mut chance = Chance(seed);
            let mut all = some_days(&config, &mut chance);
            let whole = numbers(&grouped(Vec::new(), all.clone(), NEAR));
            for last in (1..all.len()).rev() {
                all.swap(last, chance.below(last + 1));
            }
            assert_eq!(
                numbers(&grouped(Vec::new(), all, NEAR)),
                whole,
                "seed {seed}"
            );
        }
    }

    /// What the record does: whatever changes, only episodes from the change on are sorted again,
    /// into the groups that stand there.
    #[test]
    fn sorting_again_from_a_change_on_gives_what_sorting_all_gives() {
        let config = plant();
        for seed in 0..20 {
            let mut chance = Chance(1_000 + seed);
            let mut all = some_days(&config, &mut chance);
            all.sort_by(|a, b| a.order().cmp(&b.order()));
            let whole = grouped(Vec::new(), all.clone(), NEAR);
            let cut = all[chance.below(all.len())].first_at;
            let founded = |group: &CauseGroup| group.members[0].first_at;
            let young =
                |group: &&CauseGroup| founded(group) < cut && founded(group) >= cut - GROUP_US_MAX;
            let before = |group: &CauseGroup| CauseGroup {
                members: group
                    .members
                    .iter()
                    .filter(|one| one.first_at < cut)
                    .cloned()
                    .collect(),
            };
            let standing: Vec<CauseGroup> = whole.iter().filter(young).map(before).collect();
            let later = all
                .iter()
                .filter(|one| one.first_at >= cut)
                .cloned()
                .collect();
            let wanted: Vec<CauseGroup> = whole
                .iter()
                .filter(|group| founded(group) >= cut - GROUP_US_MAX)
                .cloned()
                .collect();
            let found = grouped(standing, later, NEAR);
            assert_eq!(numbers(&found), numbers(&wanted), "seed {seed}");
        }
    }

    #[test]
    fn five_hundred_pads_of_one_fault_are_one_group() {
        let config = plant();
        let mut base = Kin::clone(&kin(
            &config,
            "paste-height",
            &["L1", "demo-controller", "fine", "back"],
        ));
        let all: Vec<Trace> = (0..500)
            .map(|pad: i64| {
                base.strata = vec![(Role::Component, Arc::from(format!("U{}", pad / 32)))];
                // Sums of some pads take two hours longer than those of others.
                let mut one = trace(pad, &Arc::new(base.clone()), pad * 7 % 120, None);
                one.stream = Arc::from(format!("pad {pad}"));
                one
            })
            .collect();
        assert_eq!(grouped(Vec::new(), all, NEAR).len(), 1);
    }
}
