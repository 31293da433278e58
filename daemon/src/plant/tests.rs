//! Checks of the plant's output, read back from its bytes.

use std::collections::{BTreeMap, BTreeSet};

use super::*;

/// The rows of a delivery without its header, split at commas.
fn rows(delivery: &Delivery) -> Vec<Vec<String>> {
    let text = std::str::from_utf8(&delivery.content).unwrap();
    let skipped = usize::from(!delivery.append);
    text.lines()
        .skip(skipped)
        .map(|line| line.split(',').map(str::to_owned).collect())
        .collect()
}

fn station<'a>(all: &'a [Delivery], name: &str) -> Vec<&'a Delivery> {
    all.iter()
        .filter(|delivery| delivery.station == name)
        .collect()
}

/// Settings without the planted faults.
fn quiet() -> Plant {
    let end = EMBEDDED.find("# Planted faults.").unwrap();
    Plant::from_toml(&EMBEDDED[..end]).unwrap()
}

/// Heights of the components with this prefix, by panel number, for one stroke.
fn heights(all: &[Delivery], prefix: &str, stroke: &str) -> BTreeMap<u32, Vec<f64>> {
    let mut heights: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    for row in station(all, "paste").into_iter().flat_map(rows) {
        if row[3].starts_with(prefix) && row[5] == stroke {
            let panel = row[1][1..].parse().unwrap();
            heights
                .entry(panel)
                .or_default()
                .push(row[8].parse().unwrap());
        }
    }
    heights
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// Least-squares slope over 1, 2, 3, ...
fn slope(values: &[f64]) -> f64 {
    let middle = (values.len() as f64 + 1.0) / 2.0;
    let steps = |i: usize| i as f64 + 1.0 - middle;
    let across: f64 = values.iter().enumerate().map(|(i, y)| steps(i) * y).sum();
    across / (0..values.len()).map(|i| steps(i).powi(2)).sum::<f64>()
}

#[test]
fn same_seed_gives_same_bytes_and_another_seed_does_not() {
    let plant = Plant::embedded().unwrap();
    let first: Vec<Delivery> = plant.deliveries(11).collect();
    let again: Vec<Delivery> = Plant::embedded().unwrap().deliveries(11).collect();
    assert!(first == again);
    let other = plant.deliveries(12).next().unwrap();
    assert_ne!(first[0].content, other.content);
    assert_eq!(first[0].at, other.at, "times do not depend on the seed");
}

#[test]
fn every_panel_and_board_is_delivered_in_time_order() {
    let plant = Plant::embedded().unwrap();
    let all: Vec<Delivery> = plant.deliveries(1).collect();
    assert!(all.is_sorted_by_key(|delivery| delivery.at));
    let paste = station(&all, "paste");
    assert_eq!(paste.len(), 200);
    assert!(paste.iter().all(|delivery| rows(delivery).len() == 1000));
    let optical = station(&all, "optical");
    assert_eq!(optical.len(), 200);
    let names: BTreeSet<_> = optical.iter().map(|delivery| &delivery.file_name).collect();
    assert_eq!(names.len(), 200);

    let function = station(&all, "function");
    assert!(function.iter().all(|delivery| rows(delivery).len() == 8));
    let retests = function
        .iter()
        .filter(|delivery| rows(delivery)[0][3] == "2")
        .count();
    assert_eq!(function.len() - retests, 800);
    assert!(
        (4..=24).contains(&retests),
        "{retests} of 800 boards were tested again"
    );
    let new: Vec<_> = function
        .iter()
        .filter(|d| !d.append)
        .map(|d| &*d.file_name)
        .collect();
    assert_eq!(
        new,
        [
            "function_2026-03-02_early.csv",
            "function_2026-03-02_late.csv"
        ]
    );
}

#[test]
fn retests_follow_a_failed_first_attempt() {
    let plant = Plant::embedded().unwrap();
    let mut failed = BTreeSet::new();
    let mut retested = BTreeSet::new();
    for delivery in plant
        .deliveries(4)
        .filter(|delivery| delivery.station == "function")
    {
        for row in rows(&delivery) {
            let [value, lower, upper] = [5, 7, 8].map(|i| row[i].parse::<f64>().unwrap());
            assert_eq!(
                row[9] == "fail",
                !(lower..=upper).contains(&value),
                "{row:?}"
            );
            if row[3] == "2" {
                retested.insert(row[1].clone());
            } else if row[9] == "fail" {
                failed.insert(row[1].clone());
            }
        }
    }
    assert!(!failed.is_empty());
    assert_eq!(failed, retested);
}

#[test]
fn nested_variances_are_recovered() {
    // One-way random effects by analysis of variance (Montgomery, Design and Analysis of
    // Experiments, chapter on random factors): s_within^2 = MS_within,
    // s_between^2 = (MS_between - MS_within) / n. One stroke only, so that 100 panels with 512
    // deposits each carry the between component; its variance then has a relative standard error
    // of about sqrt(2 / 99) = 14 %.
    let all: Vec<Delivery> = quiet().deliveries(2).collect();
    let panels: Vec<Vec<f64>> = heights(&all, "U", "front").into_values().collect();
    assert_eq!(panels.len(), 100);
    let count = panels[0].len() as f64;
    let within = mean(
        &panels
            .iter()
            .map(|panel| variance(panel))
            .collect::<Vec<_>>(),
    );
    let means: Vec<f64> = panels.iter().map(|panel| mean(panel)).collect();
    let between = variance(&means) - within / count;
    // Within a panel: lasting pad differences (sd 2.0) and single deposits (sd 6.0).
    assert!(
        (within / 40.0 - 1.0).abs() < 0.05,
        "within-panel variance {within}"
    );
    assert!(
        (between / 4.0 - 1.0).abs() < 0.42,
        "between-panel variance {between}"
    );
    assert!((mean(&means) - 118.5).abs() < 1.0, "{}", mean(&means));
}

#[test]
fn drift_moves_one_stroke_of_one_family_by_the_stated_step() {
    let all: Vec<Delivery> = Plant::embedded().unwrap().deliveries(3).collect();
    let from_70 = |prefix, stroke| -> Vec<f64> {
        let by_panel = heights(&all, prefix, stroke);
        by_panel
            .range(70..)
            .map(|(_, values)| mean(values))
            .collect()
    };
    // 66 prints with sd 2.0 um between panels: the slope's standard error is 0.013 um.
    let back = from_70("U", "back");
    assert!((slope(&back) + 0.35).abs() < 0.05, "{}", slope(&back));
    for (prefix, stroke) in [("U", "front"), ("R", "back"), ("J", "back")] {
        let slope = slope(&from_70(prefix, stroke));
        assert!(slope.abs() < 0.06, "{prefix} {stroke} drifts by {slope}");
    }
    let before: Vec<f64> = heights(&all, "U", "back")
        .range(..70)
        .map(|(_, values)| mean(values))
        .collect();
    let last = mean(&back[back.len() - 10..]);
    // Prints 57 to 66 of the drift: on average 61.5 steps of -0.35 um.
    assert!(
        (last - mean(&before) + 61.5 * 0.35).abs() < 3.0,
        "{before:?} {last}"
    );
}

#[test]
fn the_same_seed_without_faults_differs_only_where_they_are_planted() {
    let with: Vec<Delivery> = Plant::embedded().unwrap().deliveries(5).collect();
    let without: Vec<Delivery> = quiet().deliveries(5).collect();
    let first_difference = |name: &str| {
        let pairs = station(&with, name)
            .into_iter()
            .zip(station(&without, name));
        pairs
            .into_iter()
            .find(|(a, b)| a != b)
            .map(|(a, _)| a.at)
            .unwrap()
    };
    for planted in Plant::embedded().unwrap().planted() {
        let at = first_difference(planted.station);
        // A burst has a random count, so its first panels may by chance show nothing.
        let slack = if planted.station == "optical" {
            5 * 90
        } else {
            0
        };
        let late = at.as_second() - planted.from_at.as_second();
        assert!(
            (0..=slack).contains(&late),
            "{}: {at} vs {}",
            planted.name,
            planted.from_at
        );
    }
}

#[test]
fn burst_shows_as_confirmed_calls_on_its_component() {
    let all: Vec<Delivery> = Plant::embedded().unwrap().deliveries(6).collect();
    let (mut inside, mut outside, mut false_calls, mut calls, mut empty) = (0, 0, 0, 0, 0);
    for (index, delivery) in station(&all, "optical").into_iter().enumerate() {
        let text = std::str::from_utf8(&delivery.content).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], format!("Panel: P{:06}", index + 1));
        assert_eq!(lines[3], "Opportunities: 2560");
        assert_eq!(lines[4], "Component;Pin;Position;Defect;Review");
        empty += usize::from(lines.len() == 5);
        let in_burst = (110..=121).contains(&(index + 1));
        for line in &lines[5..] {
            let is_bridge = line.starts_with("U3;") && line.ends_with(";bridge;confirmed");
            if in_burst {
                inside += usize::from(is_bridge);
            } else {
                outside += usize::from(is_bridge);
                calls += 1;
                false_calls += usize::from(line.ends_with(";false call"));
            }
        }
    }
    // 12 panels at 3.0 are 36 expected, less the few that hit the same pin twice.
    assert!((18..=54).contains(&inside), "{inside}");
    assert!(outside <= 3, "{outside}");
    assert!(empty >= 3, "some panels have no calls: {empty}");
    let share = f64::from(false_calls as u32) / f64::from(calls);
    assert!(
        (0.88..=0.98).contains(&share),
        "share of false calls {share}"
    );
}

