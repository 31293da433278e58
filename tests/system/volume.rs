//! A shift's worth of files through the whole program.

use crate::place::{CONFIG, Place, list, number, small_plant};
use driftvane::plant::Plant;

const PANELS: u32 = 400;

#[test]
fn four_hundred_boards_of_three_stations() {
    let settings = include_str!("../../sample-feeds/plant.toml");
    let settings = settings.replace("panels = 200", &format!("panels = {PANELS}"));
    let plant = Plant::from_toml(&settings).unwrap();
    let place = Place::new(CONFIG);
    for file in plant.paste_files(51, PANELS, 640).unwrap() {
        place.deliver(&file);
    }
    let (mut rows, mut files) = (u64::from(PANELS) * 640, u64::from(PANELS));
    let mut panels_of_fixture = [0, 0];
    for delivery in plant.deliveries(51).filter(|one| one.station != "paste") {
        let lines = String::from_utf8(delivery.content.clone()).unwrap();
        let lines: Vec<&str> = lines.lines().collect();
        if delivery.station == "function" {
            let header = usize::from(!delivery.append);
            rows += (lines.len() - header) as u64;
            files += header as u64;
            for (fixture, count) in ["F1", "F2"].iter().zip(&mut panels_of_fixture) {
                let first_attempt = format!(",{fixture},1,analog input,");
                *count += lines
                    .iter()
                    .filter(|line| line.contains(&first_attempt))
                    .count();
            }
        } else {
            rows += (lines.len() - 5) as u64;
            files += 1;
        }
        place.deliver(&delivery);
    }
    let totals = place.replay();
    assert_eq!(
        (&totals["accepted"], &totals["rows"]),
        (&files.into(), &rows.into())
    );
    assert_eq!(totals["rejects"], 0);
    place.assert_rows_add_up();

    for stream in place.streams() {
        let chart = place.chart(&stream);
        let points = list(&chart["points"]);
        let expected = match chart["characteristic"].as_str().unwrap() {
            // Every other panel is printed by the stroke of the stream.
            name if name.starts_with("paste") || name.starts_with("print") => PANELS as usize / 2,
            name if name.starts_with("optical") => PANELS as usize,
            _ => match chart["keys"]["fixture"].as_str().unwrap() {
                "F1" => panels_of_fixture[0] / 5,
                _ => panels_of_fixture[1] / 5,
            },
        };
        assert_eq!(points.len(), expected, "{stream}");
        for (seq, point) in (1..).zip(points) {
            assert_eq!(point["seq"], seq, "{stream}");
            assert!(number(point, "n") > 0.0 && number(point, "value").is_finite());
        }
        assert_eq!(chart["phase"], "monitoring", "{stream}");
    }
}

#[test]
fn every_deposit_of_a_family_is_in_its_point() {
    let place = Place::new(CONFIG);
    for file in small_plant().paste_files(52, 4, 256).unwrap() {
        place.deliver(&file);
    }
    place.replay();
    // 64 deposits a board, of which 32 are fine, 16 chip and 16 coarse; four boards a panel.
    for (family, deposits) in [("fine", 128.0), ("chip", 64.0), ("coarse", 64.0)] {
        let chart = place.chart(&format!("paste-height/L1/demo-controller/{family}/front"));
        let points = list(&chart["points"]);
        assert_eq!(points.len(), 2);
        assert!(points.iter().all(|point| point["n"] == deposits), "{chart}");
    }
}
