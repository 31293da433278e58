//! Capability figures with their evidence, from a file to the printed figures.
//!
//! Bursting strength is published (`tests/golden` names the source); the other series are invented.
//! Must not know how a distribution is fitted.

use std::path::Path;

use serde_json::Value;
use spc::simulation::Normals;

use crate::place::{Place, list, number, text};

const CONFIG: &str = r#"
[plant]
name = "Invented works"
time_zone = "UTC"

[[shift]]
name = "day"
starts = "00:00"

[[product]]
name = "sample"
boards = 1

[[feed]]
name = "series"
line = "L1"
station = "paste"
folder = "series"
time = { columns = ["At"], format = "rfc3339" }
[feed.roles]
product = { constant = "sample" }
panel = "Panel"
[[feed.measure]]
name = "value"
column = "Value"
unit = "um"

[[characteristic]]
name = "series"
station = "paste"
measure = "value"
group_by = ["line"]
subgroup = "panel"
chart = "individuals"
baseline = 20
limit_width = 9.0
detection = ["limits"]
"#;

/// The capability of a series of single readings against limits.
fn capability(values: &[f64], limits: &str) -> Value {
    let config = format!(
        "{CONFIG}[characteristic.specification]\n{limits}\nunit = \"um\"\nsource = \"invented\"\n"
    );
    let place = Place::bare(&config);
    let mut file = "At,Panel,Value\n".to_owned();
    for (index, value) in values.iter().enumerate() {
        let (day, hour, minute) = (1 + index / 1440, index / 60 % 24, index % 60);
        file += &format!("2026-01-{day:02}T{hour:02}:{minute:02}:00Z,P{index:04},{value}\n");
    }
    place.write("series/all.csv", file);
    place.replay();
    let found = place.json(&["capability"]);
    // What a person reads is there too: a table that fits, and under it what it rests on.
    let shown = place.ok(&["capability"]);
    let header = shown.lines().next().unwrap_or_default();
    assert!(header.contains("nearest") && header.len() < 132, "{header}");
    assert!(shown.contains("time model"), "{shown}");
    let cautions = list(&found[0]["cautions"]).len();
    assert_eq!(shown.matches("  caution: ").count(), cautions, "{shown}");
    let csv = place.ok(&["--format", "csv", "capability"]);
    assert_eq!(
        csv.lines().next().unwrap_or_default().split(',').count(),
        25
    );
    list(&found)[0].clone()
}

/// Normal values, always the same.
fn scores(count: usize) -> Vec<f64> {
    let mut normals = Normals::new(1);
    (0..count).map(|_| normals.draw()).collect()
}

fn check<'v>(found: &'v Value, name: &str) -> &'v Value {
    let checks = list(&found["evidence"]["checks"]);
    checks.iter().find(|row| row["check"] == name).unwrap()
}

#[test]
fn normality_is_the_independently_computed_one() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/golden");
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let golden: toml::Table = read("anderson_darling.toml").parse().unwrap();
    let expected = &golden["case"][0]["expected"];
    let strengths: Vec<f64> = read("bursting_strength.csv")
        .lines()
        .skip(1)
        .flat_map(|line| {
            line.split(',')
                .skip(1)
                .map(|x| x.parse().unwrap())
                .collect::<Vec<f64>>()
        })
        .collect();
    let found = capability(&strengths, "lower = 200.0");
    let evidence = &found["evidence"];
    assert_eq!(
        (evidence["judged"].as_u64(), found["subgroups"].as_u64()),
        (Some(100), Some(100))
    );
    let normal = &list(&evidence["distribution"]["candidates"])[0];
    let (statistic, p) = ("anderson_darling", "p_value");
    let adjusted = expected["a2_adjusted"].as_float().unwrap();
    assert!(
        (number(normal, statistic) - adjusted).abs() < 1e-9,
        "{normal}"
    );
    assert!(
        (number(normal, p) - expected[p].as_float().unwrap()).abs() < 1e-9,
        "{normal}"
    );
    assert_eq!(list(&evidence["distribution"]["candidates"]).len(), 5);
    assert_eq!(text(&found, "model"), "normal");
    // One limit only: no index of spread, none against a target.
    assert!(found["spread_index"].is_null() && found["taguchi_index"].is_null());
}

