//! Published series through the whole chain: file, configuration, engine, record, printed chart.
//!
//! Series and expected values are those of `tests/golden`; each test names the source that the
//! TOML there names. Only how the series are written as files is invented here.

use std::path::Path;

use serde_json::Value;
use toml::Table;

use crate::place::{Place, list, number};

/// Relative; both sides are double-precision values of the same formulas.
const TOLERANCE: f64 = 1e-9;

fn golden(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/golden");
    std::fs::read_to_string(folder.join(name)).unwrap()
}

pub fn expected(name: &str) -> Table {
    golden(name).parse().unwrap()
}

/// The rows of a series without its header.
pub fn series(name: &str) -> Vec<Vec<String>> {
    let text = golden(name);
    let cells = |line: &str| line.split(',').map(str::to_owned).collect();
    text.lines().skip(1).map(cells).collect()
}

/// The configuration of one feed and one characteristic.
pub fn config(source: &str, characteristic: &str) -> String {
    format!(
        r#"
[plant]
name = "Published series"
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
time = {{ columns = ["At"], format = "rfc3339" }}
[feed.roles]
product = {{ constant = "sample" }}
panel = "Subgroup"
position = "Item"
{source}

[[characteristic]]
name = "series"
station = "paste"
group_by = ["line"]
subgroup = "panel"
detection = ["limits"]
limit_width = 3.0
widen = false
screen = false
{characteristic}
"#
    )
}

const MEASURED: &str = "[[feed.measure]]\nname = \"value\"\ncolumn = \"Value\"\nunit = \"um\"";
const JUDGED: &str = "call = { column = \"Value\", good = [\"good\"], defect = [\"bad\"] }";

pub fn at(subgroup: usize) -> String {
    format!(
        "2026-01-{:02}T{:02}:00:00Z",
        1 + subgroup / 24,
        subgroup % 24
    )
}

/// One file a subgroup, one row an item.
fn write(place: &Place, subgroups: &[Vec<String>]) {
    for (subgroup, items) in (1..).zip(subgroups) {
        let mut text = "At,Subgroup,Item,Value\n".to_owned();
        for (item, value) in (1..).zip(items) {
            text.push_str(&format!("{},S{subgroup:03},{item},{value}\n", at(subgroup)));
        }
        place.write(&format!("series/S{subgroup:03}.csv"), text);
    }
}

/// The chart that the program makes of a series.
fn chart(config: &str, subgroups: &[Vec<String>]) -> Value {
    let place = Place::bare(config);
    write(&place, subgroups);
    let rows: usize = subgroups.iter().map(Vec::len).sum();
    assert_eq!(place.replay()["rows"], rows);
    let chart = place.chart("series");
    assert_eq!(list(&chart["points"]).len(), subgroups.len());
    chart
}

/// So many bad items among so many.
fn judged(bad: usize, items: usize) -> Vec<String> {
    let verdict = |item| if item < bad { "bad" } else { "good" };
    (0..items).map(|item| verdict(item).to_owned()).collect()
}

fn assert_near(found: f64, expected: &toml::Value, what: &str) {
    let expected = expected.as_float().unwrap();
    let allowed = TOLERANCE * expected.abs().max(1.0);
    assert!(
        (found - expected).abs() <= allowed,
        "{what}: {found}, not {expected}"
    );
}

fn numbers(value: &toml::Value) -> Vec<u64> {
    let whole = |one: &toml::Value| u64::try_from(one.as_integer().unwrap()).unwrap();
    value.as_array().unwrap().iter().map(whole).collect()
}

/// The places of the points at which a rule fired.
pub fn signalled(chart: &Value, by: &str) -> Vec<u64> {
    let fired = |point: &&Value| list(&point["signals"]).iter().any(|one| one["by"] == by);
    let points = list(&chart["points"]).iter().filter(fired);
    points.map(|point| point["seq"].as_u64().unwrap()).collect()
}

