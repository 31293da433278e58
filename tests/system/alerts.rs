//! What people do with alerts and limits, and what the record keeps of it.

use std::fs;

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Place, list, number, small_config, small_plant, small_plant_with, text};

/// The stream whose heights drift in the invented plant.
const DRIFTS: &str = "paste-height/L1/demo-controller/fine/back";

fn deliveries() -> Vec<Delivery> {
    small_plant().deliveries(61).collect()
}

fn read(deliveries: &[Delivery]) -> Place {
    let place = Place::new(&small_config(60));
    for delivery in deliveries {
        place.deliver(delivery);
    }
    place.replay();
    place
}

fn alert_on(place: &Place, stream: &str) -> Value {
    let alerts = place.json(&["alerts", "list"]);
    let on_stream = |alert: &&Value| list(&alert["streams"]).contains(&stream.into());
    list(&alerts).iter().find(on_stream).unwrap().clone()
}

fn lines_of_channel(place: &Place) -> Vec<Value> {
    let text = fs::read_to_string(place.path("alerts.jsonl")).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn the_planted_drift_is_found_and_says_where_it_began() {
    let place = read(&deliveries());
    let alert = alert_on(&place, DRIFTS);
    assert_eq!(alert["state"], "active, not acknowledged");
    assert_eq!(alert["direction"], "lower");
    assert!(number(&alert, "size_sigma") < -3.0, "{alert}");
    assert!(text(&alert, "plan").starts_with("Hold the panels"));
    // The drift is planted from panel 30 on, and the back stroke prints every other panel. A drift
    // starts at nothing, so a few prints more or less can not be told from the spread before it.
    let onset = &alert["onset"];
    let panel = |key: &str| -> u32 {
        let board = text(onset, key);
        board.trim_start_matches('P').parse().unwrap()
    };
    assert_eq!(onset["shape"], "drift", "{onset}");
    assert!(number(onset, "slope_sigma") < 0.0, "{onset}");
    assert!((22..=38).contains(&panel("board")), "{onset}");
    assert!(panel("low") <= 30 && panel("high") >= 30, "{onset}");
    assert!(text(&alert, "what_happened").contains("a drift of about \u{2212}"));
    let chart = place.chart(DRIFTS);
    let earliest = text(onset, "low");
    let since: Vec<&Value> = list(&chart["points"])
        .iter()
        .skip_while(|point| point["board"] != earliest)
        .collect();
    assert_eq!(alert["boards_to_hold"], since.len() * 4);
    let signalled = since
        .iter()
        .filter(|point| !list(&point["signals"]).is_empty());
    assert_eq!(alert["signals"], signalled.count());
    let mut signals = since.iter().flat_map(|point| list(&point["signals"]));
    assert!(signals.clone().any(|signal| signal["by"] == "cusum"));
    assert!(signals.all(|signal| signal["side"] == "lower"));
    let capability = place.json(&["capability", "--stream", DRIFTS]);
    assert_eq!(capability[0]["is_stable"], false);
    assert_eq!(capability[0]["nearest_index"]["symbol"], "Ppk");
}

fn shares<'a>(alert: &'a Value, key: &str) -> Vec<&'a Value> {
    let of_key = |one: &&Value| one["key"] == key;
    list(&alert["attribution"]).iter().filter(of_key).collect()
}

/// Asserts that one value of a key holds most of the change, with an interval around it.
fn assert_explains(alert: &Value, key: &str, value: &str) {
    let found = shares(alert, key);
    assert_eq!(found.len(), 1, "{key}: {alert}");
    assert_eq!(found[0]["value"], value, "{alert}");
    let [low, share, high] = ["low", "share", "high"].map(|end| number(found[0], end));
    assert!(low <= share && share <= high && high <= 1.0, "{alert}");
    assert!(share > 0.8 && low > 0.5, "{alert}");
}

/// Asserts that a point signals where it is beyond the limits that the chart shows, and there only.
fn assert_judged_as_shown(chart: &Value) {
    let (stream, kind) = (text(chart, "stream"), text(chart, "chart"));
    let points = list(&chart["points"]).iter();
    for point in points.filter(|point| point["baseline"] == false && point["late"] == false) {
        let [value, n] = ["value", "n"].map(|name| number(point, name));
        let [lower, upper] = ["lower", "upper"].map(|name| point[name].as_f64());
        let is_beyond =
            lower.is_some_and(|lower| value < lower) || upper.is_some_and(|upper| value > upper);
        let mut signals = list(&point["signals"]).iter();
        let signalled = signals.any(|signal| signal["by"] == "beyond_limits");
        assert_eq!(signalled, is_beyond, "{stream}: {point}");
        // The demo's counts have exact limits, which are counts themselves.
        let count = upper.map_or(0.0, |upper| upper * n);
        let is_count = (count - count.round()).abs() < 1e-9;
        assert!(kind != "u" || is_count, "{stream}: {point}");
    }
}

