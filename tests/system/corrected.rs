//! A file that comes again with corrections or reviews: each row counts once, whoever brings it.

use driftvane::plant::Delivery;

use crate::place::{
    Chance, Place, assert_same_charts, assert_same_rows, list, small_config, small_plant, text,
};

/// Longer than all the small plant's events span.
const WHOLE_SPAN_MINUTES: u32 = 24 * 60;

fn as_text(delivery: &Delivery) -> String {
    String::from_utf8(delivery.content.clone()).unwrap()
}

fn files(station: &str, count: usize) -> Vec<Delivery> {
    let plant = small_plant();
    let all = plant.deliveries(51);
    all.filter(|one| one.station == station)
        .take(count)
        .collect()
}

fn assert_same(one: &Place, other: &Place) {
    assert_same_charts(&one.charts(), &other.charts());
    assert_same_rows("limits", &one.limits(), &other.limits());
    assert_same_rows("alerts", &one.alerts(), &other.alerts());
    assert_same_rows("visits", &one.sums(), &other.sums());
    for place in [one, other] {
        place.assert_rows_add_up();
        place.assert_sound();
    }
}

/// A file as it was before somebody mended it: some rows can not be used, some reviews are open.
fn flawed(delivery: &Delivery, chance: &mut Chance) -> String {
    let mut lines: Vec<String> = as_text(delivery).lines().map(str::to_owned).collect();
    let is_header = |line: &String| line.starts_with("Component") || line.contains("Height um");
    let first = lines.iter().position(is_header).unwrap() + 1;
    for line in &mut lines[first..] {
        if delivery.station == "optical" {
            let mut cells: Vec<&str> = line.split(';').collect();
            match chance.below(4) {
                0 => cells[4] = "not yet",
                1 => cells[4] = "",
                2 => cells[4] = "whatever",
                _ => {}
            }
            *line = cells.join(";");
        } else if chance.below(8) == 0 {
            let mut cells: Vec<&str> = line.split(',').collect();
            match chance.below(3) {
                0 => cells[8] = "n/a",
                1 => cells[0] = "yesterday",
                _ => cells.truncate(3),
            }
            *line = cells.join(",");
        }
    }
    lines.join("\n") + "\n"
}

/// Originals with rejects and open reviews, then corrected copies, in many an order, cut into
/// batches anywhere: as if the corrected files alone had been there.
#[test]
fn corrected_copies_give_what_they_would_have_given_alone() {
    let config = small_config(WHOLE_SPAN_MINUTES);
    let deliveries: Vec<Delivery> = small_plant().deliveries(52).collect();
    let alone = Place::new(&config);
    deliveries.iter().for_each(|one| alone.deliver(one));
    alone.replay();
    assert!(!alone.limits().is_empty() && !alone.alerts().is_empty());

    let mut chance = Chance::new(20_260_305);
    let corrected = Place::new(&config);
    let mut waiting: Vec<(String, String)> = Vec::new();
    for delivery in &deliveries {
        let own = format!("{}/{}", delivery.station, delivery.file_name);
        let other = own.replace(".csv", "_corrected.csv");
        if delivery.station == "function" {
            corrected.deliver(delivery);
        } else {
            match chance.below(4) {
                0 => corrected.deliver(delivery),
                1 => {
                    corrected.write(&own, flawed(delivery, &mut chance));
                    waiting.push((own, as_text(delivery)));
                }
                2 => {
                    corrected.write(&own, flawed(delivery, &mut chance));
                    corrected.write(&other, as_text(delivery));
                }
                // The original overtakes nobody: it comes last.
                _ => {
                    corrected.write(&other, as_text(delivery));
                    waiting.push((own, flawed(delivery, &mut chance)));
                }
            }
        }
        if chance.below(25) == 0 {
            corrected.replay();
            for (name, content) in waiting.drain(..) {
                corrected.write(&name, content);
            }
        }
    }
    corrected.replay();
    for (name, content) in waiting.drain(..) {
        corrected.write(&name, content);
    }
    corrected.replay();
    let repeated = corrected.number("SELECT sum(rows_duplicate) FROM file");
    let reviewed = corrected.number("SELECT sum(reviewed) FROM unit");
    assert!(
        repeated > 1_000 && reviewed > 5,
        "{repeated} and {reviewed}"
    );
    assert_same(&alone, &corrected);
}

