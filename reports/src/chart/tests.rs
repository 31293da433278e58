//! Promises of a drawn chart.

use super::*;
use crate::view::{LimitSegment, OnsetView, SignalView, SpecificationLines, SpreadPanel};

fn wave(count: usize) -> Chart {
    Chart {
        title: "Paste height".to_owned(),
        unit: "µm".to_owned(),
        points: (0..count)
            .map(|index| Point {
                at_label: format!("2026-03-04 {:02}:{:02}", index / 60 % 24, index % 60),
                x: index as f64 * 60.0,
                board: format!("P-{index:05}"),
                value: 120.0 + (index as f64 * 0.7).sin() * 2.0,
                baseline: index < 25,
                ..Point::default()
            })
            .collect(),
        limits: vec![LimitSegment {
            version: 1,
            from_index: 0,
            to_index: count.saturating_sub(1),
            subgroups: 25,
            centre: 120.0,
            lower: Some(115.0),
            upper: Some(125.0),
            bounds: Vec::new(),
        }],
        ..Chart::default()
    }
}

fn signal(words: &str) -> SignalView {
    SignalView {
        rule_words: words.to_owned(),
        side: "upper".to_owned(),
        run_length: 1,
    }
}

#[test]
fn a_chart_is_named_described_and_labelled_with_its_baseline() {
    let mut chart = wave(60);
    chart.description = "The mean rose & stayed.".to_owned();
    let svg = chart_svg(&chart, ChartSize::PAGE);
    for part in [
        "role=\"img\"",
        "<title id=\"chart-title\">Paste height</title>",
        "<desc id=\"chart-desc\">The mean rose &amp; stayed.</desc>",
        ">limits from 25 panels<",
        ">UCL 125.0<",
        ">LCL 115.0<",
    ] {
        assert!(svg.contains(part), "{part} is missing");
    }
}

#[test]
fn a_signal_is_a_bracket_with_its_rule_in_words() {
    let mut chart = wave(60);
    for index in 40..44 {
        chart.points[index]
            .signals
            .push(signal("beyond the upper limit"));
    }
    chart.onset = Some(OnsetView {
        index: 38,
        label: "00:38, board P-00038".to_owned(),
        range: Some((36, 41)),
    });
    let svg = chart_svg(&chart, ChartSize::PAGE);
    assert!(svg.contains(">beyond the upper limit, 4 points<"));
    assert!(svg.contains(">onset 00:38, board P-00038<"));
    assert!(svg.contains("stroke-dasharray=\"6 4\""));
}

#[test]
fn thousands_of_points_stay_small_and_keep_their_signals() {
    let mut chart = wave(40_000);
    chart.points[31_234].signals.push(signal("a single jump"));
    let svg = chart_svg(&chart, ChartSize::PAGE);
    assert!(svg.len() < 60_000, "{} bytes", svg.len());
    assert!(svg.contains(">a single jump<"));
    let axis = TimeAxis::new(&chart.points, MARGIN_LEFT_PX, 720.0 - MARGIN_RIGHT_PX);
    let dot = format!("M{} ", px(axis.at(31_234)));
    assert!(svg.contains(&dot), "the signalling point has no dot");
}

#[test]
fn specification_lines_stand_apart_from_control_limits() {
    let mut chart = wave(60);
    chart.specification = Some(SpecificationLines {
        lower: Some(112.0),
        nominal: None,
        upper: Some(128.0),
    });
    let near = chart_svg(&chart, ChartSize::PAGE);
    assert!(near.contains(">USL 128<") && near.contains("stroke-dasharray=\"2 4\""));
    chart.specification = Some(SpecificationLines {
        lower: Some(10.0),
        nominal: None,
        upper: Some(900.0),
    });
    let far = chart_svg(&chart, ChartSize::PAGE);
    assert!(!far.contains(">USL"));
    assert!(far.contains("Specification 10.00 to 900.0 µm, outside the picture."));
}

#[test]
fn limits_of_unequal_subgroups_follow_each_point() {
    let mut chart = wave(10);
    chart.limits[0].bounds = (0..10)
        .map(|i| (None, 120.0, Some(124.0 + f64::from(i) * 0.1)))
        .collect();
    let svg = chart_svg(&chart, ChartSize::PAGE);
    assert!(svg.contains(">UCL 124.9<") && !svg.contains(">LCL"));
}

#[test]
fn odd_views_still_give_a_drawing() {
    let mut broken = wave(30);
    broken.points[3].value = f64::NAN;
    broken.points[4].value = f64::INFINITY;
    broken.points[5].value = 1e12;
    broken.points[6].late = true;
    broken.points[7].excluded = true;
    broken.limits[0].to_index = 10_000;
    broken.limits[0].from_index = 9_000;
    broken.onset = Some(OnsetView {
        index: 500,
        ..OnsetView::default()
    });
    broken.spread = Some(SpreadPanel::default());
    let backwards = LimitSegment {
        from_index: 20,
        to_index: 3,
        ..LimitSegment::default()
    };
    broken.limits.push(backwards);
    for chart in [Chart::default(), wave(1), wave(2), broken] {
        for size in [
            ChartSize::PAGE,
            ChartSize::PHONE,
            ChartSize {
                width: 0.0,
                height: f64::NAN,
            },
        ] {
            let svg = chart_svg(&chart, size);
            assert!(!svg.contains("NaN") && !svg.contains("inf "), "{svg}");
            assert!(svg.starts_with("<svg") && svg.ends_with("</svg>"));
        }
    }
    assert!(chart_svg(&Chart::default(), ChartSize::PAGE).contains("No point to show."));
}
