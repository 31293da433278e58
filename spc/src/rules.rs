//! Run rules: patterns that an in-control process rarely shows.
//!
//! Purpose: judge one standardised point after another in constant time. Must not know charts or
//! how a rule is announced. The one invariant: what [`RuleState::push`] reports depends on the
//! points since the state was new, and on nothing else.
//!
//! Rules after Western Electric Co., Statistical Quality Control Handbook, 1956, and L. S. Nelson,
//! Journal of Quality Technology 16(4) 1984. Conventions of this project, where the sources print
//! none: beyond means strictly beyond; a point exactly on the centre line ends a run; equal
//! neighbours end a trend or an alternation; a rule is reported at the last point of its pattern
//! and again at each further point; k-of-m rules need k qualifying points, not m points, and the
//! last one must qualify itself.

use crate::chart::Bounds;
use thiserror::Error;

/// Patterns that can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Rule {
    /// One point beyond 3 sigma.
    Beyond3s,
    /// Two of three consecutive points beyond 2 sigma on one side.
    TwoOfThree2s,
    /// Four of five consecutive points beyond 1 sigma on one side.
    FourOfFive1s,
    /// Eight points in a row on one side of the centre.
    Run8,
    /// Nine points in a row on one side of the centre.
    Run9,
    /// Six points in a row rising or falling.
    Trend6,
    /// Fourteen points in a row alternating up and down.
    Alternating14,
    /// Fifteen points in a row within 1 sigma.
    Within1s15,
    /// Eight points in a row outside 1 sigma.
    Outside1s8,
}

/// On which side of the centre a pattern lies; a trend's side is the way it heads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Side {
    /// Above the centre, or rising.
    Upper,
    /// Below the centre, or falling.
    Lower,
    /// The pattern has no side.
    Neither,
}

impl Rule {
    /// Every rule, in the order of their definition.
    pub const ALL: [Rule; 9] = [
        Rule::Beyond3s,
        Rule::TwoOfThree2s,
        Rule::FourOfFive1s,
        Rule::Run8,
        Rule::Run9,
        Rule::Trend6,
        Rule::Alternating14,
        Rule::Within1s15,
        Rule::Outside1s8,
    ];

    /// Name for configuration and storage.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::rules::Rule;
    /// assert_eq!(Rule::TwoOfThree2s.name(), "two_of_three_2s");
    /// ```
    pub fn name(self) -> &'static str {
        match self {
            Rule::Beyond3s => "beyond_3s",
            Rule::TwoOfThree2s => "two_of_three_2s",
            Rule::FourOfFive1s => "four_of_five_1s",
            Rule::Run8 => "run_8",
            Rule::Run9 => "run_9",
            Rule::Trend6 => "trend_6",
            Rule::Alternating14 => "alternating_14",
            Rule::Within1s15 => "within_1s_15",
            Rule::Outside1s8 => "outside_1s_8",
        }
    }

    /// The rule of that name, if there is one.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::rules::Rule;
    /// assert_eq!((Rule::from_name("run_8"), Rule::from_name("run_7")), (Some(Rule::Run8), None));
    /// ```
    pub fn from_name(name: &str) -> Option<Rule> {
        Rule::ALL.into_iter().find(|rule| rule.name() == name)
    }

    /// What the pattern is, in words for a reader of a page or report.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::rules::Rule;
    /// assert_eq!(Rule::Run8.in_words(), "eight points in a row on one side of the centre");
    /// ```
    pub fn in_words(self) -> &'static str {
        match self {
            Rule::Beyond3s => "a point more than three sigma from the centre",
            Rule::TwoOfThree2s => "two of three points more than two sigma out on one side",
            Rule::FourOfFive1s => "four of five points more than one sigma out on one side",
            Rule::Run8 => "eight points in a row on one side of the centre",
            Rule::Run9 => "nine points in a row on one side of the centre",
            Rule::Trend6 => "six points in a row, each higher or each lower than the one before",
            Rule::Alternating14 => "fourteen points in a row going up and down in turn",
            Rule::Within1s15 => "fifteen points in a row closer than one sigma to the centre",
            Rule::Outside1s8 => "eight points in a row all more than one sigma from the centre",
        }
    }

    /// Points the longest form of the pattern spans.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::rules::Rule;
    /// assert_eq!((Rule::Beyond3s.window(), Rule::FourOfFive1s.window()), (1, 5));
    /// ```
    pub fn window(self) -> u32 {
        match self {
            Rule::Beyond3s => 1,
            Rule::TwoOfThree2s => 3,
            Rule::FourOfFive1s => 5,
            Rule::Run8 | Rule::Outside1s8 => 8,
            Rule::Run9 => 9,
            Rule::Trend6 => 6,
            Rule::Alternating14 => 14,
            Rule::Within1s15 => 15,
        }
    }
}