/// The test station's file is put right with an editor and stored under another name.
#[test]
fn a_corrected_copy_of_a_growing_file_counts_the_corrected_rows_only() {
    let config = small_config(WHOLE_SPAN_MINUTES);
    let whole: String = files("function", 40).iter().map(as_text).collect();
    let alone = Place::new(&config);
    alone.write("function/all.csv", &whole);
    alone.replay();

    let place = Place::new(&config);
    let mut flawed: Vec<String> = whole.lines().map(str::to_owned).collect();
    for line in flawed.iter_mut().skip(3).step_by(9) {
        *line = line.replacen(',', ",,", 1);
    }
    let half = flawed.len() / 2;
    place.write("function/day.csv", flawed[..half].join("\n") + "\n");
    place.replay();
    place.append(
        "function/day.csv",
        (flawed[half..].join("\n") + "\n").as_bytes(),
    );
    place.replay();
    let rejected = place.number("SELECT sum(rows_rejected) FROM file");
    assert!(rejected > 10, "{rejected}");
    // The copy grows, too: it is read in two pieces.
    let cut = whole
        .lines()
        .take(half)
        .map(|line| line.len() + 1)
        .sum::<usize>()
        + 7;
    place.write("function/day-corrected.csv", &whole[..cut]);
    place.replay();
    place.append("function/day-corrected.csv", &whole.as_bytes()[cut..]);
    let totals = place.replay();
    assert!(totals["rows"].as_i64().unwrap() > 0, "{totals}");
    let used = place.number("SELECT sum(rows_used) FROM file WHERE path LIKE '%corrected%'");
    assert_eq!(used, rejected);
    assert_same(&alone, &place);
}

/// Written again under its own name with one value corrected: the value that is recorded stays,
/// and the row that says otherwise is told.
#[test]
fn a_row_with_another_value_is_a_finding_and_the_first_stays() {
    let place = Place::new(&small_config(60));
    let one = &files("paste", 1)[0];
    place.deliver(one);
    place.replay();
    let (before, charts) = (place.kept(), place.charts());
    let mut lines: Vec<String> = as_text(one).lines().map(str::to_owned).collect();
    let height = lines[5].split(',').nth(8).unwrap().to_owned();
    lines[5] = lines[5].replacen(&format!(",{height},"), ",99.9,", 1);
    lines[7] = lines[7].replacen(",ok", ",bridge", 1);
    lines.insert(3, String::new());
    place.write(&format!("paste/{}", one.file_name), lines.join("\n") + "\n");
    place.ok(&["replay"]);
    assert_same_rows("kept", &before, &place.kept());
    assert_same_charts(&charts, &place.charts());
    let found = place.table("SELECT line, code, place, reason, text FROM reject ORDER BY line");
    assert_eq!(found.len(), 2, "{found:?}");
    for part in [
        "Integer(7)",
        "F114",
        "Height um",
        "99.9",
        &*height,
        "P000001/1",
    ] {
        assert!(found[0].contains(part), "{part}: {found:?}");
    }
    assert!(
        found[1].contains("Integer(9)") && found[1].contains("a defect"),
        "{found:?}"
    );
    let rows = place.table(
        "SELECT verdict, rows_used, rows_rejected, rows_duplicate FROM file ORDER BY id DESC",
    );
    let wanted = r#"[Text("accepted_with_rejects"), Integer(0), Integer(2), Integer(254)]"#;
    assert_eq!(rows[0], wanted);
    // What was delivered first is still known.
    place.deliver(one);
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["duplicate"]),
        (&0.into(), &1.into())
    );
    assert_same_rows("kept", &before, &place.kept());
    place.assert_rows_add_up();
    place.assert_sound();
}

/// An optical file of one panel with three calls, and a review for each.
fn reviewed(one: &Delivery, reviews: [&str; 3]) -> String {
    let text = as_text(one);
    let head: Vec<&str> = text
        .lines()
        .take_while(|line| !line.starts_with("Component"))
        .collect();
    let mut all = head.join("\n");
    all.push_str("\nComponent;Pin;Position;Defect;Review\n");
    for (pin, review) in (1..).zip(reviews) {
        all.push_str(&format!("U1;{pin};2;bridge;{review}\n"));
    }
    all
}

