//! Every kind of problem, each as the one line that its user reads.

use std::path::{Path, PathBuf};

use super::read;
use crate::config::channel::Way;
use crate::config::{Config, Detector, Header, Key, Layout, Source, Subgroup, Subject, TimeFormat};
use crate::words::{Role, Station};

/// A configuration without fault, which the tests spoil one text at a time. Its plant is invented.
pub(super) const GOOD: &str = r#"[plant]
name = "Lindenau"
time_zone = "Europe/Vienna"
[[shift]]
name = "night"
starts = "22:00"
[[shift]]
name = "early"
starts = "06:00"
[[product]]
name = "A1"
boards = 4
opportunities = { optical = 640 }
[[product.family]]
name = "fine"
components = ["U*"]
[[product.specification]]
measure = "height"
family = "fine"
lower = 70
target = 100
upper = 130
unit = "um"
source = "drawing A1"
[[feed]]
name = "spi"
line = "L1"
station = "paste"
folder = "in/paste"
[feed.csv]
delimiter = ";"
decimal = ","
preamble_lines = 2
[feed.file_name]
pattern = "{panel}_{anything}.csv"
[feed.time]
columns = ["Date", "Time"]
format = "%d.%m.%Y %H:%M:%S"
[feed.roles]
panel = { file_name = "panel" }
product = { preamble = "Product" }
component = "Part"
[[feed.measure]]
name = "height"
column = "Height"
unit = "um"
plausible = [0, 500]
[[feed]]
name = "aoi"
line = "L2"
station = "optical"
folder = "in/optical"
lists = "failures"
[feed.time]
columns = ["At"]
format = "unix"
zone = "UTC"
[feed.roles]
panel = "Panel"
product = { constant = "A1" }
call = { column = "Verdict", good = ["OK"], defect = ["*"] }
review = { column = "Review", confirmed = ["NG"], false_call = ["OK"] }
[[feed]]
name = "fct"
line = "L1"
station = "function"
folder = "in/function"
layout = "long"
[feed.time]
columns = ["At"]
format = "rfc3339"
[feed.roles]
board = "Serial"
[feed.steps]
name = "Step"
value = "Value"
verdict = { column = "Result", good = ["P"], defect = ["F"] }
[[characteristic]]
name = "height"
station = "paste"
measure = "height"
where = { family = ["fine"], line = "L1" }
group_by = ["line", "product"]
subgroup = "panel"
chart = "three-way"
rules = ["run_8"]
[[characteristic]]
name = "calls"
station = "optical"
measure = "calls"
subgroup = { minutes = 30 }
chart = "u"
[[characteristic]]
name = "supply"
station = "function"
measure = "any step"
subgroup = { consecutive = 5 }
chart = "mean-s"
"#;

fn problems(text: &str) -> Vec<String> {
    match read(text, Path::new("/plant")) {
        Ok(_) => Vec::new(),
        Err(problems) => problems.to_string().lines().map(str::to_owned).collect(),
    }
}

fn good() -> Config {
    read(GOOD, Path::new("/plant")).unwrap_or_else(|problems| panic!("{problems}"))
}

/// Replaces the first place in the good configuration and expects these problems.
fn check(from: &str, to: &str, expected: &[&str]) {
    assert!(GOOD.contains(from), "not in the good configuration: {from}");
    assert_eq!(
        problems(&GOOD.replacen(from, to, 1)),
        expected,
        "{from}\nbecomes\n{to}"
    );
}

/// The lines of a case that start with this mark, joined.
fn marked(case: &[&str], mark: &str) -> String {
    let lines: Vec<&str> = case
        .iter()
        .filter_map(|line| line.strip_prefix(mark))
        .collect();
    lines.join("\n")
}

