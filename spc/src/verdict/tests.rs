//! Planted faults of stated size, 200 studies each.

use super::*;
use crate::simulation::Normals;

/// Studies of each fault.
const RUNS: usize = 200;

/// Panels before and after the onset: a shift of work, looked at after 24 minutes of fault.
const BEFORE: usize = 40;
const AFTER: usize = 16;

/// Prints between two wipes.
const WIPE_EVERY: usize = 12;

/// Nominal heights in um: a foil of 120 um with a step down to 80 um for the fine family.
const HEIGHTS: [f64; 3] = [80.0, 122.0, 130.0];

/// Four boards of a panel of 200 by 160 mm, three families on each.
fn setup() -> Setup {
    let boards = [(-50.0, -40.0), (50.0, -40.0), (-50.0, 40.0), (50.0, 40.0)];
    let lie = [(-15.0, 5.0), (10.0, 15.0), (5.0, -20.0)];
    let cell = |board: (f64, f64), family: usize| Cell {
        family,
        place: Some((board.0 + lie[family].0, board.1 + lie[family].1)),
    };
    Setup {
        cells: boards
            .into_iter()
            .flat_map(|board| (0..3).map(move |family| cell(board, family)))
            .collect(),
        apertures: vec![0.58, 0.8, 1.4],
        strokes: 2,
    }
}

/// What a fault adds to a cell after the onset: log height, um of height, log area, offsets.
#[derive(Clone, Copy, Default)]
struct Effect {
    log_height: f64,
    height_um: f64,
    log_area: f64,
    offset_um: (f64, f64),
}

/// Where and when a cell was printed.
struct Print {
    stroke: usize,
    since_wipe: f64,
    family: usize,
    place: (f64, f64),
}

/// Panels of a press in control but for a fault. Spread between panels: 1.5 % of height common to
/// all pads, 1 % of a family, 0.8 % of a cell; of area 0.5, 0.5 and 0.4 %; offsets 3 um common,
/// a turn of 10 and a stretch of 10 um/m, 0.8 um of a cell.
fn panels(normals: &mut Normals, fault: &dyn Fn(&Print) -> Effect) -> Vec<Panel> {
    let setup = setup();
    let panel = |number: usize, normals: &mut Normals| {
        let mut draw = |deviation: f64| deviation * normals.draw();
        let (height, area) = (draw(0.015), draw(0.005));
        let family = [(); 3].map(|()| (draw(0.01), draw(0.005)));
        let (x, y, turn, stretch) = (draw(3.0), draw(3.0), draw(0.01), draw(0.01));
        let stroke = number % 2;
        let since_wipe = (number % WIPE_EVERY) as f64;
        let deposits = setup.cells.iter().map(|cell| {
            let place = cell.place.unwrap();
            let print = Print {
                stroke,
                since_wipe,
                family: cell.family,
                place,
            };
            let effect = if number >= BEFORE {
                fault(&print)
            } else {
                Effect::default()
            };
            let own = family[cell.family];
            let log = height + own.0 + draw(0.008) + effect.log_height;
            let height = HEIGHTS[cell.family] * log.exp() + effect.height_um;
            let area = 96.0 * (area + own.1 + draw(0.004) + effect.log_area).exp();
            let along = (
                x + stretch * place.0 - turn * place.1 + draw(0.8) + effect.offset_um.0,
                y + stretch * place.1 + turn * place.0 + draw(0.8) + effect.offset_um.1,
            );
            Deposit {
                height,
                area,
                volume: height / 120.0 * area * (1.0 + draw(0.002)),
                offset: Some(along),
            }
        });
        Panel {
            window: if number < BEFORE {
                Window::Before
            } else {
                Window::After
            },
            stroke,
            since_wipe: Some(since_wipe),
            deposits: deposits.collect(),
        }
    };
    (0..BEFORE + AFTER)
        .map(|number| panel(number, normals))
        .collect()
}