#[test]
fn fixture_step_moves_one_step_on_one_fixture() {
    let all: Vec<Delivery> = Plant::embedded().unwrap().deliveries(8).collect();
    let mut groups: BTreeMap<(String, String, bool), Vec<f64>> = BTreeMap::new();
    for row in station(&all, "function").into_iter().flat_map(rows) {
        let is_after = row[1][1..7].parse::<u32>().unwrap() >= 130;
        if row[9] == "pass" {
            let key = (row[4].clone(), row[2].clone(), is_after);
            groups.entry(key).or_default().push(row[5].parse().unwrap());
        }
    }
    let moved = |step: &str, fixture: &str| {
        let group = |after| &groups[&(step.to_owned(), fixture.to_owned(), after)];
        mean(group(true)) - mean(group(false))
    };
    // About 140 and 260 boards with sd 4 mV: the standard error of a difference is 0.42 mV.
    assert!(
        (moved("analog input", "F2") - 8.0).abs() < 1.7,
        "{}",
        moved("analog input", "F2")
    );
    assert!(moved("analog input", "F1").abs() < 1.7);
    assert!(moved("supply current", "F2").abs() < 0.7);
}

#[test]
fn one_large_file_holds_the_rows_of_the_small_ones() {
    let plant = Plant::embedded().unwrap();
    let mut large = Vec::new();
    let written = plant.paste_file(9, 20, 640, &mut large).unwrap();
    assert_eq!(written, large.len() as u64);
    let small: Vec<Delivery> = plant.paste_files(9, 20, 640).unwrap().collect();
    assert_eq!(small.len(), 20);
    let mut joined = paste::HEADER.as_bytes().to_vec();
    for delivery in &small {
        assert_eq!(rows(delivery).len(), 640);
        let locations: BTreeSet<_> = rows(delivery)
            .iter()
            .map(|row| row[2..5].join(" "))
            .collect();
        assert_eq!(locations.len(), 640, "no deposit is listed twice");
        joined.extend_from_slice(&delivery.content[paste::HEADER.len()..]);
    }
    assert!(joined == large);
}

