//! Shift reports, late data and retests.

use std::fs;

use driftvane::plant::{Delivery, Plant};
use serde_json::Value;

use crate::place::{
    Place, assert_same_charts, assert_same_rows, get, list, small_config, small_plant, text,
};

fn read(config: &str, deliveries: &[Delivery]) -> Place {
    let place = Place::new(config);
    for delivery in deliveries {
        place.deliver(delivery);
    }
    place.replay();
    place
}

fn deliveries() -> Vec<Delivery> {
    small_plant().deliveries(71).collect()
}

/// The report of the newest shift: where it is and what it says.
fn report(place: &Place) -> (String, String) {
    let path = place.ok(&["report", "shift"]).trim().to_owned();
    let page = fs::read_to_string(&path).unwrap();
    (path, page)
}

fn reports(place: &Place) -> usize {
    fs::read_dir(place.path("driftvane-data/reports"))
        .unwrap()
        .count()
}

#[test]
fn a_shift_report_is_one_file_that_needs_no_other() {
    let place = read(&small_config(60), &deliveries());
    let (path, page) = report(&place);
    assert!(path.ends_with("2026-03-02-early.html"), "{path}");
    // The name of the SVG vocabulary looks like an address, but nothing is fetched from it.
    let page = page.replace("\"http://www.w3.org/2000/svg\"", "");
    for outside in [
        "http://", "https://", "<script", "<link", "src=", "@import", "url(",
    ] {
        assert!(!page.contains(outside), "{outside}");
    }
    for words in [
        "Invented demo plant",
        "Revision 1",
        "<svg",
        "paste-l1",
        "optical-l1",
        "function-l1",
    ] {
        assert!(page.contains(words), "{words}");
    }
}

#[test]
fn only_new_data_make_a_new_revision() {
    let all = deliveries();
    let (late, first): (Vec<Delivery>, Vec<Delivery>) = all
        .into_iter()
        .partition(|one| one.station == "optical" && one.file_name.starts_with("P000020"));
    assert_eq!(late.len(), 1);
    let place = read(&small_config(600), &first);
    let (path, page) = report(&place);
    assert_eq!(report(&place), (path.clone(), page.clone()));
    assert_eq!(reports(&place), 1);

    place.deliver(&late[0]);
    place.replay();
    let (second, revised) = report(&place);
    assert!(second.ends_with("2026-03-02-early-r2.html"), "{second}");
    assert!(revised.contains("Revision 2"));
    assert_eq!(
        fs::read_to_string(&path).unwrap(),
        page,
        "the first revision stays"
    );
    assert_eq!(report(&place).0, second);
    assert_eq!(reports(&place), 2);
}

#[test]
fn the_plants_own_template_is_used_and_a_broken_one_says_so() {
    let config = format!(
        "{}\n[reports]\ntemplates = \"templates\"\n",
        small_config(60)
    );
    let place = read(&config, &deliveries()[..60]);
    fs::create_dir(place.path("templates")).unwrap();
    place.write(
        "templates/summary.html",
        "<p>In short, for {{ report.plant }}</p>",
    );
    let (_, page) = report(&place);
    assert!(page.contains("<p>In short, for Invented demo plant</p>"));

    place.write(
        "templates/summary.html",
        "<p>In short, for {{ report.plnt }}</p>",
    );
    let answer = place.run(&["report", "shift"]);
    assert_eq!(answer.code, Some(0), "{}", answer.err);
    assert!(answer.err.contains("summary.html"), "{}", answer.err);
    let page = fs::read_to_string(answer.out.trim()).unwrap();
    assert!(!page.contains("In short, for"));
    for words in [
        "own templates were not used",
        "summary.html",
        "Invented demo plant",
    ] {
        assert!(page.contains(words), "{words}");
    }

    // What can not even be read is named, and the others of the plant's own hold.
    place.write("templates/summary.html", b"<p>In short</p>\n\xff\xfe");
    place.write("templates/handover.html", "<p>To whom it concerns</p>");
    place.write("templates/words.txt", "Open => To do");
    let told = "own template summary.html was not used: it is not UTF-8 in line 2.";
    let answer = place.run(&["report", "shift"]);
    assert_eq!(answer.code, Some(0), "{}", answer.err);
    assert!(answer.err.contains("summary.html"), "{}", answer.err);
    let page = fs::read_to_string(answer.out.trim()).unwrap();
    for words in [told, "<p>To whom it concerns</p>", "To do"] {
        assert!(page.contains(words), "{words}");
    }
    fs::remove_dir_all(place.path("templates")).unwrap();
    let answer = place.run(&["report", "shift"]);
    assert_eq!(answer.code, Some(0), "{}", answer.err);
    assert!(answer.err.contains("templates"), "{}", answer.err);
    let page = fs::read_to_string(answer.out.trim()).unwrap();
    assert!(
        page.contains("own templates were not used. The folder "),
        "{page}"
    );
}

