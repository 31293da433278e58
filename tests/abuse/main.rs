//! Abuse: input made to break the program, texts made to be run, requests made to get in.
//!
//! Every test prints the seed of what it leaves to chance. The plant is invented. The one
//! invariant: whatever comes in ends as rows, a finding or a refusal, and never as code.
//! DEVELOPERS.md says how the long form is run.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test ends where something is not as it must be, and prints its seed"
)]

mod collection;
mod crowds;
mod fuzz;
mod huge;
mod markup;
mod mutation;
mod names;
mod requests;
mod targets;

#[allow(dead_code, reason = "the tests of pages use the rest of it")]
#[path = "../browser/driver.rs"]
mod driver;
#[allow(dead_code, reason = "the system tests use the rest of it")]
#[path = "../system/place.rs"]
mod place;
#[allow(dead_code, reason = "the system tests use the rest of it")]
#[path = "../system/channels/servers.rs"]
mod servers;
#[allow(dead_code, reason = "the tests of faults use the rest of it")]
#[path = "../faults/tools.rs"]
mod tools;
