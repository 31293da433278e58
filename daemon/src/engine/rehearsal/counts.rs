//! Charts of counts and of events at a known level: run lengths that need no made points, and those
//! that do.
//!
//! Must not know the record. The one invariant: what is said to be exact is a sum over the law.

use spc::chart::{Bounds, Limits, Sample};
use spc::level::Level;
use spc::rules::RuleState;
use spc::runlength::{Change, Effort, Method, RunLength, RunLengthError, Waiting};
use spc::simulation::Normals;

use crate::engine::baseline::widening;
use crate::engine::chart::{ChartState, Monitoring, Phase, WIDTH_DRAWN, bounds};
use crate::engine::detect::{Detection, DetectorState};

use super::{Delay, End, POINTS_MAX, RUN_POINTS_MAX, Rehearsal, known};

impl Rehearsal {
    /// Points until a change is signalled by limits alone, of a baseline that met the level.
    pub(super) fn delay_at(
        &self,
        level: &Level,
        detection: &Detection,
        change: Change,
    ) -> Result<Delay, RunLengthError> {
        let mut limits = self.limits_at(level, detection);
        limits.width *= widening(&self.what, &limits, &[sample(level)]);
        let bounds = bounds(&limits, level.size, self.what.exact_limits);
        let chance = |times| level.chance_beyond(&bounds, times).unwrap_or(0.0);
        let found = match change {
            Change::None | Change::Step(_) => Waiting::steady(chance(level.times_at(change, 1)))?,
            Change::Drift(_) => {
                let at = |point| chance(level.times_at(change, point));
                Waiting::changing(at, RUN_POINTS_MAX)?
            }
        };
        Ok(Delay {
            mean: found.mean,
            error: 0.0,
            half: Some(found.half),
            ninety: Some(found.ninety),
        })
    }

    /// The in-control run length at a known level: of limits alone exact, else made points over
    /// their signals.
    pub(super) fn in_control_at(
        &mut self,
        level: &Level,
        detection: &Detection,
        effort: Effort,
    ) -> Result<RunLength, RunLengthError> {
        let limits = self.limits_at(level, detection);
        if self.has_limits_alone() {
            let bounds: Bounds = bounds(&limits, level.size, self.what.exact_limits);
            let chance = level.chance_beyond(&bounds, 1.0).unwrap_or(0.0);
            return known(Waiting::steady(chance)?);
        }
        let mut normals = Normals::new(effort.seed);
        let (mut points, mut signals) = (0u64, 0u32);
        while points < POINTS_MAX && signals < effort.runs {
            let state = self.monitored(level, &limits, detection, &mut normals);
            let (made, end) = self.run(state, Change::None, (0, POINTS_MAX - points), &mut normals);
            points += made;
            signals += u32::from(matches!(end, End::Signalled(_)));
        }
        if signals == 0 {
            return Err(RunLengthError::NoSignal { points });
        }
        let mean = points as f64 / f64::from(signals);
        Ok(RunLength {
            mean,
            standard_error: mean / f64::from(signals).sqrt(),
            ninety: None,
            method: Method::Simulated,
        })
    }

    /// Limits at the level as wide as for a known one.
    fn limits_at(&self, level: &Level, detection: &Detection) -> Limits {
        let width = self.what.limit_width.or(detection.width);
        level.limits(width.unwrap_or(WIDTH_DRAWN), self.what.baseline as u32)
    }

    /// A stream that has these limits, and a reference of made points for what learns.
    fn monitored(
        &self,
        level: &Level,
        limits: &Limits,
        detection: &Detection,
        normals: &mut Normals,
    ) -> ChartState {
        let point = |_| Sample {
            value: level.draw(1.0, normals).unwrap_or(level.centre),
            ..sample(level)
        };
        let baseline: Vec<Sample> = (0..self.what.baseline).map(point).collect();
        ChartState {
            phase: Phase::Monitoring(Box::new(Monitoring {
                limits: limits.clone(),
                detection: detection.clone(),
                rules: RuleState::default(),
                detectors: DetectorState::start(detection, limits, &baseline),
            })),
            ..ChartState::new()
        }
    }
}

