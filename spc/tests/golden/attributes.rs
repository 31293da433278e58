//! p, np, c and u charts.

use crate::load::{column, list, near, number, positions, same, table};
use spc::chart::{ChartKind, Limits, Sample};
use spc::rules::beyond;

/// Estimates limits from proportions or rates; counts are divided by their size.
fn rates(kind: ChartKind, counts: &[f64], sizes: &[f64]) -> (Limits, Vec<Sample>) {
    let pairs = counts.iter().zip(sizes);
    let sample = |(count, size): (&f64, &f64)| {
        let value = if matches!(kind, ChartKind::P | ChartKind::U) {
            count / size
        } else {
            *count
        };
        Sample {
            size: *size,
            value,
            spread: None,
        }
    };
    let samples: Vec<Sample> = pairs.map(sample).collect();
    (Limits::estimate(kind, &samples, 3.0).unwrap(), samples)
}

fn outside(limits: &Limits, samples: &[Sample]) -> Vec<usize> {
    let beyond = |s: &Sample| beyond(s.value, limits.bounds(s.size)).is_some();
    (1..=samples.len())
        .filter(|i| beyond(&samples[i - 1]))
        .collect()
}

fn without(values: &[f64], positions: &[usize]) -> Vec<f64> {
    let kept = values
        .iter()
        .enumerate()
        .filter(|(i, _)| !positions.contains(&(i + 1)));
    kept.map(|(_, x)| *x).collect()
}

#[test]
fn nonconformities_of_circuit_boards() {
    let golden = table("c_pcb_nonconformities.toml");
    let counts = column("c_pcb_nonconformities.csv", 1);
    let (phase1, phase2) = counts.split_at(26);
    let (limits, samples) = rates(ChartKind::C, phase1, &[1.0; 26]);
    let bounds = limits.bounds(1.0);
    same(phase1.iter().sum(), number(&golden, "published.total"));
    for (block, tolerance) in [("published", 0.011), ("recomputed", 1e-9)] {
        near(
            bounds.centre,
            number(&golden, &format!("{block}.c_bar")),
            tolerance,
        );
        near(
            bounds.upper.unwrap(),
            number(&golden, &format!("{block}.ucl")),
            tolerance,
        );
        near(
            bounds.lower.unwrap(),
            number(&golden, &format!("{block}.lcl")),
            tolerance,
        );
        assert_eq!(
            outside(&limits, &samples),
            positions(&golden, &format!("{block}.outside"))
        );
    }
    let kept = without(phase1, &[6, 20]);
    let (revised, _) = rates(ChartKind::C, &kept, &vec![1.0; kept.len()]);
    let bounds = revised.bounds(1.0);
    for (block, tolerance) in [("published.revised", 5.1e-3), ("recomputed_revised", 1e-9)] {
        near(
            bounds.centre,
            number(&golden, &format!("{block}.c_bar")),
            tolerance,
        );
        near(
            bounds.upper.unwrap(),
            number(&golden, &format!("{block}.ucl")),
            tolerance,
        );
        near(
            bounds.lower.unwrap(),
            number(&golden, &format!("{block}.lcl")),
            tolerance,
        );
    }
    let monitored = rates(ChartKind::C, phase2, &[1.0; 20]).1;
    let expected = positions(&golden, "published.revised.phase2_outside");
    assert_eq!(outside(&revised, &monitored), expected);
}

#[test]
fn proportions_of_wafer_chips() {
    let golden = table("p_wafer_chips.toml");
    let counts = column("p_wafer_chips.csv", 1);
    let (limits, samples) = rates(ChartKind::P, &counts, &[50.0; 30]);
    let bounds = limits.bounds(50.0);
    for (block, tolerance) in [("published", 5.1e-5), ("recomputed", 1e-9)] {
        near(
            bounds.centre,
            number(&golden, &format!("{block}.p_bar")),
            tolerance,
        );
        near(
            bounds.upper.unwrap(),
            number(&golden, &format!("{block}.ucl")),
            tolerance,
        );
        near(
            bounds.lower.unwrap(),
            number(&golden, &format!("{block}.lcl")),
            tolerance,
        );
        assert_eq!(
            outside(&limits, &samples),
            positions(&golden, &format!("{block}.outside"))
        );
    }
    let kept = without(&counts, &[15, 23]);
    let (revised, _) = rates(ChartKind::P, &kept, &vec![50.0; kept.len()]);
    let bounds = revised.bounds(50.0);
    for (block, tolerance) in [("published.revised", 5.1e-5), ("recomputed_revised", 1e-9)] {
        near(
            bounds.centre,
            number(&golden, &format!("{block}.p_bar")),
            tolerance,
        );
        near(
            bounds.upper.unwrap(),
            number(&golden, &format!("{block}.ucl")),
            tolerance,
        );
        near(
            bounds.lower.unwrap(),
            number(&golden, &format!("{block}.lcl")),
            tolerance,
        );
    }
    let expected = positions(&golden, "recomputed_revised.outside_original_numbering");
    let newly: Vec<usize> = outside(&revised, &samples)
        .into_iter()
        .filter(|i| ![15, 23].contains(i))
        .collect();
    assert_eq!(newly, expected);
}

