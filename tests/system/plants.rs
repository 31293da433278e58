//! The invented plants of the tests: what their stations write, and the configurations for them.
//!
//! Must not know how anything is read. The one invariant: a change of settings that finds nothing
//! to change fails.

use driftvane::plant::{Delivery, Plant};

/// The configuration of the invented plant.
pub const CONFIG: &str = include_str!("../../sample-feeds/driftvane.toml");

/// The invented plant, smaller: 60 panels of 256 deposits, its faults begin at panel 30.
pub fn small_plant() -> Plant {
    small_plant_with(&[])
}

/// The smaller plant with further changes of its settings.
pub fn small_plant_with(changes: &[(&str, &str)]) -> Plant {
    let smaller = [
        ("panels = 200", "panels = 60"),
        ("after_panel = 88", "after_panel = 22"),
        ("count = 4\npins = 32", "count = 1\npins = 32"),
        ("count = 24\n", "count = 4\n"),
        ("count = 20\n", "count = 4\n"),
        ("count = 5\n", "count = 2\n"),
        ("count = 2\npins = 12", "count = 1\npins = 12"),
        ("from_panel = 70", "from_panel = 30"),
        ("height_um_per_print = -0.35", "height_um_per_print = -1.5"),
        (
            "from_panel = 110\nto_panel = 121",
            "from_panel = 35\nto_panel = 40",
        ),
        ("from_panel = 130", "from_panel = 30"),
        ("component = \"U3\"", "component = \"U1\""),
    ];
    let settings = include_str!("../../sample-feeds/plant.toml");
    Plant::from_toml(&changed(&changed(settings, &smaller), changes)).unwrap()
}

/// The first files of the smaller plant that are written at one go: each is one file of the record.
pub fn whole_files(seed: u64, count: usize) -> Vec<Delivery> {
    let plant = small_plant();
    let deliveries = plant.deliveries(seed);
    deliveries.filter(|file| !file.append).take(count).collect()
}

/// The plant's configuration with the baselines that a test wants, by chart, in subgroups.
pub fn config_with_baselines(baselines: &[(&str, u32)]) -> String {
    let (mut config, mut wanted) = (String::new(), None);
    for line in CONFIG.lines() {
        if let Some(chart) = line.strip_prefix("chart = ") {
            wanted = baselines
                .iter()
                .find(|(name, _)| *name == chart.trim_matches('"'));
        }
        match (line.starts_with("baseline = "), wanted) {
            (true, Some((_, baseline))) => config.push_str(&format!("baseline = {baseline}")),
            _ => config.push_str(line),
        }
        config.push('\n');
    }
    assert_ne!(config, CONFIG);
    config
}

/// The plant's configuration with baselines that fit the small plant, and with a lateness.
pub fn small_config(lateness_minutes: u32) -> String {
    let (from, to) = (
        "lateness_minutes = 60",
        format!("lateness_minutes = {lateness_minutes}"),
    );
    assert!(CONFIG.contains(from));
    config_with_baselines(&[("three-way", 10), ("u", 20), ("mean-s", 12)]).replace(from, &to)
}

/// A plant of one feed, of files with `At,Panel,Height`, and one chart of its panels.
const ONE_FEED: &str = r#"
[plant]
name = "Invented plant of one feed"
time_zone = "UTC"
lateness_minutes = 60

[[shift]]
name = "day"
starts = "00:00"

[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
settle_ms = 20
time = { columns = ["At"], format = "rfc3339" }
measure = [{ name = "height", column = "Height", unit = "um" }]

[feed.roles]
panel = "Panel"

[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line"]
subgroup = "panel"
chart = "individuals"
reaction_plan = "Look at the stencil."
"#;

/// The configuration of one feed, changed as a test wants it.
pub fn one_feed(changes: &[(&str, &str)]) -> String {
    changed(ONE_FEED, changes)
}

fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    let mut text = text.to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "there is no {from:?} to change");
        text = text.replace(from, to);
    }
    text
}
