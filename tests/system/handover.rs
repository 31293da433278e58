//! What a shift report says of the shift before, of its own earlier revision, and in German.

use std::fs;

use driftvane::plant::Delivery;
use serde_json::Value;

use crate::place::{Place, list, small_config, small_plant, text};

fn deliveries() -> Vec<Delivery> {
    small_plant().deliveries(71).collect()
}

fn read(config: &str, deliveries: &[Delivery]) -> Place {
    let place = Place::new(config);
    deliveries.iter().for_each(|one| place.deliver(one));
    place.replay();
    place
}

fn report(place: &Place, at: &str) -> (Value, String) {
    let written = place.json(&["report", "shift", "--at", at]);
    let page = fs::read_to_string(text(&written, "path")).unwrap();
    (written, page)
}

/// A part of a page, from a heading to the end of its section.
fn section<'a>(page: &'a str, id: &str) -> &'a str {
    let start = page
        .find(&format!("<h2 id=\"{id}\""))
        .unwrap_or_else(|| panic!("no {id}"));
    let end = page[start..].find("</section>").unwrap();
    &page[start..start + end]
}

#[test]
fn a_revision_tells_what_differs_and_which_files_came_since() {
    let all = deliveries();
    let is_late = |one: &Delivery| one.station == "optical" && one.file_name.starts_with("P000020");
    let (late, first): (Vec<Delivery>, Vec<Delivery>) = all.into_iter().partition(is_late);
    let place = read(&small_config(600), &first);
    let (written, page) = report(&place, "2026-03-02T08:00");
    assert_eq!(written["revision"], 1);
    assert!(!page.contains("What is different"));

    place.deliver(&late[0]);
    place.replay();
    let (written, page) = report(&place, "2026-03-02T08:00");
    assert_eq!(written["revision"], 2);
    let told = section(&page, "differences");
    for words in [
        "What is different from revision 1",
        &late[0].file_name,
        "files accepted",
        "optical-l1",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    assert!(
        !told.contains("paste-l1"),
        "what is alike is not listed: {told}"
    );

    // Equal data give equal bytes, also where somebody took the file away.
    let path = text(&written, "path");
    fs::remove_file(&path).unwrap();
    assert_eq!(report(&place, "2026-03-02T08:00"), (written, page));
    place.assert_sound();
}

#[test]
fn what_a_shift_hands_over_stands_in_the_next_ones_report() {
    let place = read(&small_config(60), &deliveries());
    let (_, page) = report(&place, "2026-03-02T08:00");
    let open: Vec<String> = list(&place.json(&["alerts", "list"]))
        .iter()
        .map(|alert| text(alert, "id"))
        .filter(|id| section(&page, "handover").contains(id))
        .collect();
    assert!(open.len() > 1, "{open:?}");

    let who = ["--by", "M. Example", "--comment", "seen"];
    place.ok(&[&["alerts", "acknowledge", &open[0]], &who[..]].concat());
    let how = [
        "--by",
        "M. Example",
        "--cause",
        "stencil",
        "--action",
        "cleaned it",
    ];
    place.ok(&[&["alerts", "close", &open[0]], &how[..]].concat());

    // A shift without any data is handed over all the same.
    let (written, page) = report(&place, "2026-03-03T15:00");
    assert_eq!(
        (&written["shift"], &written["date"]),
        (&"late".into(), &"2026-03-03".into())
    );
    let told = section(&page, "handover");
    for words in [
        "not open any more",
        "From the report early of 2026-03-02, revision 1",
        "closed by M. Example: stencil, cleaned it",
        "taken over from the shift before",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    for id in &open {
        assert!(told.contains(id), "{id}: {told}");
    }
    assert!(page.contains("No stream had a point in this shift."));
}

#[test]
fn a_shift_of_which_nothing_can_be_known_has_no_report() {
    let place = read(&small_config(60), &deliveries()[..40]);
    for (at, why) in [
        ("2020-01-01T08:00", "the record begins at 2026-03-02"),
        ("2999-01-01T08:00", "it has not begun"),
    ] {
        let answer = place.run(&["report", "shift", "--at", at]);
        assert_eq!(answer.code, Some(2), "{}", answer.err);
        assert!(answer.err.contains(why), "{}", answer.err);
    }
    let answer = place.run(&["backup", "elsewhere", "--format", "json"]);
    assert_eq!(answer.code, Some(2), "{}", answer.err);
    assert!(answer.err.contains("leave --format out"), "{}", answer.err);
}

/// English that would be left over in a German report; names and plans of the test are English.
const ENGLISH: [&str; 14] = [
    " the ", " of ", " and ", " is ", " are ", " with ", " from ", " not ", " since ", " was ",
    "Boards", "points", "limits", " at ",
];

#[test]
fn a_german_report_is_german_throughout() {
    let config = small_config(60).replacen("time_zone", "locale = \"de\"\ntime_zone", 1);
    let own_words = |line: &str| match line.starts_with("reaction_plan") {
        true => "reaction_plan = \"Anhalten.\"\n".to_owned(),
        false => format!("{line}\n"),
    };
    let config: String = config.lines().map(own_words).collect();
    let place = Place::new(&config);
    let study = include_str!("../../sample-feeds/gauge/height.csv");
    place.write("gauge/height.csv", study);
    deliveries().iter().for_each(|one| place.deliver(one));
    place.replay();
    let (_, page) = report(&place, "2026-03-02T08:00");
    let body = &page[page.find("</style>").unwrap()..];
    let texts = body.split('>').filter_map(|piece| piece.split('<').next());
    for text in texts.map(|text| format!(" {} ", text.trim())) {
        let english = ENGLISH.iter().find(|words| text.contains(*words));
        assert_eq!(english, None, "{text}");
    }
    for words in [
        "<html lang=\"de\">",
        "Zu übergeben",
        "02.03.2026",
        "OEG",
        "Sigma",
    ] {
        assert!(page.contains(words), "{words}");
    }
}