#[test]
fn every_kind_of_problem_is_told_by_place_and_remedy() {
    let mut checked = 0;
    for case in include_str!("problems.txt").split("\n\n") {
        let case: Vec<&str> = case.lines().filter(|line| !line.starts_with('#')).collect();
        let (mut from, to) = (marked(&case, "- "), marked(&case, "+ "));
        let expected: Vec<&str> = case
            .iter()
            .copied()
            .filter(|line| line.starts_with("line "))
            .collect();
        if case.is_empty() {
            continue;
        }
        if to.is_empty() {
            from.push('\n');
        }
        assert!(!expected.is_empty(), "a case without a problem: {case:?}");
        check(&from, &to, &expected);
        checked += 1;
    }
    assert!(checked > 100, "only {checked} cases were found");
}

#[test]
fn the_examples_have_no_problem() {
    let examples = [
        (
            include_str!("../../../../config/paste.toml"),
            [Station::Paste].as_slice(),
        ),
        (
            include_str!("../../../../config/optical.toml"),
            &[Station::Optical],
        ),
        (
            include_str!("../../../../config/function.toml"),
            &[Station::Function],
        ),
        (include_str!("../../../../config/line.toml"), &Station::ALL),
    ];
    for (text, stations) in examples {
        let config = read(text, Path::new("/plant")).unwrap_or_else(|found| panic!("{found}"));
        let found: Vec<Station> = config.feeds.iter().map(|feed| feed.station).collect();
        assert_eq!(found, stations);
        assert!(config.characteristics.len() >= config.feeds.len());
        // One screen: what fits between the edges of a text editor.
        assert!(config.feeds.len() > 1 || text.lines().count() <= 60);
        assert!(text.contains("invented"));
    }
}

#[test]
fn a_file_with_many_faults_reports_all_of_them_at_once() {
    let faults = [
        ("Europe/Vienna", "Europe/Lindenau"),
        ("\"22:00\"", "22"),
        ("boards = 4", "board = 4"),
        ("lower = 70", "lower = 170"),
        ("station = \"paste\"\nfolder", "station = \"pate\"\nfolder"),
        ("%d.%m.%Y %H:%M:%S", "%d.%m.%Y"),
        ("column = \"Height\"", "colum = \"Height\""),
        ("{ constant = \"A1\" }", "{ constant = \"A7\" }"),
        ("[\"line\", \"product\"]", "[\"line\", \"fixtures\"]"),
        ("run_8", "run_80"),
        ("chart = \"u\"", "chart = \"mean-s\""),
        ("{ consecutive = 5 }", "{ consecutive = 0 }"),
    ];
    let spoilt = faults.iter().fold(GOOD.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replacen(from, to, 1)
    });
    let found = problems(&spoilt);
    let places: Vec<&str> = found
        .iter()
        .filter_map(|line| line.split(": ").nth(1))
        .collect();
    let expected = [
        "plant.time_zone",
        "shift[1].starts",
        "product[1].boards",
        "product[1].board",
        "product[1].specification[1].upper",
        "feed[1].station",
        "feed[1].time.format",
        "feed[1].measure[1].column",
        "feed[1].measure[1].colum",
        "feed[2].roles.product",
        "characteristic[1].group_by[2]",
        "characteristic[1].rules[1]",
        "characteristic[2].chart",
        "characteristic[3].subgroup.consecutive",
    ];
    assert_eq!(places, expected, "{found:#?}");
}

#[test]
fn an_empty_file_asks_for_plant_shift_and_feed() {
    let expected = [
        "line 1: plant: is missing; \
         add it, such as plant = { name = \"...\", time_zone = \"...\" }",
        "line 1: shift: none is defined; add [[shift]] with name and starts",
        "line 1: feed: none is defined; add [[feed]] with the folder of a station's files",
    ];
    assert_eq!(problems(""), expected);
}

#[test]
fn a_measure_is_known_by_the_feeds_unless_test_steps_may_have_any_name() {
    let spoilt = GOOD.replacen("measure = \"height\"", "measure = \"heigth\"", 1);
    assert_eq!(problems(&spoilt), Vec::<String>::new());
    let feed = spoilt.find("[[feed]]\nname = \"fct\"").unwrap();
    let charts = spoilt.find("[[characteristic]]").unwrap();
    let supply = spoilt.rfind("[[characteristic]]").unwrap();
    let without = format!("{}{}", &spoilt[..feed], &spoilt[charts..supply]);
    let expected = "line 18: product[1].specification[1].measure: \"heigth\" is not known; \
                    did you mean \"height\"? Possible: \"height\"";
    assert_eq!(problems(&without), [expected]);
}

