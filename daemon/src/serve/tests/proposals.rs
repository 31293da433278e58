//! Changes of limits that another person has to approve, and tokens that let nobody in.

use super::*;
use crate::serve::tests::site::site_of;

const APPROVER: (&str, &str) = ("authorization", "Bearer approver");
const ENDED: (&str, &str) = ("authorization", "Bearer ended");

const NEED: &str = "[limits]\nneed_approval = true\n";

fn asked(site: &Site) -> usize {
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    reader.requests(i64::MIN, i64::MAX).unwrap().len()
}

async fn status(site: &Site, path: &str, who: (&str, &str), body: &str) -> u16 {
    let answer = ask(site, "POST", path, &[who], body).await;
    answer.status.as_u16()
}

#[tokio::test]
async fn what_someone_proposes_another_approves_and_only_then_it_is_asked_for() {
    let site = site_of(true, NEED);
    let restart = "/streams/1/restart";
    assert_eq!(
        status(&site, restart, OPERATOR, "by=A&reason=foil").await,
        303
    );
    assert_eq!(
        status(&site, restart, OPERATOR, "by=B&reason=foil").await,
        409
    );
    assert_eq!(asked(&site), 0, "it is proposed, and no more");
    let shown = ask(&site, "GET", "/streams/1", &[APPROVER], "").await.text;
    assert!(shown.contains("P-0001") && shown.contains("/proposals/1/approve"));
    let shown = ask(&site, "GET", "/streams/1", &[OPERATOR], "").await.text;
    assert!(shown.contains("P-0001") && !shown.contains("/proposals/1/approve"));
    let first = ask(&site, "GET", "/", &[VIEWER], "").await.text;
    assert!(first.contains("P-0001"), "{first}");

    let approve = "/proposals/1/approve";
    for (who, body, expected) in [
        (VIEWER, "by=C&reason=seen", 403),
        (OPERATOR, "by=C&reason=seen", 403),
        (ENDED, "by=C&reason=seen", 401),
        (APPROVER, "by=C&reason=", 400),
        (APPROVER, "by=a&reason=seen", 409),
    ] {
        assert_eq!(status(&site, approve, who, body).await, expected, "{body}");
        assert_eq!(asked(&site), 0);
    }
    assert_eq!(
        status(&site, approve, APPROVER, "by=C&reason=seen").await,
        303
    );
    assert_eq!(
        status(&site, approve, APPROVER, "by=C&reason=seen").await,
        409
    );
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    let asked = reader.requests(i64::MIN, i64::MAX).unwrap();
    let words = "A (token desk), approved by C (token office)";
    assert_eq!((asked.len(), asked[0].author.as_str()), (1, words));
    assert_eq!(
        status(&site, "/proposals/7/approve", APPROVER, "by=C&reason=x").await,
        400
    );
}

#[tokio::test]
async fn what_is_rejected_is_never_asked_for() {
    let site = site_of(true, NEED);
    let proposed = status(&site, "/streams/1/restart", OPERATOR, "by=A&reason=foil").await;
    assert_eq!(proposed, 303);
    let reject = "/proposals/1/reject";
    assert_eq!(status(&site, reject, OPERATOR, "by=A&reason=no").await, 403);
    // Whoever proposed it may take it back.
    assert_eq!(status(&site, reject, APPROVER, "by=A&reason=no").await, 303);
    let approve = status(&site, "/proposals/1/approve", APPROVER, "by=C&reason=yes").await;
    assert_eq!((approve, asked(&site)), (409, 0));
}

#[tokio::test]
async fn one_token_does_not_approve_what_it_proposed_under_another_name() {
    let site = site_of(true, NEED);
    let restart = "/streams/1/restart";
    assert_eq!(
        status(&site, restart, APPROVER, "by=A&reason=foil").await,
        303
    );
    let approve = status(&site, "/proposals/1/approve", APPROVER, "by=B&reason=x").await;
    assert_eq!((approve, asked(&site)), (409, 0));
}

#[tokio::test]
async fn a_token_whose_time_is_over_is_told_so() {
    let site = site(true);
    let page = ask(&site, "GET", "/", &[ENDED], "").await;
    assert_eq!(page.status, StatusCode::UNAUTHORIZED);
    assert!(page.text.contains("The time of this token is over"));
    let login = ask(&site, "POST", "/login", &[OWN], "token=ended").await;
    assert_eq!(login.status, StatusCode::UNAUTHORIZED);
    assert!(login.text.contains("The time of this token is over"));
    assert!(!login.headers.contains_key("set-cookie"));
    let cookie = ("cookie", "driftvane=0123");
    let late = ask(&site, "GET", "/", &[cookie], "").await;
    assert!(
        late.text.contains("Your session has ended"),
        "{}",
        late.text
    );
}

#[tokio::test]
async fn programs_are_refused_in_plain_text() {
    let site = site(true);
    for path in ["/health", "/metrics", "/events"] {
        for (headers, words) in [
            (&[][..], "A token is needed"),
            (&[("authorization", "Bearer wrong")], "no such token"),
            (&[ENDED], "time of this token is over"),
        ] {
            let answer = ask(&site, "GET", path, headers, "").await;
            let kind = answer.headers["content-type"].to_str().unwrap();
            assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{path}");
            assert!(
                kind.starts_with("text/plain") && !answer.text.contains('<'),
                "{path}"
            );
            assert!(answer.text.contains(words), "{path}: {}", answer.text);
            assert_eq!(answer.headers["www-authenticate"], "Bearer");
        }
    }
}
