//! Promises of a rendered report.

use std::cell::RefCell;

use super::*;
use crate::sample;
use crate::speech::Language::English;

fn plain() -> ShiftReport {
    sample::report(&|text| text.to_owned())
}

fn html_of(view: &ShiftReport) -> String {
    shift_report(view, &Overrides::none(), English)
        .unwrap()
        .html
}

/// What an inspection file could carry into a text field.
const CORPUS: [&str; 8] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    "</title></style></svg><b>",
    "{{ report.plant }}{% include \"shift.html\" %}",
    "]]><!--",
    "&lt;b&gt;&#60;i>",
    "\u{202e}gnp.exe\0\u{1b}[31m",
];

/// The payload without its teeth, guessed equally wide so that charts break lines alike.
fn harmless(payload: &str) -> String {
    payload
        .chars()
        .map(|character| match character {
            '<' | '>' | '"' | '&' => 'a',
            '\'' => 'i',
            _ if character.is_control() || character == '\u{202e}' => 'a',
            _ => character,
        })
        .collect()
}

#[test]
fn no_text_field_can_carry_markup_into_the_page() {
    let tags = |html: &str| html.matches(['<', '>']).count();
    let quotes = |html: &str| html.matches(['"', '\'']).count();
    for payload in CORPUS {
        let html = html_of(&sample::report(&|text| format!("{payload}{text}")));
        let tame = harmless(payload);
        let tame = html_of(&sample::report(&|text| format!("{tame}{text}")));
        assert_eq!(
            tags(&html),
            tags(&tame),
            "{payload:?} changes the number of tags"
        );
        assert_eq!(
            quotes(&html),
            quotes(&tame),
            "{payload:?} leaves an attribute"
        );
        assert!(
            !html.contains(['\0', '\u{1b}', '\u{202e}']),
            "{payload:?} hides characters"
        );
    }
}

#[test]
fn the_sample_puts_text_into_every_text_field() {
    let view = sample::report(&|text| format!("§{text}"));
    let value = serde_json::to_value(&view).unwrap();
    let mut empty = Vec::new();
    leaves(&value, "report", &mut empty);
    // One point of a chart is the first after a changeover.
    let changed = "report.alerts.0.chart.points.60.changeover";
    assert!(!empty.iter().any(|path| path == changed), "{empty:?}");
    empty.retain(|path| !path.ends_with(".changeover"));
    // The second alert shows the empty state of these.
    empty.retain(|path| {
        // One list of differences, or a note that there is none.
        !path.starts_with("report.alerts.1.")
            && path != "report.yields.1.opportunity_basis"
            && path != "report.differences_note"
    });
    assert!(empty.is_empty(), "{empty:?}");
}

fn leaves(value: &serde_json::Value, path: &str, unmarked: &mut Vec<String>) {
    match value {
        serde_json::Value::String(text) if !text.starts_with('§') => {
            unmarked.push(path.to_owned());
        }
        serde_json::Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                leaves(item, &format!("{path}.{index}"), unmarked);
            }
        }
        serde_json::Value::Object(fields) => {
            for (name, field) in fields {
                leaves(field, &format!("{path}.{name}"), unmarked);
            }
        }
        _ => {}
    }
}

#[test]
fn every_text_of_a_report_is_shown() {
    let said = RefCell::new(Vec::new());
    let view = sample::report(&|text| {
        said.borrow_mut().push(markup::escape(text));
        text.to_owned()
    });
    let html = html_of(&view);
    // "upper" is said by the rule's own words.
    let missing: Vec<_> = said
        .into_inner()
        .into_iter()
        .filter(|text| !html.contains(text))
        .collect();
    assert!(missing.is_empty(), "{missing:?}");
}

