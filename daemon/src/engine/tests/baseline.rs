//! What is left out of a baseline, what its limits are then, and what watches it meanwhile.

use super::*;

#[test]
fn what_is_left_out_of_a_baseline_follows_from_its_points_alone() {
    let row = |n: i64| Row {
        minute: n * 2,
        panel: n as usize,
        value: 100.0 + (n * 7 % 10) as f64 + if n == 9 { 80.0 } else { 0.0 },
        stencil: "S1",
        stroke: "front",
    };
    let rows: Vec<Row> = (0..40).map(row).collect();
    let short = config("individuals", "\"panel\"", 10);
    let kept = at_once(&short, &rows);
    let limits = kept.limits.values().next().unwrap();
    let excluded = &limits.findings.excluded;
    assert_eq!((excluded.len(), &*excluded[0].key.1), (1, "P9"));
    assert_eq!((excluded[0].why.index, limits.limits.subgroups), (9, 19));
    assert!(
        excluded[0]
            .reason()
            .starts_with("value above the upper limit")
    );
    assert!(!limits.findings.checks.is_empty());
    // Had the panel never been printed, the limits would be those of the others.
    let mut without: Vec<Row> = rows[..20].to_vec();
    without.remove(9);
    let shorter =
        text("individuals", "\"panel\"", 10, "").replace("baseline = 20", "baseline = 19");
    let alone = at_once(&config_from(&shorter), &without);
    let alone = alone.limits.values().next().unwrap();
    assert_eq!(alone.limits, limits.limits);
    assert_eq!(alone.findings.checks, limits.findings.checks);
    for piece in [1, 3, 7] {
        assert_eq!(in_pieces(&short, &rows, piece), kept);
    }
    let mut backwards = rows;
    backwards.reverse();
    let patient = config("individuals", "\"panel\"", 10_000);
    assert_eq!(at_once(&patient, &backwards).limits, kept.limits);
}

/// Panels three minutes apart whose level moves by so many sigmas at one of the first.
fn early(sigmas: f64, from: usize) -> Vec<Row> {
    let mut rows = shifted(0.0);
    for row in rows.iter_mut().filter(|row| row.panel >= from) {
        row.value += sigmas;
    }
    rows
}

#[test]
fn a_shift_within_the_baseline_is_signalled_before_there_are_limits() {
    let config = watched("in_control_run_length = 500\nscreen = false");
    let kept = at_once(&config, &early(4.0, 12));
    let alert = kept.alerts.values().next().unwrap();
    assert!(alert.rules.starts_with("self_starting_cusum"), "{alert:?}");
    assert!(alert.first_at >= 12 * 3 * MINUTE && alert.first_at < 20 * 3 * MINUTE);
    assert_eq!(alert.side, Side::Upper);
    assert!(alert.size_sigma > 1.0, "{alert:?}");
    let quiet = at_once(&config, &early(0.0, 12));
    assert_eq!(quiet.signals_by("self_starting_cusum"), 0);
    // What is there from the first panel on is how the process is, as far as anyone can tell.
    let always = at_once(&config, &early(4.0, 0));
    assert_eq!(always.signals_by("self_starting_cusum"), 0);
    // Limits alone were asked for.
    let alone = watched("in_control_run_length = 500\ndetection = [\"limits\"]");
    let alone = at_once(&alone, &early(4.0, 12));
    assert_eq!(alone.signals_by("self_starting_cusum"), 0);
}

#[test]
fn an_alert_of_the_baseline_returns_when_it_is_quiet_again() {
    let config = watched("in_control_run_length = 500\nscreen = false");
    let longer = "baseline = 60";
    let text = text(
        "individuals",
        "\"panel\"",
        10,
        "in_control_run_length = 500",
    );
    let text = text.replace("baseline = 20", longer);
    let mut rows = early(5.0, 12);
    for row in rows.iter_mut().filter(|row| row.panel >= 16) {
        row.value -= 5.0;
    }
    let kept = at_once(&config_from(&text), &rows);
    let alert = kept.alerts.values().next().unwrap();
    assert_eq!(alert.rules, "self_starting_cusum");
    let returned = alert.returned_at.unwrap();
    assert!(
        returned > 20 * 3 * MINUTE && returned < 60 * 3 * MINUTE,
        "{alert:?}"
    );
    // Limits that are set meanwhile judge from then on, and the alert ends with quiet points.
    let kept = at_once(&config, &rows);
    let alert = kept.alerts.values().next().unwrap();
    assert!(alert.returned, "{alert:?}");
}

