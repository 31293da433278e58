//! Tests that cut files anywhere and feed them anything.

use proptest::prelude::*;

use super::*;

/// Text from the characters that matter, so that quotes, line ends and bad rows abound.
fn body() -> impl Strategy<Value = String> {
    let cell = prop_oneof![
        6 => "[0-9]{1,3}(\\.[0-9])?",
        2 => "\"[a-c,\n]{0,3}\"",
        1 => "\"[a-c]\"\"[a-c]\"",
        1 => "[\"a,]{1,3}",
        1 => Just(String::new()),
    ];
    let row = (
        proptest::collection::vec(cell, 1..4),
        prop_oneof![4 => Just("\n"), 1 => Just("\r\n")],
    )
        .prop_map(|(cells, end)| {
            format!(
                "2026-03-02T06:00:00Z,AX-7,P1,B1,{},1,1,GOOD,,5,{}{end}",
                cells[0],
                cells.join(",")
            )
        });
    proptest::collection::vec(row, 0..20).prop_map(|rows| rows.concat())
}

proptest! {
    #[test]
    fn pieces_cut_anywhere_give_the_same_rows(body in body(), size in 1usize..400) {
        let config = config();
        let feed = &config.feeds[0];
        let (head, start) = open_head(&config, 0, "a.csv", HEADER.as_bytes()).unwrap();
        prop_assert_eq!(start, HEADER.len());
        let bytes = body.as_bytes();
        let at_once = parse_piece(&head, feed, bytes, 2);
        let total = at_once.block.rows as u64 + at_once.rejects_total;
        prop_assert_eq!(at_once.rows_read, total);
        let (mut blocks, mut rejects, mut from, mut line) = (vec![], vec![], 0, 2);
        for end in piece_bounds(bytes, size, true, head.dialect) {
            let piece = parse_piece(&head, feed, &bytes[from..end], line);
            line += memchr::memchr_iter(b'\n', &bytes[from..end]).count() as u64;
            from = end;
            rejects.extend(piece.rejects);
            blocks.push(piece.block);
        }
        prop_assert_eq!(from, bytes.len());
        prop_assert_eq!(rejects, at_once.rejects);
        prop_assert_eq!(rows(&blocks), rows(&[at_once.block]));
    }

    #[test]
    fn any_bytes_end_in_rows_or_a_reason(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let config = config();
        let (head, _) = open_head(&config, 0, "a.csv", HEADER.as_bytes()).unwrap();
        let piece = parse_piece(&head, &config.feeds[0], &bytes, 2);
        prop_assert_eq!(piece.rows_read, piece.block.rows as u64 + piece.rejects_total);
        for feed in 0..3 {
            if let Err(quarantine) = open_head(&config, feed, "a.csv", &bytes) {
                prop_assert!(!quarantine.fix.is_empty());
            }
        }
    }
}