#[test]
fn the_report_accounts_for_every_row() {
    let mut all = deliveries();
    all.truncate(60);
    let place = read(&small_config(60), &all);
    let one = &all[0];
    place.write("paste/P000001_copy.csv", &one.content);
    let content = String::from_utf8(one.content.clone()).unwrap();
    let other = content
        .replace("P000001", "P000900")
        .replacen(",ok", ",", 0);
    let bad = other.replacen(",1,U1,1,", ",one,U1,1,extra,", 1);
    place.write("paste/P000900_bad.csv", bad);
    place.replay();
    place.assert_rows_add_up();
    let sums = |column: &str| {
        let query = format!("SELECT sum({column}) FROM file WHERE feed = 'paste-l1'");
        place.number(&query)
    };
    assert_eq!(sums("rows_rejected"), 1);
    assert_eq!(sums("rows_duplicate"), 256);
    let used = sums("rows_used");
    let (_, page) = report(&place);
    let plain = |number: i64| {
        let text = number.to_string();
        page.contains(&text) || page.contains(&grouped(number))
    };
    assert!(plain(used) && plain(sums("rows_read")), "{used}");
    assert!(
        page.contains("P000900_bad.csv:2"),
        "the rejected row is named"
    );
}

/// A number with a blank between thousands, as reports write it.
fn grouped(number: i64) -> String {
    format!("{}\u{202f}{:03}", number / 1000, number % 1000)
}

#[test]
fn a_point_beyond_the_horizon_is_flagged_late_and_moves_nothing() {
    let all = deliveries();
    // The 16th panel is printed by the back stroke; an hour later it is beyond the horizon.
    let is_late = |one: &Delivery| one.station == "paste" && one.file_name.starts_with("P000016");
    let (late, first): (Vec<Delivery>, Vec<Delivery>) = all.into_iter().partition(is_late);
    let place = read(&small_config(20), &first);
    let (charts, limits, alerts) = (place.charts(), place.limits(), place.alerts());
    place.deliver(&late[0]);
    assert_eq!(place.replay()["rows"], 256);

    assert_eq!(place.limits(), limits);
    let held: Vec<String> = alerts
        .iter()
        .map(|alert| with_held(&place, alert))
        .collect();
    assert_same_rows("alerts", &held, &place.alerts());
    let mut flagged = 0;
    for (stream, before) in charts {
        let before: Value = serde_json::from_str(&before).unwrap();
        let after = place.chart(&stream);
        assert_eq!(before["limits"], after["limits"], "{stream}");
        let (lates, rest): (Vec<&Value>, Vec<&Value>) = list(&after["points"])
            .iter()
            .partition(|point| point["late"] == true);
        for point in &lates {
            assert_eq!(point["board"], "P000016");
            assert_eq!(point["signals"], Value::Array(Vec::new()));
        }
        flagged += lates.len();
        assert_eq!(rest.len(), list(&before["points"]).len(), "{stream}");
        for (old, new) in list(&before["points"]).iter().zip(rest) {
            for field in [
                "at", "board", "n", "value", "spread", "version", "baseline", "signals",
            ] {
                assert_eq!(old[field], new[field], "{stream}: {field}");
            }
        }
    }
    assert_eq!(
        flagged, 11,
        "three measures of three families, and two offsets"
    );
}

