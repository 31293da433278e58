//! The stored form of a stream's state.
//!
//! A state says which form it has. What an older form lacks is filled in where that changes no
//! judgement. The one invariant: a state of an older form that can not be taken over is told apart
//! from a damaged one.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use spc::chart::Sample;
use spc::cusum::CusumState;
use spc::ewma::EwmaState;
use spc::rules::{Rule, RuleState};
use spc::selfstart::SelfStart;

use super::form::{
    ContentForm, DetectionForm, LimitsForm, by_limits_alone, content_form, content_of, side,
    side_name, text,
};
use crate::engine::{
    BaselinePoint, ChartState, DetectorState, Episode, Group, Monitoring, Phase, SinceEvent,
};

/// The form in which states are written. 1 was written without its number.
const FORM: u32 = 2;

/// Why a state can not be taken over.
#[derive(Clone, Debug, PartialEq)]
pub enum Unusable {
    /// It is of an older form. The alert that was open, if one was, is still told.
    Older(Option<Episode>),
    /// A newer program wrote it.
    Newer(u32),
    /// It is no state.
    Damaged,
}

#[derive(Serialize, Deserialize)]
struct StateForm {
    #[serde(default = "first_form")]
    form: u32,
    version: u32,
    phase: PhaseForm,
    setup: Option<Vec<String>>,
    group: Option<(ContentForm, usize)>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    group_values: Vec<f64>,
    #[serde(default)]
    units_since_event: u64,
    #[serde(default)]
    counted_from: Option<i64>,
    episode: Option<EpisodeForm>,
    note: Option<String>,
}

fn first_form() -> u32 {
    1
}

/// What states of every form have.
#[derive(Deserialize)]
struct AnyForm {
    #[serde(default = "first_form")]
    form: u32,
    #[serde(default)]
    episode: Option<EpisodeForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum PhaseForm {
    Baseline {
        points: Vec<PointForm>,
        /// Absent in states of form 1: the watch begins with the next points.
        #[serde(default)]
        watch: Option<WatchForm>,
    },
    Monitoring(Box<MonitoringForm>),
}

/// The sums that watch a baseline: count, weight, mean and squares of what they compare with, and
/// their own state.
#[derive(Serialize, Deserialize)]
struct WatchForm {
    reference: (u32, f64, f64, f64),
    cusums: [SumsForm; 3],
}

impl WatchForm {
    fn of(state: &DetectorState) -> WatchForm {
        let one = state.reference;
        WatchForm {
            reference: (one.count, one.weight, one.mean, one.squares),
            cusums: state.cusums.map(sums_form),
        }
    }

    fn state(self) -> DetectorState {
        let (count, weight, mean, squares) = self.reference;
        DetectorState {
            reference: SelfStart {
                count,
                weight,
                mean,
                squares,
            },
            cusums: self.cusums.map(sums_of),
            ..DetectorState::default()
        }
    }
}

/// Time, unit, size, value, spread and the means of several measures of a subgroup.
type PointForm = (i64, String, f64, f64, Option<f64>, Vec<f64>);

#[derive(Serialize, Deserialize)]
struct MonitoringForm {
    limits: LimitsForm,
    /// Absent, as `detectors`, where limits alone watched a stream.
    #[serde(default)]
    detection: Option<DetectionForm>,
    rules: String,
    #[serde(default)]
    detectors: Option<DetectorsForm>,
}

impl MonitoringForm {
    fn of(by: &Monitoring) -> MonitoringForm {
        MonitoringForm {
            limits: LimitsForm::of(&by.limits),
            detection: Some(DetectionForm::of(&by.detection)),
            rules: by.rules.encode(),
            detectors: Some(DetectorsForm::of(&by.detectors)),
        }
    }

    fn monitoring(self) -> Option<Monitoring> {
        let limits = self.limits.limits()?;
        let kept = self.detection.map(DetectionForm::detection);
        Some(Monitoring {
            detection: kept.unwrap_or_else(|| by_limits_alone(&limits)),
            limits,
            rules: RuleState::decode(&self.rules).ok()?,
            detectors: self.detectors.map(DetectorsForm::state).unwrap_or_default(),
        })
    }
}

/// Numbers are written so that they read back to the same bits.
#[derive(Serialize, Deserialize)]
struct DetectorsForm {
    reference: (u32, f64, f64),
    /// Absent in states of form 1: nothing waits.
    #[serde(default)]
    held: (u32, f64, f64),
    cusums: [SumsForm; 3],
    ewma: (f64, u32),
}

/// Scores are of single points, whatever they are made of.
fn singles((count, mean, squares): (u32, f64, f64)) -> SelfStart {
    SelfStart {
        count,
        weight: f64::from(count),
        mean,
        squares,
    }
}

/// Upper and lower sum, and how many points each has been above 0.
type SumsForm = (f64, f64, u32, u32);

fn sums_form(one: CusumState) -> SumsForm {
    (one.upper, one.lower, one.upper_points, one.lower_points)
}

fn sums_of((upper, lower, upper_points, lower_points): SumsForm) -> CusumState {
    CusumState {
        upper,
        lower,
        upper_points,
        lower_points,
    }
}

impl DetectorsForm {
    fn of(state: &DetectorState) -> DetectorsForm {
        let plain = |one: SelfStart| (one.count, one.mean, one.squares);
        DetectorsForm {
            reference: plain(state.reference),
            held: plain(state.held),
            cusums: state.cusums.map(sums_form),
            ewma: (state.ewma.average, state.ewma.points),
        }
    }

