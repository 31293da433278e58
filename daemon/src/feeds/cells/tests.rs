//! Tests of rows and cells: quotes, line ends, faults, pieces.

use super::*;

const DIALECT: Dialect = Dialect {
    delimiter: b',',
    quote: b'"',
};

fn rows(text: &str, columns: usize, quoted: bool) -> (Vec<Vec<String>>, Vec<(RowFault, u32)>) {
    let mut cells = Cells::new(columns, 2);
    let mut walk = Walk { at: 0, line: 0 };
    let (mut rows, mut faults) = (Vec::new(), Vec::new());
    while walk.at < text.len() {
        if quoted {
            cells.fill_quoted(text.as_bytes(), &mut walk, DIALECT);
        } else {
            cells.fill_plain(text.as_bytes(), &mut walk, DIALECT.delimiter);
        }
        rows.extend((0..cells.rows()).map(|row| {
            let cell = |column| cells.cell(text.as_bytes(), row, column).to_vec();
            (0..columns)
                .map(|column| String::from_utf8(cell(column)).unwrap())
                .collect()
        }));
        faults.extend(cells.faults.iter().map(|fault| (fault.what, fault.line)));
    }
    (rows, faults)
}

#[test]
fn plain_and_quoted_ways_agree_without_quotes() {
    let text = "a,b,c\r\n1,2,3\n\n4,5\n\r\n6,7,8,\n9,10,11,12\n,,\nx,y,z";
    let (plain, faults) = rows(text, 3, false);
    assert_eq!((plain.clone(), faults.clone()), rows(text, 3, true));
    let expected = [
        ["a", "b", "c"],
        ["1", "2", "3"],
        ["6", "7", "8"],
        ["", "", ""],
        ["x", "y", "z"],
    ];
    assert_eq!(plain, expected);
    assert_eq!(faults, [(RowFault::Ragged(2), 3), (RowFault::Ragged(4), 6)]);
}

#[test]
fn quotes_hold_delimiters_line_ends_and_quotes() {
    let (cells, faults) = rows(
        "\"a,b\",\"c\nd\",\"e \"\"f\"\"\"\r\n1,5\" disc,\"\"\n",
        3,
        true,
    );
    assert_eq!(cells, [["a,b", "c\nd", "e \"f\""], ["1", "5\" disc", ""]]);
    assert!(faults.is_empty());
    assert_eq!(
        split_line("\"a b\", c ,\"d,\"", DIALECT),
        ["a b", "c", "d,"]
    );
}

#[test]
fn an_open_quote_in_a_header_is_a_part_of_its_name() {
    for (header, names) in [
        ("\"", vec!["\""]),
        ("a,\"", vec!["a", "\""]),
        ("\"a,b", vec!["\"a,b"]),
        ("\"\",\"a", vec!["", "\"a"]),
    ] {
        assert_eq!(split_line(header, DIALECT), names, "{header}");
    }
}

#[test]
fn a_text_of_faults_alone_comes_in_tables_of_so_many() {
    let text = b"1,2\n".repeat(100);
    for fill_quoted in [false, true] {
        let (mut cells, mut walk, mut faults) = (Cells::new(3, 8), Walk { at: 0, line: 0 }, 0);
        while walk.at < text.len() {
            match fill_quoted {
                true => cells.fill_quoted(&text, &mut walk, DIALECT),
                false => cells.fill_plain(&text, &mut walk, b','),
            }
            assert!(cells.faults.len() <= 8);
            faults += cells.faults.len();
        }
        assert_eq!(faults, 100);
    }
}

#[test]
fn an_open_quote_costs_one_line() {
    let (cells, faults) = rows("1,\"a,2\n3,\"b\",4\n5,c,6\n", 3, true);
    assert_eq!(cells, [["3", "b", "4"], ["5", "c", "6"]]);
    assert_eq!(faults, [(RowFault::Quote, 0)]);
    let (cells, faults) = rows("1,c,6\n1,\"a,2\n5,c,6\n", 3, true);
    assert_eq!(cells, [["1", "c", "6"], ["5", "c", "6"]]);
    assert_eq!(faults, [(RowFault::Quote, 1)]);
}

#[test]
fn pieces_never_cut_a_quoted_line_end() {
    let text = b"a,\"b\nc\"\nd,\"e\n";
    assert_eq!(piece_bounds(text, 1, false, DIALECT), [8]);
    assert_eq!(piece_bounds(text, 1, true, DIALECT), [8, 13]);
    assert_eq!(piece_bounds(b"a\nbb\nccc\nd", 4, false, DIALECT), [2, 5, 9]);
    assert_eq!(
        piece_bounds(b"a\nbb\nccc\nd", 4, true, DIALECT),
        [2, 5, 9, 10]
    );
}
