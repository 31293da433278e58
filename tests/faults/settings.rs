//! Configurations and templates that are broken, cut, gone or no text, while the program runs.
//!
//! The one invariant: what is not sound changes nothing that runs, holds up no file and no report,
//! and is told.

use std::fs;
use std::path::Path;

use crate::kept::{assert_whole, deliveries, quick_config, undisturbed};
use crate::place::{Chance, Place, assert_same_charts, assert_same_rows, wait_until};
use crate::tools::rounds;

/// Whether a text is a sound configuration.
fn is_sound(text: &str) -> bool {
    driftvane::config::read::read(text, Path::new("/plant")).is_ok()
}

/// A configuration that is none, made of a sound one.
fn broken(sound: &str, chance: &mut Chance) -> Vec<u8> {
    loop {
        let place = chance.below(sound.len());
        let text = match chance.below(5) {
            0 => sound[..place].to_owned(),
            1 => format!("{}\u{1f980}{}", &sound[..place], &sound[place..]),
            2 => {
                let lines: Vec<&str> = sound.lines().collect();
                let gone = chance.below(lines.len());
                [&lines[..gone], &lines[gone + 1..]].concat().join("\n")
            }
            3 => format!("{sound}\n[[feed]]\nname = \"paste-l1\"\nunknown = 1\n"),
            _ => return [sound.as_bytes(), b"\n# \xff\xfe\x00"].concat(),
        };
        if !is_sound(&text) {
            return text.into_bytes();
        }
    }
}

const KEPT: &str = "the old configuration stays";
const TAKEN: &str = "the configuration was read again";

#[test]
fn a_reload_of_whatever_stands_there_keeps_what_was_sound_and_reading_goes_on() {
    let sound = quick_config();
    let files = deliveries(370);
    let expected = undisturbed(&sound, &files);
    let place = Place::new(&sound);
    let mut watching = place.watch();
    wait_until("the daemon to be at work", || {
        place.log().contains("watching")
    });
    let mut chance = Chance::new(370);
    let rounds = rounds(12, 120);
    let path = place.path("driftvane.toml");
    for (round, part) in files.chunks(files.len().div_ceil(rounds)).enumerate() {
        match round % 6 {
            0 => fs::remove_file(&path).unwrap(),
            1 => {
                fs::remove_file(&path).ok();
                fs::create_dir(&path).unwrap();
            }
            _ => {
                fs::remove_dir(&path).ok();
                fs::write(&path, broken(&sound, &mut chance)).unwrap();
            }
        }
        let told = |words: &str| place.log().matches(words).count();
        let kept = told(KEPT);
        watching.signal("HUP");
        wait_until("the refusal", || told(KEPT) > kept);
        assert!(watching.runs(), "{}", place.log());
        part.iter().for_each(|file| place.deliver(file));
        // Sound again, if only with another remark.
        if round % 6 != 0 {
            fs::remove_dir(&path).ok();
            place.write("driftvane.toml", format!("{sound}\n# reading {round}\n"));
            let taken = told(TAKEN);
            watching.signal("HUP");
            wait_until("the reload", || told(TAKEN) > taken);
        }
    }
    fs::write(&path, &sound).unwrap();
    let log = place.log();
    println!(
        "{} were kept, {} taken",
        log.matches(KEPT).count(),
        log.matches(TAKEN).count()
    );
    let rows = expected.rows();
    wait_until("all rows", || place.rows() == rows);
    assert!(!log.contains("panicked"), "{log}");
    watching.stop();
    assert_whole(&place);
    assert_same_rows("counted", &expected.counted(), &place.counted());
    assert_same_charts(&expected.charts(), &place.charts());
}

#[test]
fn a_template_that_is_broken_or_can_not_be_read_costs_no_report_and_is_told() {
    let config = quick_config() + "\n[reports]\ntemplates = \"own\"\n";
    let place = undisturbed(&config, &deliveries(371)[..60]);
    let template = |name: &str, text: &[u8]| {
        fs::remove_dir_all(place.path("own")).ok();
        place.write(&format!("own/{name}"), text);
    };
    let cases: [(&str, &[u8]); 6] = [
        ("summary.html", b"\xff\xfe{{ report.plant }}"),
        ("summary.html", b"{% if %}"),
        ("summary.html", b"{{ report.no_such_thing }}"),
        ("summary.html", b"{% include 'summary.html' %}"),
        ("report.html", b"{% extends 'nothing.html' %}"),
        ("report.html", b"{{"),
    ];
    for (name, text) in cases {
        template(name, text);
        let answer = place.run(&["report", "shift"]);
        let what = String::from_utf8_lossy(text);
        assert_eq!(answer.code, Some(0), "{what}: {}", answer.err);
        let page = fs::read_to_string(answer.out.trim()).unwrap();
        assert!(page.contains("Invented demo plant"), "{what}");
        assert!(page.trim_end().ends_with("</html>"), "{what}");
        let is_told = answer.err.contains(name) || page.contains("templates were not used");
        assert!(is_told, "{what}: {}", answer.err);
    }
    fs::remove_dir_all(place.path("own")).unwrap();
    let answer = place.run(&["report", "shift"]);
    assert_eq!(answer.code, Some(0), "{}", answer.err);
    assert!(
        answer.err.contains("templates were not used"),
        "{}",
        answer.err
    );
    place.assert_sound();
}
