//! The list of single pads that moved, from files to the printed list.
//!
//! An invented panel of 60 pads. Must not know how pads are screened.

use std::fmt::Write as _;

use spc::simulation::Normals;

use crate::place::{Place, list, number, text};

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
