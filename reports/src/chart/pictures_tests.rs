//! Promises of the pictures beside control charts.

use super::*;
use crate::view::{Bin, Histogram, Pad, PadMap, Pareto, ParetoBar, SpecificationLines};

fn pareto(counts: &[u64], total: u64) -> Pareto {
    Pareto {
        title: "Defects".to_owned(),
        what: "defects".to_owned(),
        bars: counts
            .iter()
            .enumerate()
            .map(|(place, &count)| ParetoBar {
                label: format!("kind {place}"),
                count,
            })
            .collect(),
        total,
        ..Pareto::default()
    }
}

/// The values of an attribute in the order in which they stand.
fn numbers(svg: &str, element: &str, attribute: &str) -> Vec<f64> {
    let opening = format!("<{element} ");
    let starts = svg.split(opening.as_str()).skip(1);
    let value = |part: &str| {
        let tag = part.split('>').next()?;
        let after = tag.split(&format!("{attribute}=\"")).nth(1)?;
        after.split('"').next()?.parse().ok()
    };
    starts.filter_map(value).collect()
}

#[test]
fn a_pareto_chart_has_bars_and_cumulative_share_on_one_scale() {
    let svg = pareto_svg(&pareto(&[50, 25, 5], 100), ChartSize::PAGE);
    // The first rectangle is the ground.
    let widths = numbers(&svg, "rect", "width")[1..].to_vec();
    assert!((widths[0] / widths[1] - 2.0).abs() < 0.02, "{widths:?}");
    let left = numbers(&svg, "rect", "x")[1];
    let dots = numbers(&svg, "circle", "cx");
    // Half of the whole is a bar that ends where its cumulative share stands.
    assert!((dots[0] - (left + widths[0])).abs() < 0.2);
    assert!(((dots[1] - left) / (dots[0] - left) - 1.5).abs() < 0.01);
    assert!(((dots[2] - left) / (dots[0] - left) - 1.6).abs() < 0.01);
    for words in [
        "Most frequent: kind 0, 50 of 100 (50.0 %). The 3 shown make 80.0 %.",
        ">100 %<",
        "cumulative share of 100 defects",
    ] {
        assert!(svg.contains(words), "{words}\n{svg}");
    }
}

#[test]
fn an_empty_or_wrong_pareto_chart_claims_nothing() {
    assert!(pareto_svg(&Pareto::default(), ChartSize::PHONE).contains("Nothing was counted."));
    let svg = pareto_svg(&pareto(&[3, 2], 1), ChartSize::PAGE);
    assert!(
        svg.contains("of 5 (60.0 %). The 2 shown make 100.0 %"),
        "more parts than a whole: {svg}"
    );
}

fn histogram() -> Histogram {
    Histogram {
        title: "Height".to_owned(),
        unit: "um".to_owned(),
        bins: [(100.0, 2), (110.0, 6), (120.0, 2)]
            .map(|(low, count)| Bin {
                low,
                high: low + 10.0,
                count,
            })
            .to_vec(),
        curve: (0..=30)
            .map(|step| (100.0 + f64::from(step), 0.06))
            .collect(),
        curve_name: "level".to_owned(),
        specification: Some(SpecificationLines {
            lower: Some(95.0),
            nominal: None,
            upper: Some(10_000.0),
        }),
        ..Histogram::default()
    }
}

#[test]
fn a_histogram_has_bars_and_curve_on_one_scale_of_density() {
    let svg = histogram_svg(&histogram(), ChartSize::PAGE);
    let (tops, fills) = (
        numbers(&svg, "rect", "y"),
        svg.matches(palette::BAR).count(),
    );
    assert_eq!(fills, 3);
    // Six of ten readings in a class 10 wide are a density of 0.06, which is the curve's.
    let bar = tops[tops.len() - 2];
    let path = svg.rsplit("<path d=\"M").next().unwrap();
    let first = path.split(['L', '"']).next().unwrap();
    let curve: f64 = first.split(' ').nth(1).unwrap().parse().unwrap();
    assert!((bar - curve).abs() < 0.11, "{bar} {curve}");
    for words in [
        "10 readings",
        "Curve: level",
        ">LSL 95.0",
        "Fullest class: 110",
    ] {
        assert!(svg.contains(words), "{words}\n{svg}");
    }
    assert!(
        !svg.contains("USL"),
        "a limit far off would press the bars to a line"
    );
}

