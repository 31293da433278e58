//! A shift of an invented plant, for tests only.
//!
//! Must not know templates. Invariant: every text goes through the caller's function, so that a
//! test can put anything into every text field at once.

use crate::view::*;

/// The text a test puts in place of each plain one.
type Say<'a> = &'a dyn Fn(&str) -> String;

/// A deterministic wobble of about unit spread.
fn wobble(index: usize) -> f64 {
    let step = index as f64;
    (step * 1.7).sin() * 0.8 + (step * 0.61 + 1.0).sin() * 0.7 + (step * 4.3).cos() * 0.5
}

fn point(index: usize, drift_from: usize, say: Say<'_>) -> Point {
    let drift = index.saturating_sub(drift_from) as f64 * 0.11;
    let minutes = 6 * 60 + index * 2 + if index >= 60 { 240 } else { 0 };
    Point {
        at_label: say(&format!(
            "2026-03-04 {:02}:{:02}",
            minutes / 60,
            minutes % 60
        )),
        x: minutes as f64 * 60.0,
        board: say(&format!("H-{:04}", 1200 + index)),
        value: 121.0 + wobble(index) + drift,
        spread: Some(6.0 + wobble(index * 3 + 1) * 0.4),
        baseline: index < 25,
        late: index == 70,
        excluded: index == 40,
        stratum: Some(0),
        changeover: match index {
            60 => say("stencil B-17"),
            _ => String::new(),
        },
        ..Point::default()
    }
}

/// The other stroke, which does not drift.
fn other_stroke(count: usize, say: Say<'_>) -> Strata {
    let beside = (0..count).step_by(2).map(|index| {
        let own = point(index, usize::MAX, say);
        Beside {
            at_label: own.at_label,
            x: own.x + 60.0,
            board: own.board,
            value: 121.4 + wobble(index + 7),
            stratum: 1,
        }
    });
    Strata {
        key: say("stroke"),
        names: vec![say("A"), say("B")],
        beside: beside.collect(),
        one_in: 1,
    }
}

pub(crate) fn chart(count: usize, drift_from: usize, say: Say<'_>) -> Chart {
    let mut points: Vec<Point> = (0..count)
        .map(|index| point(index, drift_from, say))
        .collect();
    let beyond = say("beyond the upper limit");
    for point in points
        .iter_mut()
        .skip(25)
        .filter(|point| point.value > 124.6)
    {
        point.signals.push(SignalView {
            rule_words: beyond.clone(),
            side: say("upper"),
            run_length: 1,
        });
    }
    let cusum = drift_from + 9;
    if let Some(point) = points.get_mut(cusum) {
        point.signals.push(SignalView {
            rule_words: say("sustained rise (CUSUM, k = 0.5)"),
            side: say("upper"),
            run_length: 8,
        });
    }
    let label = points
        .get(drift_from)
        .map_or_else(String::new, |point| point.at_label.clone());
    Chart {
        title: say("Mean paste height, line 2, product Heron, family 0402, stroke A"),
        description: say("The mean rises from about 13:30 on and stays above its upper limit."),
        unit: say("µm"),
        subgroup_name: say("panels"),
        limits: segment(count, (117.4, 121.0, 124.6)),
        specification: None,
        onset: Some(OnsetView {
            index: drift_from,
            label,
            range: Some((drift_from.saturating_sub(3), drift_from + 4)),
        }),
        spread: Some(SpreadPanel {
            title: say("Standard deviation within the panel, µm"),
            limits: segment(count, (4.6, 6.0, 7.4)),
        }),
        strata: Some(other_stroke(count, say)),
        points,
    }
}

fn segment(count: usize, (lower, centre, upper): (f64, f64, f64)) -> Vec<LimitSegment> {
    let whole = LimitSegment {
        version: 3,
        from_index: 0,
        to_index: count.saturating_sub(1),
        subgroups: 25,
        centre,
        lower: Some(lower),
        upper: Some(upper),
        bounds: Vec::new(),
    };
    vec![whole]
}

/// A share with limits that follow the number of boards, and two versions of limits.
fn share_chart(say: Say<'_>) -> Chart {
    let mut chart = chart(90, 70, say);
    chart.title = say("False calls as a share of machine calls, line 2, product Heron");
    chart.unit = String::new();
    chart.subgroup_name = say("boards");
    chart.spread = None;
    chart.onset = None;
    chart.strata = None;
    for (index, point) in chart.points.iter_mut().enumerate() {
        point.value = (0.06 + wobble(index) * 0.018).max(0.0);
        point.spread = None;
        point.stratum = None;
        point.signals.clear();
    }
    if let Some(point) = chart.points.get_mut(62) {
        point.value = 0.19;
        point.signals.push(SignalView {
            rule_words: say("beyond the upper limit"),
            side: say("upper"),
            run_length: 1,
        });
    }
    let width = |index: usize| 0.05 + 0.012 * (index as f64 * 2.1).sin().abs();
    let bounds = |from: usize, to: usize, centre: f64| {
        (from..=to)
            .map(|index| {
                (
                    Some((centre - width(index)).max(0.0)),
                    centre,
                    Some(centre + width(index)),
                )
            })
            .collect::<Vec<_>>()
    };
    let mut first = segment(45, (0.0, 0.06, 0.12)).remove(0);
    first.bounds = bounds(0, 44, 0.06);
    let mut second = segment(90, (0.0, 0.055, 0.11)).remove(0);
    (second.version, second.from_index, second.subgroups) = (4, 45, 40);
    second.bounds = bounds(45, 89, 0.055);
    chart.limits = vec![first, second];
    chart.specification = Some(SpecificationLines {
        lower: None,
        nominal: None,
        upper: Some(0.16),
    });
    chart
}