#[test]
fn the_planted_faults_are_laid_to_what_was_planted() {
    let place = read(&deliveries());
    // Paste that is transferred worse by one stroke in one family, on all boards of the panel.
    let drift = alert_on(&place, DRIFTS);
    assert_explains(&drift, "stroke", "back");
    assert_explains(&drift, "family", "fine");
    assert_explains(&drift, "position", "common to all");
    assert_eq!(drift["origin"], "process", "{drift}");
    // Its pads moved together, so hardly one against the rest; a test station has none.
    assert_eq!(drift["pads"]["false_discovery_rate"], 0.05);
    assert!(number(&drift["pads"], "tested") > 50.0, "{drift}");
    assert!(list(&drift["pads"]["pads"]).len() <= 2, "{drift}");
    assert!(
        text(&drift, "verdict").contains("the back stroke"),
        "{drift}"
    );

    // One fixture that reads high: boards change places between fixtures, so it is no board.
    let step = alert_on(&place, "analog-input/L1/demo-controller/F2");
    assert_explains(&step, "fixture", "F2");
    assert_eq!(step["pads"], Value::Null);
    assert_eq!(step["origin"], "gauge", "{step}");
    assert!(text(&step, "verdict").contains("only fixture F2"), "{step}");

    for stream in place.streams() {
        assert_judged_as_shown(&place.chart(&stream));
    }
    let table = place.ok(&["alerts", "list"]);
    assert!(table.contains("stroke back with "), "{table}");
    let page = shift_report(&place);
    for words in ["What moved, and where that points", "only fixture F2 moved"] {
        assert!(page.contains(words), "{words}");
    }
    // Both charts show what explains them by shapes, with a key and with names in their tables.
    for words in [
        ">stroke:<",
        ">front<",
        ">fixture:<",
        ">F1<",
        "shown beside, not judged",
    ] {
        assert!(page.contains(words), "{words}");
    }
    assert_eq!(
        place.ok(&["alerts", "list"]),
        table,
        "asked twice, said twice"
    );
}

/// A paste file whose gauge reads heights 8 % high, and so volumes too.
fn with_gain(content: &[u8]) -> Vec<u8> {
    let text = std::str::from_utf8(content).unwrap();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let scaled = ["Height um", "Volume pct"];
    let mut written = header.join(",") + "\n";
    for line in lines {
        let scale = |(cell, name): (&str, &&str)| {
            let value = || 1.08 * cell.parse::<f64>().unwrap();
            if scaled.contains(name) {
                format!("{:.1}", value())
            } else {
                cell.to_owned()
            }
        };
        let cells: Vec<String> = line.split(',').zip(&header).map(scale).collect();
        written.push_str(&(cells.join(",") + "\n"));
    }
    written.into_bytes()
}

#[test]
fn a_gauge_that_reads_all_heights_high_is_called_a_gauge() {
    let quiet = [
        ("height_um_per_print = -1.5", "height_um_per_print = 0.0"),
        ("area_pct_per_print = -0.08", "area_pct_per_print = 0.0"),
    ];
    let mut all: Vec<Delivery> = small_plant_with(&quiet).deliveries(67).collect();
    all.retain(|delivery| delivery.station == "paste");
    for delivery in &mut all {
        let panel: u32 = delivery.file_name[1..7].parse().unwrap();
        if panel >= 36 {
            delivery.content = with_gain(&delivery.content);
        }
    }
    let place = read(&all);
    for stroke in ["front", "back"] {
        let stream = format!("paste-height/L1/demo-controller/coarse/{stroke}");
        let alert = alert_on(&place, &stream);
        assert_eq!(alert["origin"], "gauge", "{alert}");
        assert!(
            text(&alert, "verdict").contains("reference board"),
            "{alert}"
        );
        assert_explains(&alert, "stroke", "common to all");
    }
}

