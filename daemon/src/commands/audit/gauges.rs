//! The gauge studies behind the measures of a pack.
//!
//! Must not know how a study is split. The one invariant: a study is named by its file's name and
//! digest, never by where it lies, which differs between computers.

use std::fs::File;
use std::io::Read;

use reports::audit::view::{AuditGauge, AuditPack};

use super::bounded::Rows;
use super::scope::Scope;
use crate::commands::gauge::{self, GaugeStudy};
use crate::commands::{CommandError, characteristic};
use crate::config::{Config, Gauge, Subject};
use crate::feeds::study::STUDY_BYTES_MAX;
use crate::output::significant;

const STUDIES: [&str; 13] = [
    "station",
    "measure",
    "file",
    "BLAKE3 of the file",
    "studied on",
    "valid until",
    "parts",
    "operators",
    "trials",
    "% of the variation",
    "categories told apart",
    "verdict",
    "problem",
];

const COMPONENTS: [&str; 9] = [
    "station",
    "measure",
    "method",
    "component",
    "sigma",
    "sigma at least",
    "sigma at most",
    "% of the variance",
    "% of the variation",
];

/// The tables of studies and of their components.
pub(super) fn sheets(
    view: &mut AuditPack,
    config: &Config,
    scope: &Scope,
) -> Result<Vec<Rows>, CommandError> {
    let mut studies = Rows::new("gauge studies", 2, &STUDIES);
    let mut components = Rows::new("gauge components", 4, &COMPONENTS);
    for gauge in wanted(config, scope)? {
        let name = gauge.file.path.file_name();
        let name = name.map_or_else(String::new, |name| name.to_string_lossy().into_owned());
        let digest = digest(gauge);
        let found = gauge::study(&gauge.file, (None, None), gauge::usual_level());
        let study = found.as_ref().ok();
        studies.push(vec![
            gauge.station.name().into(),
            gauge.measure.as_str().into(),
            name.as_str().into(),
            digest.as_deref().into(),
            gauge.studied_on.to_string().into(),
            gauge.valid_until.map(|day| day.to_string()).into(),
            study.map(|one| one.parts as u64).into(),
            study.map(|one| one.operators as u64).into(),
            study.map(|one| one.trials as u64).into(),
            study.map(|one| one.gauge_of_variation).into(),
            study.and_then(|one| one.distinct_categories).into(),
            study.map(|one| one.verdict).into(),
            study
                .is_none()
                .then_some("the study can not be used")
                .into(),
        ]);
        for row in study.iter().flat_map(|one| &one.components) {
            components.push(vec![
                gauge.station.name().into(),
                gauge.measure.as_str().into(),
                row.method.into(),
                row.component.into(),
                row.sigma.into(),
                row.sigma_lower.into(),
                row.sigma_upper.into(),
                row.contribution.into(),
                row.of_variation.into(),
            ]);
        }
        let file = (name, digest.unwrap_or_else(|| "not readable".to_owned()));
        view.gauges.push(shown(gauge, study, file));
    }
    Ok(vec![studies, components])
}

/// The studies of what is measured in the scope.
fn wanted<'a>(config: &'a Config, scope: &Scope) -> Result<Vec<&'a Gauge>, CommandError> {
    let mut measured = Vec::new();
    for stream in &scope.streams {
        let what = characteristic(config, stream)?;
        match &what.subject {
            Subject::Measure(name) => measured.push((what.station, name)),
            Subject::Measures(names) => {
                measured.extend(names.iter().map(|name| (what.station, name)));
            }
            Subject::Calls | Subject::Confirmed | Subject::FalseCalls => {}
        }
    }
    let is_wanted = |one: &&Gauge| measured.contains(&(one.station, &one.measure));
    Ok(config.gauges.iter().filter(is_wanted).collect())
}

fn digest(gauge: &Gauge) -> Option<String> {
    let mut sum = blake3::Hasher::new();
    let file = File::open(&gauge.file.path).ok()?;
    sum.update_reader(file.take(STUDY_BYTES_MAX)).ok()?;
    Some(sum.finalize().to_hex().to_string())
}

fn shown(
    gauge: &Gauge,
    study: Option<&GaugeStudy>,
    (name, digest): (String, String),
) -> AuditGauge {
    let until = gauge
        .valid_until
        .map_or_else(String::new, |day| format!(", valid until {day}"));
    let base = AuditGauge {
        measure: format!("{} at {}", gauge.measure, gauge.station.name()),
        dates: format!("{}{until}", gauge.studied_on),
        verdict: "the study can not be used".to_owned(),
        file: format!("{name}, BLAKE3 {digest}"),
        ..AuditGauge::default()
    };
    let Some(study) = study else {
        return base;
    };
    let own = |row: &&gauge::ComponentRow| row.method == "anova" && row.component == gauge::GAUGE;
    let sigma = study.components.iter().find(own);
    let bound = |bound: Option<f64>| bound.map_or_else(|| "–".to_owned(), significant);
    AuditGauge {
        size: format!("{}, {}, {}", study.parts, study.operators, study.trials),
        sigma: sigma.map_or_else(String::new, |row| {
            format!(
                "{} ({} to {})",
                significant(row.sigma),
                bound(row.sigma_lower),
                bound(row.sigma_upper)
            )
        }),
        of_variation: format!("{} %", significant(study.gauge_of_variation)),
        verdict: study.verdict.to_owned(),
        ..base
    }
}
