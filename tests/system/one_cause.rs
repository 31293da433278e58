//! One cause, one alert: whatever moves together is told once, in whatever order files come.
//!
//! The plant and its numbers are invented.

use crate::place::{Chance, Place, list, text};

/// Streams that a cause moves in these tests.
const PADS: usize = 500;

/// A plant whose pads are charted one by one; every pad has height, area and volume.
fn config() -> String {
    let measure = |name: &str| {
        format!(
            "[[characteristic]]\nname = \"{name}\"\nstation = \"paste\"\nmeasure = \"{name}\"\n\
             group_by = [\"line\", \"component\", \"pin\"]\nsubgroup = \"panel\"\n\
             chart = \"individuals\"\nbaseline = 10\nwiden = false\nlimit_width = 6.0\n\
             detection = [\"limits\"]\nreaction_plan = \"Wipe the stencil.\"\n"
        )
    };
    let feed = "[plant]\nname = \"Pads\"\ntime_zone = \"UTC\"\nlateness_minutes = 600\n\
         [[shift]]\nname = \"all day\"\nstarts = \"00:00\"\n\
         [[feed]]\nname = \"paste\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"paste\"\n\
         time = { columns = [\"At\"], format = \"rfc3339\" }\n\
         measure = [{ name = \"height\", column = \"Height\", unit = \"um\" },\n\
         { name = \"area\", column = \"Area\", unit = \"pct\" },\n\
         { name = \"volume\", column = \"Volume\", unit = \"pct\" }]\n\
         [feed.roles]\npanel = \"Panel\"\ncomponent = \"Component\"\npin = \"Pin\"\n";
    let all: Vec<String> = ["height", "area", "volume"].map(measure).to_vec();
    format!("{feed}{}", all.concat())
}

/// A panel's file; pads from the first fault on are lower by some sigma.
fn panel(number: usize, pads: usize, fault_from: usize) -> String {
    let mut rows = "At,Panel,Component,Pin,Height,Area,Volume\n".to_owned();
    for pad in 0..pads {
        // Noise that no two pads share, and that never is far out.
        let noise = ((number * 37 + pad * 101) % 17) as f64 / 8.0 - 1.0;
        let drop = if number >= fault_from { 30.0 } else { 0.0 };
        rows.push_str(&format!(
            "2026-03-02T{:02}:{:02}:00Z,P{number:03},U{},{},{},{},{}\n",
            6 + number / 60,
            number % 60,
            pad / 20,
            pad % 20,
            100.0 + noise - drop,
            90.0 + noise - drop,
            95.0 + noise - drop,
        ));
    }
    rows
}

#[test]
fn one_cause_that_moves_five_hundred_pads_in_three_measures_is_one_alert() {
    let in_order = Place::bare(&config());
    let panels: Vec<(String, String)> = (0..24)
        .map(|number| (format!("paste/P{number:03}.csv"), panel(number, PADS, 18)))
        .collect();
    for (name, content) in &panels {
        in_order.write(name, content);
    }
    in_order.replay();
    let alerts = in_order.json(&["alerts", "list"]);
    assert_eq!(
        list(&alerts).len(),
        1,
        "{}",
        in_order.ok(&["alerts", "list"])
    );
    let alert = &list(&alerts)[0];
    let episodes = in_order.number("SELECT count(*) FROM episode WHERE revised = 0");
    assert_eq!(episodes, 3 * i64::try_from(PADS).unwrap());
    assert_eq!(list(&alert["streams"]).len(), 500, "the others are counted");
    assert!(
        text(alert, "text").contains("and 1499 more streams"),
        "{alert}"
    );
    assert!(text(alert, "text").chars().count() <= 400);
    // What leaves: the alert was raised once, whatever else of it was kept.
    let raised = "SELECT count(*) FROM alert_event WHERE what = 'raised'";
    assert_eq!(in_order.number(raised), 1);
    let heard = in_order.number("SELECT count(*) FROM alert_event WHERE quiet = 0");
    assert!(heard <= 3, "{heard}");
    in_order.assert_sound();

    let mut chance = Chance::new(31);
    let shuffled = Place::bare(&config());
    let mut left = panels;
    chance.shuffle(&mut left);
    while !left.is_empty() {
        let some = (chance.below(6) + 1).min(left.len());
        for (name, content) in left.split_off(left.len() - some) {
            shuffled.write(&name, content);
        }
        shuffled.replay();
    }
    assert_eq!(in_order.alerts(), shuffled.alerts());
}