#[test]
fn proportions_and_counts_of_ceramic_substrates() {
    let golden = table("p_ceramic_substrate.toml");
    let counts = column("p_ceramic_substrate.csv", 1);
    let (limits, samples) = rates(ChartKind::P, &counts, &[100.0; 20]);
    let bounds = limits.bounds(100.0);
    same(counts.iter().sum(), number(&golden, "published.total"));
    for (block, tolerance) in [("published", 5.1e-3), ("recomputed", 1e-9)] {
        near(
            bounds.centre,
            number(&golden, &format!("{block}.p_bar")),
            tolerance,
        );
        near(
            bounds.upper.unwrap(),
            number(&golden, &format!("{block}.ucl")),
            tolerance,
        );
        near(
            bounds.lower.unwrap(),
            number(&golden, &format!("{block}.lcl")),
            tolerance,
        );
        assert_eq!(
            outside(&limits, &samples),
            positions(&golden, &format!("{block}.outside"))
        );
    }
    let bounds = rates(ChartKind::Np, &counts, &[100.0; 20]).0.bounds(100.0);
    same(bounds.centre, number(&golden, "recomputed_np.center"));
    same(bounds.upper.unwrap(), number(&golden, "recomputed_np.ucl"));
    same(bounds.lower.unwrap(), number(&golden, "recomputed_np.lcl"));
}

#[track_caller]
fn varying(kind: ChartKind, name: &str, block: &str, centre: &str) -> (Limits, Vec<Sample>) {
    let golden = table(&format!("{name}.toml"));
    let data = format!("{name}.csv");
    let (limits, samples) = rates(kind, &column(&data, 1), &column(&data, 2));
    same(limits.centre, number(&golden, &format!("{block}.{centre}")));
    let upper = list(&golden, &format!("{block}.ucl"));
    let lower = list(&golden, &format!("{block}.lcl"));
    assert_eq!(upper.len(), samples.len());
    for (i, sample) in samples.iter().enumerate() {
        let bounds = limits.bounds(sample.size);
        same(bounds.upper.unwrap(), upper[i]);
        same(bounds.lower.unwrap(), lower[i]);
    }
    assert_eq!(
        outside(&limits, &samples),
        positions(&golden, &format!("{block}.outside"))
    );
    (limits, samples)
}

/// Laney's factor: sigma of the standardised points from their moving range.
fn laney(limits: &Limits, samples: &[Sample]) -> f64 {
    let z = |s: &Sample| limits.standardised(s.value, s.size);
    let singles = samples.iter().map(|s| Sample {
        size: 1.0,
        value: z(s),
        spread: None,
    });
    let singles: Vec<Sample> = singles.collect();
    Limits::estimate(ChartKind::Individuals, &singles, 3.0)
        .unwrap()
        .sigma
}

#[test]
fn proportions_of_motors_with_varying_size() {
    let (limits, samples) = varying(ChartKind::P, "p_motors_variable_n", "p_chart", "p_bar");
    let golden = table("p_motors_variable_n.toml");
    same(
        laney(&limits, &samples),
        number(&golden, "p_prime_chart.sigma_z"),
    );
}

#[test]
fn defects_of_wire_with_varying_size() {
    let (limits, samples) = varying(ChartKind::U, "u_wire_variable_size", "u_chart", "u_bar");
    let golden = table("u_wire_variable_size.toml");
    same(
        laney(&limits, &samples),
        number(&golden, "u_prime_chart.sigma_z"),
    );
}