    fn state(self) -> DetectorState {
        let (average, points) = self.ewma;
        DetectorState {
            reference: singles(self.reference),
            held: singles(self.held),
            cusums: self.cusums.map(sums_of),
            ewma: EwmaState { average, points },
        }
    }
}

#[derive(Serialize, Deserialize)]
struct EpisodeForm {
    first: (i64, String),
    last_at: i64,
    signals: u32,
    rules: Vec<String>,
    side: String,
    size_sigma: f64,
    size_value: f64,
    quiet: u32,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    since: Option<i64>,
}

/// A state as text.
#[must_use]
pub fn state_text(state: &ChartState) -> String {
    let phase = match &state.phase {
        Phase::Baseline { points, watch } => PhaseForm::Baseline {
            points: points.iter().map(point_form).collect(),
            watch: Some(WatchForm::of(watch)),
        },
        Phase::Monitoring(by) => PhaseForm::Monitoring(Box::new(MonitoringForm::of(by))),
    };
    text(&StateForm {
        form: FORM,
        version: state.version,
        phase,
        setup: state
            .setup
            .as_ref()
            .map(|setup| setup.iter().map(ToString::to_string).collect()),
        group: state
            .group
            .as_ref()
            .map(|group| (content_form(&group.content), group.units)),
        group_values: state
            .group
            .as_ref()
            .map_or_else(Vec::new, |group| group.values.clone()),
        units_since_event: state.since_event.units,
        counted_from: state.since_event.from,
        episode: state.episode.as_ref().map(episode_form),
        note: state.note.clone(),
    })
}

/// A state from text.
///
/// # Errors
///
/// When it is of a form that can not be taken over, or of none.
pub fn state_from(text: &str) -> Result<ChartState, Unusable> {
    let any: AnyForm = serde_json::from_str(text).map_err(|_| Unusable::Damaged)?;
    if any.form > FORM {
        return Err(Unusable::Newer(any.form));
    }
    let form = serde_json::from_str(text).ok();
    match form.and_then(state_of) {
        Some(state) => Ok(state),
        None if any.form < FORM => Err(Unusable::Older(any.episode.map(episode_of))),
        None => Err(Unusable::Damaged),
    }
}

fn state_of(form: StateForm) -> Option<ChartState> {
    let phase = match form.phase {
        PhaseForm::Baseline { points, watch } => Phase::Baseline {
            points: points.into_iter().map(point_of).collect(),
            watch: Box::new(watch.map(WatchForm::state).unwrap_or_default()),
        },
        PhaseForm::Monitoring(by) => Phase::Monitoring(Box::new(by.monitoring()?)),
    };
    let group = match form.group {
        Some((content, units)) => Some(Group {
            content: content_of(content)?,
            units,
            values: form.group_values,
        }),
        None => None,
    };
    Some(ChartState {
        version: form.version,
        phase,
        setup: form
            .setup
            .map(|setup| setup.into_iter().map(Arc::from).collect()),
        group,
        since_event: SinceEvent {
            units: form.units_since_event,
            from: form.counted_from,
        },
        episode: form.episode.map(episode_of),
        note: form.note,
    })
}

fn point_form(point: &BaselinePoint) -> PointForm {
    let (at, unit) = &point.key;
    let one = point.sample;
    let means = point.means.clone();
    (
        *at,
        unit.to_string(),
        one.size,
        one.value,
        one.spread,
        means,
    )
}

fn point_of((at, unit, size, value, spread, means): PointForm) -> BaselinePoint {
    BaselinePoint {
        key: (at, Arc::from(unit)),
        sample: Sample {
            size,
            value,
            spread,
        },
        means,
    }
}

fn episode_form(episode: &Episode) -> EpisodeForm {
    EpisodeForm {
        first: (episode.first.0, episode.first.1.to_string()),
        last_at: episode.last_at,
        signals: episode.signals,
        rules: episode.rules.iter().map(ToString::to_string).collect(),
        side: side_name(episode.side).to_owned(),
        size_sigma: episode.size_sigma,
        size_value: episode.size_value,
        quiet: episode.quiet,
        since: episode.since,
    }
}

fn episode_of(form: EpisodeForm) -> Episode {
    Episode {
        first: (form.first.0, Arc::from(form.first.1)),
        last_at: form.last_at,
        signals: form.signals,
        rules: form
            .rules
            .iter()
            .filter_map(|name| rule_name(name))
            .collect(),
        side: side(&form.side),
        size_sigma: form.size_sigma,
        size_value: form.size_value,
        quiet: form.quiet,
        since: form.since,
    }
}

fn rule_name(name: &str) -> Option<&'static str> {
    let own = [
        crate::engine::BEYOND_LIMITS,
        crate::engine::SPREAD_BEYOND_LIMITS,
        crate::engine::CUSUM,
        crate::engine::EWMA,
        crate::engine::STARTING,
        crate::engine::PADS,
    ];
    own.into_iter()
        .find(|own| *own == name)
        .or_else(|| Rule::from_name(name).map(Rule::name))
}