#[test]
fn shifts_come_in_the_order_of_the_day_and_folders_absolute() {
    let config = good();
    let shifts: Vec<&str> = config
        .shifts
        .iter()
        .map(|shift| shift.name.as_str())
        .collect();
    assert_eq!(shifts, ["early", "night"]);
    assert_eq!(config.zone.iana_name(), Some("Europe/Vienna"));
    assert_eq!(config.lateness_us, 3_600_000_000);
    assert_eq!(config.feeds[0].folder, PathBuf::from("/plant/in/paste"));
    assert_eq!(config.data_folder, PathBuf::from("/plant/driftvane-data"));
    assert_eq!(
        config.report_folder,
        PathBuf::from("/plant/driftvane-data/reports")
    );
    let file = |config: &Config| config.channels[0].way.clone();
    assert_eq!(
        file(&config),
        Way::File(PathBuf::from("/plant/driftvane-data/alerts.jsonl"))
    );
    assert_eq!(config.template_folder, None);
    // The default is written as 1.0, which binary floating point holds exactly.
    assert!((config.false_alerts_per_shift - 1.0).abs() < f64::EPSILON);
    let moved = GOOD.replacen(
        "[[product]]",
        "[store]\nfolder = \"/var/d\"\n[[product]]",
        1,
    );
    let moved = read(&moved, Path::new("/plant")).unwrap();
    assert_eq!(moved.report_folder, PathBuf::from("/var/d/reports"));
    let wanted = PathBuf::from("/var/d/alerts.jsonl");
    assert_eq!(file(&moved), Way::File(wanted));
}

#[test]
fn a_feed_keeps_its_dialect_time_roles_and_layout() {
    let config = good();
    let [paste, optical, function] = config.feeds.as_slice() else {
        panic!("three feeds were written");
    };
    assert_eq!(
        (paste.csv.delimiter, paste.csv.decimal, paste.csv.quote),
        (b';', b',', b'"')
    );
    assert!(matches!(paste.csv.header, Header::AfterLines(2)));
    assert_eq!(paste.file_name.as_deref(), Some("{panel}_{anything}.csv"));
    let columns = ["Date", "Time"].map(|name| Source::Column(name.to_owned()));
    assert_eq!(paste.time.sources, columns);
    assert!(matches!(&paste.time.format, TimeFormat::Pattern(text) if text.starts_with("%d.")));
    let roles = [
        (Role::Product, Source::Preamble("Product".to_owned())),
        (Role::Panel, Source::FileName("panel".to_owned())),
        (Role::Component, Source::Column("Part".to_owned())),
    ];
    assert_eq!(paste.roles, roles);
    assert!(matches!(&paste.layout, Layout::Wide(all) if all[0].plausible == Some((0.0, 500.0))));
    assert_eq!(
        (paste.settle_ms, paste.scan_ms, paste.silent_after_s),
        (500, 10_000, None)
    );
    assert!(optical.lists_failures_only && !optical.grows && !optical.poll);
    assert_eq!(optical.time.zone.iana_name(), Some("UTC"));
    assert_eq!(
        optical.review.as_ref().map(|map| map.false_call.as_slice()),
        Some(&["OK".into()][..])
    );
    assert!(matches!(&function.layout, Layout::Long(steps) if steps.value == "Value"));
    assert_eq!(
        function.call.as_ref().map(|map| map.defect[0].as_str()),
        Some("F")
    );
}

