//! The statistics of Driftvane: exact moments, Shewhart charts, run rules, cumulative sums, run
//! lengths, onset, attribution, verdict, baselines, normality, fits of distributions, capability,
//! gauge studies, yield.
//!
//! Purpose: turn numbers into limits, signals and indices that can be checked against published
//! tables. This crate must not know files, clocks, configuration, storage or pages; it does no
//! I/O and never logs. The one invariant: no public function returns NaN. What cannot be computed
//! is `None` or a typed error that names the precondition that failed.

pub mod attribution;
pub mod baseline;
pub mod between_events;
pub mod budget;
pub mod capability;
pub mod chart;
pub mod constants;
pub mod cusum;
pub mod detection;
pub mod distribution;
pub mod ewma;
pub mod fit;
pub mod gauge;
pub mod laney;
pub mod level;
mod matrix;
pub mod median;
pub mod moments;
pub mod multiple;
mod noncentral_t;
mod normal;
pub mod normality;
pub mod onset;
pub mod probability;
mod quadrature;
pub mod quality;
pub mod readings;
pub mod rules;
pub mod runlength;
pub mod selfstart;
pub mod short_run;
pub mod simulation;
pub mod t_squared;
pub mod verdict;
pub mod welch;
pub mod widening;
