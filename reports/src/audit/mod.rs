//! The audit pack as a page: each figure with the chain that leads to it, and what was done where
//! a process was out of control.
//!
//! Must not know where figures come from. Invariant: equal views give equal bytes; whatever a view
//! holds and the page has no room for is said to be in the tables.

mod drawn;
mod page;
pub mod view;

pub use drawn::{Drawn, drawn};
pub use page::audit_page;

#[cfg(test)]
mod tests;
