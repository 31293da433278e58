//! Capability indices, their bounds, parts per million, and yield figures.

use crate::load::{at, near, number, numbers, same, table};
use spc::capability::{Indices, Specification, Stability, Study, capability};
use spc::chart::{ChartKind, Limits, Sample};
use spc::moments::Moments;
use spc::quality;
use toml::Table;

fn example(name: &str, id: &str) -> Table {
    let golden = table(name);
    let examples = at(&golden, "example").as_array().unwrap();
    let found = examples.iter().find(|e| e["id"].as_str() == Some(id));
    found.unwrap().as_table().unwrap().clone()
}

/// A stable study with sigma within and overall alike.
fn stable(
    lower: Option<f64>,
    upper: Option<f64>,
    subgroups: u32,
    mean: f64,
    sigma: f64,
) -> Indices {
    let study = Study {
        subgroups,
        readings: u64::from(subgroups),
        mean,
        sigma_within: sigma,
        sigma_overall: sigma,
        observed_below: 0,
        observed_above: 0,
    };
    let specification = Specification::new(lower, None, upper).unwrap();
    capability(&specification, &study, Stability::Stable, 0.95).unwrap()
}

#[test]
fn handbook_example_of_the_indices() {
    let e = example("capability.toml", "nist_basic");
    let value = |key: &str| number(&e, key);
    let found = stable(
        Some(value("lsl")),
        Some(value("usl")),
        20,
        value("mean"),
        value("sigma"),
    );
    let pair = found.quoted();
    for (block, tolerance) in [("published", 5.1e-5), ("recomputed", 1e-9)] {
        let expected = |key: &str| number(&e, &format!("{block}.{key}"));
        near(pair.spread.unwrap().value, expected("cp"), tolerance);
        near(pair.upper_side.unwrap(), expected("cpu"), tolerance);
        near(pair.lower_side.unwrap(), expected("cpl"), tolerance);
        near(pair.nearest.value, expected("cpk"), tolerance);
        near(found.off_centre.unwrap(), expected("k"), tolerance);
    }
}

#[test]
fn interval_of_the_spread_index() {
    let e = example("capability.toml", "cp_interval");
    let value = |key: &str| number(&e, key);
    let found = stable(Some(value("lsl")), Some(value("usl")), 20, 50.0, value("s"));
    let spread = found.quoted().spread.unwrap();
    // The printed bounds carry rounded intermediate results.
    for (block, tolerance) in [("published", 0.0052), ("recomputed", 1e-9)] {
        let expected = |key: &str| number(&e, &format!("{block}.{key}"));
        near(spread.value, expected("cp"), tolerance);
        near(spread.lower, expected("lower"), tolerance);
        near(spread.upper, expected("upper"), tolerance);
    }
}

fn samples(name: &str, first: usize) -> (Vec<Sample>, Moments) {
    let mut all = Moments::new();
    let of = |row: &Vec<f64>| {
        let mut m = Moments::new();
        row[1..].iter().for_each(|x| m.push(*x));
        all.merge(&m);
        Sample {
            size: m.count() as f64,
            value: m.mean().unwrap(),
            spread: m.range(),
        }
    };
    (numbers(name)[..first].iter().map(of).collect(), all)
}

#[test]
fn bursting_strength_within_and_overall() {
    let e = example("capability.toml", "bursting_strength");
    let (samples, all) = samples("bursting_strength.csv", 20);
    let within = Limits::estimate(ChartKind::MeanRange, &samples, 3.0).unwrap();
    let study = Study {
        subgroups: within.subgroups,
        readings: all.count(),
        mean: all.mean().unwrap(),
        sigma_within: within.sigma,
        sigma_overall: all.standard_deviation().unwrap(),
        observed_below: 0,
        observed_above: 0,
    };
    let specification = Specification::new(Some(number(&e, "lsl")), None, None).unwrap();
    let found = capability(&specification, &study, Stability::Stable, 0.95).unwrap();
    let pair = found.capability.unwrap();
    same(study.mean, number(&e, "recomputed.grand_mean"));
    same(study.sigma_overall, number(&e, "recomputed.s"));
    same(study.sigma_within, number(&e, "recomputed.sigma_hat_r"));
    same(pair.nearest.value, number(&e, "recomputed.cpl_within"));
    same(
        found.performance.nearest.value,
        number(&e, "recomputed.ppl"),
    );
    same(
        pair.expected_ppm_below.unwrap(),
        number(&e, "recomputed.ppm_below_lsl_within"),
    );
    near(
        pair.nearest.value,
        number(&e, "published.cpl_within"),
        5.1e-3,
    );
    near(
        found.performance.nearest.value,
        number(&e, "published.cpl_overall"),
        5.1e-3,
    );
    near(study.sigma_overall, number(&e, "published.s"), 5.1e-3);
    near(
        study.sigma_within,
        number(&e, "published.sigma_hat_r"),
        5.1e-3,
    );
}