#[test]
fn rows_a_panel_does_not_have_are_refused() {
    let plant = Plant::embedded().unwrap();
    assert!(plant.paste_files(1, 1, 1001).is_err());
    let error = plant.paste_file(1, 1, 0, &mut Vec::new()).unwrap_err();
    assert!(error.to_string().contains("ask for 1 to 1000"), "{error}");
}

#[test]
fn wrong_settings_are_reported_all_at_once() {
    let text = EMBEDDED
        .replace("family = \"fine\"\nstroke", "family = \"absent\"\nstroke")
        .replace("fixture = \"F2\"", "fixture = \"F9\"")
        .replace("common_share = 0.5", "common_share = 1.5")
        .replace("last_pin = 17", "last_pin = 33");
    let Err(PlantError::Settings(problems)) = Plant::from_toml(&text) else {
        panic!("accepted");
    };
    for part in ["absent", "F9", "1.5 is not a share", "pins 14 to 33"] {
        assert!(
            problems.iter().any(|problem| problem.contains(part)),
            "{part}: {problems:?}"
        );
    }
    let endless = EMBEDDED.replace("height_um = 118.0", "height_um = inf");
    let Err(PlantError::Settings(problems)) = Plant::from_toml(&endless) else {
        panic!("accepted");
    };
    assert_eq!(
        problems,
        ["family.height_um: inf is not a number; give a finite one"]
    );
    let unknown = EMBEDDED.replace("boards = 4", "boards = 4\nbords = 4");
    assert!(matches!(
        Plant::from_toml(&unknown),
        Err(PlantError::Toml(_))
    ));
    let zone = EMBEDDED.replace("Europe/Berlin", "Europe/Nowhere");
    assert!(matches!(
        Plant::from_toml(&zone),
        Err(PlantError::Settings(_))
    ));
}

