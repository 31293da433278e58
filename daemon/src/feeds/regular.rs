//! Opening files without being held up by what is no file.
//!
//! A pipe waits for its other end, a device does what it likes, a link leads elsewhere. The
//! invariant: what is opened here is a regular file, and opening it never waits.

use std::fs::{File, Metadata};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// What becomes of a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Links {
    /// A person has named it: what it leads to is meant.
    Follow,
    /// It lies in the folder of a feed: nothing outside is read.
    Refuse,
}

/// Opens a regular file; `None` where there is something else.
///
/// # Errors
/// Where the system refuses.
pub fn open_regular(path: &Path, links: Links) -> io::Result<Option<File>> {
    let opened = open_and_look(path, links)?;
    Ok(opened.map(|(file, _)| file))
}

/// The same, with what the system says of the file that was opened.
///
/// # Errors
/// Where the system refuses.
pub(super) fn open_and_look(path: &Path, links: Links) -> io::Result<Option<(File, Metadata)>> {
    // Opening a device can do something: it is not even tried.
    let listed = match links {
        Links::Follow => std::fs::metadata(path)?,
        Links::Refuse => std::fs::symlink_metadata(path)?,
    };
    if !listed.is_file() {
        return Ok(None);
    }
    let flags = match links {
        Links::Follow => libc::O_NONBLOCK,
        Links::Refuse => libc::O_NONBLOCK | libc::O_NOFOLLOW,
    };
    match File::options().read(true).custom_flags(flags).open(path) {
        Ok(file) => {
            let meta = file.metadata()?;
            Ok(meta.is_file().then_some((file, meta)))
        }
        // It was exchanged for a link or a socket meanwhile.
        Err(error) if matches!(error.raw_os_error(), Some(libc::ELOOP | libc::ENXIO)) => Ok(None),
        Err(error) => Err(error),
    }
}

/// Whether an error says nothing about the file: the machine has run out of something, or the
/// share can not be reached. Such files are tried again at every scan.
#[must_use]
pub fn is_of_the_system(error: &io::Error) -> bool {
    use libc::{
        ECONNABORTED, ECONNRESET, EHOSTDOWN, EHOSTUNREACH, EMFILE, ENETDOWN, ENETUNREACH, ENFILE,
        ENOMEM, ENOTCONN, ESTALE, ETIMEDOUT,
    };
    let lack = [EMFILE, ENFILE, ENOMEM];
    let share = [
        ECONNABORTED,
        ECONNRESET,
        EHOSTDOWN,
        EHOSTUNREACH,
        ENETDOWN,
        ENETUNREACH,
        ENOTCONN,
        ESTALE,
        ETIMEDOUT,
    ];
    error
        .raw_os_error()
        .is_some_and(|code| lack.contains(&code) || share.contains(&code))
}

/// Whether no more files can be opened, by this program or by all.
#[must_use]
pub fn is_lack_of_files(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::EMFILE | libc::ENFILE))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_regular_files_are_opened_and_nothing_waits() {
        let folder = std::env::temp_dir().join(format!("driftvane-{}-open", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = |name: &str| folder.join(name);
        std::fs::write(path("file"), "x").unwrap();
        std::os::unix::fs::symlink(path("file"), path("link")).unwrap();
        std::os::unix::fs::symlink(path("loop"), path("loop")).unwrap();
        let made = std::process::Command::new("mkfifo")
            .arg(path("pipe"))
            .status();
        assert!(made.unwrap().success());
        let opens = |name: &str, links| open_regular(&path(name), links).map(|one| one.is_some());
        for links in [Links::Follow, Links::Refuse] {
            assert!(opens("file", links).unwrap());
            assert!(!opens("pipe", links).unwrap());
            assert!(open_regular(&folder, links).unwrap().is_none());
            let device = open_regular(Path::new("/dev/zero"), links);
            assert!(device.unwrap().is_none());
        }
        assert!(opens("link", Links::Follow).unwrap());
        assert!(!opens("link", Links::Refuse).unwrap());
        assert!(!opens("loop", Links::Refuse).unwrap());
        assert!(opens("gone", Links::Refuse).is_err());
        std::fs::remove_dir_all(&folder).unwrap();
    }

    #[test]
    fn a_lack_of_the_machine_is_no_fault_of_the_file() {
        let is_of_the_system = |code| is_of_the_system(&io::Error::from_raw_os_error(code));
        assert!(is_of_the_system(libc::EMFILE) && is_of_the_system(libc::ESTALE));
        assert!(!is_of_the_system(libc::EIO) && !is_of_the_system(libc::EACCES));
    }
}
