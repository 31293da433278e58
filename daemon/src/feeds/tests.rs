//! Tests of the feeds as a whole: defects by example, and pieces cut anywhere.

use std::fs;
use std::path::{Path, PathBuf};

use encoding_rs::{UTF_8, WINDOWS_1252};
use jiff::tz::TimeZone;

use super::glance::glance;
use super::read::{FileRead, ReadFailure, ReadRequest, Use, read_file};
use super::*;
use crate::block::{Block, Values};
use crate::config::{
    CallMap, Config, Csv, Family, Feed, Header, Layout, Measure, Product, ReviewMap, Source, Steps,
    TimeFormat, TimeSource,
};
use crate::words::{Call, Review, Role, Station};

mod defects;
mod glances;
mod pieces;

fn column(name: &str) -> Source {
    Source::Column(name.into())
}

fn texts(list: &[&str]) -> Vec<String> {
    list.iter().map(|text| (*text).to_owned()).collect()
}

fn measure(name: &str, header: &str, plausible: Option<(f64, f64)>) -> Measure {
    let unit = "um".to_owned();
    Measure {
        name: name.into(),
        column: header.into(),
        unit,
        scale: 1.0,
        plausible,
    }
}

/// Paste results: a row a deposit.
fn paste() -> Feed {
    let roles = [
        (Role::Product, "product"),
        (Role::Panel, "panel"),
        (Role::Board, "board"),
        (Role::Component, "component"),
        (Role::Pin, "pin"),
        (Role::Attempt, "attempt"),
    ];
    Feed {
        name: "paste".into(),
        line: "L1".into(),
        station: Station::Paste,
        folder: PathBuf::from("/nowhere"),
        pattern: "*.csv".into(),
        grows: false,
        lists_failures_only: false,
        settle_ms: 0,
        poll: false,
        scan_ms: 1000,
        silent_after_s: None,
        silent_in: Vec::new(),
        csv: Csv {
            delimiter: b',',
            quote: b'"',
            decimal: b'.',
            encoding: UTF_8,
            header: Header::AfterLines(0),
        },
        file_name: None,
        time: TimeSource {
            sources: vec![column("time")],
            format: TimeFormat::Rfc3339,
            zone: TimeZone::get("Europe/Berlin").unwrap(),
        },
        roles: roles.map(|(role, name)| (role, column(name))).to_vec(),
        call: Some(CallMap {
            source: column("call"),
            good: texts(&["GOOD"]),
            defect: texts(&["HIGH", "LOW", "BRIDGE"]),
        }),
        review: Some(ReviewMap {
            source: column("review"),
            confirmed: texts(&["real"]),
            false_call: texts(&["false"]),
            pending: vec![],
        }),
        layout: Layout::Wide(vec![
            measure("height", "height", Some((0.0, 1000.0))),
            measure("offset_x", "offset_x", None),
        ]),
    }
}

/// A feed of paste results from a folder.
pub(super) fn feed_in(folder: &Path) -> Feed {
    Feed {
        folder: folder.to_owned(),
        ..paste()
    }
}

/// The same station as a plant that writes semicolons and decimal commas sets it up.
fn european() -> Feed {
    let mut feed = paste();
    feed.name = "european".into();
    feed.csv = Csv {
        delimiter: b';',
        decimal: b',',
        encoding: WINDOWS_1252,
        ..feed.csv
    };
    feed.csv.header = Header::StartsWith("Datum".into());
    feed.file_name = Some("{board}_*.csv".into());
    feed.time.sources = vec![column("Datum"), column("Zeit")];
    feed.time.format = TimeFormat::Pattern("%d.%m.%Y %H:%M:%S".into());
    feed.roles = vec![
        (Role::Product, Source::Preamble("Baugruppe".into())),
        (Role::Board, Source::FileName("board".into())),
        (Role::Component, column("Bauteil")),
        (Role::Opportunities, Source::Preamble("Prüfpunkte".into())),
    ];
    feed.call = None;
    feed.review = None;
    feed.layout = Layout::Wide(vec![Measure {
        scale: 1000.0,
        ..measure("height", "Höhe [mm]", None)
    }]);
    feed
}

