//! One cause, one alert: whatever moves together is told once, in whatever order files come.
//!
//! The plant and its numbers are invented.

use crate::place::{Chance, Place, assert_same_rows, list, number, one_feed, text};

/// Streams that a cause moves in these tests.
const PADS: usize = 500;

/// A plant whose pads are charted one by one; every pad has height, area and volume.
fn config() -> String {
    let charted = "baseline = 10\nwiden = false\nlimit_width = 6.0\ndetection = [\"limits\"]\n";
    let other = |name: &str| {
        format!(
            "[[characteristic]]\nname = \"{name}\"\nstation = \"paste\"\nmeasure = \"{name}\"\n\
             group_by = [\"line\", \"component\", \"pin\"]\nsubgroup = \"panel\"\n\
             chart = \"individuals\"\nreaction_plan = \"Wipe the stencil.\"\n{charted}"
        )
    };
    let height = "{ name = \"height\", column = \"Height\", unit = \"um\" }";
    let all = format!(
        "{height}, {{ name = \"area\", column = \"Area\", unit = \"pct\" }}, \
         {{ name = \"volume\", column = \"Volume\", unit = \"pct\" }}"
    );
    let roles = "panel = \"Panel\"\ncomponent = \"Component\"\npin = \"Pin\"";
    let feed = one_feed(&[
        ("lateness_minutes = 60", "lateness_minutes = 600"),
        (height, &all),
        ("panel = \"Panel\"", roles),
        ("[\"line\"]", "[\"line\", \"component\", \"pin\"]"),
    ]);
    feed + charted + &other("area") + &other("volume")
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
    in_order.replay_and_notify();
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
    assert!((1..=3).contains(&heard), "{heard}");
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
    assert_same_rows("alerts", &in_order.alerts(), &shuffled.alerts());
}

/// A line whose height is charted by panel or by board; two boards with serial numbers a panel.
fn boards_config(characteristics: &str) -> String {
    format!(
        "[plant]\nname = \"Boards\"\ntime_zone = \"UTC\"\nlateness_minutes = 600\n\
         [[shift]]\nname = \"all day\"\nstarts = \"00:00\"\n\
         [[product]]\nname = \"LN\"\nboards = 2\n\
         [[feed]]\nname = \"paste\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"paste\"\n\
         time = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
         measure = [{{ name = \"height\", column = \"Height\", unit = \"um\" }}]\n\
         [feed.roles]\npanel = \"Panel\"\nboard = \"Board\"\n{characteristics}"
    )
}

fn charted(by: &str, more: &str) -> String {
    format!(
        "[[characteristic]]\nname = \"height by {by}\"\nstation = \"paste\"\n\
         measure = \"height\"\ngroup_by = [\"line\"]\nsubgroup = \"{by}\"\n\
         chart = \"individuals\"\nreaction_plan = \"Wipe the stencil.\"\n{more}"
    )
}

/// A panel of two boards at a minute of the day, with a height and some scatter.
fn boards(number: usize, minute: usize, height: f64) -> String {
    let mut rows = "At,Panel,Board,Height\n".to_owned();
    for place in 0..2 {
        let noise = ((number * 37 + place * 101) % 17) as f64 / 8.0 - 1.0;
        rows.push_str(&format!(
            "2026-03-02T{:02}:{:02}:{:02}Z,P{number:03},B{:04},{}\n",
            6 + minute / 60,
            minute % 60,
            10 * place,
            2 * number + place,
            height + noise
        ));
    }
    rows
}

#[test]
fn a_board_of_a_panel_that_is_held_is_not_held_a_second_time() {
    let plain = "baseline = 10\nwiden = false\nlimit_width = 6.0\ndetection = [\"limits\"]\n";
    let both = charted("panel", plain) + &charted("board", plain);
    let place = Place::bare(&boards_config(&both));
    for number in 0..24 {
        let height = if number < 18 { 100.0 } else { 70.0 };
        place.write(
            &format!("paste/P{number:03}.csv"),
            boards(number, number, height),
        );
    }
    place.replay();
    let alerts = place.json(&["alerts", "list"]);
    let alert = &list(&alerts)[0];
    assert_eq!(list(&alert["streams"]).len(), 2, "{alert}");
    let held = place.json(&["alerts", "boards", &text(alert, "id")]);
    let units: Vec<String> = list(&held).iter().map(|one| text(one, "unit")).collect();
    let expected: Vec<String> = (18..24).map(|number| format!("P{number:03}")).collect();
    assert_eq!(units, expected);
    assert!(
        (number(alert, "boards_to_hold") - 12.0).abs() < 1e-9,
        "{alert}"
    );
    assert!(text(alert, "text").contains("Hold 12 boards."), "{alert}");
}

/// Its limits are made later, of the fault itself and at another rate.
#[test]
fn an_alert_of_a_baseline_keeps_its_own_size_and_rarity_when_limits_come() {
    let plain = "baseline = 30\nscreen = false\n";
    let place = Place::bare(&boards_config(&charted("panel", plain)));
    let panel = |number: usize| {
        let height = if number < 14 { 100.0 } else { 112.0 };
        // A panel a minute, and from the fault on one in five minutes.
        let minute = number.min(20) + 5 * number.saturating_sub(20);
        place.write(
            &format!("paste/P{number:03}.csv"),
            boards(number, minute, height),
        );
    };
    let alert = || list(&place.json(&["alerts", "list"]))[0].clone();
    (0..22).for_each(panel);
    place.replay();
    let early = alert();
    assert_eq!(list(&early["rules"])[0], "self_starting_cusum", "{early}");
    // 1,440 panels in a shift of a day, rounded up to the next of twenty steps a decade.
    let length = |alert| number(alert, "points_between_false_alerts");
    assert!((length(&early) - 1_473.0).abs() < 1e-9, "{early}");
    assert!((number(&early, "size") - 12.0).abs() < 1.5, "{early}");
    (22..40).for_each(panel);
    place.replay();
    let later = alert();
    let limits = &place.json(&["limits", "list"])[0];
    assert!(number(limits, "run_length") < 1_000.0, "{limits}");
    assert!((length(&later) - 1_473.0).abs() < 1e-9, "{later}");
    assert!((number(&later, "size") - 12.0).abs() < 1.5, "{later}");
    let words = text(&later, "text");
    assert!(
        words.contains("Without a cause, one point in 1473 signals."),
        "{words}"
    );
}
