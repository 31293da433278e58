//! Texts made to be run: markup, scripts, styles, formulas, in every text that a feed, a person or
//! the configuration can bring, of all three kinds of station.
//!
//! What pages, reports and mails make of them is seen by a real browser; what goes to spreadsheets
//! is read cell by cell. The plant is invented. The one invariant: a text is shown as it is, and
//! nobody but our own pages is asked for anything.

use std::collections::BTreeSet;
use std::fs;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde_json::{Value, json};

use crate::driver::Browser;
use crate::place::{Chance, Place, list, text, wait_until};
use crate::servers::{MailServer, certificates};
use crate::tools::is_long;

/// The text columns of every file.
const TEXTS: [&str; 11] = [
    "Recipe",
    "Stencil",
    "Position",
    "Component",
    "Pin",
    "Family",
    "Stroke",
    "Fixture",
    "Defect",
    "Panel",
    "Board",
];

/// The stations, with what a row of theirs has beside its texts.
const KINDS: [(&str, &str); 3] = [
    ("paste", "Height"),
    ("optical", "Call,Review,Places"),
    ("function", "Step,Value,Unit,Verdict"),
];

/// Panels of a stream; the last but one is far off.
const PANELS: usize = 14;

/// Someone who waits to be asked by a page that was taken over.
struct Trap {
    address: String,
    asked: Arc<AtomicUsize>,
}

impl Trap {
    fn set() -> Trap {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        let asked = Arc::<AtomicUsize>::default();
        let count = Arc::clone(&asked);
        std::thread::spawn(move || {
            for socket in listener.incoming() {
                drop(socket);
                count.fetch_add(1, Ordering::Relaxed);
            }
        });
        Trap { address, asked }
    }
}

/// Ways out of a text: an element, an attribute, a title, a script, a style, an address, a
/// template, a comment, a formula.
fn payloads(trap: &str) -> Vec<String> {
    [
        "<img src=http://TRAP/img onerror=alert(1) hostile>",
        "<script hostile>alert(1);fetch('http://TRAP/script')</script>",
        "\"><svg onload=alert(1) hostile><image href='http://TRAP/svg'/></svg>",
        "' onmouseover='alert(1)' hostile='' style='background:url(http://TRAP/css)",
        "</title></style></textarea><iframe hostile src=http://TRAP/frame></iframe>",
        "javascript:alert(1)//hostile",
        "data:text/html,<script>alert(1)</script>",
        "{{ 7 * 7 }}{% include 'http://TRAP/include' %}",
        "--><link rel=stylesheet hostile href=//TRAP/link><!--",
        "=HYPERLINK(\"http://TRAP/formula\")",
        "@SUM(1+1)*cmd|' /C calc'!A0",
        "+1+cmd|' /C calc'!A0",
        "-1+cmd|' /C calc'!A0",
        "&lt;b hostile&gt;&#60;b hostile&#62;",
    ]
    .map(|payload| payload.replace("TRAP", trap))
    .into()
}

fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

