//! The stored form of limits and of what units contributed: the engine's own types know no
//! serialisation. The form of a stream's state is in [`super::state_form`].

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use spc::chart::{ChartKind, Limits};
use spc::cusum::Cusum;
use spc::ewma::Ewma;
use spc::moments::Moments;
use spc::rules::Side;
use spc::t_squared::{Covariance, Origin, TSquared};

use super::findings_form::FindingsForm;
use crate::engine::{Content, Detection, Findings, LimitsVersion};

/// The names of chart kinds in configuration, output and the store.
pub const CHART_NAMES: [(ChartKind, &str); 14] = [
    (ChartKind::Individuals, "individuals"),
    (ChartKind::MeanRange, "mean-range"),
    (ChartKind::MeanS, "mean-s"),
    (ChartKind::MedianRange, "median"),
    (ChartKind::ThreeWay, "three-way"),
    (ChartKind::P, "p"),
    (ChartKind::PPrime, "p-prime"),
    (ChartKind::Np, "np"),
    (ChartKind::C, "c"),
    (ChartKind::U, "u"),
    (ChartKind::UPrime, "u-prime"),
    (ChartKind::G, "between-events"),
    (ChartKind::T, "time-between-events"),
    (ChartKind::TSquared, "t-squared"),
];

/// The name of a chart kind.
#[must_use]
pub fn chart_name(kind: ChartKind) -> &'static str {
    CHART_NAMES
        .iter()
        .find(|(other, _)| *other == kind)
        .map_or("", |(_, name)| name)
}

fn chart_kind(name: &str) -> Option<ChartKind> {
    CHART_NAMES
        .iter()
        .find(|(_, other)| *other == name)
        .map(|(kind, _)| *kind)
}

/// The name of a side.
#[must_use]
pub fn side_name(side: Side) -> &'static str {
    match side {
        Side::Upper => "upper",
        Side::Lower => "lower",
        Side::Neither => "neither",
    }
}

pub(super) fn side(name: &str) -> Side {
    match name {
        "upper" => Side::Upper,
        "lower" => Side::Lower,
        _ => Side::Neither,
    }
}

/// How limits were watched before there were other detectors.
pub(super) fn by_limits_alone(limits: &Limits) -> Detection {
    Detection {
        run_length: 1.0 / limits.false_alarm_per_point(),
        width: Some(limits.width),
        ..Detection::default()
    }
}

/// Reference value, threshold and head start of a cumulative sum.
type CusumForm = (f64, f64, f64);

#[derive(Serialize, Deserialize)]
pub(super) struct DetectionForm {
    run_length: f64,
    points_per_shift: Option<f64>,
    width: Option<f64>,
    cusums: Option<[CusumForm; 3]>,
    ewma: Option<(f64, f64)>,
}

impl DetectionForm {
    pub(super) fn of(detection: &Detection) -> DetectionForm {
        let cusum = |one: Cusum| (one.reference, one.threshold, one.head_start);
        DetectionForm {
            run_length: detection.run_length,
            points_per_shift: detection.points_per_shift,
            width: detection.width,
            cusums: detection.cusums.map(|set| set.map(cusum)),
            ewma: detection.ewma.map(|ewma| (ewma.weight, ewma.width)),
        }
    }

    pub(super) fn detection(self) -> Detection {
        let cusum = |(reference, threshold, head_start)| Cusum {
            reference,
            threshold,
            head_start,
        };
        Detection {
            run_length: self.run_length,
            points_per_shift: self.points_per_shift,
            width: self.width,
            cusums: self.cusums.map(|set| set.map(cusum)),
            ewma: self.ewma.map(|(weight, width)| Ewma { weight, width }),
        }
    }
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum ContentForm {
    Measured(Vec<u8>),
    Several(Vec<Vec<u8>>),
    Counted(BTreeMap<String, u32>),
}

#[derive(Serialize, Deserialize)]
pub(super) struct LimitsForm {
    kind: String,
    width: f64,
    subgroups: u32,
    centre: f64,
    sigma: f64,
    moving_range: Option<f64>,
    sigma_within: Option<f64>,
    sigma_between: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    joint: Option<JointForm>,
}

impl LimitsForm {
    pub(super) fn of(limits: &Limits) -> LimitsForm {
        LimitsForm {
            kind: chart_name(limits.kind).to_owned(),
            width: limits.width,
            subgroups: limits.subgroups,
            centre: limits.centre,
            sigma: limits.sigma,
            moving_range: limits.moving_range,
            sigma_within: limits.sigma_within,
            sigma_between: limits.sigma_between,
            joint: limits.joint.as_ref().map(JointForm::of),
        }
    }

    pub(super) fn limits(self) -> Option<Limits> {
        let joint = match self.joint {
            Some(form) => Some(form.joint()?),
            None => None,
        };
        Some(Limits {
            kind: chart_kind(&self.kind)?,
            width: self.width,
            subgroups: self.subgroups,
            centre: self.centre,
            sigma: self.sigma,
            moving_range: self.moving_range,
            sigma_within: self.sigma_within,
            sigma_between: self.sigma_between,
            joint,
        })
    }
}

/// Mean, covariance, and observations of the baseline.
#[derive(Serialize, Deserialize)]
struct JointForm {
    mean: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    origin: OriginForm,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum OriginForm {
    Known,
    Sample(usize),
    Successive(usize),
    Subgroups(usize, usize),
}

impl JointForm {
    fn of(joint: &TSquared) -> JointForm {
        JointForm {
            mean: joint.mean().to_vec(),
            covariance: joint.covariance(),
            origin: match joint.origin() {
                Origin::Known => OriginForm::Known,
                Origin::Singles(count, Covariance::Sample) => OriginForm::Sample(count),
                Origin::Singles(count, Covariance::Successive) => OriginForm::Successive(count),
                Origin::Subgroups(count, size) => OriginForm::Subgroups(count, size),
            },
        }
    }

