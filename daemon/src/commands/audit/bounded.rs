//! Tables that stay bounded: what has no room any more is told by its digest.
//!
//! Knows no figure. The one invariant: a row is either in its table or in the digest of the rest.

use reports::tables::{Cell, Sheet, csv_line};

/// Rows of a table of a pack.
const TABLE_ROWS_MAX: usize = 200_000;

/// A table that is being filled.
pub(super) struct Rows {
    sheet: Sheet,
    more: u64,
    digest: blake3::Hasher,
}

impl Rows {
    /// A table without rows.
    pub(super) fn new(name: &str, keys: usize, columns: &[&str]) -> Rows {
        Rows {
            sheet: Sheet::new(name, keys, columns),
            more: 0,
            digest: blake3::Hasher::new(),
        }
    }

    /// Adds a row.
    pub(super) fn push(&mut self, row: Vec<Cell>) {
        if self.sheet.rows.len() < TABLE_ROWS_MAX {
            self.sheet.push(row);
        } else {
            self.more += 1;
            self.digest.update(csv_line(&row).as_bytes());
        }
    }

    pub(super) fn into_sheet(self) -> Sheet {
        self.sheet
    }
}

/// What the tables had no room for.
pub(super) fn left_out(tables: &[Rows]) -> Option<Sheet> {
    let columns = ["table", "rows", "BLAKE3 of the rows"];
    let mut sheet = Sheet::new("left out", 1, &columns);
    for one in tables.iter().filter(|one| one.more > 0) {
        let digest = one.digest.finalize().to_hex().to_string();
        sheet.push(vec![
            one.sheet.name.as_str().into(),
            one.more.into(),
            digest.into(),
        ]);
    }
    (!sheet.rows.is_empty()).then_some(sheet)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_without_room_are_counted_and_told_by_their_digest() {
        let filled = |last: &str| {
            let mut rows = Rows::new("files", 1, &["file"]);
            for row in 0..TABLE_ROWS_MAX {
                rows.push(vec![(row as u64).into()]);
            }
            assert!(left_out(std::slice::from_ref(&rows)).is_none());
            rows.push(vec![last.into()]);
            left_out(&[rows]).unwrap()
        };
        let (one, other) = (filled("a"), filled("b"));
        assert_eq!(one.rows[0][..2], ["files".into(), Cell::Count(1)]);
        assert!(one != other && one == filled("a"));
    }
}
