//! A full report of an invented shift; every name and number is made up.
//!
//! Knows only views. The invariant: every section of the report has something to show, with names
//! as long as plants give them.

use reports::view::{
    AlertDetail, AlertLine, Beside, CapabilityRow, ChangeLine, Chart, Completeness, ControlSummary,
    Estimate, FeedCompleteness, LimitSegment, OnsetView, Pad, PadMap, Point, RejectReason,
    ShiftReport, SignalView, SpreadPanel, Strata, TopDefect, YieldRow,
};

/// A name without a blank: the browser can not break it at will.
const STREAM: &str = "paste-height/L1/demo-controller-with-a-long-revision-B2/coarse/back";

/// The report.
pub fn report() -> ShiftReport {
    ShiftReport {
        plant: "Invented plant".into(),
        shift: "early".into(),
        from: "2026-03-04 06:00".into(),
        to: "2026-03-04 14:00".into(),
        zone: "Europe/Berlin".into(),
        data_note: "data up to file 1834".into(),
        revision: 1,
        control: ControlSummary {
            streams: 12,
            streams_judged: 11,
            streams_signalled: 1,
            points: 900,
            points_signalled: 6,
            false_alert_budget: None,
        },
        open: vec![open()],
        yields: vec![yields()],
        top_defects: vec![
            TopDefect {
                station: "optical".into(),
                component: "U3".into(),
                defect: "solder bridge between neighbouring pins".into(),
                count: 7,
                share: 0.35,
            },
            TopDefect {
                station: "optical".into(),
                component: "R117".into(),
                defect: "insufficient solder".into(),
                count: 5,
                share: 0.25,
            },
        ],
        defects_total: 20,
        pad_maps: vec![pad_map()],
        alerts: vec![alert()],
        capability: vec![capability()],
        completeness: completeness(),
        changes: vec![ChangeLine {
            at: "2026-03-04 09:12".into(),
            what: format!("limits of {STREAM} restarted"),
            by: "M. Example".into(),
            reason: "new stencil".into(),
            ..ChangeLine::default()
        }],
        ..ShiftReport::default()
    }
}

fn pad_map() -> PadMap {
    let pads = (0..240).map(|number: i32| Pad {
        label: format!("1 U3.{number}"),
        x: f64::from(number % 20) * 5.0,
        y: f64::from(number / 20) * 5.0,
        deviation: f64::from(number % 31) - 15.0,
    });
    PadMap {
        title: format!("height by pad: {STREAM}"),
        unit: "um".into(),
        pads: pads.collect(),
        bound: 14.0,
        ..PadMap::default()
    }
}

fn open() -> AlertLine {
    AlertLine {
        id: "A-0007".into(),
        stream: STREAM.into(),
        state: "active, not acknowledged".into(),
        what: "a lasting shift, by cumulative sums, since P000371 (2026-03-04 12:58)".into(),
        size: Some(4.3),
        unit: "um".into(),
        size_sigma: Some(2.4),
        points_to: "points to the process".into(),
        raised_at: "2026-03-04 13:31".into(),
        boards_to_hold: Some(48),
        next_step: "Hold the panels since the onset and measure one by hand.".into(),
        ..AlertLine::default()
    }
}

fn yields() -> YieldRow {
    YieldRow {
        line: "L1".into(),
        station: "optical".into(),
        product: "demo-controller-with-a-long-revision-B2".into(),
        units: 480,
        first_pass_good: 466,
        fpy: Some(0.9708),
        fpy_low: Some(0.9517),
        fpy_high: Some(0.9825),
        machine_calls: Some(61),
        false_calls: Some(41),
        confirmed_defects: Some(20),
        opportunities: Some(307_200),
        dpmo: Some(65.1),
        opportunity_basis: "stated by the product".into(),
        yield_basis: "no confirmed defect".into(),
        ..YieldRow::default()
    }
}

fn alert() -> AlertDetail {
    AlertDetail {
        id: "A-0007".into(),
        stream: STREAM.into(),
        characteristic: "paste-height".into(),
        state: "active, not acknowledged".into(),
        raised_at: "2026-03-04 13:31".into(),
        what_happened: "The mean of the panels has risen by 2.4 sigma.".into(),
        first_signal_board: "P000412".into(),
        first_signal_at: "2026-03-04 13:30".into(),
        rules: vec!["beyond the upper limit".into()],
        size: Some(4.1),
        unit: "um".into(),
        size_sigma: Some(2.4),
        boards_since: Some(48),
        reaction_plan: vec![
            "Hold the panels since the onset.".into(),
            "Measure one.".into(),
        ],
        history: vec!["2026-03-04 13:31 raised".into()],
        chart: Some(chart()),
        ..AlertDetail::default()
    }
}

