//! Files that the system does not let be read: tried again for a moment, then set aside.
//!
//! Knows no row. The one invariant: a lack of the machine itself never sets a file aside.

use std::io::ErrorKind;
use std::time::Duration;

use crate::feeds::diagnostics::UNREADABLE;
use crate::feeds::read::{FileRead, ReadFailure};
use crate::feeds::regular::is_of_the_system;

/// How often it is tried to read a file that the system refuses to give.
const READ_TRIES_MAX: u32 = 3;

/// The pause after the first try; it grows with each.
const READ_PAUSE: Duration = Duration::from_millis(50);

/// Whether a file that could not be read may be readable now; waits a little where that is so, and
/// each time longer.
pub(super) fn is_worth_a_try(read: &Result<FileRead, ReadFailure>, tries: u32) -> bool {
    let Err(ReadFailure::Io(error)) = read else {
        return false;
    };
    let is_lasting = error.kind() == ErrorKind::PermissionDenied || is_of_the_system(error);
    let is_worth_it = tries < READ_TRIES_MAX && !is_lasting;
    if is_worth_it {
        std::thread::sleep(READ_PAUSE * tries);
    }
    is_worth_it
}

/// Why a file is set aside that the system does not let be read.
pub(super) fn unreadable(error: &std::io::Error) -> (String, String, String) {
    let fix = if error.kind() == ErrorKind::PermissionDenied {
        "let this program's user read it"
    } else {
        "look at the disk or the share"
    };
    (
        UNREADABLE.to_owned(),
        format!("The file can not be read: {error}"),
        format!("{fix}, then ask `driftvane quarantine retry`"),
    )
}