#[test]
fn a_skewed_stream_is_judged_by_its_quantiles() {
    let values: Vec<f64> = scores(160).iter().map(|z| (3.0 + 0.5 * z).exp()).collect();
    let found = capability(&values, "lower = 1.0\nupper = 150.0");
    let evidence = &found["evidence"];
    assert_eq!(text(&found, "model"), "lognormal");
    let reason = text(&evidence["distribution"], "reason");
    assert!(reason.contains("clearly rejected"), "{reason}");
    let figures = &evidence["quantiles"];
    let point = |name: &str| number(figures, name);
    assert!(point("low") < point("median") && point("median") < point("high"));
    let upper = (150.0 - point("median")) / (point("high") - point("median"));
    let lower = (point("median") - 1.0) / (point("median") - point("low"));
    assert!((point("nearest_index") - upper.min(lower)).abs() < 1e-9);
    assert_eq!(text(&evidence["time_model"], "symbol"), "A2");
    assert_eq!(check(&found, "skewness")["warns"], true);
    let cautions = found["cautions"].to_string();
    for wanted in ["by quantiles of the fitted lognormal", "skewed", "p = "] {
        assert!(cautions.contains(wanted), "{wanted}: {cautions}");
    }
}

#[test]
fn a_normal_stream_has_an_index_against_its_target_and_no_warning() {
    let values: Vec<f64> = scores(160).iter().map(|z| 101.0 + 2.0 * z).collect();
    let found = capability(&values, "lower = 88.0\ntarget = 100.0\nupper = 112.0");
    let taguchi = &found["taguchi_index"];
    assert_eq!(text(taguchi, "symbol"), "Cpm");
    let within = number(&found, "sigma_within").hypot(number(&found, "mean") - 100.0);
    assert!((number(taguchi, "value") - 24.0 / (6.0 * within)).abs() < 1e-9);
    assert!(number(taguchi, "lower") < number(taguchi, "value"));
    assert!(found["evidence"]["quantiles"].is_null());
    assert_eq!(text(&found["evidence"]["time_model"], "symbol"), "A1");
    assert_eq!(list(&found["cautions"]).len(), 0, "{found}");
}

#[test]
fn drift_strokes_and_a_coarse_gauge_are_warned_of_with_their_figures() {
    let limits = "lower = 0.0\nupper = 200.0";
    let base = scores(120);
    let of = |value: &dyn Fn(usize, f64) -> f64| -> Value {
        let values: Vec<f64> = base.iter().enumerate().map(|(i, z)| value(i, *z)).collect();
        capability(&values, limits)
    };
    let drift = of(&|i, z| 100.0 + 0.1 * i as f64 + 2.0 * z);
    assert_eq!(text(&drift["evidence"]["time_model"], "symbol"), "C3");
    assert_eq!(check(&drift, "autocorrelation")["warns"], true);
    let step = of(&|i, z| {
        if i < 70 {
            100.0 + 2.0 * z
        } else {
            110.0 + 2.0 * z
        }
    });
    assert_eq!(text(&step["evidence"]["time_model"], "symbol"), "C4");
    let strokes = of(&|i, z| 100.0 + 9.0 * (i % 2) as f64 + 2.0 * z);
    assert_eq!(check(&strokes, "mixture")["warns"], true, "{strokes}");
    assert!(number(check(&strokes, "autocorrelation"), "value") < -0.5);
    let coarse = of(&|_, z| 100.0 + 6.0 * (z / 1.5).round());
    let resolution = check(&coarse, "resolution");
    assert_eq!(resolution["warns"], true);
    assert!((number(resolution, "bound") - 1.0).abs() < 1e-12 && resolution["p_value"].is_null());
    assert!(
        coarse["cautions"].to_string().contains("coarse"),
        "{coarse}"
    );
}