fn config(payloads: &[String], channel: &str) -> String {
    let texts = |at: usize| quoted(&payloads[at % payloads.len()]);
    let roles: String = TEXTS
        .iter()
        .map(|name| format!("{} = \"{name}\"\n", name.to_lowercase()))
        .collect();
    let mut config = format!(
        "[plant]\nname = {}\ntime_zone = \"UTC\"\nlateness_minutes = 600\n\
         [[shift]]\nname = {}\nstarts = \"00:00\"\n[alerts]\nfile = \"alerts.jsonl\"\n\
         causes = [{}]\n[serve]\nlisten = \"127.0.0.1:0\"\ntokens = \"tokens.toml\"\n{channel}\n",
        texts(0),
        texts(4),
        texts(2)
    );
    for (number, (station, _)) in KINDS.iter().enumerate() {
        let way = match *station {
            "paste" => format!(
                "measure = [{{ name = \"height\", column = \"Height\", unit = {} }}]\n",
                texts(1)
            ),
            "optical" => "lists = \"all\"\n".to_owned(),
            _ => "layout = \"long\"\n".to_owned(),
        };
        let more = match *station {
            "paste" => String::new(),
            "optical" => "call = { column = \"Call\", good = [\"ok\"], defect = [\"*\"] }\n\
                 opportunities = \"Places\"\n\
                 review = { column = \"Review\", confirmed = [\"*\"], false_call = [\"no\"] }\n"
                .to_owned(),
            _ => "[feed.steps]\nname = \"Step\"\nvalue = \"Value\"\nunit = \"Unit\"\n\
                 verdict = { column = \"Verdict\", good = [\"ok\"], defect = [\"*\"] }\n"
                .to_owned(),
        };
        let (measure, chart) = match *station {
            "paste" => ("\"height\"".to_owned(), "individuals"),
            "optical" => ("\"calls\"".to_owned(), "u"),
            _ => (texts(5), "individuals"),
        };
        config.push_str(&format!(
            "[[feed]]\nname = {}\nline = {}\nstation = \"{station}\"\nfolder = \"{station}\"\n\
             settle_ms = 20\ntime = {{ columns = [\"At\"], format = \"rfc3339\" }}\n{way}\
             [feed.roles]\nproduct = \"Product\"\n{roles}{more}\
             [[characteristic]]\nname = {}\nstation = \"{station}\"\nmeasure = {measure}\n\
             group_by = [\"line\", \"product\"]\nsubgroup = \"panel\"\nchart = \"{chart}\"\n\
             baseline = 10\nbaseline_minimum = 10\ndetection = [\"limits\"]\nlimit_width = 3.0\n\
             reaction_plan = {}\n",
            quoted(&format!("{}{number}", payloads[number])),
            texts(number + 3),
            quoted(&format!("{number}{}", payloads[number + 6])),
            texts(number),
        ));
    }
    config
}

/// A station's file: a stream for each payload, and every payload in every text.
fn file(payloads: &[String], station: &str, more: &str) -> String {
    let cell = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    let mut rows = format!("At,Product,{},{more}\n", TEXTS.join(","));
    for (product, name) in payloads.iter().enumerate() {
        for panel in 0..PANELS {
            let is_off = panel == PANELS - 2;
            let at = format!("2026-03-02T06:{panel:02}:{product:02}Z");
            let count = if station != "optical" {
                1
            } else if is_off {
                60
            } else {
                1 + panel % 2
            };
            for row in 0..count {
                let mut cells = vec![at.clone(), cell(name)];
                for (number, column) in TEXTS.iter().enumerate() {
                    let payload = &payloads[(number + panel + row) % payloads.len()];
                    let unique = ["Panel", "Board"].contains(column);
                    let name = format!(
                        "{}{product}-{panel}",
                        payloads[(number + panel) % payloads.len()]
                    );
                    cells.push(cell(if unique { &name } else { payload }));
                }
                let value = 100 + panel % 3 + if is_off { 80 } else { 0 };
                let payload = |at: usize| cell(&payloads[(panel + at) % payloads.len()]);
                cells.push(match station {
                    "paste" => value.to_string(),
                    "optical" => format!("{},{},200", payload(1), payload(2)),
                    _ => format!("{},{value},{},ok", cell(&payloads[5]), cell(&payloads[9])),
                });
                rows.push_str(&(cells.join(",") + "\n"));
            }
        }
    }
    // A row that is rejected with its text.
    rows.push_str(&format!("{}\n", vec![cell(&payloads[0]); 3].join(",")));
    rows
}

