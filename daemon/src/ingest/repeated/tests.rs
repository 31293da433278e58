//! Rows beside recorded ones, piece by piece.

use super::*;
use crate::block::{Column, Lines, Values};
use crate::words::{Review, Role};

const CONFIG: &str = "\
[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\n\
[[shift]]\nname = \"all\"\nstarts = \"00:00\"\n\
[[feed]]\nname = \"calls\"\nline = \"L1\"\nstation = \"optical\"\nfolder = \"in\"\n\
lists = \"failures\"\ntime = { columns = [\"At\"], format = \"rfc3339\" }\n\
[feed.roles]\nboard = \"Board\"\ndefect = \"Defect\"\n\
review = { column = \"Review\", confirmed = [\"yes\"], false_call = [\"no\"] }\n";

/// Calls on one board, each naming its defect.
fn calls(defects: &[&str]) -> Block {
    let per_row = |words: &[&str]| Column::PerRow {
        codes: (0..).take(words.len()).collect(),
        words: words.iter().map(|word| Arc::from(*word)).collect(),
    };
    let mut keys = [const { Column::Absent }; Role::COUNT];
    keys[Role::Board.index()] = Column::Constant(Arc::from("B1"));
    keys[Role::Defect.index()] = per_row(defects);
    Block {
        feed: 0,
        rows: defects.len(),
        at: vec![0; defects.len()],
        keys,
        attempt: vec![1; defects.len()],
        call: vec![Call::Defect; defects.len()],
        review: vec![Review::Pending; defects.len()],
        opportunities: vec![0; defects.len()],
        values: Values::None,
        lines: Lines::default(),
    }
}

/// What the rows of a file are beside recorded ones, the file cut into two pieces somewhere.
fn fates(config: &Config, recorded: &[&str], file: &[&str], cut: usize) -> Vec<Fate> {
    let archived = calls(recorded);
    let mut known = Known::default();
    let all = visits(&archived);
    assert!(known.add(&archived, &all.iter().collect::<Vec<_>>()));
    let visit = (Arc::from("calls"), Arc::from("B1"), 1);
    let mut repeats = Repeats::new(Seen::from([(visit, (1, 1))]), known, 1);
    let parts = [&file[..cut], &file[cut..]].into_iter();
    let pieces = parts.filter(|part| !part.is_empty());
    let pieces: Vec<Prepared> = pieces
        .map(|part| Prepared::of(config, calls(part), 1))
        .collect();
    assert!(pieces.iter().all(|piece| repeats.look(config, piece)));
    repeats.decide(config);
    let fates = (0..file.len()).map(|row| repeats.fates.get(&row).cloned());
    let fates = fates.map(|fate| fate.unwrap_or(Fate::Fresh)).collect();
    let kept: usize = pieces
        .into_iter()
        .filter_map(|piece| repeats.sift(config, piece))
        .map(|piece| piece.block.rows)
        .sum();
    let left = |fate: &&Fate| matches!(fate, Fate::Fresh | Fate::Reviewed(_));
    let fates: Vec<Fate> = fates;
    assert_eq!(kept, fates.iter().filter(left).count());
    fates
}

#[test]
fn what_a_row_is_does_not_depend_on_where_its_file_is_cut() {
    let folder = std::env::temp_dir();
    let config = crate::config::read::read(CONFIG, &folder).unwrap();
    for (recorded, file, wanted) in [
        // The second says what is recorded: the first is another call, not a correction of it.
        (
            &["open"][..],
            &["short", "open"][..],
            &[Fate::Fresh, Fate::Repeated][..],
        ),
        (
            &["open", "lifted"],
            &["short", "open", "open"],
            &[Fate::Conflict, Fate::Repeated, Fate::Fresh],
        ),
        (&["open"], &["open", "open"], &[Fate::Repeated, Fate::Fresh]),
        (
            &["open"],
            &["short", "short"],
            &[Fate::Conflict, Fate::Fresh],
        ),
    ] {
        for cut in 0..=file.len() {
            let found = fates(&config, recorded, file, cut);
            assert_eq!(found, wanted, "{recorded:?} and {file:?} cut at {cut}");
        }
    }
}
