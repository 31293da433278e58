//! Segments against the library's own reader: what was written can be read back, row by row.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use polars::prelude::{DataFrame, DataType};
use polars_io::SerReader;
use polars_io::parquet::read::ParquetReader;
use proptest::prelude::*;

use super::*;
use crate::block::{Column, Lines, Values};
use crate::config::read;
use crate::words::{Call, Review, Role};

const DAY: i64 = DAY_US;

/// Two invented feeds of no plant that exists: one wide, one long.
const CONFIG: &str = r#"
[plant]
name = "Elmbridge, which does not exist"
time_zone = "UTC"
[[shift]]
name = "day"
starts = "06:00"
[[feed]]
name = "wide"
line = "L1"
station = "paste"
folder = "wide"
[feed.time]
columns = ["At"]
format = "rfc3339"
[feed.roles]
panel = "Panel"
call = { column = "Call", good = ["g"], defect = ["*"] }
review = { column = "Review", confirmed = ["c"], false_call = ["f"], pending = ["p"] }
opportunities = "Chances"
[[feed.measure]]
name = "height"
column = "Height"
unit = "um"
[[feed.measure]]
name = "offset"
column = "Offset"
unit = "um"
[[feed]]
name = "long"
line = "L1"
station = "function"
folder = "long"
layout = "long"
[feed.time]
columns = ["At"]
format = "rfc3339"
[feed.roles]
board = "Board"
[feed.steps]
name = "Step"
value = "Value"
unit = "Unit"
lower = "Low"
upper = "High"
"#;

/// A row as it is written and read: time, key, attempt, call, review, chances, two numbers.
type Row = (
    i64,
    Option<String>,
    u16,
    u8,
    u8,
    u32,
    Option<f64>,
    Option<f64>,
);

fn rows() -> impl Strategy<Value = Vec<Row>> {
    let time = prop_oneof![
        9 => 0..DAY,
        1 => DAY..3 * DAY
    ];
    let key = proptest::option::weighted(0.8, "[A-C]{1,2}");
    let number = || {
        proptest::option::weighted(
            0.9,
            prop_oneof![
                (-900i32..900).prop_map(|n| f64::from(n) / 10.0),
                -1e6f64..1e6,
            ],
        )
    };
    let row = (
        time,
        key,
        1u16..3,
        0u8..3,
        0u8..3,
        0u32..4,
        number(),
        number(),
    );
    proptest::collection::vec(row, 1..200)
}

fn config() -> Config {
    read::read(CONFIG, Path::new("/invented")).unwrap_or_else(|problems| panic!("{problems}"))
}

fn words(texts: impl Iterator<Item = Option<String>>) -> Column {
    let (mut codes, mut words): (Vec<u32>, Vec<Arc<str>>) = (Vec::new(), Vec::new());
    for text in texts {
        let text = text.unwrap_or_default();
        let known = words.iter().position(|word| **word == *text);
        let code = known.unwrap_or_else(|| {
            words.push(Arc::from(text.as_str()));
            words.len() - 1
        });
        codes.push(code as u32);
    }
    Column::PerRow { codes, words }
}

fn block(feed: usize, rows: &[Row]) -> Block {
    let number = |number: Option<f64>| number.unwrap_or(f64::NAN);
    let mut keys = [const { Column::Absent }; Role::COUNT];
    let role = if feed == 0 { Role::Panel } else { Role::Board };
    keys[role.index()] = words(rows.iter().map(|row| row.1.clone()));
    let first: Vec<f64> = rows.iter().map(|row| number(row.6)).collect();
    let second: Vec<f64> = rows.iter().map(|row| number(row.7)).collect();
    let values = if feed == 0 {
        Values::Wide(vec![first, second])
    } else {
        Values::Long {
            step: words(rows.iter().map(|row| Some(format!("step {}", row.3)))),
            value: first,
            unit: Column::Constant(Arc::from("V")),
            lower: second,
            upper: vec![f64::NAN; rows.len()],
        }
    };
    Block {
        feed,
        rows: rows.len(),
        at: rows.iter().map(|row| row.0).collect(),
        keys,
        attempt: rows.iter().map(|row| row.2).collect(),
        call: rows
            .iter()
            .map(|row| [Call::Absent, Call::Good, Call::Defect][usize::from(row.3)])
            .collect(),
        review: rows
            .iter()
            .map(|row| [Review::Pending, Review::Confirmed, Review::FalseCall][usize::from(row.4)])
            .collect(),
        opportunities: rows.iter().map(|row| row.5).collect(),
        values,
        lines: Lines::default(),
    }
}

/// Writes blocks and reads every segment back, in the order of days.
fn round_trip(config: &Config, blocks: &[Block]) -> Vec<DataFrame> {
    static NEXT: AtomicUsize = AtomicUsize::new(0);
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let name = format!("driftvane-{}-segments-{number}", std::process::id());
    let folder = std::env::temp_dir().join(name);
    let mut segments = Segments::new(config, &folder, "one".to_owned());
    for part in plan(blocks) {
        segments.add(encode(config, part)).unwrap();
    }
    let named = segments.finish().unwrap();
    let frames = named
        .iter()
        .map(|segment| {
            let path = folder.join("archive").join(&segment.path);
            assert_eq!(
                *blake3::hash(&fs::read(&path).unwrap()).as_bytes(),
                segment.digest
            );
            let file = File::open(path).unwrap();
            let frame = ParquetReader::new(file).finish().unwrap();
            assert_eq!(frame.height() as u64, segment.rows);
            frame
        })
        .collect();
    fs::remove_dir_all(&folder).unwrap();
    frames
}