/// A place that has read hostile files of every kind, under hostile names, and what people said.
fn place(payloads: &[String], channel: &str) -> Place {
    let place = Place::bare(&config(payloads, channel));
    for (station, more) in KINDS {
        for (number, payload) in payloads.iter().enumerate() {
            // No name of a file can hold a slash.
            let name = payload.replace('/', "|");
            let content = match number {
                0 => file(payloads, station, more),
                _ => format!("{payload},{payload};{number}\n1,2\n"),
            };
            place.write(&format!("{station}/{name}.csv"), content);
        }
    }
    let answer = place.run(&["replay", "--notify"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    place
}

/// What people write about the first alerts, streams and files.
fn act(place: &Place, payloads: &[String]) {
    let alerts = place.json(&["alerts", "list"]);
    assert!(
        list(&alerts).len() >= 3 * payloads.len(),
        "{}",
        list(&alerts).len()
    );
    // Every kind of act, and every payload in each.
    let some = if is_long() { 1 } else { 3 };
    for (number, alert) in list(&alerts).iter().step_by(some).enumerate() {
        let id = text(alert, "id");
        let said = |at: usize| payloads[(number + at) % payloads.len()].clone();
        let by = [
            format!("--by={}", said(0)),
            format!("--comment={}", said(1)),
        ];
        let [by, comment] = [by[0].as_str(), by[1].as_str()];
        place.ok(&["alerts", "acknowledge", &id, by, comment]);
        if number % 3 == 0 {
            place.ok(&["alerts", "comment", &id, by, comment]);
        }
        let reason = format!("--reason={}", said(2));
        if number % 3 == 1 {
            place.ok(&["alerts", "shelve", &id, by, &reason, "--hours", "1"]);
        }
        if number % 3 == 2 {
            let cause = format!("--cause={}", payloads[2]);
            let action = format!("--action={}", said(3));
            place.ok(&["alerts", "close", &id, by, &cause, &action]);
        }
    }
    let aside = place.json(&["quarantine", "list"]);
    for (number, one) in list(&aside).iter().take(3).enumerate() {
        let (by, reason) = (&payloads[number], &payloads[number + 1]);
        let id = text(one, "id");
        let words = [format!("--by={by}"), format!("--reason={reason}")];
        place.ok(&["quarantine", "discard", &id, &words[0], &words[1]]);
    }
}

/// Fails where an element came out of a text; gives all texts of the page.
const LOOK: &str = r#"(() => {
  const bad = [];
  const foreign = ['IMG', 'IMAGE', 'IFRAME', 'OBJECT', 'EMBED', 'BASE', 'AUDIO', 'VIDEO',
    'FOREIGNOBJECT', 'ANIMATE', 'SET', 'FRAME', 'PORTAL'];
  for (const one of document.querySelectorAll('*')) {
    if (foreign.includes(one.tagName.toUpperCase())) bad.push(one.outerHTML.slice(0, 120));
    for (const { name, value } of one.attributes) {
      const address = value.replace(/[\u0000-\u0020]/g, '').toLowerCase();
      const leads = ['href', 'src', 'action', 'formaction', 'xlink:href', 'data', 'srcdoc'];
      if (name.startsWith('on') || name.includes('hostile') ||
          (leads.includes(name) && /^(javascript|data|vbscript|http|\/\/)/.test(address))) {
        bad.push(one.outerHTML.slice(0, 120));
      }
    }
  }
  return { bad, scripts: [...document.scripts].map((one) => one.getAttribute('src')),
    text: document.documentElement.textContent };
})()"#;

/// Looks at a page, which may have fetched only what is given, and gives its texts.
fn look(browser: &mut Browser, url: &str, may_ask: &[String], scripts: &[&str]) -> String {
    let asked = browser.open(url);
    let foreign: Vec<&String> = asked.iter().filter(|one| !may_ask.contains(one)).collect();
    assert!(foreign.is_empty(), "{url} asks for {foreign:?}");
    let seen = browser.js(LOOK);
    assert_eq!(seen["bad"], json!([]), "{url}");
    assert_eq!(seen["scripts"], json!(scripts), "{url}");
    text(&seen, "text")
}

