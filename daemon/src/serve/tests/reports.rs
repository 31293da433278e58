//! The reports that were written and the audit packs, as the page lists and hands them out.

use std::fs;
use std::os::unix::fs::symlink;

use super::*;
use crate::commands::report::write_shift_report;

/// What a browser may do with a report: show it.
const SHOWN_ONLY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                          base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox";

/// Asks for a file, and gives its head and its bytes.
async fn taken(site: &Site, path: &str) -> (StatusCode, HeaderMap, Vec<u8>) {
    let request = Request::get(path).header("host", "localhost");
    let request = request.header(VIEWER.0, VIEWER.1).body(Body::empty());
    let response = app(Arc::clone(&site.page)).oneshot(request.unwrap());
    let (parts, body) = response.await.unwrap().into_parts();
    let bytes = to_bytes(body, 16 << 20).await.unwrap();
    for (name, value) in &HEADERS[1..] {
        assert_eq!(parts.headers[*name], *value, "{path}");
    }
    (parts.status, parts.headers, bytes.to_vec())
}

/// The addresses below `/reports/` that the list leads to.
async fn addresses(site: &Site) -> Vec<String> {
    let list = ask(site, "GET", "/reports", &[VIEWER], "").await.text;
    let parts = list.split("href=\"/reports/").skip(1);
    let address = |part: &str| format!("/reports/{}", part.split('"').next().unwrap());
    parts.map(address).collect()
}

#[tokio::test]
async fn a_report_is_listed_with_its_revisions_and_shown_as_it_was_written() {
    let site = site(true);
    let config = &site.page.config;
    let reader = Reader::open(&config.data_folder).unwrap();
    let shift = crate::shifts::at(config, reader.events().unwrap().unwrap().1);
    assert_eq!(addresses(&site).await, [""; 0]);
    let written = write_shift_report(config, &reader, &shift).unwrap();
    let acknowledge = "/alerts/1/acknowledge";
    let said = ask(&site, "POST", acknowledge, &[OPERATOR], "by=A&comment=b").await;
    assert_eq!(said.status, StatusCode::SEE_OTHER);
    let again = write_shift_report(config, &reader, &shift).unwrap();
    assert_eq!((written.revision, again.revision), (1, 2));

    let found = addresses(&site).await;
    let of = |revision| format!("/reports/shift/{}/{revision}", shift.start);
    assert_eq!(found, [of(2), of(1)], "the newest first");
    for (address, path) in [(&found[0], &again.path), (&found[1], &written.path)] {
        let (status, headers, bytes) = taken(&site, address).await;
        assert_eq!(status, StatusCode::OK);
        assert_eq!(headers["content-security-policy"], SHOWN_ONLY);
        assert_eq!(headers["content-type"], "text/html; charset=utf-8");
        assert_eq!(bytes, fs::read(path).unwrap());
    }

    // What does not lie where it was written, or is a link, is not handed out.
    fs::remove_file(&again.path).unwrap();
    symlink(config.data_folder.join("driftvane.sqlite"), &again.path).unwrap();
    let (status, _, bytes) = taken(&site, &found[0]).await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert!(!bytes.starts_with(b"SQLite"));
}

