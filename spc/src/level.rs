//! Charts of counts and of events at a known level: how often a point lies beyond its limits, and
//! made points.
//!
//! Purpose: say how often such a chart signals without cause and how soon it does when the rate has
//! changed. Must not know baselines or detectors. The one invariant: every chance is from 0 to 1.
//!
//! Counts are binomial (P, Np) or Poisson (C, U); what lies between events is geometric (G) or
//! exponential (T). Where points vary more than that (PPrime, UPrime, sigma_z above 1), the rate
//! itself is taken to vary normally from sample to sample, so that the variance of a point is
//! sigma_z^2 times that of its law: the reading of D. B. Laney, Quality Engineering 14(4) 2002
//! (from memory). A rate below 0 counts as 0, a share above 1 as 1.

use crate::between_events::{BetweenEvents, Law};
use crate::chart::{Bounds, ChartKind, Limits};
use crate::laney;
use crate::probability::least;
use crate::quadrature::composite;
use crate::runlength::Change;
use crate::simulation::Normals;
use statrs::distribution::{Binomial, DiscreteCDF, Poisson};

/// How far the normal variation of a rate is integrated, in its sigmas.
const REACH: f64 = 8.0;

/// A known level of one chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The chart: P, PPrime, Np, C, U, UPrime, G or T.
    pub kind: ChartKind,
    /// As [`Limits::centre`]: share of nonconforming units, nonconformities a sample (C) or a unit
    /// (U), mean from one event to the next.
    pub centre: f64,
    /// Units of a sample, or opportunities; C, G and T ignore it.
    pub size: f64,
    /// How much more points vary than their law says (PPrime, UPrime); below 1 it counts as 1.
    pub sigma_z: f64,
}

/// The law of a count.
enum Counts {
    Binomial(Binomial),
    Poisson(Poisson, f64),
}

impl Counts {
    fn cdf(&self, count: u64) -> f64 {
        match self {
            Counts::Binomial(law) => law.cdf(count),
            Counts::Poisson(law, _) => law.cdf(count),
        }
    }

    fn sf(&self, count: u64) -> f64 {
        match self {
            Counts::Binomial(law) => law.sf(count),
            Counts::Poisson(law, _) => law.sf(count),
        }
    }

    /// A count that is hardly ever passed.
    fn most(&self) -> u64 {
        match self {
            Counts::Binomial(law) => law.n(),
            Counts::Poisson(_, mean) => (mean + 20.0 * mean.sqrt() + 60.0).ceil() as u64,
        }
    }
}

impl Level {
    /// The limits of a baseline that met the level exactly, `width` sigmas wide. Cost: constant.
    ///
    /// ```
    /// use spc::{chart::ChartKind, level::Level};
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, Example 7.3.
    /// let level = Level { kind: ChartKind::C, centre: 19.85, size: 1.0, sigma_z: 1.0 };
    /// let bounds = level.limits(3.0, 26).bounds(1.0);
    /// assert!(bounds.upper.is_some_and(|upper| (upper - 33.22).abs() < 0.01));
    /// ```
    pub fn limits(&self, width: f64, subgroups: u32) -> Limits {
        let has_sigma_z = matches!(self.kind, ChartKind::PPrime | ChartKind::UPrime);
        Limits {
            kind: self.kind,
            width,
            subgroups,
            centre: self.centre,
            sigma: if has_sigma_z { self.sigma_z } else { 0.0 },
            moving_range: None,
            sigma_within: None,
            sigma_between: None,
            joint: None,
        }
    }