/// Functional test: a row a step.
fn function() -> Feed {
    let mut feed = paste();
    feed.name = "function".into();
    feed.station = Station::Function;
    feed.csv.delimiter = b'\t';
    feed.roles = vec![(Role::Board, column("board"))];
    feed.call = Some(CallMap {
        source: column("result"),
        good: texts(&["pass"]),
        defect: texts(&["*"]),
    });
    feed.review = None;
    feed.layout = Layout::Long(Steps {
        name: "step".into(),
        value: "value".into(),
        unit: Some("unit".into()),
        lower: Some("low".into()),
        upper: Some("high".into()),
    });
    feed
}

fn config() -> Config {
    let family = |name: &str, patterns: &[&str]| Family {
        name: name.into(),
        components: texts(patterns),
        area_ratio: None,
    };
    Config {
        plant: "An invented plant".into(),
        zone: TimeZone::UTC,
        locale: reports::speech::Language::English,
        lateness_us: 0,
        shifts: vec![],
        products: vec![Product {
            name: "AX-7".into(),
            boards: 2,
            opportunities: vec![],
            rows: vec![],
            families: vec![family("ic", &["U1", "U2*"]), family("chip", &["R*", "C*"])],
            specifications: vec![],
        }],
        feeds: vec![paste(), european(), function()],
        characteristics: vec![],
        gauges: vec![],
        data_folder: PathBuf::new(),
        keep: crate::config::Keep::default(),
        report_folder: PathBuf::new(),
        template_folder: None,
        channels: vec![],
        false_alerts_per_shift: 1.0,
        alerts: crate::config::Alerting {
            linked: Vec::new(),
            near_us: 0,
            changeover_us: 0,
            shelve_hours_max: 24,
            escalate_us: 0,
            remind_us: 0,
            causes: Vec::new(),
            verify_points: 5,
        },
        limits_need_approval: false,
        serve: None,
    }
}

/// A folder of its own for a test, removed at its end.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Folder {
        let path = std::env::temp_dir().join(format!("driftvane-{}-{name}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    fn write(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.join(name);
        fs::write(&path, bytes).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap();
    }
}

fn whole(path: &Path) -> ReadRequest<'_> {
    ReadRequest {
        path,
        from: 0,
        prefix: None,
        take_last_partial_line: true,
        threads: 1,
        whole: None,
    }
}

fn read(feed: usize, request: &ReadRequest<'_>) -> Result<(FileRead, Vec<Block>), ReadFailure> {
    let mut blocks = Vec::new();
    let to = Use {
        prepare: &|block| block,
        sink: &mut |block| blocks.push(block),
    };
    let read = read_file(&config(), feed, request, to)?;
    Ok((read, blocks))
}

/// Every row as text: what a block says, however its words are coded.
fn rows(blocks: &[Block]) -> Vec<String> {
    let row = |block: &Block, row: usize| {
        let keys = Role::ALL.map(|role| block.key(role).text(row).cloned());
        let values = match &block.values {
            Values::Wide(columns) => columns.iter().map(|values| values[row]).collect(),
            Values::Long {
                value,
                lower,
                upper,
                ..
            } => vec![value[row], lower[row], upper[row]],
            Values::None => vec![],
        };
        let steps = match &block.values {
            Values::Long { step, unit, .. } => (step.text(row).cloned(), unit.text(row).cloned()),
            _ => (None, None),
        };
        let typed = (block.attempt[row], block.call[row], block.review[row]);
        format!("{} {keys:?} {typed:?} {steps:?} {values:?}", block.at[row])
    };
    blocks
        .iter()
        .flat_map(|block| (0..block.rows).map(move |at| row(block, at)))
        .collect()
}

const HEADER: &str = "time,product,panel,board,component,pin,attempt,call,review,height,offset_x\n";

fn line(second: u64, cells: &str) -> String {
    format!(
        "2026-03-02T06:{:02}:{:02}Z,AX-7,P1,{cells}\n",
        second / 60 % 60,
        second % 60
    )
}

