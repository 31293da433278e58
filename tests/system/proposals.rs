//! Changes of limits that need a second person, from the command line.

use crate::place::{Place, list, small_config, small_plant, text};

fn place() -> Place {
    let config = format!("{}\n[limits]\nneed_approval = true\n", small_config(60));
    let place = Place::new(&config);
    for file in small_plant().deliveries(71) {
        place.deliver(&file);
    }
    place.replay();
    place
}

fn said<'a>(what: &[&'a str], by: &'a str, reason: &'a str) -> Vec<&'a str> {
    [&["limits"], what, &["--by", by, "--reason", reason]].concat()
}

#[test]
fn a_change_of_limits_holds_once_someone_else_approved_it() {
    let place = place();
    let all = place.json(&["streams"]);
    let has_limits = |one: &&serde_json::Value| text(one, "phase") == "monitoring";
    let stream = text(list(&all).iter().find(has_limits).unwrap(), "stream").to_owned();
    let phase = || {
        let all = place.json(&["streams"]);
        let own = list(&all).iter().find(|one| text(one, "stream") == stream);
        text(own.unwrap(), "phase").to_owned()
    };

    let told = place.ok(&said(&["restart", &stream], "Ada", "new foil"));
    assert!(told.starts_with("P-0001: restart"), "{told}");
    let shown = place.ok(&["limits", "list", &stream]);
    assert!(shown.contains("P-0001 waits for approval"), "{shown}");
    let versions = place.json(&["limits", "list", &stream]);
    let pending = &versions[0]["pending"][0];
    assert_eq!(
        [text(pending, "id"), text(pending, "author")],
        ["P-0001", "Ada"]
    );

    for (what, by, words) in [
        ("P-0001", "ada", "someone else has to approve it"),
        ("P-0002", "Bob", "there is no proposal"),
    ] {
        let answer = place.run(&said(&["approve", what], by, "seen"));
        assert_ne!(answer.code, Some(0));
        assert!(answer.err.contains(words), "{}", answer.err);
    }
    assert_eq!(place.number("SELECT count(*) FROM request"), 0);
    assert_eq!(phase(), "monitoring", "nothing holds that nobody approved");

    let told = place.ok(&said(&["approve", "P-0001"], "Bob", "the foil is new"));
    assert!(told.contains("done"), "{told}");
    assert_eq!(phase(), "baseline");
    let again = place.run(&said(&["reject", "P-0001"], "Bob", "no"));
    assert!(
        again.err.contains("approved by Bob already"),
        "{}",
        again.err
    );
    let proposals = place.json(&["limits", "proposals"]);
    let decided = &proposals[0];
    assert_eq!(text(decided, "state"), "approved");
    assert_eq!(text(&decided["decision"], "by"), "Bob");
    let shown = place.ok(&["limits", "list", &stream]);
    assert!(
        shown.contains("restarted by Ada, approved by Bob"),
        "{shown}"
    );
    place.assert_sound();
}

#[test]
fn the_trail_of_a_proposal_can_not_be_changed_unseen() {
    let place = place();
    let stream = text(&place.json(&["streams"])[0], "stream").to_owned();
    place.ok(&said(&["restart", &stream], "Ada", "new foil"));
    place.ok(&said(&["reject", "P-0001"], "Bob", "it is the old one"));
    place.assert_sound();
    for (sql, what) in [
        ("UPDATE proposal SET author = 'Bob'", "proposal 1"),
        ("UPDATE decision SET who = 'Eve'", "decision 1"),
    ] {
        place.record().execute(sql, []).unwrap();
        let answer = place.run(&["verify"]);
        assert_eq!(answer.code, Some(1));
        assert!(answer.out.contains(what), "{sql}: {}", answer.out);
    }
}