#[test]
fn hard_bake_fraction_nonconforming() {
    let e = example("capability.toml", "hard_bake");
    let (samples, all) = samples("xbar_r_hard_bake.csv", 25);
    let within = Limits::estimate(ChartKind::MeanRange, &samples, 3.0).unwrap();
    let limits = (Some(number(&e, "lsl")), Some(number(&e, "usl")));
    let found = stable(limits.0, limits.1, 25, all.mean().unwrap(), within.sigma);
    let pair = found.quoted();
    let outside = 1e-6 * (pair.expected_ppm_below.unwrap() + pair.expected_ppm_above.unwrap());
    same(pair.spread.unwrap().value, number(&e, "recomputed.cp"));
    same(pair.nearest.value, number(&e, "recomputed.cpk"));
    near(
        outside,
        number(&e, "recomputed.fraction_nonconforming"),
        1e-12,
    );
    near(
        pair.spread.unwrap().value,
        number(&e, "published.cp"),
        5.1e-4,
    );
    near(
        outside,
        number(&e, "published.fraction_nonconforming"),
        5.1e-6,
    );
}

#[test]
fn parts_per_million_of_an_index() {
    for row in numbers("capability_ppm.csv") {
        let [index, one_sided, two_sided, printed_one, printed_two] = row[..] else {
            panic!()
        };
        // Limits 3 Cp sigmas from the mean.
        let reach = Some(3.0 * index);
        let one = stable(None, reach, 20, 0.0, 1.0)
            .quoted()
            .expected_ppm_above
            .unwrap();
        let both = *stable(reach.map(|r| -r), reach, 20, 0.0, 1.0).quoted();
        let two = both.expected_ppm_below.unwrap() + both.expected_ppm_above.unwrap();
        near(one / one_sided, 1.0, 1e-9);
        near(two / two_sided, 1.0, 1e-9);
        // The book rounds some figures up and cuts the smallest ones: one unit printed, 9 % at 2.
        for (found, printed) in [(one, printed_one), (two, printed_two)] {
            if !printed.is_nan() {
                let unit = if printed < 1.0 { 0.01 } else { 1.0 };
                near(found, printed, unit);
            }
        }
    }
}

#[test]
fn rolled_yield_of_four_steps() {
    let e = example("yield_dpmo.toml", "rty_four_steps");
    let steps = crate::load::list(&e, "step_yield");
    let rolled = quality::rolled_yield(&steps).unwrap();
    same(rolled, number(&e, "recomputed.rty"));
    near(rolled, number(&e, "published.rty"), 5.1e-4);
    let start = quality::units_to_start(1000, rolled).unwrap();
    same(start, number(&e, "published.input_for_1000"));
    for (step, dpmo) in steps.iter().zip(crate::load::list(&e, "dpmo")) {
        let defects = (dpmo * 100.0) as u64;
        same(quality::dpmo(defects, 100_000_000).unwrap(), dpmo);
        near(1.0 - 1e-6 * dpmo, *step, 1e-12);
    }
}

#[test]
fn defects_of_an_assembly() {
    let e = example("yield_dpmo.toml", "assembly_dpmo");
    let count = |key: &str| number(&e, key) as u64;
    let units = count("units");
    let kinds = ["component", "placement", "termination"].map(|kind| {
        let opportunities = units * count(&format!("{kind}s_per_unit"));
        (kind, count(&format!("defects.{kind}")), opportunities)
    });
    for (kind, defects, opportunities) in kinds {
        let expected = number(&e, &format!("expected.{kind}_dpmo"));
        same(quality::dpmo(defects, opportunities).unwrap(), expected);
    }
    let index = quality::dpmo_index(&kinds.map(|(_, defects, of)| (defects, of))).unwrap();
    same(index, number(&e, "expected.dpmo_index"));
    let dpu = quality::dpu(kinds.iter().map(|k| k.1).sum(), units).unwrap();
    same(dpu, number(&e, "expected.dpu"));
    same(
        quality::poisson_yield(dpu).unwrap(),
        number(&e, "expected.tpy_poisson"),
    );
}