/// Checks that every tag is closed in its order; HTML lets a few stand alone.
fn assert_balanced(markup: &str) {
    let mut open: Vec<&str> = Vec::new();
    let start = markup
        .find("</style>")
        .map_or(0, |at| at + "</style>".len());
    for tag in markup[start..].split('<').skip(1) {
        let (inside, _) = tag.split_once('>').unwrap();
        let name = inside
            .trim_start_matches('/')
            .split([' ', '/'])
            .next()
            .unwrap();
        if inside.starts_with('/') {
            match (name, open.pop()) {
                ("head" | "html", None) => {}
                (name, last) => assert_eq!(last, Some(name), "near {tag:?}"),
            }
        } else if !inside.ends_with('/') && !matches!(name, "br" | "meta") {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

#[test]
fn every_tag_is_closed_in_its_order() {
    assert_balanced(&html_of(&plain()));
    assert_balanced(&html_of(&ShiftReport::default()));
    assert_balanced(&html_of(&sample::report(&|text| format!("<b>\"{text}"))));
}

#[test]
fn identifiers_are_unique_in_the_page() {
    let html = html_of(&plain());
    let mut ids: Vec<&str> = html
        .split(" id=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count);
    let named = |rest: &str| rest.split('"').next().unwrap_or("").to_owned();
    for names in html.split("labelledby=\"").skip(1).map(named) {
        for name in names.split(' ') {
            assert!(ids.contains(&name), "nothing is called {name}");
        }
    }
}

#[test]
fn equal_views_give_equal_bytes() {
    assert_eq!(html_of(&plain()), html_of(&plain()));
}

#[test]
fn the_page_loads_nothing_and_runs_nothing() {
    let html = html_of(&plain());
    assert!(html.contains("default-src 'none'; style-src 'unsafe-inline'; img-src data:"));
    let loads = [
        "<script", "<link", "<img", "<iframe", " src=", " href=", "url(", "@import",
    ];
    for load in loads {
        assert!(!html.contains(load), "{load} is in the page");
    }
}

#[test]
fn an_empty_shift_says_so_in_words() {
    let html = html_of(&ShiftReport::default());
    for sentence in [
        "No alert was raised in this shift.",
        "Nothing is open.",
        "No stream had a point in this shift.",
        "No feed delivered a file for this shift.",
        "No board was tested or inspected in this shift.",
        "Nothing was changed",
        "No confirmed defect was recorded in this shift.",
        "No capability is stated",
        "They do not release product.",
    ] {
        assert!(html.contains(sentence), "{sentence:?} is missing");
    }
}

#[test]
fn an_override_takes_the_place_of_a_built_in_template() {
    let overrides = Overrides::none().with("handover.html", "<p>{{ report.plant }} hands over</p>");
    let rendered = shift_report(&plain(), &overrides, English).unwrap();
    assert!(
        rendered
            .html
            .contains("<p>Aldermoor Boards (invented plant) hands over</p>")
    );
    assert!(!rendered.html.contains("Taken over by"));
    assert!(rendered.notices.is_empty());
}

#[test]
fn an_override_is_escaped_like_a_built_in_whatever_its_name() {
    let overrides = Overrides::none()
        .with("handover.html", "{% include \"ours.txt\" %}")
        .with("ours.txt", "{{ report.plant }}");
    let mut view = plain();
    view.plant = "<b>A</b>".to_owned();
    let rendered = shift_report(&view, &overrides, English).unwrap();
    assert!(!rendered.html.contains("<b>A</b>"));
}

fn refusal(name: &str, text: &str) -> (String, usize, String) {
    let overrides = Overrides::none().with(name, text);
    let RenderError::Template {
        template,
        line,
        reason,
    } = shift_report(&plain(), &overrides, English).unwrap_err();
    (template, line, reason)
}

#[test]
fn a_broken_override_names_template_line_and_reason() {
    let (template, line, reason) = refusal("yield.html", "<p>\n\n{% if %}\n</p>");
    assert_eq!((template.as_str(), line), ("yield.html", 3), "{reason}");
    assert!(reason.contains("syntax error"), "{reason}");
    let (template, line, reason) = refusal("summary.html", "one\n{{ report.shfit.name }}");
    assert_eq!((template.as_str(), line), ("summary.html", 2), "{reason}");
    let (template, line, reason) = refusal("shift.html", "\n{{ report.shift|count }}");
    assert_eq!((template.as_str(), line), ("shift.html", 2), "{reason}");
    assert!(reason.contains("a number is wanted"), "{reason}");
    let (template, _, reason) = refusal("alerts.html", "{% include 'nowhere.html' %}");
    assert_eq!(template, "alerts.html");
    assert!(reason.contains("nowhere.html"), "{reason}");
}

#[test]
fn a_report_with_a_broken_override_is_made_all_the_same() {
    let overrides = Overrides::none().with("yield.html", "{% if %}");
    let rendered = shift_report_or_built_in(&plain(), &overrides, English).unwrap();
    assert!(rendered.html.contains("First-pass yield"));
    assert_eq!(rendered.notices.len(), 1);
    assert!(
        rendered.notices[0].contains("yield.html, line 1"),
        "{:?}",
        rendered.notices
    );
    assert!(rendered.html.contains("were not used"));
}

#[test]
fn an_override_with_a_slip_in_its_name_is_noticed() {
    let overrides = Overrides::none().with("yeild.html", "x");
    let rendered = shift_report(&plain(), &overrides, English).unwrap();
    assert!(rendered.notices[0].starts_with("Template yeild.html is not used"));
}

#[test]
fn a_flood_of_alerts_stays_below_two_megabytes() {
    let mut view = plain();
    let alert = view.alerts[0].clone();
    view.alerts = (0..500).map(|_| alert.clone()).collect();
    let large = sample::chart(20_000, 19_000, &|text| text.to_owned());
    for alert in view.alerts.iter_mut().take(30) {
        alert.chart = Some(large.clone());
    }
    let rendered = shift_report(&view, &Overrides::none(), English).unwrap();
    assert!(
        rendered.html.len() < 2_000_000,
        "{} bytes",
        rendered.html.len()
    );
    assert!(
        rendered
            .notices
            .iter()
            .any(|notice| notice.contains("60 of 500 alerts"))
    );
    assert!(
        rendered
            .notices
            .iter()
            .any(|notice| notice.contains("charts are left out"))
    );
    assert!(
        rendered
            .notices
            .iter()
            .all(|notice| rendered.html.contains(&markup::escape(notice)))
    );
}

#[test]
fn the_report_can_be_looked_at() {
    let folder = std::env::temp_dir();
    let path = folder.join("driftvane-sample-report.html");
    std::fs::write(&path, html_of(&plain())).unwrap();
    let empty = folder.join("driftvane-empty-report.html");
    std::fs::write(&empty, html_of(&ShiftReport::default())).unwrap();
    let unbroken = sample::report(&|text| text.replace(' ', "_").repeat(3));
    std::fs::write(
        folder.join("driftvane-unbroken-report.html"),
        html_of(&unbroken),
    )
    .unwrap();
    let large = sample::chart(20_000, 19_000, &|text| text.to_owned());
    let svg = crate::chart_svg(
        &large,
        crate::ChartSize {
            width: 960.0,
            height: 480.0,
        },
    );
    std::fs::write(folder.join("driftvane-sample-chart.svg"), &svg).unwrap();
    assert!(std::fs::read_to_string(&path).unwrap().ends_with("</html>"));
}
