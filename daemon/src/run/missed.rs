//! Shift reports that were missed while nobody watched.
//!
//! Knows no page. The one invariant: what is before the newest report there is was decided then.

use crate::config::Config;
use crate::shifts::{self, Span};
use crate::store::{Reader, StoreError};

/// Shifts before the running one whose reports are written if they are missing.
const MISSED_SHIFTS_MAX: usize = 42;

/// The shifts before the running one that ended without a report and had something to tell, in
/// order.
pub(super) fn missed(config: &Config, running: &Span) -> Result<Vec<Span>, StoreError> {
    let reader = match Reader::open(&config.data_folder) {
        Ok(reader) => reader,
        Err(StoreError::Nothing(_)) => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut missed = Vec::new();
    let mut end = running.start;
    for _ in 0..MISSED_SHIFTS_MAX {
        let span = shifts::at(config, end.saturating_sub(1));
        if reader.last_report(span.start)?.is_some() || span.start >= end {
            break;
        }
        end = span.start;
        if reader.has_news_between(span.start, span.end)? {
            missed.push(span);
        }
    }
    missed.reverse();
    Ok(missed)
}

#[cfg(test)]
mod tests {
    use super::super::Turn;
    use super::*;
    use crate::ingest::Ingest;
    use std::path::PathBuf;
    use std::sync::Arc;

    const CONFIG: &str = "[plant]\nname = \"P\"\ntime_zone = \"UTC\"\n\
         [[shift]]\nname = \"day\"\nstarts = \"06:00\"\n\
         [[shift]]\nname = \"night\"\nstarts = \"18:00\"\n\
         [[feed]]\nname = \"f\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"in\"\n\
         time = { columns = [\"T\"], format = \"rfc3339\" }\n\
         measure = [{ name = \"height\", column = \"H\", unit = \"um\" }]\n\
         [feed.roles]\nboard = \"B\"\n";

    fn at(text: &str) -> i64 {
        let time: jiff::Timestamp = format!("2026-03-{text}:00:00Z").parse().unwrap();
        time.as_microsecond()
    }

    /// A computer slept from a day shift on until the second day after.
    #[test]
    fn every_shift_that_the_clock_went_over_gets_its_report_one_at_a_time() {
        let name = format!("driftvane-{}-missed", std::process::id());
        let folder = std::env::temp_dir().join(name);
        std::fs::create_dir_all(folder.join("in")).unwrap();
        let rows = ["02T12", "02T20", "03T12", "04T12"].map(|at| format!("2026-03-{at}:00:00Z"));
        for (place, at) in rows.iter().enumerate() {
            let text = format!("T,B,H\n{at},b{place},100\n");
            std::fs::write(folder.join(format!("in/{place}.csv")), text).unwrap();
        }
        let config = Arc::new(crate::config::read::read(CONFIG, &folder).unwrap());
        let mut ingest = Ingest::open(Arc::clone(&config), 1).unwrap();
        crate::run::replay(&mut ingest, &[], &mut |_, _, _| {}).unwrap();
        let mut turn = Turn::new(Arc::clone(&config), Arc::clone(ingest.health()));
        turn.scanned_ms = vec![Some(0)];
        turn.has_looked_back = true;
        turn.shift = shifts::at(&config, at("02T13"));
        let reports = || -> Vec<PathBuf> {
            let found = std::fs::read_dir(&config.report_folder)
                .into_iter()
                .flatten();
            let mut found: Vec<_> = found.map(|one| one.unwrap().path()).collect();
            found.sort();
            found
        };
        turn.end_shift(at("04T13"));
        let mut counts = Vec::new();
        for _ in 0..6 {
            turn.write_report();
            turn.look_back().unwrap();
            counts.push(reports().len());
        }
        // The night of the 3rd had nothing to tell, and the day of the 4th still runs.
        assert_eq!(counts, [1, 2, 3, 3, 3, 3], "{:?}", reports());
        let names = format!("{:?}", reports());
        for part in ["2026-03-02-day", "2026-03-02-night", "2026-03-03-day"] {
            assert!(names.contains(part), "{part}: {names}");
        }
        drop(ingest);
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