/// A figure of how alerts do.
fn health(
    say: Say<'_>,
    figure: &str,
    (value, target, is_missed): (&str, &str, bool),
) -> HealthLine {
    HealthLine {
        figure: say(figure),
        value: say(value),
        unit: say("alerts"),
        target: say(target),
        is_missed,
    }
}

/// A full report; `say` may change every text.
pub(crate) fn report(say: Say<'_>) -> ShiftReport {
    ShiftReport {
        plant: say("Aldermoor Boards (invented plant)"),
        shift: say("Early"),
        from: say("2026-03-04 06:00"),
        to: say("2026-03-04 14:00"),
        zone: say("Europe/London"),
        data_note: say("Made from the ledger up to entry 1834"),
        revision: 2,
        revision_note: say("a late file of line 2 arrived"),
        control: ControlSummary {
            streams: 14,
            streams_judged: 12,
            streams_signalled: 2,
            points: 12_400,
            points_signalled: 21,
            false_alert_budget: Some(1.0),
        },
        open: vec![open(say)],
        taken_over: vec![TakenOver {
            id: say("A-0031"),
            stream: say("line 2 / Heron / QFN / stroke B"),
            now: say("returned, acknowledged"),
        }],
        taken_over_from: say("From the report Night of 2026-03-03, revision 1"),
        compared_with: 1,
        differences: vec![Difference {
            area: say("Data"),
            subject: say("paste-2"),
            figure: say("rows used"),
            before: say("100"),
            now: say("120"),
        }],
        new_files: vec![say("heron_1250.csv")],
        new_files_more: 3,
        yields: yields(say),
        top_defects: vec![
            defect("R117", "solder bridge", 9, 0.36, say),
            defect("U4 pin 12", "insufficient solder", 4, 0.16, say),
        ],
        defects_total: 25,
        pad_maps: vec![pad_map(say)],
        alerts: vec![alert("A-0042", chart(100, 80, say), say), second_alert(say)],
        health: vec![
            health(say, "raised", ("2", "", false)),
            health(say, "most in any ten minutes", ("12", "10", true)),
        ],
        health_remarks: vec![say(
            "paste-height/L1/fine, small baseline, from 12 subgroups",
        )],
        capability: capability(say),
        completeness: completeness(say),
        changes: vec![change(say)],
        cautions: vec![say(
            "Clocks of line 2 differ by 40 s; order within a minute is uncertain.",
        )],
        ..ShiftReport::default()
    }
}

fn open(say: Say<'_>) -> AlertLine {
    AlertLine {
        id: say("A-0042"),
        stream: say("line 2 / Heron / 0402 / stroke A"),
        state: say("active, acknowledged"),
        what: say("beyond the control limits, since H-1289"),
        size: Some(4.1),
        unit: say("µm"),
        size_sigma: Some(3.4),
        points_to: say("points to the process"),
        raised_at: say("13:48"),
        boards_to_hold: Some(37),
        next_step: say("Clean the foil, then measure five panels."),
        carried: say("taken over from the shift before"),
    }
}

fn change(say: Say<'_>) -> ChangeLine {
    ChangeLine {
        at: say("2026-03-04 07:32"),
        until: say("2026-03-04 07:50"),
        what: say("Limits set for 2 streams"),
        by: say("M. Okafor"),
        reason: say("baseline after foil change"),
        items: vec![ChangeItem {
            at: say("2026-03-04 07:33"),
            what: say("Limits of line 2 / Heron / 0402 set as version 3"),
        }],
    }
}

fn yields(say: Say<'_>) -> Vec<YieldRow> {
    let optical = YieldRow {
        line: say("Line 2"),
        station: say("optical"),
        product: say("Heron"),
        units: 412,
        first_pass_good: 398,
        fpy: Some(0.966),
        fpy_low: Some(0.9437),
        fpy_high: Some(0.9796),
        final_good: Some(410),
        machine_calls: Some(81),
        false_calls: Some(56),
        confirmed_defects: Some(25),
        opportunities: Some(618_000),
        false_share: Some(0.691),
        dpmo: Some(40.45),
        before: Some(EarlierRuns {
            runs: 4,
            since: say("2026-02-26 06:00"),
            units: 1_640,
            fpy: Some(0.991),
            fpy_low: Some(0.985),
            fpy_high: Some(0.9947),
            false_share: Some(0.72),
            dpmo: Some(22.1),
        }),
        compared: say("lower than before"),
        opportunity_basis: say("components plus terminations, 1500 per board"),
        yield_basis: say("no confirmed defect at the first inspection"),
    };
    let function = YieldRow {
        line: say("Line 2"),
        station: say("function"),
        product: say("Heron"),
        units: 401,
        first_pass_good: 401,
        fpy: Some(1.0),
        fpy_low: Some(0.9905),
        fpy_high: Some(1.0),
        yield_basis: say("all steps passed at the first attempt"),
        compared: say("higher than before"),
        ..YieldRow::default()
    };
    vec![optical, function]
}

