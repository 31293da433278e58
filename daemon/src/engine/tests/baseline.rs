//! What is left out of a baseline, and what its limits are then.

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
