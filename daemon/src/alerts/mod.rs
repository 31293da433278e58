//! How news of alerts leave: notices are written from events, and channels carry them.
//!
//! Knows no chart and no SQL. The one invariant: nothing here runs in the thread that reads files;
//! whatever a channel does or does not do, reading goes on, and what did not leave waits in the
//! record.
//!
//! `compose` writes a notice of each event, with `notice` as every other that leaves; `courier`
//! runs a thread for each channel, `worker` is what such a thread does, `pace` says when, and
//! `carriers` know how; `own` is about the program itself.

mod carriers;
pub mod compose;
mod courier;
mod notice;
mod own;
mod pace;
mod worker;

pub use carriers::{Carrier, Fault, Load, Receipt, carrier};
pub use courier::{Courier, Reach};
pub use notice::{Told, notice};
pub use own::{Announcer, keep_hindrances};