#[test]
fn an_alert_that_is_over_and_known_is_not_asked_again() {
    let place = read(&deliveries());
    let id = text(&alert_on(&place, DRIFTS), "id");
    let over = "UPDATE alert SET returned_at = raised_at WHERE 'A-' || printf('%04d', id) = ?1";
    assert_eq!(place.record().execute(over, [&id]).unwrap(), 1);
    assert_eq!(alert_on(&place, DRIFTS)["origin"], "process");
    place.ok(&[
        "alerts",
        "acknowledge",
        &id,
        "--by",
        "R. Lindner",
        "--comment",
        "blade changed",
    ]);
    let over = alert_on(&place, DRIFTS);
    assert_eq!(over["attribution"], Value::Array(Vec::new()), "{over}");
    assert!(
        text(&over, "verdict").contains("report of its shift"),
        "{over}"
    );
}

#[test]
fn an_acknowledgement_stands_in_list_and_history_and_is_never_overwritten() {
    let place = read(&deliveries());
    let id = text(&alert_on(&place, DRIFTS), "id");
    let acknowledge = |by: &str, comment: &str| {
        place.run(&[
            "alerts",
            "acknowledge",
            &id,
            "--by",
            by,
            "--comment",
            comment,
        ])
    };
    assert_eq!(acknowledge(" ", "nobody").code, Some(2));
    let done = acknowledge("R. Lindner", "Squeegee blade, back side, worn");
    assert_eq!(
        (done.code, done.out),
        (Some(0), format!("{id} is acknowledged\n"))
    );

    let alert = alert_on(&place, DRIFTS);
    assert_eq!(alert["state"], "active, acknowledged");
    assert_eq!(alert["acknowledged_by"], "R. Lindner");
    let said = |event: &&Value| event["what"] == "acknowledged";
    let events: Vec<&Value> = list(&alert["history"]).iter().filter(said).collect();
    assert_eq!(events.len(), 1, "{alert}");
    assert_eq!(events[0]["who"], "R. Lindner");
    assert_eq!(events[0]["comment"], "Squeegee blade, back side, worn");

    let again = acknowledge("K. Brandt", "Seen as well");
    assert_eq!(again.code, Some(1));
    assert!(again.err.contains("R. Lindner"), "{}", again.err);
    assert_eq!(alert_on(&place, DRIFTS), alert);
    let unknown = place.run(&[
        "alerts",
        "acknowledge",
        "A-9999",
        "--by",
        "x",
        "--comment",
        "y",
    ]);
    assert_eq!(unknown.code, Some(2));
    assert!(unknown.err.contains("A-9999"), "{}", unknown.err);
}

#[test]
fn the_alert_file_has_a_line_for_every_event_in_order() {
    let all = deliveries();
    let (early, late) = all.split_at(all.len() * 3 / 4);
    let place = read(early);
    let id = text(&alert_on(&place, DRIFTS), "id");
    place.ok(&[
        "alerts",
        "acknowledge",
        &id,
        "--by",
        "R. Lindner",
        "--comment",
        "seen",
    ]);
    for delivery in late {
        place.deliver(delivery);
    }
    place.replay();
    let lines = lines_of_channel(&place);
    let numbers: Vec<i64> = lines
        .iter()
        .map(|line| line["event"].as_i64().unwrap())
        .collect();
    assert!(numbers.is_sorted_by(|one, next| one < next), "{numbers:?}");
    let events = place.number("SELECT count(*) FROM alert_event");
    assert_eq!(i64::try_from(lines.len()).unwrap(), events);
    let what = |word: &str| lines.iter().filter(|line| line["what"] == word).count();
    assert_eq!(what("acknowledged"), 1);
    assert!(what("raised") >= 1, "{lines:?}");
    assert_eq!(place.replay()["accepted"], 0);
    assert_eq!(
        lines_of_channel(&place),
        lines,
        "nothing new, so no new line"
    );
}

