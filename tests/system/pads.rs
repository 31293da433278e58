//! The list of single pads that moved, from files to the printed list.
//!
//! An invented panel of 60 pads. Must not know how pads are screened.

use std::fmt::Write as _;

use spc::simulation::Normals;

use crate::place::{Place, get, list, number, text};

const CONFIG: &str = r#"
[plant]
name = "Invented works"
time_zone = "UTC"

[[shift]]
name = "day"
starts = "00:00"

[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
time = { columns = ["At"], format = "rfc3339" }
[feed.roles]
panel = "Panel"
component = "Component"
pin = "Pad"
[[feed.measure]]
name = "height"
column = "Height"
unit = "um"

[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line"]
subgroup = "panel"
chart = "three-way"
baseline = 20
"#;

/// Two pads lose 6 um at panel 40; from then on every panel as a whole is 4 um lower as well.
fn place() -> Place {
    let place = Place::bare(CONFIG);
    let mut normals = Normals::new(7);
    for panel in 0..60 {
        let common = 1.5 * normals.draw() - if panel < 40 { 0.0 } else { 4.0 };
        let mut file = "At,Panel,Component,Pad,Height\n".to_owned();
        for pad in 0..60 {
            let (component, pin) = (pad / 10, pad % 10);
            let moved = panel >= 40 && (pad == 17 || pad == 42);
            let height = 120.0 + common + 2.0 * normals.draw() - if moved { 6.0 } else { 0.0 };
            let (hour, minute) = (6 + panel / 30, 2 * (panel % 30));
            let at = format!("2026-03-02T{hour:02}:{minute:02}:00Z");
            writeln!(file, "{at},P{panel:03},U{component},{pin},{height:.1}").unwrap();
        }
        place.write(&format!("paste/P{panel:03}.csv"), file);
    }
    place.replay();
    place
}

#[test]
fn pads_that_moved_are_told_from_a_panel_that_moved() {
    let place = place();
    let since = "2026-03-02T07:20:00Z";
    let answer = place.json(&["pads", "height", "--since", since]);
    assert_eq!(answer["tested"], 60);
    assert_eq!(answer["left_out"], 0);
    let mut found: Vec<String> = list(&answer["pads"])
        .iter()
        .map(|pad| {
            format!(
                "{}-{}",
                text(&pad["keys"], "component"),
                text(&pad["keys"], "pin")
            )
        })
        .collect();
    found.sort();
    assert!(found.contains(&"U1-7".to_owned()), "{found:?}");
    assert!(found.contains(&"U4-2".to_owned()), "{found:?}");
    // At most a twentieth of the list is expected to be false: two true ones leave room for one.
    assert!(found.len() <= 3, "{found:?}");
    let first = &list(&answer["pads"])[0];
    // 6 um less the 58th part that the two take from the panel's mean.
    assert!((number(first, "change") + 5.8).abs() < 1.5, "{first}");
    assert_eq!(first["panels_before"], 40);
    assert_eq!(first["panels_after"], 20);

    // The alert's own onset serves where no time is given.
    let by_alert = place.json(&["pads", "height"]);
    assert!(list(&by_alert["pads"]).len() >= 2, "{by_alert}");

    let wrong = place.run(&["pads", "height", "--since", since, "--rate", "1.5"]);
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.err.contains("between 0 and 1"), "{}", wrong.err);
}

/// Pads that are watched while panels come: one clogs at panel 40, and height and area fall.
fn watched_config() -> String {
    let area = CONFIG[CONFIG.find("[[characteristic]]").unwrap()..].replace("height", "area");
    let measure = "unit = \"um\"\n";
    let both = "unit = \"um\"\n[[feed.measure]]\nname = \"area\"\n\
         column = \"Area\"\nunit = \"um\"\n";
    let config = CONFIG.replace(measure, both) + &area;
    let watched = "chart = \"three-way\"\nwatch_pads = true";
    config.replace("chart = \"three-way\"", watched)
}

fn watched_panels() -> Vec<(String, String)> {
    let mut normals = Normals::new(11);
    let file = |panel: usize| {
        let common = 1.5 * normals.draw();
        let mut file = "At,Panel,Component,Pad,Height,Area\n".to_owned();
        for pad in 0..60 {
            let (component, pin) = (pad / 10, pad % 10);
            let drop = if panel >= 40 && pad == 17 { 14.0 } else { 0.0 };
            let height = 120.0 + common + 2.0 * normals.draw() - drop;
            let area = 100.0 + common + 2.0 * normals.draw() - drop;
            let (hour, minute) = (6 + panel / 30, 2 * (panel % 30));
            let at = format!("2026-03-02T{hour:02}:{minute:02}:00Z");
            writeln!(
                file,
                "{at},P{panel:03},U{component},{pin},{height:.1},{area:.1}"
            )
            .unwrap();
        }
        (format!("paste/P{panel:03}.csv"), file)
    };
    (0..52).map(file).collect()
}

#[test]
fn one_pad_that_clogs_is_listed_and_is_one_alert_in_any_order_and_over_stops() {
    let config = watched_config();
    let in_order = Place::bare(&config);
    let panels = watched_panels();
    for (name, content) in &panels {
        in_order.write(name, content);
    }
    in_order.replay();
    let watched = in_order.json(&["pads", "height", "--watched"]);
    let pads = list(&watched["pads"]);
    assert_eq!(
        (pads.len(), &watched["tested"]),
        (1, &60.into()),
        "{watched}"
    );
    assert_eq!(text(&pads[0]["keys"], "component"), "U1");
    assert_eq!(text(&pads[0]["keys"], "pin"), "7");
    assert!((number(&pads[0], "change") + 14.0).abs() < 4.0, "{watched}");
    assert!(number(&pads[0], "adjusted") <= 0.05, "{watched}");

    // Height and area of one pad: one alert, which names the pad and the panels to hold.
    let alerts = in_order.json(&["alerts", "list"]);
    assert_eq!(list(&alerts).len(), 1, "{alerts}");
    let alert = &list(&alerts)[0];
    assert_eq!(list(&alert["rules"])[0], "pads", "{alert}");
    assert_eq!(list(&alert["streams"]).len(), 2, "{alert}");
    let words = text(alert, "text");
    assert!(words.contains("Moved: U1 7 by -"), "{words}");
    assert_eq!(list(&alert["watched_pads"]["pads"]).len(), 1, "{alert}");
    let held = number(alert, "boards_to_hold");
    assert!((12.0..=15.0).contains(&held), "{alert}");
    // Since when a pad has been moving is no set that covers its onset, and is not drawn as one.
    let report = in_order.ok(&["report", "shift"]);
    let page = std::fs::read_to_string(report.trim()).unwrap();
    assert!(page.contains(">onset 2026-03-02"));
    assert!(!page.contains("Bar at the foot"));
    in_order.assert_sound();

    // The same after stops, in another order within the horizon.
    let stopped = Place::bare(&config);
    let mut left = panels;
    for some in left.chunks_mut(5) {
        some.reverse();
        for (name, content) in some.iter() {
            stopped.write(name, content);
        }
        stopped.replay();
    }
    assert_eq!(stopped.json(&["pads", "height", "--watched"]), watched);
    assert_eq!(
        stopped.json(&["pads", "area", "--watched"])["pads"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
    assert_eq!(stopped.alerts(), in_order.alerts());
}

/// A page of a place, asked of a daemon that runs for it.
fn pages(place: &Place, paths: &[&str]) -> Vec<String> {
    let daemon = place.watch();
    let address = place.address();
    let pages = paths.iter().map(|path| get(&address, path));
    let pages = pages.map(|(status, page)| {
        assert_eq!(status, 200, "{page}");
        page.split_whitespace().collect::<Vec<_>>().join(" ")
    });
    let pages = pages.collect();
    daemon.stop();
    pages
}

/// The five measures of a deposit: one pad is misprinted in all of them from panel 40 on.
fn five_measures(more: &str) -> Place {
    const MEASURES: [&str; 5] = ["height", "area", "volume", "offset-x", "offset-y"];
    let start = CONFIG.find("[[feed.measure]]").unwrap();
    let mut config = CONFIG[..start].to_owned();
    let charted = &CONFIG[CONFIG.find("[[characteristic]]").unwrap()..];
    for measure in MEASURES {
        config += &format!("[[feed.measure]]\nname = \"{measure}\"\ncolumn = \"{measure}\"\n");
        config += "unit = \"um\"\n";
    }
    for measure in MEASURES {
        let watched = charted.replace("height", measure) + "watch_pads = true\n";
        config += &watched;
    }
    let place = Place::bare(&(config + more));
    let mut normals = Normals::new(13);
    for panel in 0..52 {
        let mut file = format!("At,Panel,Component,Pad,{}\n", MEASURES.join(","));
        for pad in 0..60 {
            let moved = if panel >= 40 && pad == 17 { 14.0 } else { 0.0 };
            let values = [-1.0, -1.0, -1.0, 1.0, 1.0]
                .map(|way| format!("{:.1}", 100.0 + 2.0 * normals.draw() + way * moved));
            let (hour, minute) = (6 + panel / 30, 2 * (panel % 30));
            writeln!(
                file,
                "2026-03-02T{hour:02}:{minute:02}:00Z,P{panel:03},U{},{},{}",
                pad / 10,
                pad % 10,
                values.join(",")
            )
            .unwrap();
        }
        place.write(&format!("paste/P{panel:03}.csv"), file);
    }
    place.replay();
    place
}

#[test]
fn one_pad_that_is_misprinted_is_an_alert_for_each_set_of_linked_measures() {
    let streams = |place: &Place| {
        let alerts = place.json(&["alerts", "list"]);
        let mut sizes: Vec<usize> = list(&alerts)
            .iter()
            .map(|alert| list(&alert["streams"]).len())
            .collect();
        sizes.sort_unstable();
        sizes
    };
    // Height, area and volume are one thing, and where a deposit lies is another.
    assert_eq!(streams(&five_measures("")), [2, 3]);
    let all = "[\"height\", \"area\", \"volume\", \"offset-x\", \"offset-y\"]";
    let page = "[serve]\nlisten = \"127.0.0.1:0\"\n";
    let place = five_measures(&format!("[alerts]\nlinked_measures = [{all}]\n{page}"));
    assert_eq!(streams(&place), [5]);

    let [of_alert, of_stream] = &pages(&place, &["/alerts/1", "/streams/1"])[..] else {
        panic!("two pages")
    };
    for page in [of_alert, of_stream] {
        let head = "1 of 60 pads that are watched has moved against the rest of their panels, as \
                    of the newest panel. At most 5.0 % of the list are expected to be false.";
        assert!(page.contains(head), "{page}");
        assert!(page.contains("component U1, pin 7"), "{page}");
    }
    // Each of its streams has a list of its own.
    assert_eq!(
        of_alert.matches("pads that are watched has moved").count(),
        5
    );
}
