//! Gauge studies and nested components of variance.

use crate::load::{list, near, number, rows, same, table};
use spc::gauge::Study;
use spc::gauge::anova::{Anova, Interaction, analyse};
use spc::gauge::nested::nested;
use spc::gauge::range::ranges;

/// 10 parts, 3 operators, 3 trials; the file runs operator, trial, part.
fn study() -> Study {
    let mut values = vec![0.0; 90];
    for row in rows("grr_10x3x3.csv") {
        let operator = "ABC".find(&row[0]).unwrap();
        let place = |index: usize| row[index].parse::<usize>().unwrap() - 1;
        let (trial, part) = (place(1), place(2));
        values[(part * 3 + operator) * 3 + trial] = row[3].parse().unwrap();
    }
    Study::new(10, 3, 3, values).unwrap()
}

fn analysed(interaction: Interaction) -> Anova {
    analyse(&study(), interaction, 0.95).unwrap()
}

#[test]
fn table_of_the_manuals_study() {
    let golden = table("grr_anova.toml");
    let found = analysed(Interaction::PooledAbove(0.25));
    let lines = [
        ("appraiser", found.operator.unwrap()),
        ("part", found.part),
        ("interaction", found.interaction.unwrap()),
        ("equipment", found.repeatability),
        ("total", found.total),
    ];
    for (name, line) in lines {
        same(
            line.sum_of_squares,
            number(&golden, &format!("recomputed.ss.{name}")),
        );
        near(
            line.sum_of_squares,
            number(&golden, &format!("published.ss.{name}")),
            5.1e-5,
        );
        same(
            line.freedom,
            number(&golden, &format!("published.df.{name}")),
        );
        if name != "total" {
            same(
                line.mean_square,
                number(&golden, &format!("recomputed.ms.{name}")),
            );
            near(
                line.mean_square,
                number(&golden, &format!("published.ms.{name}")),
                5.1e-6,
            );
        }
    }
    let pooled = found.pooled.unwrap();
    same(
        pooled.mean_square,
        number(&golden, "recomputed.ms.pooled_error"),
    );
    same(pooled.freedom, 78.0);
    let f = |key: &str| number(&golden, &format!("recomputed.{key}"));
    same(found.interaction.unwrap().f.unwrap(), f("f_interaction"));
    same(found.operator.unwrap().f.unwrap(), f("f_appraiser_pooled"));
    same(found.part.f.unwrap(), f("f_part_pooled"));
    let kept = analysed(Interaction::Kept);
    same(
        kept.operator.unwrap().f.unwrap(),
        f("f_appraiser_with_interaction"),
    );
    same(kept.part.f.unwrap(), f("f_part_with_interaction"));
    assert!(kept.components.interaction.unwrap().was_negative);
}

#[test]
fn components_of_the_manuals_study() {
    let golden = table("grr_anova.toml");
    let parts = analysed(Interaction::PooledAbove(0.25)).components;
    // The printed GRR is a unit of the last digit above what the printed EV and AV give.
    let rows = [
        ("ev", parts.repeatability),
        ("av", parts.reproducibility.unwrap()),
        ("grr", parts.gauge),
        ("pv", parts.part),
    ];
    for (name, component) in rows {
        same(
            component.sigma(),
            number(&golden, &format!("recomputed.{name}")),
        );
        near(
            component.sigma(),
            number(&golden, &format!("published.{name}")),
            1.6e-6,
        );
        let share = parts.share(&component, Some(6.0)).unwrap();
        let key = |block: &str| format!("{block}.percent_of_total.{name}");
        same(share.of_variation, number(&golden, &key("recomputed")));
        near(
            share.of_variation,
            number(&golden, &key("published")),
            0.051,
        );
        same(share.of_tolerance.unwrap(), 100.0 * component.sigma());
    }
    same(parts.total.sigma(), number(&golden, "recomputed.tv"));
    assert_eq!(parts.interaction, None);
    let categories = number(&golden, "published.ndc");
    same(f64::from(parts.distinct_categories().unwrap()), categories);
}

#[test]
fn averages_and_ranges_of_the_manuals_study() {
    let golden = table("grr_anova.toml");
    let printed = |key: &str| number(&golden, &format!("published_ranges.{key}"));
    let found = ranges(&study()).unwrap();
    near(found.k1, printed("k1"), 5.1e-5);
    near(found.k2.unwrap(), printed("k2"), 5.1e-5);
    near(found.k3, printed("k3"), 5.1e-5);
    near(found.mean_range, printed("mean_range"), 5.1e-5);
    near(found.operator_range, printed("operator_range"), 1.1e-4);
    near(found.part_range, printed("part_range"), 5.1e-4);
    // The printed figures carry rounded factors and a rounded range of means.
    let parts = found.components;
    near(parts.repeatability.sigma(), printed("ev"), 5e-5);
    near(parts.reproducibility.unwrap().sigma(), printed("av"), 1e-4);
    near(parts.gauge.sigma(), printed("grr"), 1e-4);
    near(parts.part.sigma(), printed("pv"), 2e-4);
    near(parts.total.sigma(), printed("tv"), 2e-4);
}

#[test]
fn line_width_of_cassettes_wafers_and_sites() {
    let golden = table("nested_variance_litho.toml");
    let widths: Vec<f64> = rows("litho_linewidth.csv")
        .iter()
        .map(|row| row[3].parse().unwrap())
        .collect();
    let found = nested(&[30, 3, 5], &widths, 0.95).unwrap();
    same(found.mean, number(&golden, "recomputed.grand_mean"));
    let freedom = list(&golden, "recomputed.df");
    for (level, (name, df)) in found
        .levels
        .iter()
        .zip(["cassette", "wafer", "site"].iter().zip(freedom))
    {
        same(level.freedom, df);
        same(
            level.mean_square,
            number(&golden, &format!("recomputed.ms_{name}")),
        );
        let variance = level.component.variance;
        same(variance, number(&golden, &format!("recomputed.var_{name}")));
        near(
            variance,
            number(&golden, &format!("published.var_{name}")),
            5.1e-5,
        );
    }
}