#[test]
fn a_restart_from_an_earlier_time_is_told_alike_everywhere() {
    let all = deliveries();
    let place = read(&all[..all.len() * 2 / 5]);
    let stream = "print-offset-x/L1/demo-controller/front";
    let points = place.chart(stream)["points"].clone();
    let from = list(&points)[list(&points).len() - 3]["at"].clone();
    let said = ["--by", "R. Lindner", "--reason", "New stencil frame"];
    let begin = [
        "limits",
        "restart",
        stream,
        "--from",
        from.as_str().unwrap(),
    ];
    let told = place.ok(&[&begin[..], &said[..]].concat());
    assert!(told.contains("done"), "{told}");

    let after = place.chart(stream);
    let fresh = list(&after["points"])
        .iter()
        .filter(|point| point["version"] == 2)
        .count();
    assert!((1..=3).contains(&fresh), "{after}");
    assert_eq!(after["phase"], "baseline");
    let streams = place.json(&["streams"]);
    let row = list(&streams)
        .iter()
        .find(|row| row["stream"] == stream)
        .unwrap();
    assert_eq!(row["phase"], "baseline");
    assert_eq!(row["collecting"]["subgroups"], fresh);
    let listed = place.ok(&["limits", "list", stream]);
    let words = format!("baseline 2, {fresh} of 10 subgroups so far, restarted by R. Lindner");
    assert!(listed.contains(&words), "{listed}");
    let early = place.run(&[&["limits", "freeze", stream][..], &said[..]].concat());
    assert!(
        early.err.contains("fewer than its minimum"),
        "{}",
        early.err
    );
}

#[test]
fn a_restart_of_what_is_settled_says_from_when_it_holds() {
    let place = read(&deliveries());
    let stream = "print-offset-x/L1/demo-controller/front";
    let said = ["--by", "R. Lindner", "--reason", "New stencil frame"];
    let begin = ["limits", "restart", stream, "--from", "2026-01-01"];
    let told = place.ok(&[&begin[..], &said[..]].concat());
    assert!(told.contains("what lies before is settled"), "{told}");
    assert!(!told.contains("2026-01-01"), "{told}");
    // Nothing has come since a restart from now on.
    place.ok(&[&["limits", "restart", stream][..], &said[..]].concat());
    let early = place.run(&[&["limits", "freeze", stream, "--override"][..], &said[..]].concat());
    assert!(
        early.err.contains("no subgroup of its baseline yet"),
        "{}",
        early.err
    );
}

#[test]
fn a_restart_begins_a_new_version_and_says_who_and_why() {
    let all = deliveries();
    let (early, late) = all.split_at(all.len() * 2 / 5);
    let place = read(early);
    let stream = "print-offset-x/L1/demo-controller/front";
    let before = place.chart(stream);
    assert_eq!(before["phase"], "monitoring");
    let nobody = place.run(&["limits", "restart", stream, "--by", "", "--reason", "why"]);
    assert_eq!(nobody.code, Some(2), "{}", nobody.err);
    let restart = [
        "limits",
        "restart",
        stream,
        "--by",
        "R. Lindner",
        "--reason",
        "New stencil frame",
    ];
    place.ok(&restart);
    // It is seen at once, also before anything has come.
    let asked = place.ok(&["limits", "list", stream]);
    assert!(
        asked.contains("of 10 subgroups so far, restarted by R. Lindner"),
        "{asked}"
    );
    for delivery in late {
        place.deliver(delivery);
    }
    place.replay();

    let versions = place.json(&["limits", "list", stream]);
    let restarted: Vec<&Value> = list(&versions)
        .iter()
        .map(|one| &one["restarted"])
        .collect();
    assert!(restarted[0].is_null(), "{versions}");
    assert_eq!(restarted[1]["reason"], "New stencil frame");
    let after = place.chart(stream);
    let (old, fresh) = (&after["limits"][0], &after["limits"][1]);
    assert_eq!(old, &before["limits"][0], "what was judged stays judged");
    assert_eq!(
        (&fresh["version"], &fresh["subgroups"]),
        (&2.into(), &10.into())
    );
    let points = list(&after["points"]);
    let known = list(&before["points"]).len();
    assert_eq!(&points[..known], list(&before["points"]));
    assert_eq!(points[known]["version"], 2);
    assert!(
        points[known..known + 10]
            .iter()
            .all(|point| point["baseline"] == true)
    );
    assert_eq!(fresh["from_point"], known + 1);
    let changes = shift_report(&place);
    for words in [
        "A new baseline of",
        stream,
        "R. Lindner",
        "New stencil frame",
    ] {
        assert!(changes.contains(words), "{words}");
    }
}

fn shift_report(place: &Place) -> String {
    let path = place.ok(&["report", "shift"]);
    fs::read_to_string(path.trim()).unwrap()
}

