//! Files that were set aside: listed with what to do, read again, or taken off the list.

use crate::place::{Place, list, small_config, small_plant, text, wait_until};

const WHO: [&str; 4] = [
    "--by",
    "R. Okafor",
    "--reason",
    "the column has its name again",
];

/// A place in which two files were set aside because of a column's name.
fn with_two_set_aside() -> Place {
    let place = Place::new(&small_config(60).replace("Height um", "Height"));
    for file in small_plant().paste_files(31, 60, 256).unwrap().take(2) {
        place.deliver(&file);
    }
    assert_eq!(place.run(&["replay"]).code, Some(3));
    place
}

fn mend_config(place: &Place) {
    place.write("driftvane.toml", small_config(60));
}

fn names(place: &Place) -> Vec<String> {
    let rows = place.json(&["quarantine", "list"]);
    list(&rows).iter().map(|row| text(row, "id")).collect()
}

fn run<'a>(what: &'a str, files: &[&'a str]) -> Vec<&'a str> {
    [&["quarantine", what], files, &WHO].concat()
}

#[test]
fn a_file_set_aside_is_listed_with_its_reason_and_what_to_do() {
    let place = with_two_set_aside();
    let rows = place.json(&["quarantine", "list"]);
    assert_eq!(list(&rows).len(), 2);
    let row = &list(&rows)[0];
    assert_eq!(text(row, "code"), "F004");
    assert!(text(row, "reason").contains("Height"), "{row}");
    assert!(!text(row, "fix").is_empty() && text(row, "path").contains("P000001"));
}

#[test]
fn a_file_is_read_again_once_the_configuration_is_mended() {
    let place = with_two_set_aside();
    mend_config(&place);
    assert_eq!(place.replay()["accepted"], 0, "nobody has asked yet");
    place.ok(&run("retry", &["Q-0001"]));
    let rows = place.json(&["quarantine", "list"]);
    assert_eq!(text(&list(&rows)[0], "retry_by"), "R. Okafor");
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["rows"]),
        (&1.into(), &256.into())
    );
    assert_eq!(names(&place), ["Q-0002"]);
    assert_eq!(place.replay()["accepted"], 0, "it counts once");
    place.assert_rows_add_up();
    place.assert_sound();
}

#[test]
fn a_file_that_is_still_wrong_is_set_aside_again() {
    let place = with_two_set_aside();
    place.ok(&run("retry", &["Q-0001", "Q-0002"]));
    assert_eq!(place.run(&["replay"]).code, Some(3));
    assert_eq!(names(&place), ["Q-0003", "Q-0004"]);
    place.assert_sound();
}

#[test]
fn what_was_decided_is_told_to_programs_in_their_format() {
    let place = with_two_set_aside();
    let told = place.json(&run("retry", &["Q-0001", "Q-0002"]));
    let ids = list(&told).iter().map(|one| text(one, "id"));
    assert_eq!(ids.collect::<Vec<_>>(), ["Q-0001", "Q-0002"]);
    assert!(
        text(&told[0], "outcome").contains("is read again"),
        "{told}"
    );
    let csv = [&["--format", "csv"][..], &run("discard", &["Q-0002"])].concat();
    assert_eq!(place.ok(&csv), "id,outcome\r\nQ-0002,is off the list\r\n");
    // What stands before one that is unknown is decided, and told all the same.
    let some = [
        &["--format", "json"][..],
        &run("discard", &["Q-0001", "Q-0009"]),
    ]
    .concat();
    let answer = place.run(&some);
    assert_eq!(answer.code, Some(2), "{}", answer.err);
    let told: serde_json::Value = serde_json::from_str(&answer.out).unwrap();
    assert_eq!(text(&told[0], "id"), "Q-0001");
}

#[test]
fn a_running_daemon_reads_a_file_again_when_asked() {
    let place = with_two_set_aside();
    mend_config(&place);
    let mut watching = place.watch();
    wait_until("the daemon to have looked", || {
        place.log().contains("INFO") || watching.runs()
    });
    place.ok(&run("retry", &["Q-0002"]));
    wait_until("the file to count", || {
        place.number("SELECT count(*) FROM file WHERE verdict = 'accepted'") == 1
    });
    watching.kill();
    place.assert_sound();
}

#[test]
fn a_discarded_file_is_off_the_list_and_nothing_of_it_is_gone() {
    let place = with_two_set_aside();
    let before = place.table("SELECT * FROM file");
    place.ok(&run("discard", &["Q-0002"]));
    assert_eq!(names(&place), ["Q-0001"]);
    assert_eq!(place.table("SELECT * FROM file"), before);
    assert_eq!(place.replay()["quarantined"], 0, "it is not read again");
    let acts = place.table("SELECT what, who, reason FROM quarantine");
    assert!(
        acts[0].contains("discard") && acts[0].contains("R. Okafor") && acts[0].contains(WHO[3]),
        "{acts:?}"
    );
    place.assert_sound();
}

#[test]
fn a_decision_needs_a_file_on_the_list_a_name_and_a_reason() {
    let place = with_two_set_aside();
    for wrong in [
        run("discard", &["Q-0009"]),
        run("retry", &["whatever"]),
        vec![
            "quarantine",
            "discard",
            "Q-0001",
            "--by",
            " ",
            "--reason",
            "r",
        ],
        vec!["quarantine", "discard", "Q-0001", "--by", "R. Okafor"],
    ] {
        assert_eq!(place.run(&wrong).code, Some(2), "{wrong:?}");
    }
    place.ok(&run("discard", &["Q-0001"]));
    assert_eq!(place.run(&run("discard", &["Q-0001"])).code, Some(2));
    assert_eq!(place.number("SELECT count(*) FROM quarantine"), 1);
}