/// The side on which a value lies beyond its limits; `None` on or inside them.
///
/// Cost: constant.
///
/// ```
/// use spc::{chart::Bounds, rules::{Side, beyond}};
/// let bounds = Bounds { lower: None, centre: 0.0, upper: Some(3.0) };
/// assert_eq!((beyond(3.0, bounds), beyond(3.1, bounds)), (None, Some(Side::Upper)));
/// assert_eq!(beyond(-9.0, bounds), None);
/// ```
pub fn beyond(value: f64, bounds: Bounds) -> Option<Side> {
    if bounds.upper.is_some_and(|upper| value > upper) {
        Some(Side::Upper)
    } else if bounds.lower.is_some_and(|lower| value < lower) {
        Some(Side::Lower)
    } else {
        None
    }
}

/// What the rules remember between points. The default is a series that has not begun.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RuleState {
    /// Last points beyond +2 sigma, newest in bit 0.
    pub beyond_2s_upper: u32,
    /// Last points beyond -2 sigma, newest in bit 0.
    pub beyond_2s_lower: u32,
    /// Last points beyond +1 sigma, newest in bit 0.
    pub beyond_1s_upper: u32,
    /// Last points beyond -1 sigma, newest in bit 0.
    pub beyond_1s_lower: u32,
    /// Points in a row on one side: positive above, negative below the centre.
    pub run: i32,
    /// Steps in a row of one sign: positive rising, negative falling.
    pub trend: i32,
    /// Nonzero steps in a row of alternating sign.
    pub alternation: i32,
    /// Points in a row within 1 sigma.
    pub within: i32,
    /// Points in a row outside 1 sigma.
    pub outside: i32,
    /// The last value, to tell the next step's direction.
    pub last: Option<f64>,
}

/// Why a stored state was refused.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("stored rule state {0:?} is not readable; rebuild it by replaying the points")]
pub struct StateError(String);

impl RuleState {
    /// Takes the next point and returns the rules (of those asked for, in that order) whose
    /// pattern ends there.
    ///
    /// `z` is the point's distance from the centre in sigmas of the plotted value; `x` is the
    /// value itself, by which rises and falls are judged (with varying sizes z would mislead). A
    /// point that is not finite has no place in a pattern: it reports nothing and ends them all.
    ///
    /// Cost: constant a rule.
    ///
    /// ```
    /// use spc::rules::{Rule, RuleState, Side};
    /// let mut state = RuleState::default();
    /// let mut push = |z| state.push(z, z, &[Rule::TwoOfThree2s, Rule::Run8]);
    /// assert!(push(2.1).is_empty() && push(0.5).is_empty());
    /// assert_eq!(push(2.2), [(Rule::TwoOfThree2s, Side::Upper)]);
    /// ```
    pub fn push(&mut self, z: f64, x: f64, rules: &[Rule]) -> Vec<(Rule, Side)> {
        if !z.is_finite() || !x.is_finite() {
            *self = Self::default();
            return Vec::new();
        }
        self.remember(z, x);
        rules
            .iter()
            .filter_map(|rule| Some((*rule, self.holds(*rule, z)?)))
            .collect()
    }

    /// The state as one line of text.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// let mut state = spc::rules::RuleState::default();
    /// state.push(-0.5, 1.0, &[]);
    /// assert_eq!(state.encode(), "0,0,0,0,-1,0,0,1,0,3ff0000000000000");
    /// ```
    pub fn encode(&self) -> String {
        let bits = [
            self.beyond_2s_upper,
            self.beyond_2s_lower,
            self.beyond_1s_upper,
            self.beyond_1s_lower,
        ];
        let counts = [
            self.run,
            self.trend,
            self.alternation,
            self.within,
            self.outside,
        ];
        let mut parts: Vec<String> = bits.iter().map(u32::to_string).collect();
        parts.extend(counts.iter().map(i32::to_string));
        // The bits of the value, so that it comes back exactly.
        parts.push(
            self.last
                .map_or("-".to_owned(), |x| format!("{:016x}", x.to_bits())),
        );
        parts.join(",")
    }