    fn joint(self) -> Option<TSquared> {
        let origin = match self.origin {
            OriginForm::Known => Origin::Known,
            OriginForm::Sample(count) => Origin::Singles(count, Covariance::Sample),
            OriginForm::Successive(count) => Origin::Singles(count, Covariance::Successive),
            OriginForm::Subgroups(count, size) => Origin::Subgroups(count, size),
        };
        TSquared::restored(&self.mean, &self.covariance, origin).ok()
    }
}

#[derive(Serialize, Deserialize)]
struct VersionForm {
    limits: LimitsForm,
    detection: DetectionForm,
    /// Absent in records of before there were findings.
    #[serde(default)]
    findings: FindingsForm,
}

/// Limits, what they are watched with and what they rest on, as text.
#[must_use]
pub fn limits_text(version: &LimitsVersion) -> String {
    text(&VersionForm {
        limits: LimitsForm::of(&version.limits),
        detection: DetectionForm::of(&version.detection),
        findings: FindingsForm::of(&version.findings),
    })
}

/// Limits, what they are watched with and what they rest on, from text. The first records held
/// limits alone.
#[must_use]
pub fn limits_from(text: &str) -> Option<(Limits, Detection, Findings)> {
    let Ok(form) = serde_json::from_str::<VersionForm>(text) else {
        let alone: LimitsForm = serde_json::from_str(text).ok()?;
        let limits = alone.limits()?;
        let detection = by_limits_alone(&limits);
        return Some((limits, detection, Findings::default()));
    };
    let limits = form.limits.limits()?;
    Some((
        limits,
        form.detection.detection(),
        form.findings.findings()?,
    ))
}

pub(super) fn content_form(content: &Content) -> ContentForm {
    match content {
        Content::Measured(moments) => ContentForm::Measured(moments.to_bytes()),
        Content::Several(measures) => {
            ContentForm::Several(measures.iter().map(Moments::to_bytes).collect())
        }
        Content::Counted(boards) => ContentForm::Counted(
            boards
                .iter()
                .map(|(board, count)| (board.to_string(), *count))
                .collect(),
        ),
    }
}

pub(super) fn content_of(form: ContentForm) -> Option<Content> {
    match form {
        ContentForm::Measured(bytes) => Moments::from_bytes(&bytes).ok().map(Content::Measured),
        ContentForm::Several(measures) => {
            let each = measures.iter().map(|bytes| Moments::from_bytes(bytes).ok());
            each.collect::<Option<_>>().map(Content::Several)
        }
        ContentForm::Counted(boards) => Some(Content::Counted(
            boards
                .into_iter()
                .map(|(board, count)| (Arc::from(board), count))
                .collect(),
        )),
    }
}

/// The first byte of the content of several measures.
pub(super) const SEVERAL: u8 = b'v';

/// Content as bytes: a measured one starts with `m`; one of several measures with `v`, each measure
/// after its length in four bytes, the least first; a counted one is JSON.
#[must_use]
pub fn content_bytes(content: &Content) -> Vec<u8> {
    match content {
        Content::Measured(moments) => {
            let mut bytes = vec![b'm'];
            bytes.extend(moments.to_bytes());
            bytes
        }
        Content::Several(measures) => {
            let mut bytes = vec![SEVERAL];
            for moments in measures {
                let one = moments.to_bytes();
                // A sum of readings takes some hundred bytes.
                bytes.extend(u32::try_from(one.len()).unwrap_or(u32::MAX).to_le_bytes());
                bytes.extend(one);
            }
            bytes
        }
        Content::Counted(boards) => text(boards).into_bytes(),
    }
}

/// Content from bytes.
#[must_use]
pub fn content_from(bytes: &[u8]) -> Option<Content> {
    match bytes.split_first() {
        Some((b'm', rest)) => Moments::from_bytes(rest).ok().map(Content::Measured),
        Some((&SEVERAL, rest)) => several_from(rest).map(Content::Several),
        _ => {
            let boards: BTreeMap<String, u32> = serde_json::from_slice(bytes).ok()?;
            content_of(ContentForm::Counted(boards))
        }
    }
}

fn several_from(mut bytes: &[u8]) -> Option<Vec<Moments>> {
    let mut measures = Vec::new();
    while !bytes.is_empty() {
        let (length, rest) = bytes.split_first_chunk::<4>()?;
        let length = usize::try_from(u32::from_le_bytes(*length)).ok()?;
        let (one, rest) = rest.split_at_checked(length)?;
        measures.push(Moments::from_bytes(one).ok()?);
        bytes = rest;
    }
    Some(measures)
}

/// Texts as one JSON list.
#[must_use]
pub fn list_text(list: &[Arc<str>]) -> String {
    text(&list.iter().map(AsRef::as_ref).collect::<Vec<&str>>())
}

/// Texts from a JSON list.
#[must_use]
pub fn list_from(text: &str) -> Option<Vec<Arc<str>>> {
    let list: Vec<String> = serde_json::from_str(text).ok()?;
    Some(list.into_iter().map(Arc::from).collect())
}

/// These forms hold no maps with other than text keys, so writing them can not fail.
pub(super) fn text<T: Serialize + ?Sized>(form: &T) -> String {
    serde_json::to_string(form).unwrap_or_default()
}
