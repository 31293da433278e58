//! The table of factors, n = 2 to 25 (source in control_chart_constants.toml).

use crate::load::{near, number, numbers, same, table};
use spc::constants::{d2, factors};

fn computed(n: f64) -> [f64; 15] {
    let f = factors(n as u32).unwrap();
    [
        f.d2, f.d3, f.c4, f.a, f.a2, f.a3, f.b3, f.b4, f.b5, f.b6, f.d1_limit, f.d2_limit,
        f.d3_limit, f.d4_limit, f.e2,
    ]
}

#[test]
fn factors_equal_the_independent_integration() {
    let tolerance = number(
        &table("control_chart_constants.toml"),
        "tolerances.computed_abs",
    );
    let rows = numbers("control_chart_constants.csv");
    assert_eq!(rows.len(), 24);
    for row in rows {
        for (found, expected) in computed(row[0]).iter().zip(&row[1..]) {
            near(*found, *expected, tolerance);
        }
    }
}

#[test]
fn factors_equal_the_printed_table() {
    let tolerance = number(
        &table("control_chart_constants.toml"),
        "tolerances.published_abs",
    );
    for row in numbers("control_chart_constants_published.csv") {
        let f = factors(row[0] as u32).unwrap();
        let found = [
            f.d2, f.d3, f.c4, f.a2, f.d3_limit, f.d4_limit, f.a3, f.b3, f.b4,
        ];
        for (found, printed) in found.iter().zip(&row[1..]) {
            near(*found, *printed, tolerance);
        }
    }
}

#[test]
fn moving_range_and_gauge_constants_match() {
    let golden = table("control_chart_constants.toml");
    let f = factors(2).unwrap();
    same(f.d2, number(&golden, "moving_range.d2_n2"));
    same(f.e2, number(&golden, "moving_range.E2_n2"));
    same(f.d4_limit, number(&golden, "moving_range.D4_n2"));
    same(1.0 / d2(3).unwrap(), number(&golden, "d2_star.K1_3trials"));
    for (n, key) in [(3, "d2_star.K2_3appraisers"), (10, "d2_star.K3_10parts")] {
        let f = factors(n).unwrap();
        same(
            1.0 / (f.d2 * f.d2 + f.d3 * f.d3).sqrt(),
            number(&golden, key),
        );
    }
}