    /// Reads back what [`RuleState::encode`] wrote.
    ///
    /// Cost: constant.
    ///
    /// # Errors
    /// [`StateError`] with the text, when it is not an encoded state.
    ///
    /// ```
    /// use spc::rules::{Rule, RuleState};
    /// let mut state = RuleState::default();
    /// [0.3, 0.2, 0.1].iter().for_each(|z| assert!(state.push(*z, *z, &[Rule::Run8]).is_empty()));
    /// assert_eq!(RuleState::decode(&state.encode()), Ok(state));
    /// assert!(RuleState::decode("8 points").is_err());
    /// ```
    pub fn decode(text: &str) -> Result<Self, StateError> {
        Self::parse(text).ok_or_else(|| StateError(text.chars().take(120).collect()))
    }

    fn parse(text: &str) -> Option<Self> {
        let parts: Vec<&str> = text.split(',').collect();
        let [a, b, c, d, run, trend, alternation, within, outside, last] = parts[..] else {
            return None;
        };
        let last = match last {
            "-" => None,
            hex => {
                let value = f64::from_bits(u64::from_str_radix(hex, 16).ok()?);
                Some(value).filter(|x| x.is_finite()).map(Some)?
            }
        };
        Some(Self {
            beyond_2s_upper: a.parse().ok()?,
            beyond_2s_lower: b.parse().ok()?,
            beyond_1s_upper: c.parse().ok()?,
            beyond_1s_lower: d.parse().ok()?,
            run: run.parse().ok()?,
            trend: trend.parse().ok()?,
            alternation: alternation.parse().ok()?,
            within: within.parse().ok()?,
            outside: outside.parse().ok()?,
            last,
        })
    }

    fn remember(&mut self, z: f64, x: f64) {
        shift_in(&mut self.beyond_2s_upper, z > 2.0, 3);
        shift_in(&mut self.beyond_2s_lower, z < -2.0, 3);
        shift_in(&mut self.beyond_1s_upper, z > 1.0, 5);
        shift_in(&mut self.beyond_1s_lower, z < -1.0, 5);
        self.run = extend(self.run, sign(z));
        self.within = if z.abs() < 1.0 {
            self.within.saturating_add(1)
        } else {
            0
        };
        self.outside = if z.abs() > 1.0 {
            self.outside.saturating_add(1)
        } else {
            0
        };
        if let Some(last) = self.last {
            let step = sign(x - last);
            self.alternation = match (step, self.trend.signum()) {
                (0, _) => 0,
                (now, before) if now == -before => self.alternation.saturating_add(1),
                _ => 1,
            };
            self.trend = extend(self.trend, step);
        }
        self.last = Some(x);
    }

    fn holds(&self, rule: Rule, z: f64) -> Option<Side> {
        let neither = |count: i32, needed: i32| (count >= needed).then_some(Side::Neither);
        match rule {
            Rule::Beyond3s => side_of(z > 3.0, z < -3.0),
            Rule::TwoOfThree2s => side_of(
                z > 2.0 && self.beyond_2s_upper.count_ones() >= 2,
                z < -2.0 && self.beyond_2s_lower.count_ones() >= 2,
            ),
            Rule::FourOfFive1s => side_of(
                z > 1.0 && self.beyond_1s_upper.count_ones() >= 4,
                z < -1.0 && self.beyond_1s_lower.count_ones() >= 4,
            ),
            Rule::Run8 => side_of(self.run >= 8, self.run <= -8),
            Rule::Run9 => side_of(self.run >= 9, self.run <= -9),
            Rule::Trend6 => side_of(self.trend >= 5, self.trend <= -5),
            Rule::Alternating14 => neither(self.alternation, 13),
            Rule::Within1s15 => neither(self.within, 15),
            Rule::Outside1s8 => neither(self.outside, 8),
        }
    }
}

fn shift_in(bits: &mut u32, newest: bool, keep: u32) {
    *bits = ((*bits << 1) | u32::from(newest)) & ((1 << keep) - 1);
}

/// -1, 0 or 1; unlike `signum`, zero has no sign.
fn sign(x: f64) -> i32 {
    i32::from(x > 0.0) - i32::from(x < 0.0)
}

/// Lengthens a signed count by one step, or begins anew when the direction changes.
fn extend(count: i32, direction: i32) -> i32 {
    if count.signum() == direction {
        count.saturating_add(direction)
    } else {
        direction
    }
}