fn defect(component: &str, words: &str, count: u64, share: f64, say: Say<'_>) -> TopDefect {
    TopDefect {
        station: say("Line 2 optical"),
        component: say(component),
        defect: say(words),
        count,
        share,
    }
}

fn alert(id: &str, chart: Chart, say: Say<'_>) -> AlertDetail {
    AlertDetail {
        id: say(id),
        stream: say("line 2 / Heron / 0402 / stroke A"),
        characteristic: say("Mean paste height of a panel"),
        state: say("active, acknowledged"),
        raised_at: say("2026-03-04 13:48"),
        acknowledged_by: say("M. Okafor"),
        acknowledged_at: say("13:52"),
        acknowledged_comment: say("looking at the foil"),
        what_happened: say("Mean paste height rose by 4 µm and stays there"),
        cause: say("Stroke A with 96 % of the change. Points to the process."),
        first_signal_board: say("H-1289"),
        first_signal_at: say("13:46"),
        rules: vec![
            say("sustained rise (CUSUM, k = 0.5)"),
            say("beyond the upper limit"),
        ],
        size: Some(4.03),
        unit: say("µm"),
        size_sigma: Some(3.2),
        boards_since: Some(37),
        reaction_plan: vec![
            say("Stop printing."),
            say("Clean the foil; measure five panels."),
        ],
        history: vec![
            say("13:48 raised"),
            say("13:52 acknowledged by M. Okafor: looking at the foil"),
        ],
        chart: Some(chart),
    }
}

fn second_alert(say: Say<'_>) -> AlertDetail {
    AlertDetail {
        what_happened: say("One hour with many false calls"),
        cause: String::new(),
        characteristic: say("False calls"),
        size: None,
        size_sigma: None,
        boards_since: None,
        acknowledged_by: String::new(),
        acknowledged_at: String::new(),
        acknowledged_comment: String::new(),
        reaction_plan: Vec::new(),
        ..alert("A-0041", share_chart(say), say)
    }
}

fn capability(say: Say<'_>) -> Vec<CapabilityRow> {
    let index = |label: &str, value: f64, low: f64, high: f64| Estimate {
        label: say(label),
        value: Some(value),
        low: Some(low),
        high: Some(high),
    };
    vec![CapabilityRow {
        stream: say("line 2 / Heron / 0402 / height"),
        unit: say("µm"),
        specification: say("84 to 156"),
        specification_source: say("print specification HS-12, revision C"),
        panels: 240,
        readings: 187_200,
        window: say("2026-03-02 06:00 to 2026-03-04 14:00"),
        mean: Some(121.34),
        sigma_within: Some(6.02),
        sigma_overall: Some(7.81),
        spread_index: index("Pp", 1.537, 1.40, 1.67),
        minimum_index: index("Ppk", 1.479, 1.35, 1.61),
        model: say("normal, 95 % bounds"),
        ppm_observed: Some(0.0),
        ppm_expected: Some(4.52),
        stability: say("not stable: the mean moved on 4 March"),
        limits_version: say("version 3, from 25 panels"),
        cautions: vec![say("Neighbouring panels are correlated (0.41).")],
    }]
}

fn completeness(say: Say<'_>) -> Completeness {
    let feed = FeedCompleteness {
        feed: say("line-2-paste"),
        station: say("Line 2 paste"),
        files_accepted: 411,
        files_with_rejects: 2,
        files_quarantined: 1,
        files_duplicate: 3,
        rows_read: 320_412,
        rows_used: 320_400,
        rows_rejected: 12,
        rows_duplicate: 0,
        silent_since: say("13:57"),
        last_file: say("heron_1299.csv, 13:56"),
        notes: Vec::new(),
    };
    let rejects = vec![RejectReason {
        reason: say("F017 decimal comma"),
        count: 12,
        example: say("heron_1244.csv:118"),
        detail: say("5 cells, the header has 6"),
    }];
    Completeness {
        feeds: vec![feed],
        rejects,
    }
}

/// A panel of 5 by 4 pads whose upper right corner is printed low.
pub(crate) fn pad_map(say: Say<'_>) -> PadMap {
    let pads = (0..20).map(|index: i32| {
        let (x, y) = (f64::from(index % 5) * 20.0, f64::from(index / 5) * 20.0);
        Pad {
            label: say(&format!("1 U{}.{}", index / 5 + 1, index % 5 + 1)),
            x,
            y,
            deviation: 9.0 - (x + y) / 10.0 * 1.5 + f64::from(index % 3),
        }
    });
    PadMap {
        title: say("Paste height by pad"),
        description: say("Mean of the shift less nominal."),
        unit: say("um"),
        pads: pads.collect(),
        bound: 15.0,
    }
}
