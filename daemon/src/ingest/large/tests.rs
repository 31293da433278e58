//! Files that change between one reading and the next.

use super::*;
use crate::feeds::scan::found;

const CONFIG: &str = "\
[plant]\nname = \"Invented\"\ntime_zone = \"UTC\"\n\
[[shift]]\nname = \"all\"\nstarts = \"00:00\"\n\
[[feed]]\nname = \"paste\"\nline = \"L1\"\nstation = \"paste\"\nfolder = \"in\"\n\
time = { columns = [\"At\"], format = \"rfc3339\" }\n\
measure = [{ name = \"height\", column = \"Height\", unit = \"um\" }]\n\
[feed.roles]\npanel = \"Panel\"\n\
[[characteristic]]\nname = \"height\"\nstation = \"paste\"\nmeasure = \"height\"\n\
group_by = [\"line\"]\nsubgroup = \"panel\"\nchart = \"individuals\"\n\
reaction_plan = \"Look.\"\n";

const NOW: i64 = 1_772_452_800_000_000;

fn rows(panels: &[&str]) -> String {
    let row = |panel: &&str| format!("2026-03-02T08:00:00Z,{panel},100\n");
    "At,Panel,Height\n".to_owned() + &panels.iter().map(row).collect::<String>()
}

#[test]
fn a_file_that_is_another_at_its_second_reading_is_read_anew() {
    let base = std::env::temp_dir().join(format!("driftvane-{}-large", std::process::id()));
    std::fs::remove_dir_all(&base).ok();
    std::fs::create_dir_all(base.join("in")).unwrap();
    let config = Arc::new(crate::config::read::read(CONFIG, &base).unwrap());
    let mut ingest = Ingest::open(Arc::clone(&config), 1).unwrap();
    let path = |name: &str| base.join("in").join(name);
    let waiting = |name: &str| Waiting {
        feed: 0,
        found: found(&path(name)).unwrap().unwrap(),
        whole: None,
    };
    std::fs::write(path("first.csv"), rows(&["P1", "P2"])).unwrap();
    assert_eq!(ingest.take(&[waiting("first.csv")], NOW).unwrap().rows, 2);

    // A file that brings one of these again, as if it were too large to be kept in memory.
    std::fs::write(path("second.csv"), rows(&["P2", "P3"])).unwrap();
    let one = waiting("second.csv");
    let start = Start::of("paste", &path("second.csv").to_string_lossy());
    let mut pass = ingest.pass(&config, (&one, start, NOW), &mut None).unwrap();
    let first = ingest.judge_large(&one, start, &mut pass, NOW);
    let first = first.unwrap().unwrap();
    let none = Open::default();
    let seen = ingest.seen(&pass.batch.units, start, &none).unwrap();
    assert_eq!(seen.len(), 1);
    let days = pass.days;
    drop(pass.segments);
    ingest.forget_uncommitted().unwrap();
    let repeats = ingest.repeats(0, start, seen, &days, &none).unwrap();
    let repeats = repeats.ok().expect("there is room");
    std::fs::write(path("second.csv"), rows(&["P2", "P4"])).unwrap();
    let outcome = ingest.take_rest(&one, start, (repeats, first), NOW);
    let outcome = outcome.unwrap();
    assert_eq!((outcome.again, outcome.rows), (1, 0));
    assert_eq!(outcome.unread, [(0, path("second.csv"))]);

    let outcome = ingest.take_large(&waiting("second.csv"), start, NOW);
    assert_eq!(outcome.unwrap().rows, 1, "P4 is new");
    drop(ingest);
    std::fs::remove_dir_all(&base).unwrap();
}

#[test]
fn only_days_on_which_something_happened_are_looked_at() {
    const DAY: i64 = DAY_US;
    let days = days_of(&[DAY * 20_000, 5, DAY * 20_000 + 1, DAY - 1, DAY, -1]);
    assert_eq!(days.into_iter().collect::<Vec<_>>(), [-1, 0, 1, 20_000]);
}