fn side_of(upper: bool, lower: bool) -> Option<Side> {
    if upper {
        Some(Side::Upper)
    } else if lower {
        Some(Side::Lower)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn all_at_last(series: &[f64]) -> Vec<(Rule, Side)> {
        let mut state = RuleState::default();
        series
            .iter()
            .map(|z| state.push(*z, *z, &Rule::ALL))
            .last()
            .unwrap_or_default()
    }

    #[test]
    fn names_lead_back_to_their_rule() {
        for rule in Rule::ALL {
            assert_eq!(Rule::from_name(rule.name()), Some(rule));
        }
        assert_eq!(Rule::from_name("run_7"), None);
    }

    #[test]
    fn sides_are_told_apart() {
        assert_eq!(all_at_last(&[3.5]), [(Rule::Beyond3s, Side::Upper)]);
        assert_eq!(
            all_at_last(&[-2.5, -2.1]),
            [(Rule::TwoOfThree2s, Side::Lower)]
        );
        let falling = [0.9, 0.6, 0.3, -0.1, -0.2, -0.3];
        assert_eq!(all_at_last(&falling), [(Rule::Trend6, Side::Lower)]);
        assert_eq!(all_at_last(&[-0.5; 8]), [(Rule::Run8, Side::Lower)]);
    }

    #[test]
    fn trends_follow_the_value_and_not_the_standardised_one() {
        let mut state = RuleState::default();
        let mut found = Vec::new();
        for (z, x) in [
            (0.9, 1.0),
            (0.8, 2.0),
            (0.7, 3.0),
            (-0.6, 4.0),
            (0.5, 5.0),
            (0.4, 6.0),
        ] {
            found = state.push(z, x, &[Rule::Trend6]);
        }
        assert_eq!(found, [(Rule::Trend6, Side::Upper)]);
    }

    #[test]
    fn only_rules_asked_for_are_reported_in_that_order() {
        let mut state = RuleState::default();
        for _ in 0..8 {
            state.push(3.5, 3.5, &[]);
        }
        let found = state.push(3.5, 3.5, &[Rule::Run9, Rule::Beyond3s]);
        assert_eq!(
            found,
            [(Rule::Run9, Side::Upper), (Rule::Beyond3s, Side::Upper)]
        );
    }

    #[test]
    fn a_point_that_is_no_number_ends_every_pattern() {
        let mut state = RuleState::default();
        (0..7).for_each(|_| drop(state.push(0.5, 0.5, &Rule::ALL)));
        assert!(state.push(f64::NAN, 0.5, &Rule::ALL).is_empty());
        assert_eq!(state, RuleState::default());
    }

    #[test]
    fn a_point_on_a_limit_is_not_beyond_it() {
        let bounds = Bounds {
            lower: Some(1.0),
            centre: 2.0,
            upper: Some(3.0),
        };
        assert_eq!(beyond(3.0, bounds), None);
        assert_eq!(beyond(1.0, bounds), None);
        assert_eq!(beyond(3.0 + 1e-12, bounds), Some(Side::Upper));
        assert_eq!(beyond(0.9, bounds), Some(Side::Lower));
        assert_eq!(
            beyond(
                -9.0,
                Bounds {
                    lower: None,
                    ..bounds
                }
            ),
            None
        );
    }

    #[test]
    fn unreadable_states_are_refused() {
        for text in [
            "",
            "0,0,0,0,0,0,0,0,0",
            "0,0,0,0,0,0,0,0,0,zz",
            "0,0,0,0,x,0,0,0,0,-",
        ] {
            assert!(RuleState::decode(text).is_err(), "{text}");
        }
        let infinite = format!("0,0,0,0,0,0,0,0,0,{:016x}", f64::INFINITY.to_bits());
        assert!(RuleState::decode(&infinite).is_err());
    }

    proptest! {
        #[test]
        fn a_restored_state_goes_on_as_if_nothing_happened(
            series in prop::collection::vec(-4.0..4.0f64, 1..80),
            cut in 0usize..80,
        ) {
            let mut state = RuleState::default();
            let mut resumed = RuleState::default();
            for (i, z) in series.iter().enumerate() {
                if i == cut {
                    resumed = RuleState::decode(&resumed.encode()).unwrap();
                }
                let expected = state.push(*z, *z, &Rule::ALL);
                prop_assert_eq!(expected, resumed.push(*z, *z, &Rule::ALL));
            }
            prop_assert_eq!(state, resumed);
        }

        #[test]
        fn mirrored_series_signal_on_the_mirrored_side(
            series in prop::collection::vec(-4.0..4.0f64, 1..80),
        ) {
            let (mut state, mut mirror) = (RuleState::default(), RuleState::default());
            for z in series {
                let found = state.push(z, z, &Rule::ALL);
                let flip = |side| match side {
                    Side::Upper => Side::Lower,
                    Side::Lower => Side::Upper,
                    Side::Neither => Side::Neither,
                };
                let flipped: Vec<_> = found.into_iter().map(|(r, s)| (r, flip(s))).collect();
                prop_assert_eq!(flipped, mirror.push(-z, -z, &Rule::ALL));
            }
        }
    }
}