    /// The chance that a point lies strictly beyond `bounds`, which are in the unit of the plotted
    /// value, when the rate has become `times` what it was.
    ///
    /// Sums of the binomial or Poisson law; 1 - (1 - p)^(lower - 1) + (1 - p)^upper between events
    /// ([`BetweenEvents::average_run_length`]), whose mean is divided by `times`; where the rate
    /// varies, the integral of those over its normal law. `None` for other charts, a centre or size
    /// that the chart can not have, and `times` not above 0. Cost: two values of the law, some
    /// hundred times that where the rate varies.
    ///
    /// ```
    /// use spc::{chart::{Bounds, ChartKind}, level::Level};
    /// // D. C. Montgomery, Introduction to Statistical Quality Control, section on the operating
    /// // characteristic of the p chart (from memory): samples of 50, limits 0.0303 and 0.3697; at
    /// // 0.2 a point is inside with 0.9973, at 0.3 with 0.8594, so a signal takes 7 samples.
    /// let level = Level { kind: ChartKind::P, centre: 0.2, size: 50.0, sigma_z: 1.0 };
    /// let bounds = Bounds { lower: Some(0.0303), centre: 0.2, upper: Some(0.3697) };
    /// let inside = |times| level.chance_beyond(&bounds, times).map(|beyond| 1.0 - beyond);
    /// assert!(inside(1.0).is_some_and(|inside| (inside - 0.9973).abs() < 1e-4));
    /// assert!(inside(1.5).is_some_and(|inside| (inside - 0.8594).abs() < 1e-4));
    /// ```
    pub fn chance_beyond(&self, bounds: &Bounds, times: f64) -> Option<f64> {
        self.check(times)?;
        if let Some(known) = self.between() {
            let Some(now) = self.moved(&known, times) else {
                // Every unit has an event, so every count is 1.
                return Some(f64::from(u8::from(bounds.lower.is_some_and(|l| l > 1.0))));
            };
            return Some(1.0 / known.average_run_length(bounds, now.mean)?);
        }
        let spread = self.rate_spread(times);
        let rate = self.centre * times;
        if spread <= 0.0 {
            return self.beyond_at(bounds, rate);
        }
        self.beyond_at(bounds, rate)?;
        let density = |z: f64| (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
        let weighed = |z: f64| {
            let beyond = self.beyond_at(bounds, rate + spread * z).unwrap_or(0.0);
            density(z) * beyond
        };
        // The chance turns from 0 to 1 within about a sigma of the law: 1/sigma_z here.
        let panels = (4.0 * self.sigma_z).clamp(12.0, 120.0) as u32;
        let nodes = composite(-REACH, REACH, panels);
        let total: f64 = nodes.iter().map(|(z, weight)| weight * weighed(*z)).sum();
        Some(total.clamp(0.0, 1.0))
    }

    /// A made point at `times` the rate, as it is plotted; `None` as [`Level::chance_beyond`].
    /// Cost: some dozen values of the law.
    ///
    /// ```
    /// use spc::{chart::ChartKind, level::Level, simulation::Normals};
    /// let level = Level { kind: ChartKind::C, centre: 4.0, size: 1.0, sigma_z: 1.0 };
    /// let mut normals = Normals::new(1);
    /// let sum: f64 = (0..2_000).filter_map(|_| level.draw(1.5, &mut normals)).sum();
    /// // Mean 6 with a standard error of 0.055.
    /// assert!((sum / 2_000.0 - 6.0).abs() < 0.22);
    /// ```
    pub fn draw(&self, times: f64, normals: &mut Normals) -> Option<f64> {
        self.check(times)?;
        if let Some(known) = self.between() {
            let Some(now) = self.moved(&known, times) else {
                return Some(1.0);
            };
            let waited = -normals.uniform().ln() / now.hazard()?;
            return Some(match known.law {
                Law::Geometric => waited.ceil().max(1.0),
                Law::Exponential => waited,
            });
        }
        let spread = self.rate_spread(times);
        let varied = if spread > 0.0 {
            spread * normals.draw()
        } else {
            0.0
        };
        let law = self.counts(self.centre * times + varied)?;
        let share = normals.uniform();
        let count = least(law.most(), |count| law.cdf(count) >= share);
        Some(count as f64 / self.scale())
    }

    /// What the rate is times that before, at the `point`-th point of a change.
    ///
    /// A step is the factor itself. A drift moves the centre by so many sigmas of a point in
    /// control with every point; between events, whose sigma is about their mean, the rate grows by
    /// so much of itself. Never below a hundredth. Cost: constant.
    ///
    /// ```
    /// use spc::{chart::ChartKind, level::Level, runlength::Change};
    /// // Sigma of a count with mean 4 is 2: half a sigma is a quarter of the mean.
    /// let level = Level { kind: ChartKind::C, centre: 4.0, size: 1.0, sigma_z: 1.0 };
    /// assert_eq!(level.times_at(Change::Drift(0.5), 3), 1.75);
    /// assert_eq!(level.times_at(Change::Step(1.5), 3), 1.5);
    /// ```
    pub fn times_at(&self, change: Change, point: u64) -> f64 {
        let times = match change {
            Change::None => 1.0,
            Change::Step(times) => times,
            Change::Drift(_) if self.between().is_some() => 1.0 + change.mean_at(point),
            Change::Drift(_) => {
                let sigma = self.limits(3.0, 1).sigma_at(self.size);
                let centre = match self.kind {
                    ChartKind::Np => self.centre * self.size,
                    _ => self.centre,
                };
                match sigma.is_finite() && centre > 0.0 {
                    true => 1.0 + change.mean_at(point) * sigma / centre,
                    false => 1.0,
                }
            }
        };
        times.max(0.01)
    }

    /// Whether the chart can have the level: a centre above 0 (above 1 unit between events, below 1
    /// as a share) and a size that it can have. Cost: constant.
    ///
    /// ```
    /// use spc::{chart::ChartKind, level::Level};
    /// let share = |centre| Level { kind: ChartKind::P, centre, size: 50.0, sigma_z: 1.0 };
    /// assert!(share(0.2).is_usable() && !share(0.0).is_usable() && !share(1.2).is_usable());
    /// ```
    pub fn is_usable(&self) -> bool {
        let is_share = matches!(self.kind, ChartKind::P | ChartKind::PPrime | ChartKind::Np);
        let fits = !is_share || self.centre < 1.0;
        let has_size = self.between().is_some() || self.counts(self.centre).is_some();
        fits && has_size && self.check(1.0).is_some()
    }

    fn between(&self) -> Option<BetweenEvents> {
        self.limits(3.0, 0).between_events()
    }

    /// The law between events at `times` the rate; nothing where every unit would have one.
    fn moved(&self, known: &BetweenEvents, times: f64) -> Option<BetweenEvents> {
        let now = BetweenEvents {
            mean: known.mean / times,
            ..*known
        };
        now.hazard().map(|_| now)
    }

    fn check(&self, times: f64) -> Option<()> {
        let measured = matches!(
            self.kind,
            ChartKind::Individuals
                | ChartKind::MeanRange
                | ChartKind::MedianRange
                | ChartKind::MeanS
                | ChartKind::ThreeWay
                | ChartKind::TSquared
        );
        let usable = times > 0.0 && times.is_finite() && self.centre > 0.0;
        let known = self.between().is_none_or(|law| law.hazard().is_some());
        (!measured && usable && self.centre.is_finite() && known).then_some(())
    }

    /// Sigma of the rate from sample to sample, in its unit.
    fn rate_spread(&self, times: f64) -> f64 {
        if !matches!(self.kind, ChartKind::PPrime | ChartKind::UPrime) {
            return 0.0;
        }
        let more = laney::applied(self.sigma_z).powi(2) - 1.0;
        let law = self.limits(3.0, 1).law_sigma_at(self.size);
        if law.is_finite() {
            times * law * more.sqrt()
        } else {
            0.0
        }
    }

    /// What a count is divided by to be plotted.
    fn scale(&self) -> f64 {
        match self.kind {
            ChartKind::Np | ChartKind::C => 1.0,
            _ => self.size,
        }
    }

    fn counts(&self, rate: f64) -> Option<Counts> {
        match self.kind {
            ChartKind::P | ChartKind::PPrime | ChartKind::Np => {
                let units = crate::probability::whole(self.size)?;
                let law = Binomial::new(rate.clamp(0.0, 1.0), units).ok()?;
                Some(Counts::Binomial(law))
            }
            _ => {
                let area = if self.kind == ChartKind::C {
                    1.0
                } else {
                    self.size
                };
                // A law of mean 0 has no place in the library; so small a one has no counts.
                let mean = (rate * area).max(1e-12);
                Some(Counts::Poisson(Poisson::new(mean).ok()?, mean))
            }
        }
    }

    /// The chance beyond the bounds at one rate.
    fn beyond_at(&self, bounds: &Bounds, rate: f64) -> Option<f64> {
        let law = self.counts(rate)?;
        // Bounds that are counts themselves come out of a division; a count on them is inside.
        let inside = |bound: f64, up: f64| bound * self.scale() * (1.0 + up * 1e-12);
        let above = bounds.upper.map_or(0.0, |upper| {
            let last = inside(upper, 1.0).floor();
            if last < 0.0 { 1.0 } else { law.sf(last as u64) }
        });
        let below = bounds.lower.map_or(0.0, |lower| {
            let first = inside(lower, -1.0).ceil();
            if first < 1.0 {
                0.0
            } else {
                law.cdf(first as u64 - 1)
            }
        });
        Some((above + below).clamp(0.0, 1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn level(kind: ChartKind, centre: f64, size: f64) -> Level {
        Level {
            kind,
            centre,
            size,
            sigma_z: 1.0,
        }
    }

    /// Term by term, with the library's laws left out.
    #[test]
    fn chances_are_those_of_the_laws_summed_term_by_term() {
        let c = level(ChartKind::C, 20.0, 1.0);
        let bounds = c.limits(3.0, 25).bounds(1.0);
        let (lower, upper) = (bounds.lower.unwrap(), bounds.upper.unwrap());
        for times in [0.4_f64, 1.0, 1.5, 2.0] {
            let mean = 20.0 * times;
            let (mut term, mut inside) = ((-mean).exp(), 0.0);
            for count in 0..200 {
                let x = f64::from(count);
                if x >= lower && x <= upper {
                    inside += term;
                }
                term *= mean / (x + 1.0);
            }
            let found = c.chance_beyond(&bounds, times).unwrap();
            assert!((found - (1.0 - inside)).abs() < 1e-12, "{times}: {found}");
        }
        let g = level(ChartKind::G, 500.0, 1.0);
        let bounds = g.limits(3.0, 25).bounds(1.0);
        for times in [1.0_f64, 2.0, 600.0] {
            let p = (times / 500.0).min(1.0);
            let (mut term, mut inside) = (p, 0.0);
            for count in 1..=20_000 {
                let x = f64::from(count);
                if bounds.lower.unwrap() <= x && x <= bounds.upper.unwrap() {
                    inside += term;
                }
                term *= 1.0 - p;
            }
            let found = g.chance_beyond(&bounds, times).unwrap();
            assert!((found - (1.0 - inside)).abs() < 1e-9, "{times}: {found}");
        }
    }

    #[test]
    fn a_count_on_a_limit_is_inside() {
        let np = level(ChartKind::Np, 0.1, 30.0);
        let bounds = |upper: f64| Bounds {
            lower: None,
            centre: 3.0,
            upper: Some(upper),
        };
        let beyond = |upper| np.chance_beyond(&bounds(upper), 1.0).unwrap();
        assert!(beyond(6.0) < beyond(5.999) && (beyond(6.0) - beyond(6.5)).abs() < 1e-15);
        let p = level(ChartKind::P, 0.1, 30.0);
        assert!((p.chance_beyond(&bounds(6.0 / 30.0), 1.0).unwrap() - beyond(6.0)).abs() < 1e-15);
    }

    /// Made points have the mean and variance of the level, and lie beyond limits as often as said.
    #[test]
    fn made_points_are_those_of_the_level() {
        let mut wide = level(ChartKind::UPrime, 0.05, 400.0);
        wide.sigma_z = 2.0;
        let mut shares = level(ChartKind::PPrime, 0.1, 200.0);
        shares.sigma_z = 1.5;
        let levels = [
            level(ChartKind::P, 0.05, 80.0),
            level(ChartKind::C, 900.0, 1.0),
            level(ChartKind::G, 40.0, 1.0),
            level(ChartKind::T, 40.0, 1.0),
            wide,
            shares,
        ];
        let mut normals = Normals::new(5);
        for level in levels {
            let limits = level.limits(2.0, 25);
            let bounds = limits.bounds(level.size);
            let count = 20_000;
            let points: Vec<f64> = (0..count)
                .map(|_| level.draw(1.2, &mut normals).unwrap())
                .collect();
            let mean = points.iter().sum::<f64>() / f64::from(count);
            let squares: f64 = points.iter().map(|x| (x - mean).powi(2)).sum();
            let sigma = (squares / f64::from(count)).sqrt();
            let expected = match level.kind {
                ChartKind::G | ChartKind::T => level.centre / 1.2,
                _ => level.centre * 1.2,
            };
            assert!(
                (mean - expected).abs() < 4.5 * sigma / f64::from(count).sqrt(),
                "{level:?}"
            );
            let is_beyond = |x: &&f64| crate::rules::beyond(**x, bounds).is_some();
            let share = points.iter().filter(is_beyond).count() as f64 / f64::from(count);
            let chance = level.chance_beyond(&bounds, 1.2).unwrap();
            let error = (chance * (1.0 - chance) / f64::from(count)).sqrt();
            assert!(
                (share - chance).abs() < 4.5 * error,
                "{level:?}: {share} {chance}"
            );
        }
    }

    #[test]
    fn a_rate_that_varies_has_the_variance_that_sigma_z_says() {
        // Far above 0 and with many counts: normal, so three sigma are passed by 0.27 %.
        let level = Level {
            kind: ChartKind::UPrime,
            centre: 40.0,
            size: 1_000.0,
            sigma_z: 4.0,
        };
        let bounds = level.limits(3.0, 25).bounds(1_000.0);
        let chance = level.chance_beyond(&bounds, 1.0).unwrap();
        assert!((chance / 0.002_699_8 - 1.0).abs() < 0.01, "{chance}");
    }

    #[test]
    fn what_no_chart_has_is_none() {
        let bounds = level(ChartKind::C, 4.0, 1.0).limits(3.0, 9).bounds(1.0);
        for odd in [
            level(ChartKind::Individuals, 4.0, 1.0),
            level(ChartKind::C, 0.0, 1.0),
            level(ChartKind::C, f64::NAN, 1.0),
            level(ChartKind::P, 0.1, 0.5),
            level(ChartKind::G, 1.0, 1.0),
        ] {
            assert_eq!(odd.chance_beyond(&bounds, 1.0), None, "{odd:?}");
            assert_eq!(odd.draw(1.0, &mut Normals::new(1)), None, "{odd:?}");
        }
        let c = level(ChartKind::C, 4.0, 1.0);
        assert!(
            c.chance_beyond(&bounds, 0.0).is_none() && c.chance_beyond(&bounds, f64::NAN).is_none()
        );
    }

    proptest! {
        #[test]
        fn chances_are_chances(
            centre in 1e-3..0.9f64, size in 1u32..2000, times in 0.1..20.0f64, z in 0.5..3.0f64,
        ) {
            for kind in [ChartKind::P, ChartKind::PPrime, ChartKind::Np, ChartKind::C, ChartKind::U,
                ChartKind::UPrime, ChartKind::T]
            {
                let size = f64::from(size);
                let level = Level { kind, centre, size, sigma_z: z };
                let bounds = level.limits(3.0, 25).bounds(size);
                let chance = level.chance_beyond(&bounds, times).unwrap();
                prop_assert!((0.0..=1.0).contains(&chance));
            }
        }
    }
}
