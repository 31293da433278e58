//! Repeatable standard normal values.
//!
//! Purpose: simulate with a stated seed, here, in tests and in the slower suite. Must not know what
//! is simulated. The one invariant: the same seed gives the same values on every machine that
//! rounds as IEEE 754 asks, up to the last digit of its logarithm and cosine.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// What was simulated, by the size of the series.
///
/// A statistic's law under a stated seed depends on the size alone, so it is simulated once a
/// program and not once a call; the outcome is the same.
#[derive(Debug)]
pub(crate) struct Simulated<T>(Mutex<BTreeMap<usize, Arc<[T]>>>);

impl<T> Simulated<T> {
    /// Nothing yet.
    pub(crate) const fn new() -> Self {
        Self(Mutex::new(BTreeMap::new()))
    }

    /// What is simulated for a size. The lock is not held while it is made: two threads may both
    /// make it, and both make the same.
    pub(crate) fn of_size(&self, size: usize, make: impl FnOnce() -> Vec<T>) -> Arc<[T]> {
        let known = |table: &BTreeMap<usize, Arc<[T]>>| table.get(&size).map(Arc::clone);
        let found = known(&self.0.lock().unwrap_or_else(PoisonError::into_inner));
        found.unwrap_or_else(|| {
            let made: Arc<[T]> = make().into();
            let mut table = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            table.insert(size, Arc::clone(&made));
            made
        })
    }
}

/// A stream of uniform and standard normal values.
///
/// The integers are those of splitmix64 (G. L. Steele, D. Lea and C. H. Flood, OOPSLA 2014); the
/// normal values come two at a time from the transform of G. E. P. Box and M. E. Muller, Annals of
/// Mathematical Statistics 29(2) 1958. Cost: about 10 ns a value.
///
/// ```
/// use spc::simulation::Normals;
/// let (mut one, mut other) = (Normals::new(7), Normals::new(7));
/// assert_eq!(one.draw().to_bits(), other.draw().to_bits());
/// ```
#[derive(Clone, Debug)]
pub struct Normals {
    state: u64,
    waiting: Option<f64>,
}

impl Normals {
    /// The stream of a seed; every seed is allowed.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::simulation::Normals;
    /// let (mut one, mut other) = (Normals::new(7), Normals::new(8));
    /// assert_ne!(one.uniform().to_bits(), other.uniform().to_bits());
    /// ```
    pub fn new(seed: u64) -> Self {
        Self {
            state: seed,
            waiting: None,
        }
    }

    /// The next uniform value, above 0 and below 1.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::simulation::Normals;
    /// let mut normals = Normals::new(7);
    /// let mean = (0..10_000).map(|_| normals.uniform()).sum::<f64>() / 1e4;
    /// // Standard error 0.0029.
    /// assert!((mean - 0.5).abs() < 0.012);
    /// ```
    pub fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// The next whole number from 0 to below `count`; 0 when `count` is 0.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::simulation::Normals;
    /// let mut normals = Normals::new(7);
    /// let sides: Vec<usize> = (0..100).map(|_| normals.below(6)).collect();
    /// assert!((0..6).all(|side| sides.contains(&side)) && sides.iter().all(|side| *side < 6));
    /// ```
    pub fn below(&mut self, count: usize) -> usize {
        let drawn = (self.uniform() * count as f64) as usize;
        drawn.min(count.saturating_sub(1))
    }

    /// The next standard normal value.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::simulation::Normals;
    /// let mut normals = Normals::new(7);
    /// let beyond = (0..10_000).filter(|_| normals.draw().abs() > 1.96).count();
    /// // 5 % with a standard error of 0.22 %.
    /// assert!((410..590).contains(&beyond));
    /// ```
    pub fn draw(&mut self) -> f64 {
        if let Some(value) = self.waiting.take() {
            return value;
        }
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        let (sine, cosine) = (2.0 * std::f64::consts::PI * self.uniform()).sin_cos();
        self.waiting = Some(radius * sine);
        radius * cosine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_standard_normal() {
        let mut normals = Normals::new(1);
        let count = 200_000;
        let values: Vec<f64> = (0..count).map(|_| normals.draw()).collect();
        let moment = |power: i32| values.iter().map(|z| z.powi(power)).sum::<f64>() / 2e5;
        // Standard errors 0.0022, 0.0032, 0.022; the tail beyond 3 has 540 with error 23.
        assert!(moment(1).abs() < 0.009 && (moment(2) - 1.0).abs() < 0.013);
        assert!((moment(4) - 3.0).abs() < 0.09, "{}", moment(4));
        let beyond = values.iter().filter(|z| z.abs() > 3.0).count();
        assert!((450..=630).contains(&beyond), "{beyond}");
        let pairs: f64 = values.windows(2).map(|w| w[0] * w[1]).sum();
        assert!((pairs / 2e5).abs() < 0.009);
    }

    #[test]
    fn each_size_is_simulated_once() {
        let table = Simulated::new();
        let made = std::cell::Cell::new(0);
        let of = |size: usize| {
            table.of_size(size, || {
                made.set(made.get() + 1);
                vec![size; 2]
            })
        };
        assert_eq!(
            (&*of(3), &*of(4), &*of(3)),
            (&[3, 3][..], &[4, 4][..], &[3, 3][..])
        );
        assert_eq!(made.get(), 2);
    }

    #[test]
    fn whole_numbers_stay_below_their_count() {
        let mut normals = Normals::new(2);
        let mut seen = [0u32; 5];
        (0..5_000).for_each(|_| seen[normals.below(5)] += 1);
        assert!(
            seen.iter().all(|count| (880..1_120).contains(count)),
            "{seen:?}"
        );
        assert_eq!(normals.below(0), 0);
    }
}
