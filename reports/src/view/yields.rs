//! What a report says of a station's boards.
//!
//! Must not know how boards are counted. Invariant: a figure that is not known is absent.

use serde::Serialize;

/// First-pass yield and defects per million opportunities of one station and product.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct YieldRow {
    /// The line.
    pub line: String,
    /// The station.
    pub station: String,
    /// The product.
    pub product: String,
    /// Boards whose first attempt counts.
    pub units: u64,
    /// Boards good at the first attempt.
    pub first_pass_good: u64,
    /// First-pass yield as a fraction.
    pub fpy: Option<f64>,
    /// Lower end of the 95 % interval of `fpy`.
    pub fpy_low: Option<f64>,
    /// Upper end of the 95 % interval of `fpy`.
    pub fpy_high: Option<f64>,
    /// Boards good after retests and review, where the feed tells.
    pub final_good: Option<u64>,
    /// Locations called by the machine, where the station calls.
    pub machine_calls: Option<u64>,
    /// Calls that review found false.
    pub false_calls: Option<u64>,
    /// Calls that review confirmed.
    pub confirmed_defects: Option<u64>,
    /// Opportunities for a defect.
    pub opportunities: Option<u64>,
    /// Share of false calls among the reviewed ones.
    pub false_share: Option<f64>,
    /// Defects per million opportunities.
    pub dpmo: Option<f64>,
    /// The same product's runs before, where there are any.
    pub before: Option<EarlierRuns>,
    /// "lower than before" or "higher than before", of the first-pass yield, where the intervals do
    /// not touch; else empty.
    pub compared: String,
    /// How opportunities were counted.
    pub opportunity_basis: String,
    /// What counts as good at the first pass.
    pub yield_basis: String,
}

/// What a product added up to at one place in the shifts before.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct EarlierRuns {
    /// How many shifts.
    pub runs: u64,
    /// When the first of them began, in local time.
    pub since: String,
    /// Boards whose first attempt counts.
    pub units: u64,
    /// First-pass yield as a fraction.
    pub fpy: Option<f64>,
    /// Lower end of its 95 % interval.
    pub fpy_low: Option<f64>,
    /// Upper end of its 95 % interval.
    pub fpy_high: Option<f64>,
    /// Share of false calls among the reviewed ones.
    pub false_share: Option<f64>,
    /// Defects per million opportunities.
    pub dpmo: Option<f64>,
}