#[test]
fn roles_values_and_families_come_from_their_columns() {
    let folder = Folder::new("roles");
    let rows = [
        line(0, "B1,U1,1,1,GOOD,,101.5,-3.25"),
        line(1, "B1,U20,2,2,HIGH,real,99,0"),
        line(2, "B2,R7,,,LOW,false,,1"),
        line(3, "B2,X1,,,GOOD,,5,"),
    ];
    let path = folder.write(
        "a.csv",
        format!("\u{feff}{HEADER}{}", rows.concat()).as_bytes(),
    );
    let (read, blocks) = read(0, &whole(&path)).unwrap();
    assert_eq!(
        (read.rows_read, read.rejects_total, read.first_line),
        (4, 0, 2)
    );
    assert_eq!(read.hash, blake3::hash(&fs::read(&path).unwrap()));
    let block = &blocks[0];
    let key = |role: Role, row: usize| block.key(role).text(row).map(|text| text.to_string());
    let families = (0..4).map(|row| key(Role::Family, row));
    let expected = [Some("ic"), Some("ic"), Some("chip"), None];
    assert_eq!(
        families.collect::<Vec<_>>(),
        expected.map(|text| text.map(str::to_owned))
    );
    assert_eq!(block.attempt, [1, 2, 1, 1]);
    assert_eq!(
        block.call,
        [Call::Good, Call::Defect, Call::Defect, Call::Good]
    );
    let reviews = [
        Review::Pending,
        Review::Confirmed,
        Review::FalseCall,
        Review::Pending,
    ];
    assert_eq!(block.review, reviews);
    assert_eq!(block.at[1] - block.at[0], 1_000_000);
    let Values::Wide(values) = &block.values else {
        panic!("{:?}", block.values)
    };
    assert_eq!(values[0][..2], [101.5, 99.0]);
    assert!(values[0][2].is_nan() && values[1][3].is_nan());
}

const EUROPEAN: &str = "Baugruppe: AX-7\r\nPrüfpunkte;96\r\n\r\nDatum;Zeit;Bauteil;Höhe [mm]\r\n\
    02.03.2026;06:00:00;R1;0,125\r\n02.03.2026;06:00:01;Rµ2;0,130\r\n";

fn check_european(name: &str, bytes: &[u8]) {
    let folder = Folder::new(name);
    let path = folder.write("B0042_1.csv", bytes);
    let (read, blocks) = read(1, &whole(&path)).unwrap();
    assert_eq!(
        (read.rows_read, read.rejects_total),
        (2, 0),
        "{:?}",
        read.rejects
    );
    assert_eq!((read.first_line, read.end), (5, bytes.len() as u64));
    assert_eq!(read.hash, blake3::hash(bytes));
    let block = &blocks[0];
    assert_eq!(
        block.at[0], 1_772_427_600_000_000,
        "06:00 in Berlin is 05:00 UTC"
    );
    assert_eq!(block.opportunities, [96, 96]);
    assert_eq!(
        block.key(Role::Board).text(1).map(|text| &**text),
        Some("B0042")
    );
    assert_eq!(
        block.key(Role::Component).text(1).map(|text| &**text),
        Some("Rµ2")
    );
    assert_eq!(block.values, Values::Wide(vec![vec![125.0, 130.0]]));
}

#[test]
fn semicolons_decimal_commas_and_day_first_dates_in_windows_1252() {
    let (bytes, _, lossy) = WINDOWS_1252.encode(EUROPEAN);
    assert!(!lossy);
    check_european("windows-1252", &bytes);
}

#[test]
fn utf_16_with_its_mark_is_read_whatever_the_feed_declares() {
    let units = |to: fn(u16) -> [u8; 2]| -> Vec<u8> {
        "\u{feff}"
            .encode_utf16()
            .chain(EUROPEAN.encode_utf16())
            .flat_map(to)
            .collect()
    };
    check_european("utf-16le", &units(u16::to_le_bytes));
    check_european("utf-16be", &units(u16::to_be_bytes));
    check_european("utf-8", format!("\u{feff}{EUROPEAN}").as_bytes());
}

