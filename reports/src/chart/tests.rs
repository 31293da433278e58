//! Promises of a drawn chart.

use super::*;
use crate::view::{
    Beside, LimitSegment, OnsetView, SignalView, SpecificationLines, SpreadPanel, Strata,
};

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

/// A text of a drawing: what it says, and the room it is guessed to take.
#[derive(Debug)]
struct Written {
    words: String,
    from: (f64, f64),
    to: (f64, f64),
}

/// The value of an attribute of a tag.
fn attribute<'a>(tag: &'a str, key: &str) -> Option<&'a str> {
    let after = tag.split(&format!("{key}=\"")).nth(1)?;
    after.split('"').next()
}

/// Every text of a drawing; the group around it says how large and how bold it is.
fn written(svg: &str) -> Vec<Written> {
    let (mut size, mut weight) = (12.0, 1.0);
    let mut found = Vec::new();
    for part in svg.split('<').skip(1) {
        let (tag, content) = part.split_once('>').expect("a tag");
        if tag.starts_with("g ") {
            size = attribute(tag, "font-size").map_or(12.0, |size| size.parse().expect("a size"));
            weight = attribute(tag, "font-weight").map_or(1.0, |_| text::BOLD);
        }
        if !tag.starts_with("text ") {
            continue;
        }
        let number = |key| {
            attribute(tag, key)
                .expect(key)
                .parse::<f64>()
                .expect("a number")
        };
        let width = text::width(content) * weight * size / text::SIZE_PX;
        let left = match attribute(tag, "text-anchor") {
            Some("middle") => number("x") - width / 2.0,
            Some("end") => number("x") - width,
            _ => number("x"),
        };
        found.push(Written {
            words: content.to_owned(),
            from: (left, number("y") - size * 0.75),
            to: (left + width, number("y") + size * 0.2),
        });
    }
    found
}

/// The dashed lines of the onset: x, and from where to where.
fn onset_lines(svg: &str) -> Vec<(f64, f64, f64)> {
    let group = svg
        .split("stroke-dasharray=\"6 4\">")
        .nth(1)
        .unwrap_or_default();
    let group = group.split("</g>").next().unwrap_or_default();
    let line = |tag: &str| {
        let numbers = attribute(tag, "d")?.replace(['M', 'L'], " ");
        let numbers: Vec<f64> = numbers
            .split_whitespace()
            .filter_map(|n| n.parse().ok())
            .collect();
        Some((numbers[0], numbers[1], numbers[3]))
    };
    group.split('<').filter_map(line).collect()
}

/// A chart of an alert, as the page has it at its worst: long rules, an onset anywhere.
fn alerted(onset: usize) -> Chart {
    let mut chart = wave(150);
    for index in onset + 4..150 {
        let point = &mut chart.points[index];
        point
            .signals
            .push(signal("a lasting shift, by cumulative sums"));
        if index % 3 == 0 {
            point.signals.push(signal("beyond the control limits"));
        }
    }
    for index in 70..150 {
        chart.points[index].x += 7_200.0;
    }
    chart.onset = Some(OnsetView {
        index: onset,
        label: "2026-03-02 13:55, P000090".to_owned(),
        range: Some((onset.saturating_sub(6), onset + 3)),
    });
    chart.spread = Some(SpreadPanel {
        title: "Standard deviation within the subgroup".to_owned(),
        limits: chart.limits.clone(),
    });
    chart
}

#[test]
fn labels_of_an_alert_neither_cross_nor_are_cut_on_a_phone_or_on_paper() {
    for onset in [2, 30, 69, 70, 71, 110, 140] {
        for size in [ChartSize::PHONE, ChartSize::PAGE] {
            let svg = chart_svg(&alerted(onset), size);
            let texts = written(&svg);
            assert!(texts.len() > 12, "{svg}");
            for (index, one) in texts.iter().enumerate() {
                assert!(!one.words.contains('…'), "cut: {one:?}");
                let is_inside = one.from.0 >= 0.0 && one.to.0 <= size.width;
                assert!(is_inside, "onset {onset}, {}: {one:?}", size.width);
                for other in &texts[index + 1..] {
                    let is_apart = one.to.0 <= other.from.0
                        || other.to.0 <= one.from.0
                        || one.to.1 <= other.from.1
                        || other.to.1 <= one.from.1;
                    assert!(is_apart, "onset {onset}, {}: {one:?} {other:?}", size.width);
                }
                for (x, top, bottom) in onset_lines(&svg) {
                    let is_beside = one.to.0 <= x || one.from.0 >= x;
                    let is_clear = is_beside || one.to.1 <= top || one.from.1 >= bottom;
                    assert!(is_clear, "onset {onset}, {}: {one:?}", size.width);
                }
            }
            assert_eq!(onset_lines(&svg).len(), 2, "one in each panel");
        }
    }
}