/// Takes those out that a text shows.
fn strike(unseen: &mut BTreeSet<String>, shown: &str) {
    unseen.retain(|payload| !shown.contains(payload.as_str()));
}

fn set(payloads: &[String]) -> BTreeSet<String> {
    payloads.iter().cloned().collect()
}

#[test]
fn no_text_is_run_by_a_page_a_report_or_a_mail() {
    let (trap, mut chance) = (Trap::set(), Chance::new(30));
    let payloads = payloads(&trap.address);
    let (certificates, authority) = certificates();
    let server = MailServer::start(&certificates);
    let place = place(&payloads, &server.channel());
    server.trust(&place, &authority);
    act(&place, &payloads);
    let token = place.ok(&["token", "desk", "--role", "operate"]);
    let watching = place.watch();
    let base = format!("http://{}", place.address());
    let mut browser = Browser::start("markup");

    let report = place.ok(&["report", "shift", "--at", "2026-03-02T06:30:00Z"]);
    let report = format!("file://{}", address_of(report.trim()));
    let shown = look(&mut browser, &report, std::slice::from_ref(&report), &[]);
    let mut unseen = set(&payloads);
    strike(&mut unseen, &shown);
    assert!(unseen.is_empty(), "the report does not show {unseen:?}");

    let signed = json!({ "Authorization": format!("Bearer {}", token.trim()) });
    browser.call("Network.setExtraHTTPHeaders", json!({ "headers": signed }));
    let mut unseen = set(&payloads);
    let paths = paths(&place, &mut chance);
    println!("{} pages of the daemon", paths.len());
    for path in &paths {
        let url = format!("{base}{path}");
        let own = ["/style.css", "/page.js", "/events", "/favicon.ico"];
        let mut may_ask: Vec<String> = own.iter().map(|one| format!("{base}{one}")).collect();
        may_ask.push(url.clone());
        may_ask.push(format!("{url}/causes"));
        let scripts: &[&str] = if path == "/login" { &[] } else { &["/page.js"] };
        strike(&mut unseen, &look(&mut browser, &url, &may_ask, scripts));
    }
    assert!(unseen.is_empty(), "no page shows {unseen:?}");

    look_at_mails(&mut browser, &place, &server, &payloads);
    watching.stop();
    assert_eq!(trap.asked.load(Ordering::Relaxed), 0);
    for line in fs::read_to_string(place.path("alerts.jsonl"))
        .unwrap()
        .lines()
    {
        serde_json::from_str::<Value>(line).unwrap();
    }
    place.assert_sound();
    place.assert_rows_add_up();
}

/// Every page, and of alerts and streams some in the short form.
fn paths(place: &Place, chance: &mut Chance) -> Vec<String> {
    let mut paths: Vec<String> = [
        "/",
        "/alerts",
        "/alerts/health",
        "/streams",
        "/feeds",
        "/login",
    ]
    .map(str::to_owned)
    .into();
    paths.push("/streams?find=%3Cscript%3Ealert(1)%3C/script%3E".to_owned());
    for (kind, table) in [("alerts", "alert"), ("streams", "stream")] {
        let count = place.number(&format!("SELECT count(*) FROM {table}"));
        let all = 1..=usize::try_from(count).unwrap();
        let mut pages: Vec<String> = all.map(|number| format!("/{kind}/{number}")).collect();
        if !is_long() {
            chance.shuffle(&mut pages);
            pages.truncate(4);
        }
        let parts: &[&str] = match kind {
            "alerts" => &["causes"],
            _ => &["capability", "pads"],
        };
        for page in &pages {
            paths.extend(parts.iter().map(|part| format!("{page}/{part}")));
        }
        paths.extend(pages);
    }
    paths
}