fn chart() -> Chart {
    let points: Vec<Point> = (0..90).map(point).collect();
    let limits = |lower, centre, upper| {
        vec![LimitSegment {
            version: 1,
            from_index: 0,
            to_index: 89,
            subgroups: 25,
            centre,
            lower: Some(lower),
            upper: Some(upper),
            ..LimitSegment::default()
        }]
    };
    Chart {
        title: format!("Mean paste height, {STREAM}"),
        description: "The mean rises from about 13:20 on and leaves its limits.".into(),
        unit: "um".into(),
        subgroup_name: "panels".into(),
        points,
        limits: limits(117.4, 121.0, 124.6),
        specification: None,
        onset: Some(OnsetView {
            index: 72,
            label: "13:20, P000410".into(),
            range: Some((69, 75)),
        }),
        spread: Some(SpreadPanel {
            title: "Standard deviation within the panel, um".into(),
            limits: limits(4.6, 6.0, 7.4),
        }),
        strata: Some(strata()),
    }
}

/// The front stroke, which has not moved.
fn strata() -> Strata {
    let beside = (0..45).map(|index| Beside {
        at_label: format!("2026-03-04 {:02}:{:02}", 6 + index / 6, index % 6 * 10 + 2),
        x: f64::from(index) * 600.0 + 150.0,
        board: format!("P{:06}", 800 + index),
        value: 120.6 + 0.5 * (f64::from(index * 5 % 4) - 1.5),
        stratum: 1,
    });
    Strata {
        key: "stroke".into(),
        names: vec!["back".into(), "front".into()],
        beside: beside.collect(),
        one_in: 1,
    }
}

fn point(index: u32) -> Point {
    // A fixed wobble, and a rise at the end.
    let wobble = f64::from(index * 7 % 5) - 2.0;
    let value = 121.0 + 0.6 * wobble + 0.4 * f64::from(index.saturating_sub(72));
    let signals = if value > 124.6 {
        vec![SignalView {
            rule_words: "beyond the upper limit".into(),
            side: "upper".into(),
            run_length: 1,
        }]
    } else {
        Vec::new()
    };
    Point {
        at_label: format!("2026-03-04 {:02}:{:02}", 6 + index / 12, index % 12 * 5),
        x: f64::from(index) * 300.0,
        board: format!("P{:06}", 338 + index),
        value,
        spread: Some(6.0 + 0.2 * wobble),
        baseline: index < 25,
        stratum: Some(0),
        signals,
        ..Point::default()
    }
}

fn capability() -> CapabilityRow {
    let index = |label: &str, value: f64| Estimate {
        label: label.into(),
        value: Some(value),
        low: Some(value - 0.21),
        high: Some(value + 0.21),
    };
    CapabilityRow {
        stream: STREAM.into(),
        unit: "um".into(),
        specification: "90 to 170".into(),
        specification_source: "invented print specification A, revision 2".into(),
        panels: 90,
        readings: 21_600,
        window: "2026-03-04 06:00 to 14:00".into(),
        mean: Some(122.1),
        sigma_within: Some(6.0),
        sigma_overall: Some(6.4),
        spread_index: index("Pp", 2.08),
        minimum_index: index("Ppk", 1.67),
        model: "normal, 95 % bounds".into(),
        ppm_observed: Some(0.0),
        ppm_expected: Some(0.6),
        stability: "not stable: 6 of 65 points signal".into(),
        limits_version: "version 1, from 25 panels".into(),
        cautions: vec!["Pp and Ppk only: the stream was not stable.".into()],
    }
}

fn completeness() -> Completeness {
    Completeness {
        feeds: vec![FeedCompleteness {
            feed: "paste-l1".into(),
            station: "paste".into(),
            files_accepted: 118,
            files_with_rejects: 1,
            files_quarantined: 1,
            files_duplicate: 2,
            rows_read: 122_000,
            rows_used: 119_995,
            rows_rejected: 5,
            rows_duplicate: 2_000,
            last_file: "P000427_20260304T135820.csv, 13:58".into(),
            ..FeedCompleteness::default()
        }],
        rejects: vec![RejectReason {
            reason: "F102 not a number".into(),
            count: 5,
            example: "P000399_20260304T124512.csv:17".into(),
            detail: "'n/a' is not a number".into(),
        }],
    }
}