/// How often the verdict is as expected.
fn share(fault: &dyn Fn(&Print) -> Effect, expected: &dyn Fn(&Verdict) -> bool) -> f64 {
    let mut normals = Normals::new(0x2545_f491_4f6c_dd1d);
    let setup = setup();
    let hits = (0..RUNS).filter(|_| {
        let found = judge(&setup, &panels(&mut normals, fault)).unwrap();
        let sum: f64 = found.evidence.iter().map(|one| one.weight).sum();
        assert!((sum + found.nothing - 1.0).abs() < 1e-9);
        expected(&found)
    });
    hits.count() as f64 / RUNS as f64
}

fn assert_found(fault: &dyn Fn(&Print) -> Effect, expected: Fault) {
    let right = share(fault, &|found| {
        (found.origin, found.fault) == (expected.origin(), Some(expected))
    });
    assert!(right >= 0.9, "{expected:?}: {right}");
}

fn none() -> Effect {
    Effect::default()
}

/// 6 % of height: 3.3 sigma of a panel's mean height. At 5 % the gauge is named as surely, but in
/// one study of seven the panels are too few to tell a gain from a step.
#[test]
fn a_gain_of_the_gauge_is_told() {
    let fault = |size: f64| {
        move |_: &Print| Effect {
            log_height: size,
            ..none()
        }
    };
    assert_found(&fault(0.06), Fault::Gain);
    let gauge = share(&fault(0.05), &|found| found.origin == Origin::Gauge);
    assert!(gauge >= 0.95, "{gauge}");
}

/// 5 um on all pads: 6 % of the fine family, 4 % of the others.
#[test]
fn a_step_of_the_height_reference_is_told() {
    let fault = |_: &Print| Effect {
        height_um: -5.0,
        ..none()
    };
    assert_found(&fault, Fault::ReferenceStep);
}

/// 5 % of height and 1 % of area on the back stroke only.
#[test]
fn one_stroke_is_told() {
    let fault = |print: &Print| Effect {
        log_height: if print.stroke == 1 { -0.05 } else { 0.0 },
        log_area: if print.stroke == 1 { -0.01 } else { 0.0 },
        ..none()
    };
    assert_found(&fault, Fault::OneStroke(1));
}

/// 3 % of height more at one edge of the panel and 3 % less at the other.
#[test]
fn a_tilt_is_told() {
    let fault = |print: &Print| Effect {
        log_height: 0.03 * print.place.0 / 65.0,
        ..none()
    };
    assert_found(&fault, Fault::Tilt);
}

/// Small apertures lose up to 6 % of area between wipes, 2.8 % on average: 4 sigma of area.
#[test]
fn clogging_is_told() {
    let fault = |print: &Print| Effect {
        log_area: if print.family == 0 {
            -0.005 * print.since_wipe
        } else {
            0.0
        },
        ..none()
    };
    assert_found(&fault, Fault::Clogging);
}

/// The same where nobody said which apertures are small: one family, of the process.
#[test]
fn without_sizes_nothing_is_called_clogging() {
    let mut normals = Normals::new(3);
    let fault = |print: &Print| Effect {
        log_area: if print.family == 0 { -0.03 } else { 0.0 },
        ..none()
    };
    let unknown = Setup {
        apertures: vec![0.0; 3],
        ..setup()
    };
    let found = judge(&unknown, &panels(&mut normals, &fault)).unwrap();
    let expected = (Origin::Process, Some(Fault::Family(0)));
    assert_eq!((found.origin, found.fault), expected);
}

/// 6 um in x: 2 sigma of a panel's offset.
#[test]
fn an_offset_common_to_all_is_told() {
    let fault = |_: &Print| Effect {
        offset_um: (6.0, 0.0),
        ..none()
    };
    assert_found(&fault, Fault::Alignment);
}