/// A path as it stands in an address of a file.
fn address_of(path: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-_.".contains(&byte);
    path.bytes()
        .map(|byte| match plain(byte) {
            true => char::from(byte).to_string(),
            false => format!("%{byte:02X}"),
        })
        .collect()
}

fn look_at_mails(browser: &mut Browser, place: &Place, server: &MailServer, payloads: &[String]) {
    let raised = place.number("SELECT count(*) FROM notice WHERE state = 'active'");
    let all = usize::try_from(raised).unwrap();
    let wanted = if is_long() { all } else { 10 };
    wait_until("the mails", || server.mails().len() >= wanted);
    let (mut unseen, mails) = (set(payloads), server.mails());
    let some = if is_long() { mails.len() } else { 5 };
    for (number, mail) in mails.iter().enumerate() {
        assert_eq!(mail["to"], json!(["pe@plant.example"]));
        assert_eq!(mail["defects"], json!([]), "{mail}");
        let subject = text(mail, "subject");
        assert!(!subject.contains(['\r', '\n']), "{subject:?}");
        strike(&mut unseen, &text(mail, "plain"));
        if number % (mails.len() / some).max(1) == 0 {
            let html = text(mail, "html").replace("<img src=\"cid:chart\"", "<i chart");
            place.write("mail.html", html);
            let url = format!("file://{}", place.path("mail.html").display());
            strike(
                &mut unseen,
                &look(browser, &url, std::slice::from_ref(&url), &[]),
            );
        }
    }
    let most = if is_long() { 0 } else { payloads.len() / 2 };
    assert!(unseen.len() <= most, "no mail shows {unseen:?}");
}

/// The cells of a table for spreadsheets (RFC 4180).
fn cells(csv: &str) -> Vec<String> {
    let (mut cells, mut cell, mut is_quoted) = (Vec::new(), String::new(), false);
    let mut left = csv.chars().peekable();
    while let Some(next) = left.next() {
        match next {
            '"' if is_quoted && left.peek() == Some(&'"') => cell.extend(left.next()),
            '"' => is_quoted = !is_quoted,
            ',' | '\n' if !is_quoted => cells.push(std::mem::take(&mut cell)),
            '\r' if !is_quoted => {}
            _ => cell.push(next),
        }
    }
    cells
}

/// OWASP, CSV Injection: the characters that make a formula of a cell.
#[test]
fn no_export_has_a_cell_that_a_spreadsheet_would_run() {
    let payloads = payloads("127.0.0.1:9");
    let place = place(&payloads, "");
    act(&place, &payloads);
    let alert = text(&list(&place.json(&["alerts", "list"]))[0], "id");
    let streams = place.streams();
    let mut tables: Vec<Vec<&str>> = [
        &["streams"][..],
        &["feeds"],
        &["alerts", "list"],
        &["alerts", "boards", &alert],
        &["alerts", "channels"],
        &["alerts", "outbox", "list"],
        &["limits", "list"],
        &["quarantine", "list"],
        &["capability"],
    ]
    .map(<[&str]>::to_vec)
    .into();
    tables.extend(streams.iter().map(|stream| vec!["chart", stream.as_str()]));
    let (mut made_text, mut all) = (0, 0);
    for table in &tables {
        let csv = place.ok(&[&["--format", "csv"][..], table].concat());
        for cell in cells(&csv) {
            let first = cell.chars().next().unwrap_or('a');
            let is_risky = ['=', '+', '-', '@', '\t', '\r', '\n', '\0'].contains(&first);
            assert!(
                !is_risky || cell.parse::<f64>().is_ok(),
                "{table:?}: {cell}"
            );
            made_text += usize::from(cell.starts_with("'="));
            all += 1;
        }
        place.json(table);
        let shown = place.ok(table);
        assert!(!shown.contains('\u{1b}'), "{table:?}");
    }
    println!("{all} cells, {made_text} of them would be formulas");
    assert!(made_text > 10);
    place.assert_sound();
}