/// An alert after the 16th panel came late: where earlier ones are to be held, so are its four
/// boards if a stream of its stroke is among those that moved, and nothing else differs.
fn with_held(place: &Place, alert: &str) -> String {
    let mut alert: Value = serde_json::from_str(alert).unwrap();
    let all = place.json(&["alerts", "list"]);
    let alike = |one: &&Value| one["streams"] == alert["streams"];
    let id = text(list(&all).iter().find(alike).unwrap(), "id");
    let held = place.json(&["alerts", "boards", &id]);
    let before = list(&held)
        .iter()
        .any(|one| text(one, "unit").as_str() < "P000016");
    let mut streams = list(&alert["streams"]).iter().filter_map(Value::as_str);
    if before && streams.any(|stream| stream.starts_with("paste") && stream.ends_with("back")) {
        let boards = alert["boards_to_hold"].as_u64().unwrap();
        alert["boards_to_hold"] = (boards + 4).into();
        let said = text(&alert, "text");
        let (hold, now) = (format!("Hold {boards} boards"), boards + 4);
        assert!(said.contains(&hold), "{said}");
        alert["text"] = said.replace(&hold, &format!("Hold {now} boards")).into();
    }
    alert.to_string()
}

/// The invented plant in which every tenth first attempt fails by its contact.
fn plant_with_retests() -> Plant {
    let settings = include_str!("../../sample-feeds/plant.toml");
    let from = "contact_fault_share = 0.012";
    assert!(settings.contains(from));
    Plant::from_toml(&settings.replace(from, "contact_fault_share = 0.1")).unwrap()
}

fn is_retest(line: &&str) -> bool {
    line.split(',').nth(3) == Some("2")
}

#[test]
fn retests_move_neither_charts_nor_first_pass_yield() {
    let plant = plant_with_retests();
    let tested = plant
        .deliveries(72)
        .take(600)
        .filter(|one| one.station == "function");
    let all: Vec<Delivery> = tested.collect();
    let firsts: Vec<Delivery> = all
        .iter()
        .map(|one| {
            let text = String::from_utf8(one.content.clone()).unwrap();
            let lines = text.lines().filter(|line| !is_retest(line));
            let kept: String = lines.flat_map(|line| [line, "\n"]).collect();
            Delivery {
                content: kept.into_bytes(),
                ..one.clone()
            }
        })
        .collect();
    assert!(all != firsts, "there are retests");
    let (with, without) = (
        read(&small_config(60), &all),
        read(&small_config(60), &firsts),
    );
    assert!(with.number("SELECT count(*) FROM unit WHERE attempt = 2") > 5);
    assert_eq!(
        without.number("SELECT count(*) FROM unit WHERE attempt = 2"),
        0
    );
    assert_same_charts(&without.charts(), &with.charts());
    assert_eq!(
        (with.limits(), with.alerts()),
        (without.limits(), without.alerts())
    );

    // The newest shift is the late one, which starts at 14:00 on the plant's clock.
    let late = "attempt = 1 AND at >= 1772456400000000";
    let boards = with.number(&format!("SELECT count(*) FROM unit WHERE {late}"));
    let good = with.number(&format!(
        "SELECT count(*) FROM unit WHERE {late} AND calls = 0"
    ));
    assert!(0 < good && good < boards, "{good} of {boards}");
    let row = |page: &str, heading: &str| {
        let table = &page[page.find(heading).unwrap()..];
        let row = &table[table.find("L1 function").unwrap()..];
        row[..row.find("</tr>").unwrap()].to_owned()
    };
    for place in [&with, &without] {
        let (_, page) = report(place);
        let yields = row(&page, "Yield and defects per station");
        let share = format!("{:.1} %", 100.0 * good as f64 / boards as f64);
        for figure in [format!(">{boards}</td>"), share] {
            assert!(yields.contains(&figure), "{figure}: {yields}");
        }
        let counted = row(&page, "How yield and DPMO are counted");
        for words in [
            &format!(">{good}</td>"),
            "every step passed at the first attempt",
        ] {
            assert!(counted.contains(words), "{words}: {counted}");
        }
    }
}