#[test]
fn a_freeze_makes_limits_of_the_subgroups_so_far() {
    let all = deliveries();
    let place = read(&all[..30]);
    let stream = "print-offset-y/L1/demo-controller/front";
    let before = place.chart(stream);
    assert_eq!(before["phase"], "baseline");
    let points = list(&before["points"]).len();
    assert!((3..10).contains(&points), "{points}");
    place.ok(&[
        "limits",
        "freeze",
        stream,
        "--by",
        "R. Lindner",
        "--reason",
        "Short run",
        "--override",
    ]);

    let limits = place.json(&["limits", "list", stream]);
    let version = &list(&limits)[0];
    assert_eq!(
        (text(version, "author"), text(version, "reason")),
        (
            "R. Lindner".to_owned(),
            format!("Short run (below the minimum: {points} of 10 subgroups)")
        )
    );
    assert_eq!(version["subgroups"], points);
    let values = list(&before["points"])
        .iter()
        .map(|point| number(point, "value"));
    let mean = values.sum::<f64>() / points as f64;
    assert!((number(version, "centre") - mean).abs() < 1e-9);
    for delivery in &all[30..60] {
        place.deliver(delivery);
    }
    place.replay();
    let after = place.chart(stream);
    assert_eq!(after["phase"], "monitoring");
    assert_eq!(list(&after["points"])[points]["baseline"], false);
    let again = place.run(&["limits", "freeze", stream, "--by", "x", "--reason", "y"]);
    assert_eq!(again.code, Some(1), "{}", again.err);
}

/// A chart for each product of one line.
const OF_PRODUCTS: &str = r#"
[plant]
name = "Many products"
time_zone = "UTC"
[[shift]]
name = "all"
starts = "00:00"
[[feed]]
name = "paste"
line = "L1"
station = "paste"
folder = "paste"
time = { columns = ["At"], format = "rfc3339" }
measure = [{ name = "height", column = "Height", unit = "um" }]
[feed.roles]
panel = "Panel"
product = "Product"
family = "Family"
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
group_by = ["product"]
subgroup = "panel"
chart = "individuals"
baseline = 10
detection = ["limits"]
"#;

/// Panels of some products in two families, of which one falls at all products at once.
fn write_products(place: &Place, products: u32) {
    for panel in 0..30 {
        let mut rows = "At,Panel,Product,Family,Height\n".to_owned();
        let falls = if panel < 12 { 0 } else { 40 };
        for product in 0..products {
            let at = format!("2026-03-02T06:{panel:02}:{:02}Z", product % 60);
            for (family, fall, every) in [("fine", falls, 5), ("chip", 0, 4)] {
                let height = 100 + (panel * 7 + product) % every - fall;
                rows += &format!("{at},P{panel}-{product},X{product},{family},{height}\n");
            }
        }
        place.write(&format!("paste/{panel:02}.csv"), rows);
    }
}

#[test]
fn of_many_open_alerts_the_most_urgent_are_explained_and_any_that_is_named() {
    let place = Place::new(OF_PRODUCTS);
    write_products(&place, 53);
    place.replay();
    let alerts = place.json(&["alerts", "list"]);
    let alerts = list(&alerts);
    assert_eq!(alerts.len(), 53, "each product is a cause of its own");
    let (told, later) = alerts.split_at(50);
    for alert in told {
        assert_explains(alert, "family", "fine");
    }
    for alert in later {
        let id = text(alert, "id");
        let verdict = text(alert, "verdict");
        assert!(
            verdict.contains(&format!("`driftvane alerts list {id}`")),
            "{verdict}"
        );
        // What the record says is there all the same.
        assert!(
            number(alert, "boards_to_hold") > 0.0 && number(alert, "size_sigma") < -3.0,
            "{alert}"
        );
    }
    let ids = [text(&later[2], "id"), text(&told[0], "id")];
    let named = place.json(&["alerts", "list", &ids[0], &ids[1]]);
    let named = list(&named);
    assert_eq!(named.len(), 2);
    assert_eq!(
        (text(&named[0], "id"), text(&named[1], "id")),
        (ids[1].clone(), ids[0].clone())
    );
    assert_eq!(named[0], told[0]);
    assert_explains(&named[1], "family", "fine");
    let unknown = place.run(&["alerts", "list", "A-0099"]);
    assert_eq!(unknown.code, Some(2), "{}", unknown.err);
}

#[test]
fn lists_fit_a_screen_where_their_names_do() {
    let place = read(&deliveries());
    for what in ["alerts", "limits", "quarantine"] {
        let table = place.ok(&[what, "list"]);
        let widest = table.lines().map(|line| line.chars().count()).max();
        assert!(widest.unwrap() <= 100, "{table}");
    }
    let table = place.ok(&["alerts", "list"]);
    assert!(
        table.contains(&format!("\n    stream: {DRIFTS}\n")),
        "{table}"
    );
}
