//! What is fuzzed: the decoding of bytes, the parsing of rows, the reading of a configuration.
//!
//! Knows no mutation. The one invariant: a target says what must hold for every input whatever,
//! and gives a number that is the same for inputs that were treated alike.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::Path;
use std::sync::LazyLock;

use driftvane::block::{Block, Column, Values};
use driftvane::config::{Config, read};
use driftvane::feeds::cells::Dialect;
use driftvane::feeds::decode::Decoding;
use driftvane::feeds::diagnostics::{REJECT_TEXT_MAX, REJECTS_KEPT_MAX, meaning};
use driftvane::feeds::{FileHead, Quarantine, open_head, parse_piece, piece_bounds};

/// Feeds of every dialect, layout and kind of time.
static FEEDS: LazyLock<Vec<Config>> = LazyLock::new(|| {
    [
        include_str!("../../config/line.toml"),
        include_str!("../../sample-feeds/driftvane.toml"),
        include_str!("corpus/feeds.toml"),
    ]
    .map(|text| read::read(text, Path::new("/plant")).unwrap())
    .into()
});

/// Names that files have.
const NAMES: [&str; 6] = [
    "P000001_1.csv",
    "B1_x.csv",
    "function_2026-03-02_early.csv",
    "_.csv",
    "..csv",
    "\u{202e}P1_\u{0301}.csv",
];

/// A target by its name and what it does with an input.
#[derive(Clone, Copy)]
pub struct Target {
    pub name: &'static str,
    pub run: fn(&[u8]) -> u64,
}

pub const TARGETS: [Target; 3] = [
    Target {
        name: "decode",
        run: decode,
    },
    Target {
        name: "parse",
        run: parse,
    },
    Target {
        name: "config",
        run: configuration,
    },
];

fn alike(what: impl Hash) -> u64 {
    let mut hasher = DefaultHasher::new();
    what.hash(&mut hasher);
    hasher.finish()
}

/// Where a few of an input's bytes choose something.
fn choice(input: &[u8], of: usize) -> usize {
    let sum: usize = input.iter().take(8).map(|byte| usize::from(*byte)).sum();
    (sum + input.len()) % of
}

fn assert_explained(quarantine: &Quarantine) {
    assert!(meaning(quarantine.code).is_some(), "{quarantine:?}");
    assert!(
        !quarantine.reason.is_empty() && !quarantine.fix.is_empty(),
        "{quarantine:?}"
    );
}

/// Bytes to text, by every encoding that the feeds declare and by marks.
fn decode(input: &[u8]) -> u64 {
    let labels = [
        "utf-8",
        "windows-1252",
        "utf-16le",
        "utf-16be",
        "shift_jis",
        "gb18030",
        "iso-8859-15",
    ];
    let label = labels[choice(input, labels.len())];
    let declared = encoding_rs::Encoding::for_label(label.as_bytes()).unwrap();
    let decoding = Decoding::of(input, declared);
    assert!(decoding.mark_len <= input.len().min(3));
    let body = &input[decoding.mark_len..];
    let end = decoding.last_line_end(body);
    assert!(end <= body.len());
    let whole = decoding.decode(body);
    match &whole {
        Ok(text) => {
            // Text is never longer than three bytes for each of the file's.
            assert!(text.len() <= 3 * body.len());
            let first = decoding.decode(&body[..end]);
            let first = first.expect("what is text as a whole is text up to a line end");
            assert!(
                text.starts_with(&*first),
                "the first lines are others alone"
            );
            assert!(first.is_empty() || first.ends_with('\n'));
        }
        Err(quarantine) => assert_explained(quarantine),
    }
    alike((
        label,
        decoding.mark_len,
        whole.is_ok(),
        end.min(9),
        input.len().checked_ilog2(),
    ))
}