/// Reviews are filled in one after the other, hours later and behind the horizon.
#[test]
fn reviews_filled_in_later_revise_tallies_whenever_they_come() {
    let place = Place::new(&small_config(5));
    let panels = files("optical", 60);
    let name = format!("optical/{}", panels[0].file_name);
    let steps = [
        ["", "", "not yet"],
        ["confirmed", "", ""],
        ["confirmed", "false call", ""],
        ["confirmed", "false call", "confirmed"],
    ];
    place.write(&name, reviewed(&panels[0], steps[0]));
    place.replay();
    panels[1..].iter().for_each(|one| place.deliver(one));
    place.replay();
    let of_panel = "SELECT sum(calls), sum(confirmed), sum(false_calls), sum(rows) FROM unit
        WHERE feed = 'optical-l1' AND unit LIKE 'P000001/%'";
    for (step, wanted) in steps.iter().zip([(0, 0), (1, 0), (1, 1), (2, 1)]) {
        place.write(&name, reviewed(&panels[0], *step));
        place.replay();
        let wanted = format!(
            "[Integer(3), Integer({}), Integer({}), Integer(3)]",
            wanted.0, wanted.1
        );
        assert_eq!(place.table(of_panel), [wanted]);
        place.assert_rows_add_up();
        place.assert_sound();
    }
    let defects = "SELECT pin, review, count FROM defect WHERE unit LIKE 'P000001/%' ORDER BY pin";
    assert_eq!(
        place.table(defects),
        [(1, 1), (2, 2), (3, 1)]
            .map(|(pin, review)| format!("[Text(\"{pin}\"), Integer({review}), Integer(1)]"))
    );
    // A review that is given up again, or turned over, does not take back what is recorded.
    place.write(&name, reviewed(&panels[0], ["", "confirmed", "confirmed"]));
    place.ok(&["replay"]);
    let rejects = place.table("SELECT code, line, reason FROM reject");
    assert!(
        rejects.len() == 1 && rejects[0].contains("F114") && rejects[0].contains("a false call"),
        "{rejects:?}"
    );
    place.assert_sound();
}

/// The shift report counts a review that came later where its board belongs.
#[test]
fn a_later_review_shows_in_the_yield() {
    let place = Place::new(&small_config(60));
    let one = &files("optical", 1)[0];
    let name = format!("optical/{}", one.file_name);
    place.write(&name, reviewed(one, ["", "", ""]));
    place.replay();
    place.write(
        &name,
        reviewed(one, ["confirmed", "false call", "false call"]),
    );
    place.replay();
    let chart = |name: &str| {
        let streams = place.json(&["streams"]);
        let label = list(&streams)
            .iter()
            .map(|stream| text(stream, "stream"))
            .find(|label| label.starts_with(name))
            .unwrap();
        place.chart(&label)["points"][0]["value"].as_f64().unwrap()
    };
    // Four boards on the panel: three calls, one confirmed, two false.
    for (name, wanted) in [("calls", 0.75), ("confirmed", 0.25), ("false-calls", 0.5)] {
        let found = chart(&format!("optical-{name}"));
        assert!((found - wanted).abs() < 1e-12, "{name}: {found}");
    }
    place.assert_sound();
}

/// A large file is read piece by piece and never held as a whole.
#[test]
fn a_corrected_copy_of_a_large_file_counts_the_corrected_rows_only() {
    let config = small_config(WHOLE_SPAN_MINUTES);
    let plant = small_plant();
    let panels = plant.paste_files(53, 60, 256).unwrap();
    let mut whole = String::new();
    for (number, panel) in panels.enumerate() {
        let text = as_text(&panel);
        let skipped = usize::from(number > 0);
        text.lines()
            .skip(skipped)
            .for_each(|line| whole.extend([line, "\n"]));
    }
    let header = whole.lines().next().unwrap().to_owned();
    let rows: Vec<&str> = whole.lines().skip(1).collect();
    // The panels again and again under other names, until the file is a large one.
    let mut all = header + "\n";
    let mut copy = 0;
    while all.len() < 9_000_000 {
        for row in &rows {
            all.push_str(&row.replacen("P0", &format!("P{copy}x"), 1));
            all.push('\n');
        }
        copy += 1;
    }
    let flawed: String = all
        .lines()
        .enumerate()
        .map(|(number, line)| match number % 97 {
            5 => format!("{}\n", line.replacen(',', ",,", 1)),
            _ => format!("{line}\n"),
        })
        .collect();
    let config = config.replace(
        "pattern = \"{panel}_{anything}.csv\"",
        "pattern = \"{anything}.csv\"",
    );
    let place = Place::bare(&config);
    let alone = Place::bare(&config);
    for (place, files) in [
        (&place, vec![("a", &flawed), ("b", &all)]),
        (&alone, vec![("b", &all)]),
    ] {
        for station in crate::place::STATIONS {
            std::fs::create_dir_all(place.path(station)).unwrap();
        }
        for (name, content) in files {
            place.write(&format!("paste/{name}.csv"), content);
            place.replay();
        }
    }
    let rejected = place.number("SELECT rows_rejected FROM file WHERE path LIKE '%a.csv'");
    let again = place.number("SELECT rows_used FROM file WHERE path LIKE '%b.csv'");
    assert!(
        rejected > 500 && again == rejected,
        "{rejected} and {again}"
    );
    assert_same_rows("counted", &alone.counted(), &place.counted());
    assert_same_charts(&alone.charts(), &place.charts());
    place.assert_sound();
}