#[test]
fn a_row_a_step_with_its_limits() {
    let folder = Folder::new("steps");
    let text = "time\tboard\tstep\tvalue\tunit\tlow\thigh\tresult\n\
        2026-03-02 07:00:00\tB1\tVCC\t3.31\tV\t3.2\t3.4\tpass\n\
        2026-03-02 07:00:00\tB1\tFlash\t\t\t\t\tfail\n";
    let path = folder.write("a.csv", text.as_bytes());
    let (_, blocks) = read(2, &whole(&path)).unwrap();
    let Values::Long {
        step,
        value,
        unit,
        lower,
        upper,
    } = &blocks[0].values
    else {
        panic!("{:?}", blocks[0].values);
    };
    assert_eq!((value[0], lower[0], upper[0]), (3.31, 3.2, 3.4));
    assert!(value[1].is_nan() && lower[1].is_nan() && upper[1].is_nan());
    assert_eq!(step.text(1).map(|text| &**text), Some("Flash"));
    assert_eq!(
        (unit.text(0).map(|text| &**text), unit.text(1)),
        (Some("V"), None)
    );
    assert_eq!(blocks[0].call, [Call::Good, Call::Defect]);
    let shown = preview::preview(&config(), 2, &path).unwrap();
    assert_eq!(shown.rows.len(), 2);
    assert_eq!(shown.rows[0].readings[0].limits, (Some(3.2), Some(3.4)));
    assert!(shown.rows[1].readings.is_empty() && shown.unused.is_empty());
}

#[test]
fn a_file_without_rows_still_names_its_unit() {
    let mut config = config();
    config.feeds[1].time.sources = vec![Source::Preamble("Ende".into())];
    let folder = Folder::new("empty");
    let text = "Baugruppe: AX-7\nPrüfpunkte: 96\nEnde: 02.03.2026 06:00:00\n\
        Datum;Zeit;Bauteil;Höhe [mm]\n";
    let path = folder.write("B7_1.csv", &WINDOWS_1252.encode(text).0);
    let to = Use {
        prepare: &|_| panic!("no rows"),
        sink: &mut |()| panic!("no rows"),
    };
    let read = read_file(&config, 1, &whole(&path), to).unwrap();
    let unit = read.empty.unwrap();
    assert_eq!(
        (unit.at, unit.opportunities, unit.attempt),
        (1_772_427_600_000_000, 96, 1)
    );
    assert_eq!(
        unit.keys[Role::Board.index()].text(0).map(|text| &**text),
        Some("B7")
    );
}

#[test]
fn a_growing_file_gives_each_whole_line_once() {
    let folder = Folder::new("grows");
    let parts = ["time,prod", "uct", &HEADER["time,product".len()..]];
    let lines: Vec<String> = (0..6)
        .map(|at| line(at, &format!("B{at},R1,1,1,GOOD,,\"10{at}\",0")))
        .collect();
    let whole_text = format!("{HEADER}{}", lines.concat());
    let mut text = String::new();
    let (mut from, mut prefix, mut seen) = (0, None, Vec::new());
    let mut steps: Vec<&str> = parts.to_vec();
    let body = &whole_text[HEADER.len()..];
    steps.extend(
        (0..body.len())
            .step_by(37)
            .map(|at| &body[at..body.len().min(at + 37)]),
    );
    for step in steps {
        text.push_str(step);
        let path = folder.write("a.csv", text.as_bytes());
        let request = ReadRequest {
            from,
            prefix,
            take_last_partial_line: false,
            ..whole(&path)
        };
        let (read, blocks) = read(0, &request).unwrap();
        assert!(read.end as usize <= text.len());
        assert_eq!(
            read.hash,
            blake3::hash(&text.as_bytes()[..read.end as usize])
        );
        (from, prefix) = (read.end, Some(read.hash));
        seen.extend(rows(&blocks));
    }
    let path = folder.write("b.csv", whole_text.as_bytes());
    assert_eq!(seen, rows(&read(0, &whole(&path)).unwrap().1));
    let path = folder.write("a.csv", whole_text.replace("B0", "B9").as_bytes());
    let request = ReadRequest {
        from,
        prefix,
        ..whole(&path)
    };
    assert!(matches!(read(0, &request), Err(ReadFailure::Rewritten)));
}

