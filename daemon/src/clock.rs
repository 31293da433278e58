//! The only place that reads the clock.

use std::time::Instant;

/// The time of day, in microseconds since 1970-01-01T00:00:00Z.
#[must_use]
#[expect(clippy::disallowed_methods, reason = "this is the one place")]
pub fn now() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

/// Milliseconds that only ever grow, for waiting and settling.
#[derive(Clone, Copy, Debug)]
pub struct Monotonic(Instant);

impl Monotonic {
    /// Starts at nought.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the one place")]
    pub fn start() -> Monotonic {
        Monotonic(Instant::now())
    }

    /// Milliseconds since the start.
    #[must_use]
    pub fn ms(&self) -> u64 {
        u64::try_from(self.0.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// Microseconds since the start.
    #[must_use]
    pub fn us(&self) -> u64 {
        u64::try_from(self.0.elapsed().as_micros()).unwrap_or(u64::MAX)
    }
}
