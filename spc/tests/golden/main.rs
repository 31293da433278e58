//! The statistics against published examples in `tests/golden` at the root of the repository.
//!
//! Every TOML there names its source. `recomputed` values are met to 1e-9, printed ones to half a
//! unit of the last printed digit plus what the printed source's rounded constants explain.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed expectation fails the test"
)]

mod attributes;
mod baseline;
mod between_events;
mod capability;
mod constants;
mod detectors;
mod distributions;
mod gauge;
mod load;
mod median;
mod moments;
mod rules;
mod runlength;
mod t_squared;
mod variables;