#[test]
fn threads_and_buffers_do_not_change_what_is_read() {
    let folder = Folder::new("threads");
    let mut text = HEADER.to_owned();
    for at in 0..120_000u64 {
        let cells = match at % 1000 {
            7 => "B1,R1,1,1,GOOD,,abc,0".to_owned(),
            8 => format!("B{},\"R\n1\",1,1,GOOD,,\"{}\",0", at / 100, at % 90),
            _ => format!(
                "B{},R{},1,1,GOOD,,{}.5,-{}",
                at / 100,
                at % 50,
                at % 90,
                at % 7
            ),
        };
        text.push_str(&line(at, &cells));
    }
    let path = folder.write("a.csv", text.as_bytes());
    let (one, blocks) = read(0, &whole(&path)).unwrap();
    let (two, parallel) = read(
        0,
        &ReadRequest {
            threads: 3,
            ..whole(&path)
        },
    )
    .unwrap();
    assert!(blocks.len() > 1, "the file is larger than a buffer");
    assert_eq!(rows(&blocks), rows(&parallel));
    assert_eq!(
        (one.rejects, one.hash, one.end),
        (two.rejects.clone(), two.hash, two.end)
    );
    assert_eq!((two.rows_read, two.rejects_total), (120_000, 120));
    assert_eq!(
        two.rejects[1].line,
        1009 + 1,
        "the quoted line end counts as a line"
    );
}

#[test]
fn a_vanished_file_and_a_link_are_told_apart_from_bad_ones() {
    let folder = Folder::new("vanished");
    let path = folder.0.join("a.csv");
    assert!(matches!(read(0, &whole(&path)), Err(ReadFailure::Vanished)));
    #[cfg(unix)]
    {
        let target = folder.write("b.csv", HEADER.as_bytes());
        std::os::unix::fs::symlink(target, &path).unwrap();
        assert!(matches!(read(0, &whole(&path)), Err(ReadFailure::Vanished)));
    }
}

#[test]
fn a_line_without_end_is_refused_in_bounded_memory() {
    let folder = Folder::new("long");
    let mut text = HEADER.to_owned();
    text.push_str(&"x".repeat(9 * 1024 * 1024));
    let path = folder.write("a.csv", text.as_bytes());
    let Err(ReadFailure::Quarantine(quarantine)) = read(0, &whole(&path)) else {
        panic!("a long line was taken");
    };
    assert_eq!((quarantine.code, quarantine.line), ("F010", Some(2)));
}

#[test]
fn a_count_of_opportunities_is_a_count() {
    let mut config = config();
    config.feeds[0]
        .roles
        .push((Role::Opportunities, column("pin")));
    let (head, _) = open_head(&config, 0, "a.csv", HEADER.as_bytes()).unwrap();
    let rows = [
        line(0, "B1,R1,12,,GOOD,,1,0"),
        line(1, "B1,R1,-1,,GOOD,,1,0"),
    ]
    .concat();
    let piece = parse_piece(&head, &config.feeds[0], rows.as_bytes(), 2);
    assert_eq!(
        (piece.block.rows, &piece.block.opportunities[..]),
        (1, &[12][..])
    );
    let reject = &piece.rejects[0];
    assert_eq!((reject.code, reject.line), ("F111", 3));
    assert_eq!(reject.column.as_deref(), Some("pin"));
    assert!(reject.reason.contains("\"-1\""), "{}", reject.reason);
}

#[test]
fn kept_rejects_are_bounded_and_all_are_counted() {
    let folder = Folder::new("rejects");
    let bad = line(0, "B1,R1,1,1,GOOD,,abc,0").repeat(3000);
    let path = folder.write("a.csv", format!("{HEADER}{bad}").as_bytes());
    let (read, blocks) = read(0, &whole(&path)).unwrap();
    assert_eq!(
        (read.rejects.len(), read.rejects_total, read.rows_read),
        (1000, 3000, 3000)
    );
    assert!(blocks.is_empty() && read.rejects[999].line == 1001);
}

#[test]
fn messages_name_what_was_found_near() {
    let open = |header: &str| open_head(&config(), 0, "a.csv", header.as_bytes()).unwrap_err();
    let error = open(&HEADER.replace("height", "Height(um)"));
    assert!(
        error.reason.contains("\"height\" (near: \"Height(um)\")"),
        "{error}"
    );
    let error = open(&HEADER.replace(',', "\t"));
    assert!(error.reason.contains("delimited by tabs"), "{error}");
}
