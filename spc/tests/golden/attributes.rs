//! p, np, c and u charts, and those of Laney.

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

/// Checks the limits that hold the overdispersion. Where sigma_z is below 1 the printed chart
/// would be narrower than the plain one; ours is the plain one.
fn overdispersed(kind: ChartKind, plain: &Limits, samples: &[Sample], file: &str, block: &str) {
    let golden = table(&format!("{file}.toml"));
    let limits = Limits::estimate(kind, samples, 3.0).unwrap();
    let sigma_z = number(&golden, &format!("{block}.sigma_z"));
    same(limits.sigma, sigma_z);
    same(spc::laney::sigma_z(plain, samples).unwrap(), sigma_z);
    let uppers = list(&golden, &format!("{block}.ucl"));
    let lowers = list(&golden, &format!("{block}.lcl"));
    for (i, sample) in samples.iter().enumerate() {
        let found = limits.bounds(sample.size);
        if sigma_z > 1.0 {
            same(found.upper.unwrap(), uppers[i]);
            same(found.lower.unwrap(), lowers[i]);
        } else {
            assert_eq!(found, plain.bounds(sample.size));
            assert!(found.upper.unwrap() > uppers[i] && found.lower.unwrap() < lowers[i]);
        }
    }
    if sigma_z > 1.0 {
        let expected = positions(&golden, &format!("{block}.outside"));
        assert_eq!(outside(&limits, samples), expected);
    }
}

#[test]
fn proportions_of_motors_with_varying_size() {
    let file = "p_motors_variable_n";
    let (limits, samples) = varying(ChartKind::P, file, "p_chart", "p_bar");
    overdispersed(ChartKind::PPrime, &limits, &samples, file, "p_prime_chart");
}

#[test]
fn defects_of_wire_with_varying_size() {
    let file = "u_wire_variable_size";
    let (limits, samples) = varying(ChartKind::U, file, "u_chart", "u_bar");
    overdispersed(ChartKind::UPrime, &limits, &samples, file, "u_prime_chart");
}
