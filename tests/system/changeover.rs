//! Signals after another product came call nobody, where the plant says so: on the line to which
//! it came, and nowhere else. Charts show from where on another stencil ran.
//!
//! Two lines print a panel a minute each; all is invented.

use crate::place::{Place, list};

const PANELS: usize = 40;

/// The panel from which on another product may come, and the one that is far off.
const CHANGED: usize = 28;
const FAR_OFF: usize = 33;

fn config() -> String {
    let feed = |line: &str| {
        format!(
            "[[feed]]\nname = \"paste-{line}\"\nline = \"{line}\"\nstation = \"paste\"\n\
             folder = \"{line}\"\ntime = {{ columns = [\"At\"], format = \"rfc3339\" }}\n\
             measure = [{{ name = \"height\", column = \"Height\", unit = \"um\" }}]\n\
             [feed.roles]\npanel = \"Panel\"\nproduct = \"Product\"\n"
        )
    };
    format!(
        "[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\nlateness_minutes = 600\n\
         [[shift]]\nname = \"all\"\nstarts = \"00:00\"\n{}{}\
         [[characteristic]]\nname = \"height\"\nstation = \"paste\"\nmeasure = \"height\"\n\
         group_by = [\"line\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\nbaseline = 20\n\
         detection = [\"limits\"]\nreaction_plan = \"Look.\"\n\
         [alerts]\nchangeover_minutes = 15\n",
        feed("L1"),
        feed("L2")
    )
}

/// Reads the panels of both lines and gives the only alert. `product` says what each panel is.
fn alert(
    far_off: &str,
    product: impl Fn(&str, usize) -> &'static str,
) -> (Place, serde_json::Value) {
    let place = Place::bare(&config());
    for line in ["L1", "L2"] {
        let mut rows = "At,Panel,Product,Height\n".to_owned();
        for panel in 0..PANELS {
            let height = match (line == far_off, panel) {
                (true, FAR_OFF) => 900,
                _ => 100 + panel * 7 % 11,
            };
            let name = product(line, panel);
            rows.push_str(&format!(
                "2026-03-02T08:{panel:02}:00Z,{line}-{panel},{name},{height}\n"
            ));
        }
        place.write(&format!("{line}/panels.csv"), rows);
    }
    assert_eq!(place.replay()["rows"], 2 * PANELS);
    let alerts = place.json(&["alerts", "list"]);
    assert_eq!(list(&alerts).len(), 1, "{alerts:#}");
    let alert = list(&alerts)[0].clone();
    assert_eq!(alert["streams"][0], format!("height/{far_off}"));
    (place, alert)
}

fn is_suppressed(place: &Place) -> bool {
    place.assert_sound();
    place.number("SELECT coalesce(suppressed = 'changeover', 0) FROM alert") == 1
}

#[test]
fn a_signal_after_a_changeover_calls_nobody_and_is_kept() {
    let (place, alert) = alert("L2", |line, panel| match line {
        "L2" if panel >= CHANGED => "B",
        _ => "A",
    });
    assert!(is_suppressed(&place));
    assert_eq!(alert["suppressed"], "changeover", "{alert:#}");
    let heard = "SELECT count(*) FROM alert_event WHERE NOT quiet";
    assert_eq!(place.number(heard), 0);
}

#[test]
fn a_changeover_is_one_of_its_line_alone() {
    let (place, _) = alert("L1", |line, panel| match line {
        "L2" if panel >= CHANGED => "B",
        _ => "A",
    });
    assert!(
        !is_suppressed(&place),
        "another product came to the other line"
    );
    let (place, _) = alert("L1", |line, _| if line == "L1" { "A" } else { "B" });
    assert!(!is_suppressed(&place), "the lines make different products");
}

#[test]
fn a_panel_without_a_product_is_no_changeover() {
    let (place, _) = alert("L1", |_, panel| if panel == CHANGED { "" } else { "A" });
    assert!(!is_suppressed(&place));
}

#[test]
fn a_changeover_that_is_long_over_keeps_nothing_quiet() {
    let (place, _) = alert(
        "L1",
        |_, panel| if panel < FAR_OFF - 15 { "B" } else { "A" },
    );
    assert!(!is_suppressed(&place));
}

#[test]
fn a_chart_shows_from_which_panel_on_another_stencil_ran() {
    let config = config()
        .replace("product = \"Product\"", "stencil = \"Product\"")
        .replace(
            "[\"limits\"]\n",
            "[\"limits\"]\nrestart_on = [\"stencil\"]\n",
        );
    let place = Place::bare(&config);
    for line in ["L1", "L2"] {
        let mut rows = "At,Panel,Product,Height\n".to_owned();
        for panel in 0..2 * PANELS {
            let stencil = if line == "L2" && panel >= PANELS {
                "S-2"
            } else {
                "S-1"
            };
            let (hour, minute, height) = (8 + panel / 60, panel % 60, 100 + panel * 7 % 11);
            rows.push_str(&format!(
                "2026-03-02T{hour:02}:{minute:02}:00Z,{line}-{panel},{stencil},{height}\n"
            ));
        }
        place.write(&format!("{line}/panels.csv"), rows);
    }
    place.replay();
    let drawn = |stream: &str| place.ok(&["chart", stream, "--format", "svg"]);
    assert!(!drawn("height/L1").contains("Pennant"));
    let changed = drawn("height/L2");
    assert!(changed.contains("Pennant: changeover."), "{changed}");
    // Both versions of limits stand over the points that they judged.
    for version in [
        "limits from 20 panels (version 1)",
        "limits from 20 panels (version 2)",
    ] {
        assert!(changed.contains(version), "{version}: {changed}");
    }
    place.ok(&[
        "report",
        "audit",
        "--from",
        "2026-03-02",
        "--to",
        "2026-03-03",
    ]);
    let pack = "driftvane-data/reports/audit-2026-03-02-to-2026-03-03/audit.html";
    let pack = std::fs::read_to_string(place.folder.join(pack)).unwrap();
    // Each chart is there for paper and for a phone.
    assert_eq!(pack.matches("Pennant: changeover.").count(), 2);
}
