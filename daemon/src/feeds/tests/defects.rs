//! Tests of the collection of defects: one file each, with the finding expected for it.

use super::*;

/// Checks a file of `sample-feeds/bad` against its entry in `expected.toml`.
fn check_defect(folder: &Path, defect: &toml::Table) {
    let text = |key: &str| defect.get(key).and_then(toml::Value::as_str);
    let number = |key: &str| defect.get(key).and_then(toml::Value::as_integer);
    let file = text("file").unwrap();
    let names = config()
        .feeds
        .iter()
        .map(|feed| feed.name.clone())
        .collect::<Vec<_>>();
    let feed = names
        .iter()
        .position(|name| Some(name.as_str()) == text("feed"))
        .unwrap();
    let line = number("line").map(|line| u64::try_from(line).unwrap());
    match (read(feed, &whole(&folder.join(file))), number("rows")) {
        (Err(ReadFailure::Quarantine(found)), None) => {
            assert_eq!(
                (Some(found.code), found.line),
                (text("code"), line),
                "{file}: {found}"
            );
            assert!(!found.fix.is_empty(), "{file}");
        }
        (Ok((read, blocks)), Some(good)) => {
            let [reject] = &read.rejects[..] else {
                panic!("{file}: {:?}", read.rejects)
            };
            let found = (
                Some(reject.code),
                Some(reject.line),
                reject.column.as_deref(),
            );
            assert_eq!(
                found,
                (text("code"), line, text("column")),
                "{file}: {reject:?}"
            );
            let rows: usize = blocks.iter().map(|block| block.rows).sum();
            assert_eq!(i64::try_from(rows).unwrap(), good, "{file}");
            assert_eq!(read.rows_read, rows as u64 + 1, "{file}");
        }
        (found, _) => panic!("{file}: {found:?}"),
    }
}

#[test]
fn every_defect_of_the_collection_is_found_where_it_is() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-feeds/bad");
    let table = fs::read_to_string(folder.join("expected.toml")).unwrap();
    let table: toml::Table = table.parse().unwrap();
    let defects = table["defect"].as_array().unwrap();
    let mut files: Vec<String> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name != "expected.toml")
        .collect();
    for defect in defects {
        let defect = defect.as_table().unwrap();
        check_defect(&folder, defect);
        files.retain(|name| Some(name.as_str()) != defect["file"].as_str());
    }
    assert!(files.is_empty(), "not in expected.toml: {files:?}");
    let seen = |code: &str| {
        defects
            .iter()
            .any(|defect| defect["code"].as_str() == Some(code))
    };
    // Long lines and large files are made by other tests; the future needs a clock, and exchanged
    // dates the time at which a file was written; counts of
    // opportunities by row need a feed of their own.
    let elsewhere = [
        "F010", "F011", "F013", "F014", "F015", "F016", "F111", "F113", "F114",
    ];
    for (code, words) in diagnostics::CODES {
        assert!(
            seen(code) || elsewhere.contains(code),
            "no file for {code} ({words})"
        );
    }
}