mod committed {
    use std::path::{Path, PathBuf};

    use super::*;

    /// The seed of the small feeds under `sample-feeds/`: one of the few that give three panels
    /// with a retest, a confirmed defect and a panel without calls.
    const SEED: u64 = 18;

    fn folder() -> PathBuf {
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-feeds")
    }

    /// Three panels: 24 deposits of each, all of their optical files, all of their tests.
    fn small_feeds() -> BTreeMap<String, Vec<u8>> {
        let plant = Plant::embedded().unwrap();
        let ids: Vec<String> = (1..=3).map(panel_id).collect();
        let of_small = |delivery: &Delivery| {
            let text = String::from_utf8_lossy(&delivery.content).into_owned();
            ids.iter().any(|id| text.contains(id.as_str()))
        };
        let others = plant
            .deliveries(SEED)
            .filter(|d| d.station != "paste" && of_small(d));
        let mut files: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        for delivery in plant.paste_files(SEED, 3, 24).unwrap().chain(others) {
            let path = format!("{}/{}", delivery.station, delivery.file_name);
            files
                .entry(path)
                .or_default()
                .extend_from_slice(&delivery.content);
        }
        files
    }

    /// To write them anew after a change of the settings, run this test with
    /// `WRITE_SAMPLE_FEEDS=1` and look at the difference before committing it.
    #[test]
    fn small_feeds_are_what_the_plant_writes() {
        let files = small_feeds();
        assert_eq!(files.len(), 7, "{:?}", files.keys());
        for (path, content) in &files {
            let path = folder().join(path);
            if std::env::var_os("WRITE_SAMPLE_FEEDS").is_some() {
                std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                std::fs::write(&path, content).unwrap();
            }
            let committed = std::fs::read(&path).unwrap();
            assert!(&committed == content, "{} is out of date", path.display());
        }
        for station in ["paste", "optical", "function"] {
            for entry in std::fs::read_dir(folder().join(station)).unwrap() {
                let name = format!("{station}/{}", entry.unwrap().file_name().to_string_lossy());
                assert!(
                    files.contains_key(&name),
                    "{name} is not written by the plant"
                );
            }
        }
    }

    /// The texts of every `column`, `columns` and bare role of a feed's table.
    fn columns(feed: &toml::Value) -> Vec<String> {
        let text = |value: &toml::Value| value.as_str().map(str::to_owned);
        let named =
            |value: &toml::Value| text(value).or_else(|| value.get("column").and_then(text));
        let mut found = Vec::new();
        for table in ["roles", "steps"] {
            let roles = feed.get(table).and_then(toml::Value::as_table);
            found.extend(
                roles
                    .into_iter()
                    .flatten()
                    .filter_map(|(_, value)| named(value)),
            );
        }
        let measures = feed.get("measure").and_then(toml::Value::as_array);
        found.extend(measures.into_iter().flatten().filter_map(named));
        let times = feed["time"].get("columns").and_then(toml::Value::as_array);
        found.extend(times.into_iter().flatten().filter_map(text));
        found
    }