/// A file with a time of another century is set aside; the copy that was put right waits with it.
#[test]
fn a_copy_put_right_counts_beside_a_file_from_the_future() {
    let config = small_config(60);
    let one = &files("paste", 1)[0];
    let alone = Place::new(&config);
    alone.deliver(one);
    alone.replay();

    let place = Place::new(&config);
    let right = as_text(one);
    let mut lines: Vec<String> = right.lines().map(str::to_owned).collect();
    let (year, rest) = lines[4].split_at(4);
    assert!(year.starts_with("20"), "{}", lines[4]);
    lines[4] = format!("2999{rest}");
    // Files are read in the order of their names where their times are alike.
    let other = one.file_name.replace(".csv", "_a_right.csv");
    let own = format!("paste/{}", one.file_name);
    for name in [&own, &own.replace(".csv", "_0.csv")] {
        place.write(name, lines.join("\n") + "\n");
    }
    place.write(&format!("paste/{other}"), &right);
    let answer = place.run(&["--format", "json", "replay"]);
    assert_eq!(answer.code, Some(3), "{}", answer.err);
    let totals: serde_json::Value = serde_json::from_str(&answer.out).unwrap();
    assert_eq!(
        (&totals["accepted"], &totals["quarantined"], &totals["rows"]),
        (&1.into(), &2.into(), &256.into()),
        "{totals}"
    );
    let codes = place.table("SELECT code FROM file WHERE verdict = 'quarantined'");
    assert_eq!(codes, [r#"[Text("F113")]"#, r#"[Text("F113")]"#]);
    assert_same(&alone, &place);
}

/// Which rows conflict does not depend on rows of other boards between them.
#[test]
fn rows_of_a_visit_are_compared_as_a_whole_wherever_they_stand() {
    let one = &files("optical", 1)[0];
    let head = reviewed(one, ["", "", ""]);
    let head = head.split("U1;1").next().unwrap();
    for between in ["", "U1;1;3;bridge;\n"] {
        let place = Place::new(&small_config(60));
        let name = format!("optical/{}", one.file_name);
        place.write(&name, format!("{head}U1;1;2;bridge;\nU1;1;2;open;\n"));
        place.replay();
        let again = format!("{head}U1;1;2;missing;\n{between}U1;1;2;bridge;\n");
        place.write(&name, again);
        place.ok(&["replay"]);
        let rejects = place.table("SELECT text, reason FROM reject");
        assert!(
            rejects.len() == 1 && rejects[0].contains("missing") && rejects[0].contains("open"),
            "{rejects:?}"
        );
        let duplicates = "SELECT rows_duplicate FROM file ORDER BY id DESC LIMIT 1";
        assert_eq!(place.number(duplicates), 1);
        place.assert_rows_add_up();
        place.assert_sound();
    }
}

/// Not only values: a limit or a unit that was put right is told, and what was recorded stays.
#[test]
fn a_row_with_another_limit_or_unit_is_a_finding() {
    let place = Place::new(&small_config(WHOLE_SPAN_MINUTES));
    let whole: String = files("function", 3).iter().map(as_text).collect();
    place.write("function/day.csv", &whole);
    place.replay();
    let counted = place.kept();
    let mut lines: Vec<String> = whole.lines().map(str::to_owned).collect();
    for (line, cell, text) in [(2, 7, "-17.5"), (4, 8, "1750"), (6, 6, "furlong")] {
        let mut cells: Vec<&str> = lines[line].split(',').collect();
        cells[cell] = text;
        lines[line] = cells.join(",");
    }
    place.write("function/day-corrected.csv", lines.join("\n") + "\n");
    place.ok(&["replay"]);
    assert_same_rows("kept", &counted, &place.kept());
    let rejects = place.table("SELECT line, code, place, reason FROM reject ORDER BY line");
    assert_eq!(rejects.len(), 3, "{rejects:?}");
    for (reject, words) in rejects.iter().zip([
        [
            "Integer(3)",
            "F114",
            "\"Lower\"",
            "lower limit is -17.5 here",
        ],
        [
            "Integer(5)",
            "F114",
            "\"Upper\"",
            "upper limit is 1750 here",
        ],
        ["Integer(7)", "F114", "Null", "furlong"],
    ]) {
        assert!(words.iter().all(|word| reject.contains(word)), "{reject}");
    }
    place.assert_sound();
}