/// Two strokes whose level moves soon after the start; the second one starts later.
fn early_jump() -> impl Strategy<Value = Vec<Row>> {
    (two_strokes(), 8..20_usize, -9.0..9.0_f64).prop_map(|(mut rows, from, jump)| {
        for row in rows.iter_mut().filter(|row| row.panel >= from) {
            row.value += jump;
        }
        rows
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// What watches a baseline rests on how often the line is judged, as far as that is known.
    #[test]
    fn watching_a_baseline_changes_no_digit_with_the_order(
        rows in early_jump(),
        seed in any::<u64>(),
        piece in 1..40_usize,
        stated in any::<bool>(),
    ) {
        let more = if stated { "in_control_run_length = 100" } else { "" };
        let open = config_with("individuals", "\"panel\"", 10_000, more);
        let short = config_with("individuals", "\"panel\"", 12, more);
        let expected = at_once(&open, &rows);
        prop_assert_eq!(difference(&in_pieces(&short, &rows, piece), &expected), None);
        let late = delayed(&rows, 12, seed);
        prop_assert_eq!(difference(&in_pieces(&short, &late, piece), &expected), None);
        prop_assert_eq!(difference(&in_pieces(&open, &late, piece), &expected), None);
    }
}

#[test]
fn a_watched_baseline_that_is_kept_and_taken_back_goes_on_as_if_never_stopped() {
    let config = watched("");
    let rows = early(4.0, 12);
    let expected = at_once(&config, &rows);
    assert!(expected.signals_by("self_starting_cusum") > 0);
    for stop in [3, 9, 14, 17, 19, 30] {
        assert_eq!(interrupted(&config, &rows, stop), expected, "at {stop}");
    }
}

/// A front stroke that starts with a fault and stops after a few hours, and a back stroke that goes
/// on for days.
fn left_behind() -> Vec<Row> {
    let row = |(n, mut row): (usize, Row)| {
        row.stroke = if n < 19 { "front" } else { "back" };
        row.minute = if n < 19 {
            n as i64 * 2
        } else {
            60 * (n as i64 - 18)
        };
        row
    };
    early(5.0, 12).into_iter().enumerate().map(row).collect()
}

/// What is kept when the program is stopped after every piece, and goes on from what was kept.
fn stopped_after_each(config: &Arc<Config>, rows: &[Row], piece: usize) -> Kept {
    let mut kept = Kept::default();
    let mut engine = Engine::new(Arc::clone(config));
    let mut states = BTreeMap::new();
    let mut atoms = BTreeMap::new();
    let mut limits = BTreeMap::new();
    for piece in rows.chunks(piece) {
        engine.absorb(&block(piece));
        let effects = engine.settle();
        for facts in &effects.streams {
            states.insert(facts.stream, (facts.state.clone(), facts.settled_through));
        }
        for point in &effects.points {
            atoms.insert(
                (point.stream, point.at, point.unit.clone()),
                point.atom.clone(),
            );
        }
        for (stream, version) in &effects.limits {
            limits.insert((*stream, version.version), version.clone());
        }
        kept.apply(&engine, effects);

        let mut again = Engine::new(Arc::clone(config));
        for (place, stream) in engine.streams().iter().enumerate() {
            let (state, through) = states[&place].clone();
            let own = atoms.range((place, i64::MIN, Arc::from(""))..);
            let own = own.take_while(|(key, _)| key.0 == place);
            let own: Vec<_> = own.map(|(_, atom)| atom.clone()).collect();
            let tail = own
                .iter()
                .filter(|atom| atom.at > through)
                .cloned()
                .collect();
            let name = stream.name().clone();
            let newest = stream.newest();
            let mut fresh = Stream::kept(name, state, through, newest, tail, Vec::new());
            let open = limits
                .iter()
                .filter(|(key, one)| key.0 == place && one.to.0 > through);
            open.for_each(|(_, one)| fresh.recall(one.clone()));
            let since = crate::engine::counted_since(newest, config.lateness_us);
            let units = own.iter().filter(|atom| atom.at >= since);
            again.restore(fresh, &units.map(|atom| (atom.at, 1)).collect::<Vec<_>>());
        }
        again.settle();
        engine = again;
    }
    kept
}

/// The counts that thresholds rest on are kept for two days. How many days come at once, and what
/// is stopped in between, changes neither limits nor what was said of a baseline without limits.
#[test]
fn days_that_come_at_once_are_judged_as_days_that_come_one_by_one() {
    let config = watched("");
    let mut rows = left_behind();
    let expected = in_pieces(&config, &rows, 1);
    assert!(
        expected.signals_by("self_starting_cusum") > 0,
        "{expected:?}"
    );
    assert_eq!(expected.alerts.len(), 1);
    assert!(rows.last().unwrap().minute > 4 * 24 * 60);
    for piece in [7, 60, rows.len()] {
        let found = in_pieces(&config, &rows, piece);
        assert_eq!(difference(&found, &expected), None, "{piece}");
        let stopped = stopped_after_each(&config, &rows, piece);
        assert_eq!(
            difference(&stopped, &expected),
            None,
            "stopped after {piece}"
        );
    }
    // A stream that is taken up again has lost nothing of its alert.
    for (n, row) in rows.iter_mut().enumerate().skip(135) {
        row.stroke = "front";
        row.minute = 20 * 24 * 60 + n as i64;
    }
    let expected = in_pieces(&config, &rows, 1);
    assert!(expected.signals_by("self_starting_cusum") > 0);
    assert_eq!(
        difference(&in_pieces(&config, &rows, rows.len()), &expected),
        None
    );
    assert_eq!(
        difference(&stopped_after_each(&config, &rows, 5), &expected),
        None
    );
    // Limits of the first of many days that come at once rest on how often the line was judged.
    let busy: Vec<Row> = shifted(0.0)
        .into_iter()
        .map(|row| Row {
            minute: if row.panel < 30 {
                row.minute / 3
            } else {
                row.minute * 60
            },
            ..row
        })
        .collect();
    let limits = |kept: Kept| kept.limits.into_values().next().unwrap().detection;
    let (together, apart) = (at_once(&config, &busy), in_pieces(&config, &busy, 3));
    let (together, apart) = (limits(together), limits(apart));
    assert!(apart.run_length > 1_000.0);
    assert_eq!(together, apart);
}

/// A second stroke comes and goes; limits that stand keep their thresholds, and the next ones
/// follow from how often the line is judged then.
#[test]
fn thresholds_follow_streams_that_come_and_go_from_the_next_baseline_on() {
    let row = |n: i64, stroke: &'static str| Row {
        minute: n,
        panel: 2 * n as usize + usize::from(stroke == "back"),
        value: 100.0 + ((n * 37 + i64::from(stroke == "back") * 11) % 17) as f64 / 4.0,
        stencil: match n {
            ..120 => "S1",
            120..260 => "S2",
            _ => "S3",
        },
        stroke,
    };
    let mut rows = Vec::new();
    for n in 0..300 {
        rows.push(row(n, "front"));
        if (100..200).contains(&n) {
            rows.push(row(n, "back"));
        }
    }
    let config = watched("");
    let kept = in_pieces(&config, &rows, 30);
    let front = kept
        .limits
        .iter()
        .filter(|((stroke, _), _)| &**stroke == "front");
    let told: Vec<(f64, f64)> = front
        .map(|(_, limits)| &limits.detection)
        .map(|found| (found.points_per_shift.unwrap(), found.run_length))
        .collect();
    // A panel a minute in a shift of a day, two while both strokes are printed; run lengths are
    // rounded up to the next of twenty steps a decade.
    let expected = [(1_440.0, 1_473.0), (2_880.0, 2_939.0), (1_440.0, 1_473.0)];
    assert_eq!(told, expected);
    assert_eq!(difference(&at_once(&config, &rows), &kept), None);
}
