//! The gauge study of a measure beside its capability figures.
//!
//! Must not know how a study is split. The one invariant: what is wrong with a study is a caution,
//! and never costs the figures.

use jiff::Timestamp;
use serde::Serialize;

use super::capability::Capability;
use super::gauge::{self, GaugeStudy};
use crate::config::{Characteristic, Config, Gauge, Subject};
use crate::output;

/// What a gauge study says of the readings behind an index.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GaugeShare {
    /// The study's file.
    pub file: String,
    /// The day of the study.
    pub studied_on: String,
    /// The last day on which it counts.
    pub valid_until: Option<String>,
    /// The gauge's sigma, in the unit of the readings.
    pub sigma: f64,
    /// Its share of the overall standard deviation of the readings, in percent.
    pub of_variation: Option<f64>,
    /// Six of its sigmas over the tolerance, in percent.
    pub of_tolerance: Option<f64>,
    /// Categories of parts that the gauge tells apart, by the study.
    pub distinct_categories: Option<u32>,
    /// What common practice says of the gauge, by the study.
    pub verdict: &'static str,
}

/// Puts the gauge study of the measure beside the figures. What is wrong with the study is a
/// caution, never a failure: the figures stand without it.
pub(super) fn add_gauge(config: &Config, what: &Characteristic, found: &mut Capability) {
    let Subject::Measure(measure) = &what.subject else {
        return;
    };
    let named = |one: &&Gauge| one.station == what.station && one.measure == *measure;
    let Some(gauge) = config.gauges.iter().find(named) else {
        return;
    };
    let limits = (found.lower, found.upper);
    match gauge::study(&gauge.file, limits, gauge::usual_level()) {
        Ok(study) => {
            let share = share(gauge, &study, found.sigma_overall);
            let part = output::significant_to(study.gauge_of_variation, 3);
            if !study.verdict.starts_with("good") {
                let text = format!("the gauge is {part} % of its study ({})", study.verdict);
                found.cautions.push(text);
            }
            found.gauge = Some(share);
        }
        Err(error) => found.cautions.push(format!("no gauge study: {error}")),
    }
    let last = Timestamp::from_microsecond(found.window.1)
        .map(|time| config.zone.to_datetime(time).date());
    if let (Ok(last), Some(until)) = (last, gauge.valid_until)
        && last > until
    {
        let text = format!("the gauge study of {} ended on {until}", gauge.studied_on);
        found.cautions.push(text);
    }
}

fn share(gauge: &Gauge, study: &GaugeStudy, overall: Option<f64>) -> GaugeShare {
    let own = |row: &&gauge::ComponentRow| row.method == "anova" && row.component == gauge::GAUGE;
    let sigma = study
        .components
        .iter()
        .find(own)
        .map_or(0.0, |row| row.sigma);
    GaugeShare {
        file: study.file.clone(),
        studied_on: gauge.studied_on.to_string(),
        valid_until: gauge.valid_until.map(|day| day.to_string()),
        sigma,
        of_variation: overall
            .filter(|all| *all > 0.0)
            .map(|all| 100.0 * sigma / all),
        of_tolerance: study.gauge_of_tolerance,
        distinct_categories: study.distinct_categories,
        verdict: study.verdict,
    }
}