fn texts(frames: &[DataFrame], name: &str) -> Vec<Option<String>> {
    let of = |frame: &DataFrame| -> Vec<Option<String>> {
        let column = frame.column(name).unwrap();
        let column = column.str().unwrap();
        column.iter().map(|text| text.map(str::to_owned)).collect()
    };
    frames.iter().flat_map(of).collect()
}

fn whole(frames: &[DataFrame], name: &str) -> Vec<i64> {
    let of = |frame: &DataFrame| -> Vec<i64> {
        let column = frame.column(name).unwrap().cast(&DataType::Int64).unwrap();
        column.i64().unwrap().iter().map(Option::unwrap).collect()
    };
    frames.iter().flat_map(of).collect()
}

/// The bits of numbers, so that not even a sign of zero is lost.
fn bits(frames: &[DataFrame], name: &str) -> Vec<Option<u64>> {
    let of = |frame: &DataFrame| -> Vec<Option<u64>> {
        let column = frame.column(name).unwrap();
        let column = column.f64().unwrap();
        column
            .iter()
            .map(|number| number.map(f64::to_bits))
            .collect()
    };
    frames.iter().flat_map(of).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn what_was_written_can_be_read_back(rows in rows(), cut in 0usize..200) {
        let config = config();
        let (first, second) = rows.split_at(cut.min(rows.len()));
        let cut = [first, second].into_iter().filter(|rows| !rows.is_empty());
        let cut: Vec<&[Row]> = cut.collect();
        let mut wanted = rows.clone();
        // Segments are a day each; within a day rows stay in their order.
        wanted.sort_by_key(|row| row.0.div_euclid(DAY));
        let call = |row: &Row| [None, Some("good"), Some("defect")][usize::from(row.3)];
        let review = |row: &Row| [None, Some("confirmed"), Some("false_call")][usize::from(row.4)];
        let owned = |text: Option<&str>| text.map(str::to_owned);

        let blocks: Vec<Block> = cut.iter().map(|rows| block(0, rows)).collect();
        let frames = round_trip(&config, &blocks);
        let numbers = |of: fn(&Row) -> Option<f64>| -> Vec<Option<u64>> {
            wanted.iter().map(|row| of(row).map(f64::to_bits)).collect()
        };
        prop_assert_eq!(whole(&frames, "at"), wanted.iter().map(|row| row.0).collect::<Vec<_>>());
        prop_assert_eq!(
            texts(&frames, "panel"),
            wanted.iter().map(|row| row.1.clone()).collect::<Vec<_>>()
        );
        prop_assert_eq!(
            whole(&frames, "attempt"),
            wanted.iter().map(|row| i64::from(row.2)).collect::<Vec<_>>()
        );
        prop_assert_eq!(
            whole(&frames, "opportunities"),
            wanted.iter().map(|row| i64::from(row.5)).collect::<Vec<_>>()
        );
        prop_assert_eq!(
            texts(&frames, "call"),
            wanted.iter().map(|row| owned(call(row))).collect::<Vec<_>>()
        );
        prop_assert_eq!(
            texts(&frames, "review"),
            wanted.iter().map(|row| owned(review(row))).collect::<Vec<_>>()
        );
        prop_assert_eq!(bits(&frames, "height"), numbers(|row| row.6));
        prop_assert_eq!(bits(&frames, "offset"), numbers(|row| row.7));

        let blocks: Vec<Block> = cut.iter().map(|rows| block(1, rows)).collect();
        let frames = round_trip(&config, &blocks);
        let steps = wanted.iter().map(|row| Some(format!("step {}", row.3)));
        prop_assert_eq!(texts(&frames, "step"), steps.collect::<Vec<_>>());
        prop_assert_eq!(bits(&frames, "value"), numbers(|row| row.6));
        prop_assert_eq!(bits(&frames, "lower"), numbers(|row| row.7));
        prop_assert_eq!(bits(&frames, "upper"), vec![None; rows.len()]);
        prop_assert!(texts(&frames, "unit").iter().all(|unit| unit.as_deref() == Some("V")));
    }
}

#[test]
fn many_different_numbers_need_no_dictionary() {
    let config = config();
    let row = |n: u32| {
        let number = f64::from(n).sqrt();
        (
            i64::from(n) * 1_000,
            Some(format!("P{n}")),
            1,
            0,
            0,
            n,
            Some(number),
            Some(0.5),
        )
    };
    let rows: Vec<Row> = (0..70_000).map(row).collect();
    let frames = round_trip(&config, &[block(0, &rows)]);
    let wanted: Vec<Option<u64>> = rows.iter().map(|row| row.6.map(f64::to_bits)).collect();
    assert_eq!(bits(&frames, "height"), wanted);
    let wanted: Vec<i64> = rows.iter().map(|row| i64::from(row.5)).collect();
    assert_eq!(whole(&frames, "opportunities"), wanted);
    let wanted: Vec<Option<String>> = rows.iter().map(|row| row.1.clone()).collect();
    assert_eq!(texts(&frames, "panel"), wanted);
}