#[test]
fn a_characteristic_keeps_its_keys_and_takes_the_defaults() {
    let config = good();
    let height = &config.characteristics[0];
    assert_eq!(height.subject, Subject::Measure("height".to_owned()));
    let filter = [
        (Key::Line, vec!["L1".to_owned()]),
        (Key::Role(Role::Family), vec!["fine".to_owned()]),
    ];
    assert_eq!(height.filter, filter);
    assert_eq!(height.group_by, [Key::Line, Key::Role(Role::Product)]);
    assert_eq!((height.subgroup, height.baseline), (Subgroup::Panel, 25));
    assert_eq!((height.limit_width, height.run_length), (None, None));
    assert_eq!(height.detection, [Detector::Limits, Detector::Cusum]);
    assert_eq!(config.characteristics[1].detection, [Detector::Limits]);
    assert_eq!(config.characteristics[1].subject, Subject::Calls);
    assert_eq!(config.characteristics[1].subgroup, Subgroup::Minutes(30));
    assert_eq!(config.characteristics[2].subgroup, Subgroup::Consecutive(5));
}

#[test]
fn times_of_every_written_kind_are_taken() {
    // The conversions of strptime as POSIX names them, and an offset as RFC 3339 writes it.
    for format in [
        "rfc3339",
        "%Y/%m/%d %H:%M:%S%.f",
        "%m/%d/%y %I:%M:%S %p",
        "%FT%T%z",
        "%s",
    ] {
        let text = GOOD.replacen("%d.%m.%Y %H:%M:%S", format, 1);
        assert_eq!(problems(&text), Vec::<String>::new(), "{format}");
    }
}

#[test]
fn a_tab_may_be_named_and_a_byte_order_mark_stands_for_nothing() {
    for tab in ["\"tab\"", "\"\\t\""] {
        let text = GOOD.replacen("delimiter = \";\"", &format!("delimiter = {tab}"), 1);
        let config = read(&format!("\u{feff}{text}"), Path::new("/plant")).unwrap();
        assert_eq!(config.feeds[0].csv.delimiter, b'\t');
    }
}

#[test]
fn no_slip_is_refused_without_a_reason() {
    let lines: Vec<&str> = GOOD.lines().collect();
    for (index, line) in lines.iter().enumerate() {
        let key = line.split(" = ").next().unwrap_or_default();
        let wrong = [
            "7.5",
            "[[]]",
            "{ x = 1 }",
            "true",
            "\"\"",
            "1979-05-27",
            "[\"{\", 3]",
        ];
        let values = wrong.iter().map(|value| format!("{key} = {value}"));
        let cut = [String::new(), line[..line.len() / 2].to_owned()];
        for slip in values.chain(cut) {
            let mut spoilt = lines.clone();
            spoilt[index] = &slip;
            let Err(found) = read(&spoilt.join("\n"), Path::new("/plant")) else {
                continue;
            };
            assert!(!found.list.is_empty(), "line {}: {slip}", index + 1);
            for problem in &found.list {
                assert!(
                    (1..=lines.len()).contains(&problem.line),
                    "{slip}: {problem}"
                );
                assert!(
                    !problem.message.is_empty() && !problem.fix.is_empty(),
                    "{problem}"
                );
            }
        }
    }
}

#[test]
fn a_page_that_others_can_reach_has_tokens_and_names_its_hosts() {
    let with = |serve: &str| problems(&format!("{GOOD}\n[serve]\n{serve}"));
    assert_eq!(with(""), Vec::<String>::new());
    let safe = "listen = \"0.0.0.0:80\"\ntokens = \"t\"\nallowed_hosts = [\"plant\"]";
    assert_eq!(with(safe), Vec::<String>::new());
    for (serve, words) in [
        ("listen = \"0.0.0.0:80\"", "has no tokens"),
        (
            "listen = \"0.0.0.0:80\"\ntokens = \"t\"",
            "names no allowed_hosts",
        ),
        ("listen = \"8080\"", "no address to listen at"),
        ("allowed_hosts = [\"http://x\"]", "no name of a host"),
        ("port = 80", "port"),
    ] {
        let found = with(serve);
        assert!(
            found.iter().any(|one| one.contains(words)),
            "{serve}: {found:?}"
        );
    }
    let config = read(&format!("{GOOD}\n[serve]"), Path::new("/plant")).unwrap();
    let serve = config.serve.unwrap();
    assert!(serve.listen.ip().is_loopback() && serve.tokens.is_none());
}