#[cfg(test)]
mod tests {
    use super::*;

    const EPISODE: &str = r#"{"first":[5,"P1"],"last_at":9,"signals":2,"rules":["beyond_limits"],
        "side":"upper","size_sigma":4.5,"size_value":131.0,"quiet":1}"#;

    fn of(form: &str, phase: &str) -> Result<ChartState, Unusable> {
        state_from(&format!(
            r#"{{{form}"version":3,"phase":{phase},"setup":null,"group":null,
                "episode":{EPISODE},"note":null}}"#
        ))
    }

    #[test]
    fn a_watched_baseline_reads_back_to_the_same_bits() {
        let mut watch = DetectorState::default();
        [0.1, 0.7, -1.3]
            .iter()
            .for_each(|x| watch.reference.take_weighted(*x, 3.0));
        watch.cusums[1].upper = 0.1 + 0.2;
        watch.cusums[1].upper_points = 4;
        let sample = Sample {
            size: 3.0,
            value: 0.1,
            spread: Some(0.3),
        };
        let point = BaselinePoint {
            key: (7, Arc::from("P7")),
            sample,
            means: Vec::new(),
        };
        let state = ChartState {
            phase: Phase::Baseline {
                points: vec![point],
                watch: Box::new(watch),
            },
            ..ChartState::new()
        };
        assert_eq!(state_from(&state_text(&state)), Ok(state));
    }

    #[test]
    fn a_baseline_of_before_it_was_watched_is_taken_over() {
        let state = of(
            "",
            r#"{"baseline":{"points":[[1,"P1",1.0,100.5,null,[]]]}}"#,
        )
        .unwrap();
        let Phase::Baseline { points, watch } = &state.phase else {
            panic!("{state:?}");
        };
        assert_eq!((points.len(), **watch), (1, DetectorState::default()));
        assert_eq!(state.episode.unwrap().signals, 2);
    }

    #[test]
    fn limits_that_nothing_else_watched_are_taken_over() {
        let limits = r#"{"kind":"individuals","width":3.0,"subgroups":25,"centre":100.0,
            "sigma":2.0,"moving_range":2.256,"sigma_within":null,"sigma_between":null}"#;
        let rules = RuleState::default().encode();
        let phase = format!(r#"{{"monitoring":{{"limits":{limits},"rules":"{rules}"}}}}"#);
        let Phase::Monitoring(by) = of("", &phase).unwrap().phase else {
            panic!("limits are kept");
        };
        assert!((by.detection.run_length - 370.398).abs() < 1e-3);
        assert_eq!((by.detection.width, by.detection.cusums), (Some(3.0), None));
        let (alone, ..) = super::super::form::limits_from(limits).unwrap();
        assert_eq!(alone, by.limits);
    }

    #[test]
    fn what_can_not_be_taken_over_says_why() {
        let first = r#"{"baseline":{"first":null,"samples":[]}}"#;
        let Err(Unusable::Older(Some(episode))) = of("", first) else {
            panic!("a form of before points were named");
        };
        assert_eq!(episode.first, (5, Arc::from("P1")));
        assert_eq!(of(r#""form":2,"#, first), Err(Unusable::Damaged));
        assert_eq!(of(r#""form":99,"#, first), Err(Unusable::Newer(99)));
        assert_eq!(state_from("{"), Err(Unusable::Damaged));
    }
}