#[tokio::test]
async fn a_report_is_found_after_the_plant_was_moved() {
    let site = site(true);
    let config = &site.page.config;
    let reader = Reader::open(&config.data_folder).unwrap();
    let shift = crate::shifts::at(config, reader.events().unwrap().unwrap().1);
    let mut before = Config::clone(config);
    before.report_folder = config.data_folder.join("before");
    let written = write_shift_report(&before, &reader, &shift).unwrap();
    let bytes = fs::read(&written.path).unwrap();
    let address = format!("/reports/shift/{}/1", shift.start);
    assert_eq!(
        taken(&site, &address).await.2,
        bytes,
        "where it was written"
    );
    fs::create_dir_all(&config.report_folder).unwrap();
    let moved = config.report_folder.join(written.path.file_name().unwrap());
    fs::rename(&written.path, &moved).unwrap();
    let (status, _, found) = taken(&site, &address).await;
    assert_eq!((status, found), (StatusCode::OK, bytes));
    fs::remove_file(moved).unwrap();
    assert_eq!(taken(&site, &address).await.0, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_pack_is_made_by_who_may_operate_and_every_file_of_it_is_handed_out() {
    let site = site(true);
    let form = "from=2026-03-02&to=2026-03-03&product=";
    let refused = ask(&site, "POST", "/reports/packs", &[VIEWER], form).await;
    assert_eq!(refused.status, StatusCode::FORBIDDEN);
    for (body, expected) in [
        ("from=2026-03-03&to=2026-03-02", 400),
        ("from=tomorrow&to=2026-03-02", 400),
        ("from=2026-03-02&to=2026-03-03&product=..%2f..%2fx", 400),
        ("from=2020-03-02&to=2020-03-03", 409),
        (form, 303),
    ] {
        let answer = ask(&site, "POST", "/reports/packs", &[OPERATOR], body).await;
        assert_eq!(answer.status.as_u16(), expected, "{body}: {}", answer.text);
    }
    let found = addresses(&site).await;
    let name = "audit-2026-03-02-to-2026-03-03";
    let files = ["audit.html", "figures.xlsx", "figures.json"];
    assert_eq!(
        found,
        files.map(|file| format!("/reports/packs/{name}/{file}"))
    );
    let folder = site.page.config.report_folder.join(name);
    for (address, file) in found.iter().zip(files) {
        let (status, headers, bytes) = taken(&site, address).await;
        assert_eq!(status, StatusCode::OK, "{address}");
        assert_eq!(bytes, fs::read(folder.join(file)).unwrap());
        match file {
            "audit.html" => assert_eq!(headers["content-security-policy"], SHOWN_ONLY),
            _ => assert_eq!(
                headers["content-disposition"],
                format!("attachment; filename=\"{file}\"")
            ),
        }
    }
}

#[tokio::test]
async fn no_address_leads_out_of_the_folder_of_reports() {
    let site = site(true);
    let reports = &site.page.config.report_folder;
    let outside = reports.parent().unwrap().join("audit-outside");
    let others = [reports.join("audit-x.part"), reports.join("other")];
    for folder in others.iter().chain([&outside]) {
        fs::create_dir_all(folder).unwrap();
        fs::write(folder.join("audit.html"), "secret").unwrap();
    }
    symlink(&outside, reports.join("audit-link")).unwrap();
    fs::create_dir_all(reports.join("audit-in")).unwrap();
    symlink(
        outside.join("audit.html"),
        reports.join("audit-in/audit.html"),
    )
    .unwrap();
    let packs = [
        "audit-link/audit.html",
        "audit-x.part/audit.html",
        "other/audit.html",
        "..%2faudit-outside/audit.html",
        "audit-in%2f..%2f..%2faudit-outside/audit.html",
        "../audit.html",
        "%2e%2e/audit.html",
        "audit-in%00/audit.html",
        "audit-in/audit.html",
        "audit-in/..%2f..%2fdriftvane.sqlite",
        "audit-in/tables",
        "audit-in/%2fetc%2fpasswd",
    ];
    let shifts = ["1/1", "-1/1", "1/99999999999", "..%2f..%2fx/1", "1/..%2fx"];
    let packs = packs.map(|path| format!("/reports/packs/{path}"));
    let shifts = shifts.map(|path| format!("/reports/shift/{path}"));
    for path in packs.iter().chain(&shifts) {
        let (status, _, bytes) = taken(&site, path).await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{path}");
        assert!(
            !String::from_utf8_lossy(&bytes).contains("secret"),
            "{path}"
        );
    }
    let listed = addresses(&site).await;
    assert!(
        listed.iter().all(|path| path.contains("/audit-in/")),
        "{listed:?}"
    );
}