/// The places of the points outside the limits that are printed beside them.
pub fn outside(chart: &Value) -> Vec<u64> {
    let is_outside = |point: &&Value| {
        let value = number(point, "value");
        point["upper"].as_f64().is_some_and(|upper| value > upper)
            || point["lower"].as_f64().is_some_and(|lower| value < lower)
    };
    let points = list(&chart["points"]).iter().filter(is_outside);
    points.map(|point| point["seq"].as_u64().unwrap()).collect()
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009,
/// Example 6.1, Tables 6.1 and 6.2.
#[test]
fn hard_bake_means_and_ranges_through_the_whole_chain() {
    let golden = expected("xbar_r_hard_bake.toml");
    let rows = series("xbar_r_hard_bake.csv");
    let subgroups: Vec<Vec<String>> = rows.iter().map(|row| row[1..].to_vec()).collect();
    let config = config(
        MEASURED,
        "measure = \"value\"\nchart = \"mean-range\"\nbaseline = 25",
    );
    let chart = chart(&config, &subgroups);
    let phase1 = golden["recomputed_phase1"].as_table().unwrap();
    let (limits, spread) = (&chart["limits"][0], &chart["spread_limits"][0]);
    assert_near(number(limits, "centre"), &phase1["grand_mean"], "centre");
    assert_near(number(limits, "upper"), &phase1["xbar_r"]["ucl"], "upper");
    assert_near(number(limits, "lower"), &phase1["xbar_r"]["lcl"], "lower");
    assert_near(number(spread, "centre"), &phase1["r_bar"], "mean range");
    assert_near(
        number(spread, "upper"),
        &phase1["r"]["ucl"],
        "upper of the range",
    );
    assert_eq!(limits["subgroups"], 25);
    let phase2 = golden["recomputed_phase2"].as_table().unwrap();
    assert_eq!(
        signalled(&chart, "beyond_limits"),
        numbers(&phase2["outside"])
    );
    assert_eq!(
        signalled(&chart, "spread_beyond_limits"),
        numbers(&phase2["r_outside"])
    );
    let means = phase2["xbar"].as_array().unwrap();
    for (point, mean) in list(&chart["points"])[25..].iter().zip(means) {
        assert_near(number(point, "value"), mean, "mean");
    }
}

/// The same series with limits from the standard deviations.
#[test]
fn hard_bake_means_and_standard_deviations_through_the_whole_chain() {
    let golden = expected("xbar_r_hard_bake.toml");
    let rows = series("xbar_r_hard_bake.csv");
    let subgroups: Vec<Vec<String>> = rows.iter().map(|row| row[1..].to_vec()).collect();
    let config = config(
        MEASURED,
        "measure = \"value\"\nchart = \"mean-s\"\nbaseline = 25",
    );
    let chart = chart(&config, &subgroups);
    let phase1 = golden["recomputed_phase1"].as_table().unwrap();
    let (limits, spread) = (&chart["limits"][0], &chart["spread_limits"][0]);
    assert_near(number(limits, "upper"), &phase1["xbar_s"]["ucl"], "upper");
    assert_near(number(limits, "lower"), &phase1["xbar_s"]["lcl"], "lower");
    assert_near(number(spread, "centre"), &phase1["s_bar"], "mean s");
    assert_near(number(spread, "upper"), &phase1["s"]["ucl"], "upper of s");
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009,
/// Example 6.5, Table 6.6 and its continuation.
#[test]
fn loan_processing_cost_through_the_whole_chain() {
    let golden = expected("imr_mortgage_cost.toml");
    let rows = series("imr_mortgage.csv");
    let subgroups: Vec<Vec<String>> = rows.iter().map(|row| row[1..].to_vec()).collect();
    let config = config(
        MEASURED,
        "measure = \"value\"\nchart = \"individuals\"\nbaseline = 20",
    );
    let chart = chart(&config, &subgroups);
    let phase1 = golden["recomputed_phase1"].as_table().unwrap();
    let limits = &chart["limits"][0];
    assert_near(number(limits, "centre"), &phase1["mean"], "centre");
    assert_near(number(limits, "sigma"), &phase1["sigma_hat"], "sigma");
    assert_near(number(limits, "upper"), &phase1["ucl"], "upper");
    assert_near(number(limits, "lower"), &phase1["lcl"], "lower");
    let outside = &golden["recomputed_phase2"]["points_outside"];
    assert_eq!(signalled(&chart, "beyond_limits"), numbers(outside));
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 6th ed. 2009,
/// Example 7.3, Tables 7.7 and 7.8.
#[test]
fn nonconformities_of_circuit_boards_through_the_whole_chain() {
    let golden = expected("c_pcb_nonconformities.toml");
    let rows = series("c_pcb_nonconformities.csv");
    let subgroups: Vec<Vec<String>> = rows
        .iter()
        .map(|row| judged(row[1].parse().unwrap(), 100))
        .collect();
    let config = config(JUDGED, "measure = \"calls\"\nchart = \"c\"\nbaseline = 26");
    let chart = chart(&config, &subgroups);
    let recomputed = golden["recomputed"].as_table().unwrap();
    let limits = &chart["limits"][0];
    assert_near(number(limits, "centre"), &recomputed["c_bar"], "centre");
    assert_near(number(limits, "upper"), &recomputed["ucl"], "upper");
    assert_near(number(limits, "lower"), &recomputed["lcl"], "lower");
    assert_eq!(outside(&chart), numbers(&recomputed["outside"]));
    // The two lie in the baseline, which is not judged; of the samples after it none is outside.
    assert_eq!(signalled(&chart, "beyond_limits"), [0; 0]);
}

/// K. Ishikawa, Guide to Quality Control, 1982, pp. 77-79 (the page reference is uncertain).
#[test]
fn proportions_of_unequal_samples_through_the_whole_chain() {
    let golden = expected("p_motors_variable_n.toml");
    let rows = series("p_motors_variable_n.csv");
    let subgroups: Vec<Vec<String>> = rows
        .iter()
        .map(|row| judged(row[1].parse().unwrap(), row[2].parse().unwrap()))
        .collect();
    let config = config(JUDGED, "measure = \"calls\"\nchart = \"p\"\nbaseline = 20");
    let chart = chart(&config, &subgroups);
    let p_chart = golden["p_chart"].as_table().unwrap();
    assert_near(
        number(&chart["limits"][0], "centre"),
        &p_chart["p_bar"],
        "centre",
    );
    let (upper, lower) = (&p_chart["ucl"], &p_chart["lcl"]);
    let bounds = upper
        .as_array()
        .unwrap()
        .iter()
        .zip(lower.as_array().unwrap());
    for ((point, (upper, lower)), row) in list(&chart["points"]).iter().zip(bounds).zip(&rows) {
        assert_eq!(number(point, "n").to_string(), row[2]);
        assert_near(number(point, "upper"), upper, "upper");
        assert_near(number(point, "lower"), lower, "lower");
    }
    assert_eq!(outside(&chart), numbers(&p_chart["outside"]));
}

/// The same series, its overdispersion in the limits: D. B. Laney, Quality Engineering 14(4) 2002.
#[test]
fn overdispersed_shares_through_the_whole_chain() {
    let golden = expected("p_motors_variable_n.toml");
    let rows = series("p_motors_variable_n.csv");
    let subgroups: Vec<Vec<String>> = rows
        .iter()
        .map(|row| judged(row[1].parse().unwrap(), row[2].parse().unwrap()))
        .collect();
    let config = config(
        JUDGED,
        "measure = \"calls\"\nchart = \"p-prime\"\nbaseline = 20\nexact_limits = true",
    );
    let chart = chart(&config, &subgroups);
    let expected = &golden["p_prime_chart"];
    let sigma_z = number(&chart["limits"][0], "sigma_z");
    assert_near(sigma_z, &expected["sigma_z"], "sigma_z");
    let uppers = expected["ucl"].as_array().unwrap();
    for (point, upper) in list(&chart["points"]).iter().zip(uppers) {
        assert_near(number(point, "upper"), upper, "upper");
    }
    assert_eq!(outside(&chart), numbers(&expected["outside"]));
}

/// K. Ishikawa, Guide to Quality Control, 1982, pp. 81-83, and D. B. Laney, as above. Areas are
/// quarters, so that four items make one unit of area.
#[test]
fn rates_that_vary_less_than_by_chance_keep_their_limits_through_the_whole_chain() {
    let golden = expected("u_wire_variable_size.toml");
    let rows = series("u_wire_variable_size.csv");
    let subgroups: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            let area: f64 = row[2].parse().unwrap();
            judged(row[1].parse().unwrap(), (area * 4.0).round() as usize)
        })
        .collect();
    let what = "measure = \"calls\"\nchart = \"u-prime\"\nbaseline = 20";
    let chart = chart(&config(JUDGED, what), &subgroups);
    let sigma_z = number(&chart["limits"][0], "sigma_z");
    assert_near(sigma_z, &golden["u_prime_chart"]["sigma_z"], "sigma_z");
    let uppers = golden["u_chart"]["ucl"].as_array().unwrap();
    for (point, upper) in list(&chart["points"]).iter().zip(uppers) {
        assert_near(4.0 * number(point, "upper"), upper, "upper");
    }
}

/// An invented series: one unit in 30 is bad, then nearly every one. The limits are those of the
/// geometric law, worked out here from its tails.
#[test]
fn units_between_rare_defects_through_the_whole_chain() {
    let counts = [
        20, 71, 5, 37, 26, 2, 61, 14, 42, 10, 54, 18, 31, 7, 81, 23, 4, 47, 12, 35, 1, 1, 1, 2,
    ];
    let singles: Vec<Vec<String>> = counts
        .iter()
        .flat_map(|count| (1..=*count).map(move |unit| if unit == *count { "bad" } else { "good" }))
        .map(|verdict| vec![verdict.to_owned()])
        .collect();
    let what = "measure = \"calls\"\nchart = \"between-events\"\nbaseline = 20";
    let place = Place::bare(&config(JUDGED, what));
    // Stopped between two defects.
    write(&place, &singles[..500]);
    place.replay();
    write(&place, &singles);
    place.replay();
    let chart = place.chart("series");
    let found: Vec<f64> = list(&chart["points"])
        .iter()
        .map(|point| number(point, "value"))
        .collect();
    assert_eq!(found, counts.map(f64::from));
    let mean = f64::from(counts[..20].iter().sum::<i32>()) / 20.0;
    let limits = &chart["limits"][0];
    let (lower, upper) = (number(limits, "lower"), number(limits, "upper"));
    let alive = |x: f64| (1.0 - 1.0 / mean).powf(x);
    assert!((number(limits, "centre") - 0.5_f64.ln() / alive(1.0).ln()).abs() < 1e-9);
    assert!(1.0 - alive(lower - 1.0) + alive(upper) <= 0.0027);
    // One in 30 is too frequent for a lower limit at this chance.
    assert!((lower - 1.0).abs() < 1e-9);
    assert_eq!(signalled(&chart, "beyond_limits"), [0; 0]);
    // Two sigma on the lower side: counts below 2 are that rare.
    let narrow = config(JUDGED, what).replace("limit_width = 3.0", "limit_width = 2.0");
    let place = Place::bare(&narrow);
    write(&place, &singles);
    place.replay();
    let chart = place.chart("series");
    assert!((number(&chart["limits"][0], "lower") - 2.0).abs() < 1e-9);
    assert_eq!(signalled(&chart, "beyond_limits"), [21, 22, 23]);
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Example 7.6: the failures of a
/// valve, listed by themselves. The limits are those of the exponential law with unbiased tails.
#[test]
fn times_between_failures_through_the_whole_chain() {
    let golden = expected("between_events_valve.toml");
    let rows = series("between_events_valve.csv");
    let hours: Vec<i64> = rows.iter().map(|row| row[0].parse().unwrap()).collect();
    let what = "measure = \"calls\"\nchart = \"time-between-events\"\nbaseline = 20";
    let folder = "folder = \"series\"";
    let failures = format!("{folder}\nlists = \"failures\"");
    let place = Place::bare(&config("", what).replace(folder, &failures));
    let mut passed = 0;
    let mut fail = |number: usize, after: i64| {
        passed += after;
        let at = jiff::Timestamp::from_second(1_704_067_200 + 3_600 * passed).unwrap();
        let text = format!("At,Subgroup,Item,Value\n{at},S{number:03},1,bad\n");
        place.write(&format!("series/S{number:03}.csv"), text);
    };
    fail(0, 0);
    (1..)
        .zip(&hours)
        .for_each(|(number, after)| fail(number, *after));
    place.replay();
    let chart = place.chart("series");
    let points = list(&chart["points"]);
    let found = points.iter().map(|point| number(point, "value") / 60.0);
    let wanted = hours.iter().map(|hours| *hours as f64);
    assert!(
        found
            .zip(wanted)
            .all(|(found, wanted)| (found - wanted).abs() < 1e-9)
    );
    assert_eq!((points.len(), &chart["unit"]), (20, &"min".into()));
    let limits = &chart["limits"][0];
    let mean = 60.0 * golden["recomputed"]["mean"].as_float().unwrap();
    // The standard deviation of an exponential law is its mean.
    let version = &place.json(&["limits", "list"])[0];
    assert!(
        (number(version, "sigma") / mean - 1.0).abs() < 1e-9,
        "{version}"
    );
    // Factors for a chance of 0.0027; three sigma leave 0.0026998.
    for (side, factor) in [("lower", "unbiased_lower"), ("upper", "unbiased_upper")] {
        let factor = golden["recomputed_factors"][factor][0].as_float().unwrap();
        let limit = number(limits, side);
        assert!(
            (limit / (factor * mean) - 1.0).abs() < 1e-4,
            "{side}: {limit}"
        );
    }
    assert_eq!(signalled(&chart, "beyond_limits"), [0; 0]);
    // A failure an hour after another, which is also one of a second unit, is too soon.
    fail(21, 1);
    fail(22, 0);
    place.replay();
    let chart = place.chart("series");
    assert_eq!(signalled(&chart, "beyond_limits"), [21]);
    assert_eq!(list(&chart["points"]).len(), 21);
    place.assert_sound();
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2, its readings given to two
/// invented products in turn, each about a target of its own: together they have the limits of the
/// series. A product that is not defined stays off the chart.
#[test]
fn products_in_short_runs_through_the_whole_chain() {
    let golden = expected("imr_flowrate.toml");
    let product = |name: &str, target: u32| {
        format!(
            "[[product]]\nname = \"{name}\"\nboards = 1\n[[product.specification]]\n\
             measure = \"value\"\nlower = 0\nupper = 900\ntarget = {target}\nsigma = 2.0\n\
             unit = \"um\"\nsource = \"invented\"\n"
        )
    };
    let products = product("small", 100) + &product("large", 400);
    let what = "measure = \"value\"\nchart = \"individuals\"\nbaseline = 10";
    let text = config(MEASURED, &format!("{what}\nshort_run = \"deviation\""))
        .replace("[[product]]\nname = \"sample\"\nboards = 1\n", &products)
        .replace("{ constant = \"sample\" }", "\"Product\"");
    let run = |text: &str| {
        let place = Place::bare(text);
        for (unit, row) in series("imr_flowrate.csv").iter().enumerate() {
            let flow: f64 = row[1].parse().unwrap();
            let (name, target) = [("small", 100.0), ("large", 400.0)][unit % 2];
            let value = flow + target;
            let rows = format!(
                "{},U{unit},1,{value},{name}\n{},X{unit},1,7,stray\n",
                at(unit),
                at(unit)
            );
            let file = format!("At,Subgroup,Item,Value,Product\n{rows}");
            place.write(&format!("series/U{unit:03}.csv"), file);
        }
        place.replay();
        place.chart("series")
    };
    let chart = run(&text);
    let recomputed = golden["recomputed"].as_table().unwrap();
    let limits = &chart["limits"][0];
    assert_near(number(limits, "centre"), &recomputed["mean"], "centre");
    assert_near(number(limits, "upper"), &recomputed["ucl"], "upper");
    assert_near(number(limits, "lower"), &recomputed["lcl"], "lower");
    assert_eq!(list(&chart["points"]).len(), 10);
    assert_eq!(chart["unit"], "um");
    let chart = run(&text.replace("\"deviation\"", "\"standardised\""));
    let half = recomputed["mean"].as_float().unwrap() / 2.0;
    assert!((number(&chart["limits"][0], "centre") - half).abs() < TOLERANCE * half);
    assert_eq!(chart["unit"], "");
}

/// The readings of the first series one after another, five a median; the run is stopped within a
/// subgroup and goes on.
#[test]
fn medians_of_units_in_a_row_through_the_whole_chain() {
    let golden = expected("median_chart.toml");
    let rows = series("xbar_r_hard_bake.csv");
    let readings = rows.iter().flat_map(|row| row[1..].to_vec());
    let singles: Vec<Vec<String>> = readings.map(|reading| vec![reading]).collect();
    let what = "measure = \"value\"\nchart = \"median\"\nbaseline = 25";
    let text =
        config(MEASURED, what).replace("subgroup = \"panel\"", "subgroup = { consecutive = 5 }");
    let place = Place::bare(&text);
    write(&place, &singles[..113]);
    assert_eq!(place.replay()["rows"], 113);
    write(&place, &singles);
    place.replay();
    let chart = place.chart("series");
    let recomputed = golden["recomputed_means"].as_table().unwrap();
    let (limits, spread) = (&chart["limits"][0], &chart["spread_limits"][0]);
    assert_near(number(limits, "centre"), &recomputed["centre"], "centre");
    assert_near(number(limits, "upper"), &recomputed["ucl"], "upper");
    assert_near(number(limits, "lower"), &recomputed["lcl"], "lower");
    assert_near(number(spread, "upper"), &recomputed["r_ucl"], "range");
    assert_eq!(list(&chart["points"]).len(), 45);
    let outside = &recomputed["outside"];
    assert_eq!(signalled(&chart, "beyond_limits"), numbers(outside));
}

/// D. C. Montgomery, Introduction to Statistical Quality Control, Wiley, 4th ed. 2001, Tables 5-3
/// and 5-4.
#[test]
fn piston_rings_through_the_whole_chain() {
    let golden = expected("xbar_s_piston_rings.toml");
    let rows = series("xbar_s_piston_rings.csv");
    let subgroups: Vec<Vec<String>> = rows.iter().map(|row| row[1..].to_vec()).collect();
    for (kind, block, of_spread) in [("mean-s", "xbar_s", "s"), ("mean-range", "xbar_r", "r")] {
        let what = format!("measure = \"value\"\nchart = \"{kind}\"\nbaseline = 25");
        let chart = chart(&config(MEASURED, &what), &subgroups);
        let phase1 = golden["recomputed_phase1"].as_table().unwrap();
        let (limits, spread) = (&chart["limits"][0], &chart["spread_limits"][0]);
        assert_near(number(limits, "upper"), &phase1[block]["ucl"], "upper");
        assert_near(number(limits, "lower"), &phase1[block]["lcl"], "lower");
        assert_near(number(spread, "upper"), &phase1[of_spread]["ucl"], "spread");
        let outside = &golden["recomputed_phase2"]["outside"];
        assert_eq!(signalled(&chart, "beyond_limits"), numbers(outside));
    }
}

/// D. C. Montgomery and G. C. Runger, Applied Statistics and Probability for Engineers, 3rd ed.,
/// Wiley 2003, Example 16-4, Table 16-4.
#[test]
fn ceramic_substrates_through_the_whole_chain() {
    let golden = expected("p_ceramic_substrate.toml");
    let rows = series("p_ceramic_substrate.csv");
    let subgroups: Vec<Vec<String>> = rows
        .iter()
        .map(|row| judged(row[1].parse().unwrap(), 100))
        .collect();
    for (kind, block, centre) in [
        ("p", "recomputed", "p_bar"),
        ("np", "recomputed_np", "center"),
    ] {
        let what = format!("measure = \"calls\"\nchart = \"{kind}\"\nbaseline = 20");
        let chart = chart(&config(JUDGED, &what), &subgroups);
        let limits = &chart["limits"][0];
        let recomputed = golden[block].as_table().unwrap();
        assert_near(number(limits, "centre"), &recomputed[centre], "centre");
        assert_near(number(limits, "upper"), &recomputed["ucl"], "upper");
        assert_near(number(limits, "lower"), &recomputed["lcl"], "lower");
        assert_eq!(outside(&chart), [0; 0]);
    }
}