/// Paste results with the places of pads; the pad at the far corner is printed low.
fn placed(config: &str) -> Place {
    let place = Place::new(config);
    for panel in 0..12 {
        let mut text = "At,Panel,Component,Pin,X,Y,Height\n".to_owned();
        for pad in 0..24 {
            let (x, y) = (pad % 6 * 5, pad / 6 * 5);
            let low = if pad == 23 { 20.0 } else { 0.0 };
            let height = 120.0 + f64::from(panel % 3) + f64::from(pad % 5) - low;
            text.push_str(&format!(
                "2026-03-02T07:{panel:02}:00+01:00,P{panel},U1,{pad},{x}.5,{y}.5,{height}\n"
            ));
        }
        place.write(&format!("paste/P{panel}.csv"), text);
    }
    place.replay();
    place
}

const PLACED: &str = r#"
[plant]
name = "Lindenau"
time_zone = "Europe/Vienna"
[[shift]]
name = "day"
starts = "06:00"
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
time = { columns = ["At"], format = "rfc3339" }
measure = [
  { name = "height", column = "Height", unit = "um" },
  { name = "x", column = "X", unit = "mm" },
  { name = "y", column = "Y", unit = "mm" },
]
[feed.roles]
panel = "Panel"
component = "Component"
pin = "Pin"
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["line"]
subgroup = "panel"
chart = "three-way"
"#;

#[test]
fn a_map_of_pads_is_drawn_where_the_feed_says_where_they_lie() {
    let (_, page) = report(&placed(PLACED));
    for words in [
        "height by pad: L1",
        "24 pads; 0 far above, 1 far below",
        "288 readings of first attempts",
        "<td>U1.23</td>",
        "20 of 24 pads.",
    ] {
        assert!(page.contains(words), "{words}");
    }
    // The mean of the family is 121.8 + 1 - 20/24; the pad's own is 120 + 1 + 3 - 20.
    let mean =
        120.0 + 1.0 + (0..24).map(|pad| f64::from(pad % 5)).sum::<f64>() / 24.0 - 20.0 / 24.0;
    let deviation = 104.0 - mean;
    let words = format!("Farthest: U1.23, −{:.1} um.", deviation.abs());
    assert!(page.contains(&words), "{words}");

    let without = PLACED.replace("name = \"x\"", "name = \"left\"");
    let (_, page) = report(&placed(&without));
    assert!(!page.contains("by pad"), "no place, no map");
}

#[test]
fn the_map_of_a_stream_shows_its_own_pads_alone() {
    let by_line = "group_by = [\"line\"]";
    let by_component = "group_by = [\"line\", \"component\"]";
    let config = PLACED.replace(by_line, by_component) + "[serve]\nlisten = \"127.0.0.1:0\"\n";
    let place = placed(&config);
    let mut other = "At,Panel,Component,Pin,X,Y,Height\n".to_owned();
    for pad in 0..5 {
        other.push_str(&format!(
            "2026-03-02T07:05:30+01:00,P90,U2,{pad},{pad}.5,40.5,120\n"
        ));
    }
    place.write("paste/P90.csv", other);
    place.replay();
    let daemon = place.watch();
    let address = place.address();
    for (label, pads) in [("height/L1/U1", 24), ("height/L1/U2", 5)] {
        let stream = format!("SELECT id FROM stream WHERE label = '{label}'");
        let path = format!("/streams/{}/pads", place.number(&stream));
        let (status, page) = get(&address, &path);
        assert_eq!(status, 200, "{label}");
        assert!(page.contains(&format!("{pads} pads;")), "{label}: {page}");
    }
    daemon.stop();
}

#[test]
fn frequent_defects_have_a_picture_with_their_cumulative_share() {
    let place = read(&small_config(60), &deliveries());
    let (_, page) = report(&place);
    for words in [
        "Most frequent defects and their cumulative share",
        "Share so far",
        "defects of the shift",
    ] {
        assert!(page.contains(words), "{words}");
    }
}