/// Text to rows and findings, by every feed.
fn parse(input: &[u8]) -> u64 {
    let config = &FEEDS[choice(input, FEEDS.len())];
    let feed_index = choice(&input[input.len() / 2..], config.feeds.len());
    let feed = &config.feeds[feed_index];
    let name = NAMES[choice(&input[input.len() / 3..], NAMES.len())];
    let (head, start) = match open_head(config, feed_index, name, input) {
        Ok(found) => found,
        Err(quarantine) => {
            assert_explained(&quarantine);
            return alike((feed_index, quarantine.code, quarantine.line));
        }
    };
    let body = &input[start..];
    let dialect = Dialect {
        delimiter: feed.csv.delimiter,
        quote: feed.csv.quote,
    };
    let at_once = parse_piece(&head, feed, body, head.first_row_line);
    if let Some(quarantine) = &at_once.fatal {
        assert_explained(quarantine);
        assert_same_in_pieces(&head, feed, body, dialect, &at_once);
        return alike((feed_index, "fatal", quarantine.code));
    }
    assert_eq!(
        at_once.rows_read,
        at_once.block.rows as u64 + at_once.rejects_total
    );
    assert_eq!(
        at_once.rejects.len() as u64,
        at_once.rejects_total.min(REJECTS_KEPT_MAX as u64)
    );
    for reject in &at_once.rejects {
        assert!(meaning(reject.code).is_some(), "{reject:?}");
        assert!(reject.text.len() <= REJECT_TEXT_MAX + 3, "{reject:?}");
        assert!(reject.line >= head.first_row_line, "{reject:?}");
    }
    assert_sane(&at_once.block);
    assert_same_in_pieces(&head, feed, body, dialect, &at_once);
    let mut codes: Vec<&str> = at_once.rejects.iter().map(|reject| reject.code).collect();
    codes.sort_unstable();
    codes.dedup();
    alike((feed_index, codes, at_once.block.rows.min(5)))
}

/// Asserts that a block is what passes on to charts: whole, and every number finite or none.
fn assert_sane(block: &Block) {
    assert_eq!(block.at.len(), block.rows);
    assert_eq!(block.attempt.len(), block.rows);
    let finite = |values: &[f64]| {
        assert_eq!(values.len(), block.rows);
        assert!(
            values.iter().all(|value| !value.is_infinite()),
            "{values:?}"
        );
    };
    match &block.values {
        Values::Wide(columns) => columns.iter().for_each(|values| finite(values)),
        Values::Long {
            value,
            lower,
            upper,
            ..
        } => {
            [value, lower, upper]
                .into_iter()
                .for_each(|values| finite(values));
        }
        Values::None => {}
    }
    for column in &block.keys {
        if let Column::PerRow { codes, words } = column {
            assert_eq!(codes.len(), block.rows);
            assert!(codes.iter().all(|code| (*code as usize) < words.len()));
            // Words of rows that were rejected may stay behind; no row has them.
            let is_control = |c: char| c.is_ascii_control() && !"\t\r\n".contains(c);
            let used = |code: &u32| &words[*code as usize];
            assert!(
                !codes.iter().map(used).any(|word| word.contains(is_control)),
                "{words:?}"
            );
        }
    }
}

/// Asserts that a text cut into pieces gives the same counts, or is refused as it is at once.
fn assert_same_in_pieces(
    head: &FileHead,
    feed: &driftvane::config::Feed,
    body: &[u8],
    dialect: Dialect,
    at_once: &driftvane::feeds::Piece,
) {
    let size = 1 + body.len() / (1 + choice(body, 5));
    let (mut from, mut line, mut rows, mut rejects) = (0, head.first_row_line, 0, 0);
    for end in piece_bounds(body, size, true, dialect) {
        let piece = parse_piece(head, feed, &body[from..end], line);
        line += memchr::memchr_iter(b'\n', &body[from..end]).count() as u64;
        from = end;
        rows += piece.block.rows;
        rejects += piece.rejects_total;
        // Of several reasons the first piece's is told.
        if let Some(quarantine) = &piece.fatal {
            assert_explained(quarantine);
            assert!(at_once.fatal.is_some(), "pieces of {size} are refused");
            return;
        }
    }
    assert!(at_once.fatal.is_none(), "pieces of {size} are taken");
    assert_eq!(from, body.len());
    assert_eq!(
        (rows, rejects),
        (at_once.block.rows, at_once.rejects_total),
        "pieces of {size}"
    );
}

/// A text to a configuration, or to problems with their places and remedies.
fn configuration(input: &[u8]) -> u64 {
    let text = String::from_utf8_lossy(input);
    match read::read(&text, Path::new("/plant")) {
        Ok(config) => {
            assert!(!config.feeds.is_empty() && !config.shifts.is_empty());
            alike((
                "fine",
                config.feeds.len().min(4),
                config.characteristics.len().min(4),
            ))
        }
        Err(problems) => {
            assert!(!problems.list.is_empty());
            for problem in &problems.list {
                assert!(problem.line <= text.lines().count() + 1, "{problem:?}");
                assert!(
                    !problem.message.is_empty() && !problem.fix.is_empty(),
                    "{problem:?}"
                );
            }
            let place = |path: &str| {
                path.chars()
                    .filter(|c| !c.is_ascii_digit())
                    .take(24)
                    .collect()
            };
            let mut places: Vec<String> = problems
                .list
                .iter()
                .map(|problem| place(&problem.key_path))
                .collect();
            places.sort_unstable();
            places.dedup();
            places.truncate(3);
            alike(places)
        }
    }
}
