//! Faults from outside: kills, power cuts, disks that fail, stations that misbehave, clocks that
//! jump. After each of them the record is sound, nothing is lost and nothing counts twice.
//!
//! Every test runs the binary in a folder of its own, and prints the seed of what it leaves to
//! chance. The plant is invented. The one invariant: a fault that needs a tool or a right which is
//! not there fails its test. DEVELOPERS.md says how the long form is run.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test ends where something is not as it must be, and prints its seed"
)]

mod clocks;
mod damage;
mod disk;
mod floods;
mod folders;
mod kept;
mod kills;
#[path = "../system/older.rs"]
mod older;
#[allow(dead_code, reason = "the system tests use the rest of it")]
#[path = "../system/place.rs"]
mod place;
mod power;
mod receivers;
#[allow(dead_code, reason = "the system tests use the rest of it")]
#[path = "../system/channels/servers.rs"]
mod servers;
mod settings;
mod soak;
mod stops;
#[allow(dead_code, reason = "the tests of abuse use the rest of it")]
mod tools;
mod writers;
