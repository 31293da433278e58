//! Feeds: bytes in folders become validated rows and findings.
//!
//! Knows no chart, no store and no clock. The invariant: every row of a file is either in a block
//! or a reject, or the whole file is set aside with a reason and a remedy; nothing is dropped
//! silently and nothing is guessed.

pub mod cells;
mod columns;
pub mod decode;
pub mod diagnostics;
mod family;
pub mod glance;
mod head;
mod looks;
mod midnight;
pub mod names;
pub mod number;
pub mod parse;
pub mod preview;
pub mod propose;
pub mod read;
pub mod regular;
pub mod scan;
mod sources;
pub mod study;
pub mod time;
pub mod watch;
mod words;

#[cfg(test)]
mod tests;

pub use cells::piece_bounds;
pub use diagnostics::{Quarantine, Reject};
pub use head::{FileHead, HEAD_MAX, empty_unit, open_head};
pub use parse::{Piece, parse_piece};