    #[test]
    fn the_configuration_names_columns_the_files_have() {
        let config = std::fs::read_to_string(folder().join("driftvane.toml")).unwrap();
        let config: toml::Value = toml::from_str(&config).unwrap();
        let files = small_feeds();
        let feeds = config["feed"].as_array().unwrap();
        assert_eq!(feeds.len(), 3);
        for feed in feeds {
            let folder = feed["folder"].as_str().unwrap();
            let delimiter = feed["csv"]["delimiter"].as_str().unwrap();
            let (_, content) = files
                .iter()
                .find(|(path, _)| path.starts_with(folder))
                .unwrap();
            let text = std::str::from_utf8(content).unwrap();
            let skipped = text.lines().take_while(|line| line.contains(": ")).count();
            let header = text.lines().nth(skipped).unwrap();
            let header: Vec<&str> = header.split(delimiter).collect();
            let columns = columns(feed);
            assert!(columns.len() >= 4, "{columns:?}");
            for column in columns {
                assert!(
                    header.contains(&&*column),
                    "{folder}: no column {column} in {header:?}"
                );
            }
        }
    }

    #[test]
    fn the_configuration_counts_what_the_plant_has() {
        let config = std::fs::read_to_string(folder().join("driftvane.toml")).unwrap();
        let config: toml::Value = toml::from_str(&config).unwrap();
        let plant = Plant::embedded().unwrap();
        let settings = &plant.settings;
        let product = &config["product"][0];
        let boards = settings.plant.boards;
        assert_eq!(product["boards"].as_integer(), Some(boards.into()));
        let per_board = |station: &str| product["opportunities"][station].as_integer().unwrap();
        assert_eq!(
            per_board("paste") * i64::from(boards),
            i64::from(plant.deposits_per_panel())
        );
        assert_eq!(
            per_board("optical"),
            i64::from(settings.optical.opportunities_per_board)
        );
        assert_eq!(per_board("function"), settings.function.step.len() as i64);

        let shifts = config["shift"].as_array().unwrap();
        let shifts: Vec<_> = shifts
            .iter()
            .map(|shift| shift["name"].as_str().unwrap())
            .collect();
        let plant_shifts: Vec<_> = settings.shift.iter().map(|shift| &*shift.name).collect();
        assert_eq!(shifts, plant_shifts);

        let families = product["family"].as_array().unwrap();
        for component in &settings.component {
            let family = families
                .iter()
                .find(|family| family["name"].as_str() == Some(&component.family))
                .unwrap();
            let pattern = toml::Value::from(format!("{}*", component.prefix));
            assert!(
                family["components"].as_array().unwrap().contains(&pattern),
                "{pattern}"
            );
        }
        for characteristic in config["characteristic"].as_array().unwrap() {
            if characteristic["station"].as_str() == Some("function") {
                let measure = characteristic["measure"].as_str().unwrap();
                assert!(
                    settings
                        .function
                        .step
                        .iter()
                        .any(|step| step.name == measure)
                );
            }
        }
    }
}

#[test]
fn a_planted_fault_says_what_it_moves_and_how_long() {
    let planted = Plant::embedded().unwrap().planted();
    let of = |station: &str| planted.iter().find(|one| one.station == station).unwrap();
    assert_eq!(of("paste").measures, ["height", "area", "volume"]);
    assert_eq!(of("optical").measures, ["calls", "confirmed"]);
    assert!(
        of("optical")
            .last_at
            .is_some_and(|last| last > of("optical").from_at)
    );
    for lasting in ["paste", "function"] {
        assert_eq!(of(lasting).last_at, None);
    }
    for fault in &planted {
        assert!(!fault.strata.is_empty() && !fault.measures.is_empty());
    }
}