#[test]
fn strata_have_shapes_and_a_key_and_leave_the_data_in_their_ink() {
    let mut chart = wave(60);
    for point in &mut chart.points {
        point.stratum = Some(0);
    }
    let beside = (0..20).map(|index| Beside {
        x: f64::from(index) * 180.0 + 30.0,
        value: 119.0,
        stratum: 1 + index as usize % 9,
        ..Beside::default()
    });
    chart.strata = Some(Strata {
        key: "fixture".to_owned(),
        names: (1..=10).map(|number| format!("F{number}")).collect(),
        beside: beside.collect(),
        one_in: 1,
    });
    for size in [ChartSize::PAGE, ChartSize::PHONE] {
        let svg = chart_svg(&chart, size);
        for words in [">fixture:<", ">F1<", ">F6<", ">4 others<"] {
            assert!(svg.contains(words), "{words} is missing");
        }
        assert!(!svg.contains(">F7<"));
        let words: Vec<String> = written(&svg).into_iter().map(|one| one.words).collect();
        let words = words.join(" ");
        assert!(words.contains("Grey shapes: shown beside, not judged by these limits."));
        // Squares of the second stratum in the picture and in the key.
        assert!(svg.contains(&format!(
            "h5v5h-5z\" fill=\"{}\" stroke=\"{MUTED}\"",
            palette::PAPER
        )));
        let drawn = chart_drawn(&chart, size, "chart", &Speech::new(Language::English));
        assert!(drawn.beside.iter().all(Option::is_some));
        let rows = written(&svg);
        assert!(rows.iter().all(|one| one.to.0 <= size.width), "{rows:?}");
    }
}

#[test]
fn a_changeover_is_a_pennant_in_every_panel_and_words_in_the_legend() {
    let mut chart = alerted(110);
    let pennants = |chart: &Chart| {
        chart_svg(chart, ChartSize::PAGE)
            .matches("l7 4l-7 4")
            .count()
    };
    assert_eq!(pennants(&chart), 0);
    chart.points[60].changeover = "stencil S2".to_owned();
    assert_eq!(pennants(&chart), 2);
    let svg = chart_svg(&chart, ChartSize::PAGE);
    assert!(svg.contains("Pennant: changeover."), "{svg}");
    let layout = Layout::new(&chart, ChartSize::PAGE, &Speech::new(Language::English));
    let (x, bottom) = (layout.axis.start_of(60), layout.main.1);
    assert!(
        svg.contains(&format!("M{} {}V", px(x), px(bottom))),
        "{svg}"
    );
    // So many that they could not be told apart are bounded by the width.
    for point in &mut chart.points {
        point.changeover = "stencil S2".to_owned();
    }
    assert!(pennants(&chart) < 140);
}

#[test]
fn a_far_stratum_widens_the_picture_but_a_wild_one_does_not() {
    let height = |value: f64| {
        let mut chart = wave(60);
        let beside = (0..30).map(|index| Beside {
            x: f64::from(index) * 60.0,
            value: if index == 0 { value } else { 121.0 },
            stratum: 1,
            ..Beside::default()
        });
        chart.strata = Some(Strata {
            key: "stroke".to_owned(),
            names: vec!["back".to_owned(), "front".to_owned()],
            beside: beside.collect(),
            one_in: 1,
        });
        let layout = Layout::new(&chart, ChartSize::PAGE, &Speech::new(Language::English));
        layout.range.high
    };
    assert!(height(135.0) > 135.0);
    assert!(height(1e9) < 200.0);
    assert!(height(f64::NAN) < 130.0);
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
