//! Tests of what is kept from a look at the beginning of a file.

use super::scan::found;
use super::*;
use crate::feeds::glance::Glance;

fn look(config: &Config, path: &Path) -> Glance {
    glance(config, 0, &found(path).unwrap().unwrap())
}

#[test]
fn a_small_file_that_was_seen_whole_is_read_as_if_it_were_opened() {
    let folder = Folder::new("glance");
    let rows: String = (0..9).map(|at| line(at, "B1,R1,1,1,GOOD,,5,0")).collect();
    let texts = [
        format!("{HEADER}{rows}"),
        format!("{HEADER}{}", rows.trim_end()),
        format!("{HEADER}{rows}B1,R1\n"),
        HEADER.to_owned(),
        String::new(),
    ];
    for text in texts {
        let path = folder.write("a.csv", text.as_bytes());
        let glance = look(&config(), &path);
        let seen = glance.whole.unwrap();
        assert_eq!(seen.bytes(), text.as_bytes());
        let opened = read(0, &whole(&path)).map_err(|error| error.to_string());
        let first = opened.as_ref().ok().and_then(|(_, blocks)| blocks.first());
        assert_eq!(glance.first, first.map(|block| block.at[0]));
        fs::remove_file(&path).unwrap();
        let request = ReadRequest {
            whole: Some(&seen),
            ..whole(&path)
        };
        let kept = read(0, &request).map_err(|error| error.to_string());
        assert_eq!(format!("{kept:?}"), format!("{opened:?}"));
    }
}

#[test]
fn only_small_files_at_rest_that_are_as_the_scan_found_them_are_kept() {
    let folder = Folder::new("glance-changed");
    let rows: String = (0..99).map(|at| line(at, "B1,R1,1,1,GOOD,,5,0")).collect();
    let text = format!("{HEADER}{rows}");
    assert!(text.len() > 4 * 1024, "{}", text.len());
    let path = folder.write("large.csv", text.as_bytes());
    let large = look(&config(), &path);
    assert!(large.first.is_some() && large.whole.is_none());

    let path = folder.write("a.csv", &text.as_bytes()[..1_000]);
    let before = found(&path).unwrap().unwrap();
    folder.write("a.csv", &text.as_bytes()[..1_001]);
    let changed = glance(&config(), 0, &before);
    assert!(changed.first.is_some() && changed.whole.is_none());

    let mut grows = config();
    grows.feeds[0].grows = true;
    let growing = look(&grows, &path);
    assert!(growing.first.is_some() && growing.whole.is_none());
    assert!(look(&config(), &path).whole.is_some());
}
