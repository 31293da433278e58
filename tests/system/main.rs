//! The program from outside: every test runs the binary on files in a folder of its own.
//!
//! The plant and its numbers are invented; published series name their source where they stand.
//! The tests must not reach into engine or store. The one invariant: a test that shuffles or
//! interrupts prints the seed that did it.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test ends where something is not as it must be, and prints its seed"
)]

mod alerts;
mod audit;
mod backup;
mod bad_input;
mod baselines;
mod capability;
mod changeover;
mod channels;
mod corrected;
mod dialects;
mod folder;
mod folders;
mod full_disk;
mod gauge;
mod handover;
mod ledger;
mod life;
mod live_page;
mod older;
mod one_cause;
mod order;
mod outages;
mod pads;
#[allow(dead_code, reason = "the tests of faults use the rest of it")]
mod place;
mod proposals;
mod published;
mod quarantine;
mod rehearse;
mod reports;
mod reproduced;
mod retention;
mod service;
mod together;
#[allow(dead_code, reason = "the tests of faults use the rest of it")]
#[path = "../faults/tools.rs"]
mod tools;
mod verify;
mod volume;