#[test]
fn a_histogram_takes_any_numbers() {
    let mut odd = histogram();
    odd.bins.push(Bin {
        low: f64::NAN,
        high: 3.0,
        count: 4,
    });
    odd.bins.push(Bin {
        low: 5.0,
        high: 5.0,
        count: 4,
    });
    odd.curve.push((f64::INFINITY, 1.0));
    odd.curve.push((110.0, f64::NAN));
    let svg = histogram_svg(&odd, ChartSize::PHONE);
    assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    let none = histogram_svg(&Histogram::default(), ChartSize::PAGE);
    assert!(none.contains("No reading to show."));
    assert!(!none.contains("NaN") && !none.contains("inf"), "{none}");
}

fn pad(x: f64, y: f64, deviation: f64) -> Pad {
    Pad {
        label: format!("U1.{x}"),
        x,
        y,
        deviation,
    }
}

#[test]
fn a_pad_map_tells_direction_and_size_without_colour() {
    let map = PadMap {
        title: "Height".to_owned(),
        unit: "um".to_owned(),
        pads: vec![
            pad(0.0, 0.0, 1.0),
            pad(10.0, 0.0, 14.0),
            pad(20.0, 0.0, -14.0),
            pad(30.0, 10.0, 7.0),
        ],
        bound: 15.0,
        ..PadMap::default()
    };
    let svg = pad_map_svg(&map, ChartSize::PAGE);
    let shapes = |fill: &str| svg.matches(&format!("fill=\"{fill}\"")).count();
    // One of the map, and two of the legend: a class each.
    assert_eq!((shapes(palette::ABOVE), shapes(palette::BELOW)), (4, 3));
    assert!(
        svg.contains("4 pads; 1 far above, 1 far below. Farthest: U1.20, −14.0 um."),
        "{svg}"
    );
    for words in [
        "more than 10 um above",
        "within 5.0 um",
        "5.0 to 10 um below",
    ] {
        assert!(svg.contains(words), "{words}\n{svg}");
    }
    // An upward triangle begins at its tip, over its foot; a downward one the other way round.
    let of = |fill: &str| {
        let before = svg.split(&format!("\" fill=\"{fill}\"")).next().unwrap();
        let path = before.rsplit("d=\"M").next().unwrap();
        let ys: Vec<f64> = path
            .split(['L', 'H'])
            .take(2)
            .map(|place| place.split(' ').nth(1).unwrap().parse().unwrap())
            .collect();
        ys[0] < ys[1]
    };
    assert!(of(palette::ABOVE) && !of(palette::BELOW));
}

#[test]
fn a_pad_map_keeps_the_shape_of_the_panel_and_takes_any_numbers() {
    let mut map = PadMap {
        pads: vec![pad(0.0, 0.0, 1.0), pad(100.0, 50.0, 1.0)],
        bound: 0.0,
        ..PadMap::default()
    };
    let svg = pad_map_svg(&map, ChartSize::PAGE);
    let outline = svg.split("<path d=\"M").nth(1).unwrap();
    let side = |letter: char| -> f64 {
        let after = outline.split(letter).nth(1).unwrap();
        let end = after.find(|c: char| c.is_alphabetic()).unwrap();
        after[..end].parse().unwrap()
    };
    let (width, height) = (side('h') - 24.0, side('v') - 24.0);
    assert!((width / height - 2.0).abs() < 0.01, "{width} {height}");
    map.pads.push(pad(f64::NAN, 1.0, 1.0));
    map.pads.push(pad(1.0, 1.0, f64::INFINITY));
    map.pads
        .extend((0..9_000).map(|place| pad(f64::from(place), 1.0, 0.5)));
    let svg = pad_map_svg(&map, ChartSize::PHONE);
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    assert!(svg.contains(" pads are not drawn."), "{svg}");
    assert!(pad_map_svg(&PadMap::default(), ChartSize::PAGE).contains("0 pads"));
}