/// 30 um on 1 m: 2 um at the edge of the panel, 3 sigma of a panel's stretch.
#[test]
fn a_stretch_is_told() {
    let fault = |print: &Print| Effect {
        offset_um: (0.03 * print.place.0, 0.03 * print.place.1),
        ..none()
    };
    assert_found(&fault, Fault::Stretch);
}

#[test]
fn where_nothing_moved_nothing_is_claimed() {
    let quiet = share(&|_| none(), &|found| {
        matches!(found.origin, Origin::Nothing | Origin::Undecided)
    });
    assert!(quiet >= 0.9, "{quiet}");
}

/// Height of one family, area of another and the offset of one stroke at once fit no pattern.
#[test]
fn what_fits_no_pattern_is_left_undecided() {
    let fault = |print: &Print| Effect {
        log_height: if print.family == 1 { 0.06 } else { 0.0 },
        log_area: if print.family == 0 { 0.03 } else { 0.0 },
        offset_um: (if print.stroke == 0 { 9.0 } else { 0.0 }, 0.0),
        ..none()
    };
    let undecided = share(&fault, &|found| found.origin == Origin::Undecided);
    assert!(undecided >= 0.9, "{undecided}");
}

/// With one foil thickness a gain and a step look alike: the gauge is named, its fault is not.
#[test]
fn one_height_names_the_gauge_but_not_its_fault() {
    let mut normals = Normals::new(0x853c_49e6_748f_ea9b);
    let fault = |_: &Print| Effect {
        log_height: 0.06,
        ..none()
    };
    let only_coarse = Setup {
        cells: vec![Cell {
            family: 0,
            place: None,
        }],
        apertures: vec![1.0],
        strokes: 2,
    };
    let mut gauge = 0;
    for _ in 0..RUNS {
        let mut all = panels(&mut normals, &fault);
        all.iter_mut().for_each(|one| one.deposits.truncate(1));
        let found = judge(&only_coarse, &all).unwrap();
        assert_eq!(found.fault, None);
        gauge += usize::from(found.origin == Origin::Gauge);
        let words = found.in_words(&Names::default());
        assert!(
            found.origin != Origin::Gauge || words.contains("; or "),
            "{words}"
        );
    }
    assert!(gauge * 10 >= RUNS * 9, "{gauge}");
}

#[test]
fn unusable_studies_are_refused() {
    let mut all = panels(&mut Normals::new(7), &|_| none());
    let few = judge(&setup(), &all[..BEFORE]).unwrap_err();
    let expected = VerdictError::TooFew {
        stroke: 0,
        before: 20,
        after: 0,
    };
    assert_eq!(few, expected);
    let mut bad = setup();
    bad.apertures.push(2.0);
    assert!(matches!(judge(&bad, &all), Err(VerdictError::Setup(_))));
    bad.strokes = 0;
    assert!(judge(&bad, &[]).is_err());
    all[3].deposits[2].volume = 0.0;
    let problem = judge(&setup(), &all).unwrap_err();
    assert!(matches!(problem, VerdictError::Panel { panel: 3, .. }));
}

#[test]
fn the_order_of_panels_does_not_matter_and_words_say_the_verdict() {
    let fault = |print: &Print| Effect {
        log_height: if print.stroke == 1 { -0.06 } else { 0.0 },
        ..none()
    };
    let mut all = panels(&mut Normals::new(11), &fault);
    let one = judge(&setup(), &all).unwrap();
    all.reverse();
    let other = judge(&setup(), &all).unwrap();
    assert_eq!(one.fault, other.fault);
    assert!((one.evidence[0].weight - other.evidence[0].weight).abs() < 1e-9);
    let names = Names {
        strokes: vec!["front".to_owned(), "back".to_owned()],
        families: Vec::new(),
    };
    let words = one.in_words(&names);
    assert!(words.starts_with("points to the process"), "{words}");
    assert!(words.contains("the back stroke"), "{words}");
    assert_eq!(one.panels, (BEFORE, AFTER));
}
