//! Repeatable standard normal values for tests.
//!
//! Purpose: simulate with a fixed seed. Must not be used outside tests. The one invariant: the
//! same seed gives the same values.

/// Xorshift generator (G. Marsaglia, Journal of Statistical Software 8(14), 2003).
pub(crate) struct Normals(pub u64);

impl Normals {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    /// The next value, by the Box-Muller transform.
    pub fn draw(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }
}