fn sample(level: &Level) -> Sample {
    Sample {
        size: level.size,
        value: level.centre,
        spread: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Characteristic, Detector, Subject};
    use crate::engine::tests::rehearsed;
    use spc::chart::ChartKind;

    fn counted(chart: ChartKind, detection: &[Detector]) -> Characteristic {
        let mut what = rehearsed("individuals", 25);
        what.chart = chart;
        what.subject = Subject::Calls;
        what.detection = detection.to_vec();
        what.widen = false;
        what
    }

    fn level(kind: ChartKind, centre: f64, size: f64) -> Option<Level> {
        Some(Level {
            kind,
            centre,
            size,
            sigma_z: 1.0,
        })
    }

    fn steps(rehearsal: &mut Rehearsal, times: f64) -> Delay {
        let found = rehearsal.delay(Change::Step(times), 1, 1);
        found.expect("solved").expect("it signals")
    }

    /// D. C. Montgomery, Introduction to Statistical Quality Control, section on the operating
    /// characteristic and the average run length of the p chart (from memory): samples of 50 at
    /// 0.2, three sigma: 370 samples without cause, 7 when the share has become 0.3.
    #[test]
    fn shares_are_found_as_soon_as_published() {
        let mut what = counted(ChartKind::P, &[Detector::Limits]);
        what.limit_width = Some(3.0);
        let level = level(ChartKind::P, 0.2, 50.0);
        let mut rehearsal = Rehearsal::new(&what, 500.0, level).expect("rehearsed");
        let known = rehearsal.in_control(Effort::default()).expect("known");
        assert!(
            (known.mean - 370.0).abs() < 5.0 && known.method == Method::Exact,
            "{known:?}"
        );
        let found = steps(&mut rehearsal, 1.5);
        assert!(
            (found.mean - 7.0).abs() < 0.2 && found.error.abs() < 1e-12,
            "{found:?}"
        );
        let drift = rehearsal.delay(Change::Drift(0.1), 1, 1).expect("solved");
        let drift = drift.expect("it signals");
        // Three sigma are reached after 30 points, and passed by half of the points there.
        assert!(drift.mean > 10.0 && drift.mean < 35.0, "{drift:?}");
    }

    /// Of an exponential law a signal has the chance 1 - exp(-2 l) + exp(-2 u) when events come
    /// twice as often, l and u being limits over the mean.
    #[test]
    fn rare_events_are_found_as_their_law_says() {
        let what = counted(ChartKind::T, &[Detector::Limits]);
        let level = level(ChartKind::T, 90.0, 1.0);
        let mut rehearsal = Rehearsal::new(&what, 1_000.0, level).expect("rehearsed");
        let known = rehearsal.in_control(Effort::default()).expect("known");
        assert!((known.mean / 1_000.0 - 1.0).abs() < 1e-6, "{known:?}");
        let width = spc::detection::limits_width(1_000.0).expect("in range");
        let limits = level.expect("given").limits(width, 25).bounds(1.0);
        let over = |limit: Option<f64>| limit.expect("both exist") / 90.0;
        let chance = 1.0 - (-2.0 * over(limits.lower)).exp() + (-2.0 * over(limits.upper)).exp();
        let found = steps(&mut rehearsal, 2.0);
        assert!((found.mean * chance - 1.0).abs() < 1e-9, "{found:?}");
    }

    /// Many counts are as good as normal, and then limits and sums keep the length together that
    /// they were solved for; a rate that has grown is found sooner than by limits alone.
    #[test]
    fn sums_of_counts_keep_their_length_and_find_small_changes_sooner() {
        let level = level(ChartKind::C, 400.0, 1.0);
        let both = counted(ChartKind::C, &[Detector::Limits, Detector::Cusum]);
        let mut both = Rehearsal::new(&both, 500.0, level).expect("rehearsed");
        let effort = Effort {
            runs: 150,
            ..Effort::default()
        };
        let found = both.in_control(effort).expect("simulated");
        assert!((found.mean / 500.0 - 1.0).abs() < 0.25, "{found:?}");
        let alone = counted(ChartKind::C, &[Detector::Limits]);
        let mut alone = Rehearsal::new(&alone, 500.0, level).expect("rehearsed");
        // One sigma is a twentieth.
        let sooner = both.delay(Change::Step(1.05), 100, 1).expect("solved");
        let sooner = sooner.expect("it signals");
        assert!(
            2.0 * sooner.mean < steps(&mut alone, 1.05).mean,
            "{sooner:?}"
        );
    }

    #[test]
    fn a_level_that_the_chart_can_not_have_is_not_rehearsed() {
        let what = counted(ChartKind::P, &[Detector::Limits]);
        assert!(Rehearsal::new(&what, 500.0, level(ChartKind::P, 1.5, 50.0)).is_none());
        assert!(Rehearsal::new(&what, 500.0, None).is_none());
    }
}
