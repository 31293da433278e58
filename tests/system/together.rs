//! Several measures on one chart through the whole chain, against a published series.
//!
//! Series and expected values are those of `tests/golden`; only how they are written as files is
//! invented here.

use crate::place::{Place, assert_same_charts, assert_same_rows, list, number, text};
use crate::published::{at, config, expected, outside, series, signalled};

/// T-squared of two sizes of particles, and the configuration that charts them together.
fn particle_sizes(baseline: usize) -> String {
    let two = r#"[[feed.measure]]
name = "large"
column = "Large"
unit = "%"
[[feed.measure]]
name = "medium"
column = "Medium"
unit = "%""#;
    let together = format!(
        r#"measures = ["large", "medium"]
chart = "t-squared"
baseline = {baseline}
in_control_run_length = 500"#
    );
    config(two, &together)
}

/// One file an observation of both measures.
fn write_sizes(place: &Place, from: usize, rows: &[Vec<String>]) {
    for (number, row) in (from..).zip(rows) {
        let (at, large, medium) = (at(number), &row[1], &row[2]);
        let text = format!("At,Subgroup,Item,Large,Medium\n{at},S{number:03},1,{large},{medium}\n");
        place.write(&format!("series/S{number:03}.csv"), text);
    }
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 4th ed. 2001, Table 10-2,
/// after D. S. Holmes and A. E. Mergen: covariance from successive differences. The series makes
/// the baseline and is then measured once more, with the program stopped in between.
#[test]
fn particle_sizes_on_one_chart_through_the_whole_chain() {
    let golden = expected("t2_particle_size.toml");
    let rows = series("t2_particle_size.csv");
    let place = Place::bare(&particle_sizes(rows.len()));
    for (from, part) in [(1, &rows[..30]), (31, &rows[30..])] {
        write_sizes(&place, from, part);
        place.replay();
    }
    write_sizes(&place, rows.len() + 1, &rows);
    place.replay();
    let chart = place.chart("series");
    assert_eq!(chart["chart"], "t-squared");
    let points = list(&chart["points"]);
    assert_eq!(points.len(), 2 * rows.len());
    for (place, row) in rows.iter().chain(&rows).enumerate() {
        // The file carries six decimals.
        let printed: f64 = row[5].parse().unwrap();
        let found = number(&points[place], "value");
        assert!(
            (found - printed).abs() < 6e-7,
            "{place}: {found}, not {printed}"
        );
    }
    let published = golden["published"]["t2_successive_diff_first5"].as_array();
    for (point, printed) in points[rows.len()..].iter().zip(published.unwrap()) {
        let (found, printed) = (number(point, "value"), printed.as_float().unwrap());
        assert!((found - printed).abs() < 5.1e-4, "{found}, not {printed}");
    }

    // F of 2 and d degrees of freedom exceeds (d/2) (a^(-2/d) - 1) with chance a.
    let (m, chance) = (rows.len() as f64, 0.002_699_796_063_260_19_f64);
    let freedom = 2.0 * (m - 1.0).powi(2) / (3.0 * m - 4.0);
    let d = freedom - 1.0;
    let upper = freedom * (m + 1.0) / m * (chance.powf(-2.0 / d) - 1.0);
    let limits = &chart["limits"][0];
    assert!(
        (number(limits, "upper") / upper - 1.0).abs() < 1e-6,
        "{limits}"
    );
    assert!(limits["lower"].is_null() && limits["sigma"].is_null());
    let beyond: Vec<u64> = outside(&chart)
        .into_iter()
        .filter(|seq| *seq > 56)
        .collect();
    assert_eq!(signalled(&chart, "beyond_limits"), beyond);
    assert_eq!(beyond, [56 + 45]);

    // T-squared less that of the other measure alone is what a measure contributes; here the
    // covariance is that of the source's successive differences.
    let given = |name: &str| golden["recomputed"][name].as_array().unwrap().clone();
    let (mean, covariance) = (given("mean"), given("s_successive"));
    let contributes = |other: usize| {
        let distance =
            rows[44][1 + other].parse::<f64>().unwrap() - mean[other].as_float().unwrap();
        let variance = covariance[other][other].as_float().unwrap();
        number(&points[100], "value") - distance.powi(2) / variance
    };
    assert!(contributes(1) > contributes(0));
    assert_eq!(points[100]["signals"][0]["measure"], "large");
    let alert = &place.json(&["alerts", "list"])[0];
    let words = text(alert, "what_happened");
    assert!(words.contains("large contributes most"), "{words}");
}

/// The same series as a baseline with one slipped observation, then once more with the large
/// particles shifted in the second half.
#[test]
fn a_change_of_several_measures_has_an_onset_and_shares() {
    let mut rows = series("t2_particle_size.csv");
    let moved = |row: &mut Vec<String>, by: f64| {
        row[1] = (row[1].parse::<f64>().unwrap() + by).to_string();
    };
    let mut again = rows.clone();
    again.iter_mut().skip(28).for_each(|row| moved(row, 4.0));
    moved(&mut rows[10], 25.0);
    let ours = particle_sizes(rows.len());
    let ours = ours
        .replace("widen = false", "")
        .replace("screen = false", "");
    let place = Place::bare(&ours);
    write_sizes(&place, 1, &rows);
    write_sizes(&place, 57, &again);
    place.replay();
    let version = &place.json(&["limits", "list"])[0];
    let checks = list(&version["findings"]["checks"]);
    let names: Vec<String> = checks.iter().map(|one| text(one, "check")).collect();
    let all = [
        "farthest",
        "joint_shift",
        "joint_autocorrelation",
        "joint_shape",
    ];
    assert_eq!(names, all, "{version}");
    // The level of this series shifts, as J. H. Sullivan and W. H. Woodall found (from memory).
    assert_eq!(checks[1]["warns"], true, "{version}");
    let words = list(&version["findings"]["warnings"])[0].as_str();
    assert!(
        words.is_some_and(|words| words.contains("level of the measures")),
        "{version}"
    );
    let left_out = list(&version["findings"]["excluded"]);
    assert_eq!(left_out.len(), 1, "{version}");
    assert_eq!(text(&left_out[0], "board"), "S011");
    assert_eq!(version["subgroups"], 55);
    assert!(version["sigma"].is_null());
    // Fifty observations need little more than the average over baselines.
    let width = spc::detection::limits_width(500.0).unwrap();
    let widened = number(version, "width") / width;
    assert!(widened > 1.0 && widened < 1.25, "{widened}");

    let alerts = place.json(&["alerts", "list"]);
    let alert = list(&alerts)
        .iter()
        .find(|alert| alert["state"] == "active, not acknowledged");
    let alert = alert.unwrap_or_else(|| panic!("{alerts}"));
    let onset = &alert["onset"];
    // The 29th of the second time is S085.
    let (low, high) = (text(onset, "low"), text(onset, "high"));
    assert!(low.as_str() <= "S085" && high.as_str() >= "S085", "{onset}");
    let most = &alert["attribution"][0];
    assert_eq!(text(most, "key"), "measure");
    assert_eq!(text(most, "value"), "large");
    assert!(number(most, "share") > 0.5 && number(most, "low") <= number(most, "share"));
    let shares = list(&alert["attribution"])
        .iter()
        .map(|one| number(one, "share"));
    assert!((shares.sum::<f64>() - 1.0).abs() < 1e-9);
}

/// What is read in one go and what is read with a stop after every file are the same.
#[test]
fn several_measures_together_survive_a_restart_and_have_no_index() {
    let rows = series("t2_particle_size.csv");
    let (once, stopped) = (
        Place::bare(&particle_sizes(20)),
        Place::bare(&particle_sizes(20)),
    );
    write_sizes(&once, 1, &rows);
    once.replay();
    for (from, part) in (1..).step_by(7).zip(rows.chunks(7)) {
        write_sizes(&stopped, from, part);
        stopped.replay();
    }
    assert_same_charts(&once.charts(), &stopped.charts());
    assert_same_rows("alerts", &once.alerts(), &stopped.alerts());
    assert!(!once.alerts().is_empty());
    assert_eq!(stopped.json(&["verify"])["is_clean"], true);
    let answer = once.run(&["capability", "--stream", "series"]);
    assert_eq!(answer.code, Some(1));
    let words = "charts several measures together, and no index says";
    assert!(answer.err.contains(words), "{}", answer.err);
}
