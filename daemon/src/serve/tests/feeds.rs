//! What is done on the page about feeds that are silent and files that were set aside.

use super::*;
use crate::commands::feeds;
use crate::store::{Notice, Store};
use crate::words::Severity;

/// Has the site's feed fall silent.
fn fall_silent(site: &Site) {
    let notice = Notice {
        key: "feed-silent".to_owned(),
        alert: None,
        kind: "silent".to_owned(),
        at: 2,
        line: String::new(),
        severity: Severity::Medium,
        state: "active".to_owned(),
        streams: Vec::new(),
        subject: "silent".to_owned(),
        text: "silent".to_owned(),
        body: "{}".to_owned(),
    };
    let mut store = Store::open(&site.page.config.data_folder).unwrap();
    store.begin_silence(HOSTILE, (1, 2), &notice).unwrap();
}

#[tokio::test]
async fn a_silence_is_one_on_every_page_and_is_acknowledged_there() {
    let site = site(true);
    let silent = "is silent since 1970-01-01 00:00";
    let before = ask(&site, "GET", "/feeds", &[OPERATOR], "").await.text;
    assert!(!before.contains("silent since"), "nothing says so yet");
    fall_silent(&site);
    for path in ["/", "/feeds"] {
        let page = ask(&site, "GET", path, &[OPERATOR], "").await.text;
        assert!(page.contains(silent), "{path}");
        assert!(page.contains("Nobody has acknowledged it"), "{path}");
    }
    let path = "/silences/1/acknowledge";
    for (path, body, expected) in [
        (path, "by=A&comment=", 400),
        ("/silences/7/acknowledge", "by=A&comment=seen", 409),
        (path, "by=A&comment=cable", 303),
    ] {
        let answer = ask(&site, "POST", path, &[OPERATOR], body).await;
        assert_eq!(answer.status.as_u16(), expected, "{path} {body}");
    }
    let page = ask(&site, "GET", "/feeds", &[VIEWER], "").await.text;
    assert!(page.contains("A (token desk), ") && page.contains("cable"));
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    let lines = feeds::feeds(&site.page.config, &reader).unwrap();
    let seen = lines[0].silence_seen.clone().unwrap();
    assert!(seen.contains("A (token desk)"), "{seen}");
}

#[tokio::test]
async fn a_file_that_was_set_aside_is_read_again_or_taken_off_the_list() {
    let site = site(true);
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    let file = reader.aside().unwrap()[0].file;
    let page = ask(&site, "GET", "/feeds", &[OPERATOR], "").await.text;
    assert!(page.contains(&format!("/quarantine/{file}/retry")));
    let page = ask(&site, "GET", "/feeds", &[VIEWER], "").await.text;
    assert!(
        !page.contains("/quarantine/"),
        "who may look only is asked nothing"
    );
    let retry = format!("/quarantine/{file}/retry");
    for (path, body, expected) in [
        (retry.as_str(), "by=A&reason=", 400),
        ("/quarantine/999/retry", "by=A&reason=b", 409),
        (retry.as_str(), "by=A&reason=put+right", 303),
    ] {
        let answer = ask(&site, "POST", path, &[OPERATOR], body).await;
        assert_eq!(answer.status.as_u16(), expected, "{path} {body}");
    }
    let page = ask(&site, "GET", "/feeds", &[OPERATOR], "").await.text;
    assert!(page.contains("asked for by A (token desk)"), "{page}");
    let discard = format!("/quarantine/{file}/discard");
    let answer = ask(&site, "POST", &discard, &[OPERATOR], "by=A&reason=old").await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert!(reader.aside().unwrap().is_empty());
}
