//! Every route with every method, for every kind of visitor.

use axum::body::{Body, to_bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use tower::ServiceExt;

use super::*;
use crate::commands::report::build_shift_report;
use crate::store::Reader;
use site::{HEADERS, HOSTILE, Site, site};

mod feeds;
mod proposals;
mod reports;
mod site;
mod socket;

const ROUTES: [(&str, &str); 37] = [
    ("GET", "/"),
    ("GET", "/alerts"),
    ("GET", "/alerts/health"),
    ("GET", "/alerts/1"),
    ("GET", "/alerts/1/causes"),
    ("POST", "/alerts/1/acknowledge"),
    ("POST", "/alerts/1/comment"),
    ("POST", "/alerts/1/shelve"),
    ("POST", "/alerts/1/unshelve"),
    ("POST", "/alerts/1/close"),
    ("GET", "/alerts/1/boards.csv"),
    ("GET", "/streams"),
    ("GET", "/streams/1"),
    ("GET", "/streams/1/capability"),
    ("GET", "/streams/1/pads"),
    ("POST", "/streams/1/freeze"),
    ("POST", "/streams/1/restart"),
    ("POST", "/streams/1/out-of-service"),
    ("POST", "/streams/1/in-service"),
    ("POST", "/proposals/1/approve"),
    ("POST", "/proposals/1/reject"),
    ("POST", "/silences/1/acknowledge"),
    ("POST", "/quarantine/1/retry"),
    ("POST", "/quarantine/1/discard"),
    ("GET", "/feeds"),
    ("GET", "/reports"),
    ("GET", "/reports/shift/1/1"),
    ("GET", "/reports/packs/audit-1/audit.html"),
    ("POST", "/reports/packs"),
    ("GET", "/events"),
    ("GET", "/health"),
    ("GET", "/metrics"),
    ("GET", "/login"),
    ("POST", "/login"),
    ("POST", "/logout"),
    ("GET", "/style.css"),
    ("GET", "/page.js"),
];

const PUBLIC: [&str; 3] = ["/login", "/style.css", "/page.js"];

const METHODS: [&str; 7] = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"];

struct Answer {
    status: StatusCode,
    headers: HeaderMap,
    text: String,
}

async fn ask(
    site: &Site,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Answer {
    let mut request = Request::builder()
        .method(Method::from_bytes(method.as_bytes()).unwrap())
        .uri(path);
    if !headers.iter().any(|(name, _)| *name == "host") {
        request = request.header("host", "localhost:8474");
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let request = request.body(Body::from(body.to_owned())).unwrap();
    let response = app(Arc::clone(&site.page)).oneshot(request).await.unwrap();
    let (parts, body) = response.into_parts();
    for (name, value) in HEADERS {
        let found = parts
            .headers
            .get(name)
            .unwrap_or_else(|| panic!("{method} {path}: no {name}"));
        assert!(
            found.to_str().unwrap().starts_with(value),
            "{method} {path}: {found:?}"
        );
    }
    let is_stream = path == "/events" && parts.status == StatusCode::OK;
    let text = match is_stream {
        true => String::new(),
        false => String::from_utf8(to_bytes(body, 4 << 20).await.unwrap().to_vec()).unwrap(),
    };
    Answer {
        status: parts.status,
        headers: parts.headers,
        text,
    }
}

const OWN: (&str, &str) = ("sec-fetch-site", "same-origin");
const OPERATOR: (&str, &str) = ("authorization", "Bearer operator");
const VIEWER: (&str, &str) = ("authorization", "Bearer viewer");

fn is_route(method: &str, path: &str) -> bool {
    let get = if method == "HEAD" { "GET" } else { method };
    ROUTES.contains(&(get, path))
}

#[tokio::test]
async fn every_route_refuses_strangers_whatever_the_method() {
    let site = site(true);
    for (_, path) in ROUTES {
        for method in METHODS {
            let is_safe = matches!(method, "GET" | "HEAD" | "OPTIONS");
            let plain = ask(&site, method, path, &[], "").await.status;
            let own = ask(&site, method, path, &[OWN], "").await.status;
            let expected = match PUBLIC.contains(&path) {
                true if !is_route(method, path) => StatusCode::METHOD_NOT_ALLOWED,
                true if method == "POST" => StatusCode::UNAUTHORIZED,
                true => StatusCode::OK,
                false => StatusCode::UNAUTHORIZED,
            };
            // Five wrong tokens a minute, and then a while of silence.
            let own_expected = match (own, path) {
                (StatusCode::TOO_MANY_REQUESTS, "/login") => own,
                _ => expected,
            };
            assert_eq!(own, own_expected, "{method} {path}");
            let plain_expected = if is_safe {
                expected
            } else {
                StatusCode::FORBIDDEN
            };
            assert_eq!(plain, plain_expected, "{method} {path}");
        }
    }
}

#[tokio::test]
async fn every_route_refuses_other_hosts_and_other_sites() {
    let site = site(true);
    for (_, path) in ROUTES {
        for method in METHODS {
            for host in [
                "evil.example",
                "localhost.evil.example",
                "spc.example.evil:8474",
                "",
            ] {
                let all = [("host", host), OWN, OPERATOR];
                let answer = ask(&site, method, path, &all, "").await;
                assert_eq!(
                    answer.status,
                    StatusCode::MISDIRECTED_REQUEST,
                    "{method} {path} {host}"
                );
            }
        }
    }
    for (_, path) in ROUTES.iter().filter(|(method, _)| *method == "POST") {
        for other in [
            &[("sec-fetch-site", "cross-site"), OPERATOR][..],
            &[("sec-fetch-site", "same-site"), OPERATOR],
            &[("origin", "http://evil.example")],
            &[("referer", "http://evil.example/localhost:8474")],
            &[],
        ] {
            let answer = ask(&site, "POST", path, other, "by=A&reason=b&comment=c").await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{path} {other:?}");
        }
    }
    let answer = ask(&site, "GET", "/", &[("host", "SPC.example:1"), VIEWER], "").await;
    assert_eq!(answer.status, StatusCode::OK);
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    assert!(reader.requests(i64::MIN, i64::MAX).unwrap().is_empty());
}

#[tokio::test]
async fn who_may_look_sees_every_page_and_changes_nothing() {
    let site = site(true);
    for (method, path) in ROUTES {
        let answer = ask(&site, method, path, &[VIEWER], "by=A&reason=b&comment=c").await;
        let expected = match (method, path) {
            ("GET", path) if path.starts_with("/reports/") => StatusCode::NOT_FOUND,
            ("GET", _) => StatusCode::OK,
            (_, "/login") => StatusCode::UNAUTHORIZED,
            (_, "/logout") => StatusCode::SEE_OTHER,
            _ => StatusCode::FORBIDDEN,
        };
        assert_eq!(answer.status, expected, "{method} {path}");
    }
    for path in [
        "/nowhere",
        "/streams/99",
        "/streams/x",
        "/alerts/99",
        "/alerts/%2e%2e%2fx",
    ] {
        let answer = ask(&site, "GET", path, &[VIEWER], "").await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{path}");
    }
    let wrong = ask(&site, "DELETE", "/alerts/1", &[VIEWER], "").await;
    assert_eq!(wrong.status, StatusCode::METHOD_NOT_ALLOWED);
    assert_eq!(wrong.headers["allow"], "GET, HEAD");
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    assert!(reader.requests(i64::MIN, i64::MAX).unwrap().is_empty());
    assert!(
        reader
            .alerts()
            .unwrap()
            .iter()
            .all(|alert| alert.acknowledged.is_none())
    );
}

/// What the operator's changes left in the record.
fn assert_recorded(reader: &Reader, few: i64, judged: i64) {
    let (_, by, comment) = reader.alerts().unwrap()[0].acknowledged.clone().unwrap();
    assert_eq!(
        (by.as_str(), comment.as_str()),
        ("A Worker (token desk)", "wiped & watched")
    );
    let asked = reader.requests(i64::MIN, i64::MAX).unwrap();
    let asked: Vec<(i64, &str, &str)> = asked
        .iter()
        .map(|one| (one.stream, one.kind.as_str(), one.author.as_str()))
        .collect();
    assert_eq!(asked.len(), 2);
    assert!(
        asked.contains(&(few, "freeze", "A (token desk)")),
        "{asked:?}"
    );
    assert!(
        asked.contains(&(judged, "restart", "A (token desk)")),
        "{asked:?}"
    );
}

#[tokio::test]
async fn who_may_operate_leaves_name_reason_and_token_in_the_record() {
    let site = site(true);
    let reader = Reader::open(&site.page.config.data_folder).unwrap();
    let (few, judged) = {
        let streams = reader.streams().unwrap();
        let number = |judged: bool| {
            streams
                .iter()
                .find(|stream| stream.monitoring == judged)
                .map(|stream| stream.id)
        };
        (number(false).unwrap(), number(true).unwrap())
    };
    let alert = reader.alerts().unwrap()[0].id;
    let acknowledge = format!("/alerts/{alert}/acknowledge");
    for (path, body, expected) in [
        (acknowledge.clone(), "by=&comment=seen", 400),
        (acknowledge.clone(), "by=A+Worker&comment=+", 400),
        ("/alerts/99/acknowledge".to_owned(), "by=A&comment=b", 400),
        (
            acknowledge.clone(),
            "by=A+Worker&comment=wiped+%26+watched",
            303,
        ),
        (acknowledge.clone(), "by=B+Worker&comment=again", 409),
        (format!("/streams/{judged}/freeze"), "by=A&reason=b", 409),
        (format!("/streams/{few}/freeze"), "by=A&reason=", 400),
        (format!("/streams/{few}/freeze"), "by=A&reason=enough", 409),
        (
            format!("/streams/{few}/freeze"),
            "by=A&reason=enough&override=yes",
            303,
        ),
        (
            format!("/streams/{judged}/restart"),
            "by=A&reason=new+foil&from=yesterday",
            400,
        ),
        (
            format!("/streams/{judged}/restart"),
            "by=A&reason=new+foil&from=2026-03-02T06:20",
            303,
        ),
        ("/streams/99/restart".to_owned(), "by=A&reason=b", 404),
    ] {
        let answer = ask(&site, "POST", &path, &[OPERATOR], body).await;
        assert_eq!(
            answer.status.as_u16(),
            expected,
            "{path} {body}: {}",
            answer.text
        );
    }
    let long = format!("by=A&comment={}", "x".repeat(1_001));
    let answer = ask(&site, "POST", &acknowledge, &[OPERATOR], &long).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);

    assert_recorded(&reader, few, judged);
    let shown = ask(&site, "GET", &format!("/alerts/{alert}"), &[OPERATOR], "")
        .await
        .text;
    assert!(shown.contains("wiped &amp; watched") && shown.contains("A Worker (token desk)"));
}

#[tokio::test]
async fn no_text_of_a_file_or_a_person_can_carry_markup_into_a_page() {
    let site = site(true);
    let form = format!(
        "by={0}&comment={0}",
        HOSTILE.replace('&', "%26").replace('+', "%2b")
    );
    let done = ask(&site, "POST", "/alerts/1/acknowledge", &[OPERATOR], &form).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{}", done.text);
    let find = "/streams?find=%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E";
    let pages = [
        "/",
        "/alerts",
        "/alerts/1",
        "/streams",
        find,
        "/streams/1",
        "/streams/2",
        "/streams/2?by=family&points=150",
        "/streams/1/capability",
        "/streams/1/pads",
        "/alerts/1/causes",
        "/feeds",
        "/reports",
        "/login",
    ];
    for path in pages {
        let text = ask(&site, "GET", path, &[OPERATOR], "").await.text;
        let lower = text.to_lowercase();
        for markup in [
            "<img",
            "<script>",
            "<b>",
            "javascript:",
            " style=",
            " onclick",
            " onload",
        ] {
            assert!(!lower.contains(markup), "{path} has {markup}");
        }
        assert_eq!(
            lower.matches("</title>").count(),
            1 + text.matches("<svg").count(),
            "{path}"
        );
        let scripts = usize::from(path != "/login");
        assert_eq!(lower.matches("<script").count(), scripts, "{path}");
        assert!(
            text.contains("&lt;img src=x onerror=alert(1)&gt;"),
            "{path} shows the text"
        );
    }
    let refused = ask(&site, "GET", "/streams/%3Cscript%3E", &[OPERATOR], "").await;
    assert!(!refused.text.contains("<script"), "{}", refused.text);
    let body = format!("by=A&reason=b&from={HOSTILE}");
    let refused = ask(&site, "POST", "/streams/1/restart", &[OPERATOR], &body).await;
    assert_eq!(refused.status, StatusCode::BAD_REQUEST);
    assert!(!refused.text.contains("<img") && refused.text.contains("&lt;img"));
}

#[tokio::test]
async fn a_channel_that_fails_is_among_what_needs_someone() {
    let site = site(true);
    for path in ["/", "/alerts", "/alerts/health"] {
        let page = ask(&site, "GET", path, &[VIEWER], "").await.text;
        assert!(page.contains("hub"), "{path}: {page}");
        assert!(page.contains("failing since 1970-01-01 00:00"), "{path}");
    }
    let health = ask(&site, "GET", "/alerts/health", &[VIEWER], "").await;
    for cell in [
        "\"Waiting\" class=\"number\">1<",
        "\"Refused\" class=\"number\">1<",
        "\"Last sent\" class=\"tight\">never<",
    ] {
        assert!(health.text.contains(cell), "{cell}: {}", health.text);
    }
    let (config, reader) = (
        &site.page.config,
        Reader::open(&site.page.config.data_folder).unwrap(),
    );
    let shift = crate::shifts::at(config, reader.events().unwrap().unwrap().1);
    let report = build_shift_report(config, &reader, &shift).unwrap();
    assert_eq!(
        report.health_remarks[0],
        "channel hub: failing since 1970-01-01 00:00 UTC; “driftvane alerts channels” says why"
    );
    let first = ask(&site, "GET", "/", &[VIEWER], "").await.text;
    assert!(first.contains("Notices do not leave as they should"));
    assert!(first.contains("1 notice waits"), "{first}");
}

#[tokio::test]
async fn a_session_begins_with_a_token_and_ends_when_asked() {
    let site = site(true);
    let wrong = ask(&site, "POST", "/login", &[OWN], "token=nothing").await;
    assert_eq!(wrong.status, StatusCode::UNAUTHORIZED);
    assert!(
        !wrong.text.contains("nothing"),
        "what was sent is not repeated"
    );
    let right = ask(&site, "POST", "/login", &[OWN], "token=operator").await;
    assert_eq!(
        (right.status, &right.headers["location"]),
        (StatusCode::SEE_OTHER, &"/".parse().unwrap())
    );
    let cookie = right.headers["set-cookie"].to_str().unwrap().to_owned();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    assert!(!cookie.contains("operator"), "the cookie is no token");
    let cookie = ("cookie", cookie.split(';').next().unwrap());
    assert_eq!(
        ask(&site, "GET", "/", &[cookie], "").await.status,
        StatusCode::OK
    );
    // A cookie alone is no proof of where a request comes from.
    let forged = ask(
        &site,
        "POST",
        "/alerts/1/acknowledge",
        &[cookie],
        "by=A&comment=b",
    )
    .await;
    assert_eq!(forged.status, StatusCode::FORBIDDEN);
    let own = ask(
        &site,
        "POST",
        "/alerts/1/acknowledge",
        &[cookie, OWN],
        "by=A&comment=b",
    )
    .await;
    assert_eq!(own.status, StatusCode::SEE_OTHER);
    let out = ask(&site, "POST", "/logout", &[cookie, OWN], "").await;
    assert!(
        out.headers["set-cookie"]
            .to_str()
            .unwrap()
            .contains("Max-Age=0")
    );
    assert_eq!(
        ask(&site, "GET", "/", &[cookie], "").await.status,
        StatusCode::UNAUTHORIZED
    );
}

#[tokio::test]
async fn wrong_tokens_are_counted_in_headers_and_in_forms() {
    let site = site(true);
    for attempt in 0..5 {
        let wrong = [("authorization", "Bearer wrong")];
        let status = match attempt % 2 {
            0 => ask(&site, "GET", "/", &wrong, "").await.status,
            _ => {
                ask(&site, "POST", "/login", &[OWN], "token=wrong")
                    .await
                    .status
            }
        };
        assert_eq!(status, StatusCode::UNAUTHORIZED);
    }
    for (method, path, header, body) in [
        ("GET", "/", ("authorization", "Bearer wrong"), ""),
        ("POST", "/login", OWN, "token=wrong"),
    ] {
        let late = ask(&site, method, path, &[header], body).await;
        assert_eq!(late.status, StatusCode::TOO_MANY_REQUESTS);
        assert_eq!(late.headers["retry-after"], "60");
    }
    // Whoever has a right one passes, also from the address of a proxy that others guess through.
    let right = ask(&site, "GET", "/", &[OPERATOR], "").await;
    assert_eq!(right.status, StatusCode::OK);
    let right = ask(&site, "POST", "/login", &[OWN], "token=operator").await;
    assert_eq!(right.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn without_tokens_everyone_looks_and_nobody_changes() {
    let site = site(false);
    for (method, path) in ROUTES {
        let answer = ask(
            &site,
            method,
            path,
            &[OWN],
            "token=x&by=A&reason=b&comment=c",
        )
        .await;
        let expected = match (method, path) {
            ("GET", path) if path.starts_with("/reports/") => StatusCode::NOT_FOUND,
            ("GET", _) => StatusCode::OK,
            (_, "/login") => StatusCode::UNAUTHORIZED,
            (_, "/logout") => StatusCode::SEE_OTHER,
            _ => StatusCode::FORBIDDEN,
        };
        assert_eq!(answer.status, expected, "{method} {path}");
        assert!(!answer.text.contains("<button>Acknowledge"), "{path}");
    }
}

#[tokio::test]
async fn an_alert_is_shown_without_its_causes_when_the_archive_is_busy() {
    let site = site(false);
    let words = "The archive has not answered in time";
    let at_once = ask(&site, "GET", "/alerts/1", &[], "").await;
    assert!(at_once.text.contains("data-later=\"/alerts/1/causes\""));
    let free = ask(&site, "GET", "/alerts/1/causes", &[], "").await;
    assert!(free.status == StatusCode::OK && !free.text.contains(words));
    assert!(!free.text.contains("data-later"));
    let passes = Arc::clone(&site.page.passes);
    let _busy = passes.acquire_many(2).await.unwrap();
    for path in ["/streams/1/capability", "/streams/1/pads"] {
        let busy = ask(&site, "GET", path, &[], "").await;
        assert_eq!(busy.status, StatusCode::SERVICE_UNAVAILABLE, "{path}");
    }
    for path in ["/alerts/1/causes", "/streams/1?by=family"] {
        let busy = ask(&site, "GET", path, &[], "").await;
        assert!(
            busy.status == StatusCode::OK && busy.text.contains(words),
            "{path}"
        );
        assert!(
            busy.text.contains("<svg"),
            "the chart is there all the same: {path}"
        );
    }
}

#[tokio::test]
async fn a_stream_shows_its_siblings_by_shape_where_that_is_asked() {
    let site = site(false);
    let plain = ask(&site, "GET", "/streams/1", &[], "").await.text;
    assert!(
        plain.contains("&amp;by=family\"") && !plain.contains("shown beside"),
        "{plain}"
    );
    let told = ask(&site, "GET", "/streams/1?by=family", &[], "")
        .await
        .text;
    for words in [
        ">family:<",
        ">few<",
        "<td class=\"stratum\">few</td>",
        "shown beside, not judged",
    ] {
        assert!(told.contains(words), "{words}");
    }
    // Its feed says neither where pads lie nor what they are to be like.
    for way in ["/streams/1/pads", "/streams/1/capability"] {
        assert!(!plain.contains(way), "{way} leads to nothing");
    }
    // What is no key of it is not asked for.
    for by in ["line", "pin", "%3Cscript%3E"] {
        let other = ask(&site, "GET", &format!("/streams/1?by={by}"), &[], "").await;
        assert_eq!(other.status, StatusCode::OK, "{by}");
        assert!(!other.text.contains("shown beside"), "{by}");
    }
}
