//! How many times the joint length an average and what is beside it need alone, made by the slower
//! suite.
//!
//! Purpose: rows to interpolate in. Must not be edited; `cargo bench -p driftvane-spc --bench
//! detection -- averages` writes this file. The one invariant: lengths and weights rise.

/// Joint in-control lengths of the rows.
pub(super) const LENGTHS: [f64; 3] = [370.0, 5000.0, 100000.0];

/// Weights of the columns.
pub(super) const WEIGHTS: [f64; 5] = [0.05, 0.1, 0.2, 0.4, 0.8];

/// Own over joint length beside limits, beside sums, and beside both.
pub(super) const FACTORS: [[[f64; 5]; 3]; 3] = [
    [
        [2.00, 1.94, 1.87, 1.71, 1.27],
        [1.97, 1.98, 1.94, 1.74, 1.31],
        [2.00, 2.04, 1.98, 1.96, 1.34],
    ],
    [
        [1.52, 1.44, 1.43, 1.51, 1.73],
        [1.55, 1.52, 1.60, 1.71, 1.93],
        [1.62, 1.67, 1.71, 1.98, 2.09],
    ],
    [
        [1.48, 1.39, 1.38, 1.43, 1.62],
        [1.52, 1.50, 1.62, 1.67, 1.85],
        [1.66, 1.70, 1.75, 1.88, 1.90],
    ],
];
