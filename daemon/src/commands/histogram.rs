//! How the readings that capability is judged by spread, with the distribution that was chosen.
//!
//! Knows neither page nor pack. The one invariant: classes are as wide as whole steps of the gauge,
//! so that no class is emptier than its neighbours only because fewer values fall into it.

use reports::view::{Bin, Histogram, SpecificationLines};
use spc::distribution::Distribution;

use super::capability::Capability;

/// Classes at least and at most.
const CLASSES: (f64, f64) = (6.0, 40.0);

/// Points of the curve.
const CURVE_POINTS: u32 = 120;

/// The picture of a capability study; nothing where no reading was judged.
pub(crate) fn histogram(found: &Capability) -> Option<Histogram> {
    let mut values = found.evidence.sample.clone();
    values.retain(|value| value.is_finite());
    values.sort_by(f64::total_cmp);
    let bins = bins(&values)?;
    let law = found.evidence.law();
    let span = (bins[0].low, bins[bins.len() - 1].high);
    let name = law.map_or("", Distribution::name);
    Some(Histogram {
        title: format!("Readings of {}", found.stream),
        description: format!("One reading of each of {} units.", values.len()),
        unit: found.unit.clone(),
        curve: law.map_or_else(Vec::new, |law| curve(law, span)),
        curve_name: name.to_owned(),
        specification: Some(SpecificationLines {
            lower: found.lower,
            nominal: found.target,
            upper: found.upper,
        }),
        bins,
    })
}

/// Classes of sorted values by the rule of Freedman and Diaconis (1981): twice the interquartile
/// range over the cube root of the count, in whole steps of the gauge.
fn bins(values: &[f64]) -> Option<Vec<Bin>> {
    let (first, last) = (*values.first()?, *values.last()?);
    let count = values.len() as f64;
    let quartile = |share: f64| values[((count - 1.0) * share).round() as usize];
    let range = last - first;
    let step = step(values);
    let wanted = 2.0 * (quartile(0.75) - quartile(0.25)) / count.cbrt();
    let usual = match wanted > 0.0 {
        true => wanted,
        false => range / count.sqrt(),
    };
    let width = usual.clamp(
        range / CLASSES.1,
        (range / CLASSES.0).max(range / CLASSES.1),
    );
    let width = match step > 0.0 {
        true => (width / step).ceil().max(1.0) * step,
        false => 1.0,
    };
    let start = first - step / 2.0;
    let classes = ((last - start) / width).floor() as usize + 1;
    let mut bins: Vec<Bin> = (0..classes)
        .map(|class| Bin {
            low: start + class as f64 * width,
            high: start + (class + 1) as f64 * width,
            count: 0,
        })
        .collect();
    for value in values {
        let class = ((value - start) / width).floor() as usize;
        bins[class.min(classes - 1)].count += 1;
    }
    Some(bins)
}

/// The smallest distance of two different values; nought where all are alike.
fn step(sorted: &[f64]) -> f64 {
    let gaps = sorted.windows(2).map(|pair| pair[1] - pair[0]);
    let smallest = gaps.filter(|gap| *gap > 0.0).fold(f64::INFINITY, f64::min);
    match smallest.is_finite() {
        true => smallest,
        false => 0.0,
    }
}

/// The density as the share between two near values, a little beyond the classes on both sides.
fn curve(law: &Distribution, (low, high): (f64, f64)) -> Vec<(f64, f64)> {
    let air = (high - low) * 0.1;
    let (low, high) = (low - air, high + air);
    let piece = (high - low) / f64::from(CURVE_POINTS);
    let density = |at: f64| {
        let share = law.below(at + piece / 4.0) - law.below(at - piece / 4.0);
        share / (piece / 2.0)
    };
    (0..=CURVE_POINTS)
        .map(|place| low + f64::from(place) * piece)
        .map(|at| (at, density(at)))
        .collect()
}

#[cfg(test)]
mod tests {
    use spc::distribution::Family;
    use spc::simulation::Normals;

    use super::*;

    #[test]
    fn every_value_is_counted_in_a_class_of_whole_steps() {
        let mut draw = Normals::new(7);
        // Readings of a gauge that shows tenths.
        let mut values: Vec<f64> = (0..500)
            .map(|_| ((120.0 + 3.0 * draw.draw()) * 10.0).round() / 10.0)
            .collect();
        values.sort_by(f64::total_cmp);
        let bins = bins(&values).unwrap();
        assert_eq!(bins.iter().map(|bin| bin.count).sum::<u64>(), 500);
        assert!((6..=41).contains(&bins.len()), "{}", bins.len());
        for bin in &bins {
            let steps = (bin.high - bin.low) / 0.1;
            assert!((steps - steps.round()).abs() < 1e-6, "{steps} steps");
        }
    }

    #[test]
    fn values_that_are_all_alike_make_one_class() {
        assert_eq!(bins(&[5.0; 30]).unwrap().len(), 1);
        assert_eq!(bins(&[]), None);
        assert_eq!(
            bins(&[1.0, 2.0])
                .unwrap()
                .iter()
                .map(|bin| bin.count)
                .sum::<u64>(),
            2
        );
    }

    #[test]
    fn the_curve_is_the_density_of_the_law() {
        // At its mean, the density of a normal distribution is 1 / (sigma sqrt(2 pi)).
        let law = Distribution::new(Family::Normal, 0.0, 120.0, 3.0).unwrap();
        let curve = curve(&law, (110.0, 130.0));
        let middle = curve[curve.len() / 2];
        assert!((middle.0 - 120.0).abs() < 1e-9);
        assert!(
            (middle.1 - 0.132_980_760_133_81).abs() < 1e-4,
            "{}",
            middle.1
        );
        let area: f64 = curve
            .windows(2)
            .map(|pair| (pair[1].0 - pair[0].0) * pair[0].1)
            .sum();
        assert!((area - 1.0).abs() < 1e-2, "{area}");
    }
}
