//! What holds in repeated use: widened limits, the budget, the set of an onset.
//!
//! Purpose: the shares that are promised, over many simulated baselines, shifts and signals. Must
//! not choose anything for the program. The one invariant: every row comes from a seed of its own.

use crate::write;
use spc::budget;
use spc::chart::ChartKind;
use spc::detection;
use spc::onset::{self, Shape};
use spc::simulation::Normals;
use spc::widening;
use statrs::function::erf::erfc;

fn beyond(width: f64) -> f64 {
    0.5 * erfc(width / 2f64.sqrt())
}

/// In-control length of limits around `centre` when points are standard normal.
fn length(centre: f64, half: f64) -> f64 {
    1.0 / (beyond(half - centre) + beyond(half + centre))
}

/// Width in estimated sigmas with which a baseline has an in-control length of 370.4.
fn width_needed(centre: f64, sigma: f64) -> f64 {
    let wanted = length(0.0, 3.0);
    let (mut low, mut high) = (0.5, 60.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if length(centre, middle * sigma) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[(share * (values.len() - 1) as f64).round() as usize]
}

/// Mean, standard deviation over its expectation, and sigma from the moving ranges.
fn baseline(count: u32, normals: &mut Normals) -> (f64, f64, f64) {
    let points: Vec<f64> = (0..count).map(|_| normals.draw()).collect();
    let n = f64::from(count);
    let mean = points.iter().sum::<f64>() / n;
    let squares: f64 = points.iter().map(|x| (x - mean).powi(2)).sum();
    let ranges: f64 = points
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .sum();
    let from_ranges = ranges / (n - 1.0) * std::f64::consts::PI.sqrt() / 2.0;
    let unbiased = spc::constants::c4(count).unwrap_or(1.0);
    (mean, (squares / (n - 1.0)).sqrt() / unbiased, from_ranges)
}

/// Limits of individuals at three sigma from few subgroups, as they are and widened.
pub fn widening() {
    let rounds = 20_000;
    let mut rows = Vec::new();
    for count in [25, 50, 100, 300, 500, 1_000] {
        let mut normals = Normals::new(u64::from(count));
        let factor = widening::factor(ChartKind::Individuals, count, 1.0).unwrap_or(1.0);
        let (mut lengths, mut by_deviation, mut by_ranges) = (vec![], vec![], vec![]);
        let mut kept = 0;
        for _ in 0..rounds {
            let (mean, deviation, from_ranges) = baseline(count, &mut normals);
            lengths.push(length(mean, 3.0 * deviation));
            by_deviation.push(width_needed(mean, deviation));
            by_ranges.push(width_needed(mean, from_ranges));
            let widened = length(mean, 3.0 * factor * from_ranges);
            kept += usize::from(widened >= length(0.0, 3.0));
        }
        rows.push(format!(
            "{count},{:.0},{:.0},{:.2},{:.2},{:.2},{:.3}",
            quantile(&mut lengths, 0.5),
            quantile(&mut lengths, 0.1),
            quantile(&mut by_deviation, 0.9),
            quantile(&mut by_ranges, 0.9),
            3.0 * factor,
            kept as f64 / f64::from(rounds)
        ));
    }
    let header = "points,median_length_deviation,tenth_length_deviation,width_needed_deviation,\
                  width_needed_ranges,width_used_ranges,share_at_least_370";
    write::results("widening", header, &rows);
}

/// How often limits of individuals from few subgroups signal over all baselines together, as part
/// of what their width promises: widened for nine of ten alone, and for both.
pub fn widths() {
    let rounds = 100_000;
    let mut rows = Vec::new();
    for count in [25, 50, 100, 200] {
        let mut normals = Normals::new(u64::from(count));
        let made: Vec<_> = (0..rounds).map(|_| baseline(count, &mut normals)).collect();
        for run_length in [500.0, 5_000.0, 46_580.0, 933_600.0, 4.6e6] {
            let found = detection::thresholds(run_length);
            let width = found.map_or_else(|why| panic!("{why}"), |found| found.width);
            let rate = |factor: f64| {
                let half = |sigma: f64| width * factor * sigma;
                let chance = |(mean, _, sigma): &(f64, f64, f64)| 1.0 / length(*mean, half(*sigma));
                let sum: f64 = made.iter().map(chance).sum();
                sum / f64::from(rounds) * length(0.0, width)
            };
            let kind = ChartKind::Individuals;
            let of_ten = widening::factor(kind, count, 1.0).unwrap_or(1.0);
            let both = widening::factor_for_both(kind, count, 1.0, width).unwrap_or(1.0);
            rows.push(format!(
                "{count},{run_length},{width:.3},{:.3},{of_ten:.3},{:.2},{both:.3},{:.2}",
                run_length / length(0.0, width),
                rate(of_ten),
                rate(both)
            ));
        }
    }
    let header = "points,in_control_length,width,share_of_limits,factor_nine_of_ten,\
                  rate_nine_of_ten,factor_both,rate_both";
    write::results("widths", header, &rows);
}

/// False alerts of 200 streams that share what happens to a panel.
pub fn budget() {
    let (streams, panels, shifts) = (200, 350, 300);
    let mut rows = Vec::new();
    for allowed in [1.0, 5.0] {
        for shared in [0.0, 0.3, 0.7] {
            let points = f64::from(streams * panels);
            let run_length = budget::allocate(allowed, points).map_or(f64::NAN, |b| b.run_length);
            let found = detection::thresholds(run_length);
            let scheme = found.map_or_else(|why| panic!("{why}"), |found| found.scheme());
            let mut normals = Normals::new(20_261_125);
            let mut states = vec![scheme.start(); streams as usize];
            let mut alerts = 0;
            for _ in 0..panels * shifts {
                let common = f64::sqrt(shared) * normals.draw();
                for state in &mut states {
                    let own = f64::sqrt(1.0 - shared) * normals.draw();
                    if scheme.push(state, common + own) {
                        alerts += 1;
                        *state = scheme.start();
                    }
                }
            }
            let rate = f64::from(alerts) / f64::from(shifts);
            rows.push(format!("{allowed},{shared},{run_length:.0},{rate:.3}"));
        }
    }
    let header = "allowed_a_shift,correlation,in_control_length,realised_a_shift";
    write::results("budget", header, &rows);
}

/// How often the 90 % set holds the true onset when the default detection signals.
pub fn onsets() {
    let mut rows = Vec::new();
    for length in [370.0, 10_000.0] {
        for shift in [0.5, 1.0, 1.5, 2.0, 3.0] {
            rows.push(onset_row("step", length, shift, |_| shift));
        }
        for slope in [0.005, 0.01, 0.02, 0.05, 0.1] {
            rows.push(onset_row("drift", length, slope, |j| slope * j));
        }
    }
    let header = "change,in_control_length,size_sigma,delay,share_covered,mean_set_size,\
                  median_error,share_called_drift";
    write::results("onsets", header, &rows);
}

fn onset_row(name: &str, length: f64, size: f64, mean: impl Fn(f64) -> f64) -> String {
    let (before, rounds) = (100, 4_000);
    let found = detection::thresholds(length);
    let scheme = found.map_or_else(|why| panic!("{why}"), |found| found.scheme());
    let mut normals = Normals::new(77_003);
    let (mut covered, mut drifts, mut sizes, mut delays) = (0, 0, 0, 0);
    let mut errors = Vec::new();
    while errors.len() < rounds {
        let mut state = scheme.start();
        let mut series = Vec::new();
        loop {
            let since = (series.len() + 1).saturating_sub(before) as f64;
            let z = normals.draw() + if since > 0.0 { mean(since) } else { 0.0 };
            series.push(z);
            if scheme.push(&mut state, z) {
                break;
            }
        }
        if series.len() <= before {
            continue;
        }
        let Ok(found) = onset::estimate(&series, 0.9) else {
            panic!("a series of {} points has no onset", series.len());
        };
        covered += usize::from(found.set.contains(&before));
        drifts += usize::from(found.shape != Shape::Step);
        sizes += found.set.len();
        delays += series.len() - before;
        errors.push(found.first_affected as f64 - before as f64);
    }
    let share = |count: usize| count as f64 / rounds as f64;
    format!(
        "{name},{length},{size},{:.1},{:.3},{:.1},{:.0},{:.3}",
        share(delays),
        share(covered),
        share(sizes),
        quantile(&mut errors, 0.5),
        share(drifts)
    )
}
