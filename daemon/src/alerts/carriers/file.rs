//! A JSON Lines file: a line a notice, on the disk before it counts as sent.
//!
//! The one invariant: whoever reads the file finds whole lines, but for one that a power cut tore.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use super::{Carrier, Fault, Load, Receipt};

/// The file.
pub(super) struct File(pub(super) PathBuf);

impl Carrier for File {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        self.append(load).map_err(|error| {
            let path = self.0.display();
            let fix = "check the folder, its rights and its disk";
            Fault::channel(format!("{path} can not be written: {error}"), fix)
        })?;
        Ok(Receipt::said(format!("written to {}", self.0.display())))
    }
}

impl File {
    fn append(&self, load: &Load<'_>) -> std::io::Result<()> {
        let folder = self.0.parent().unwrap_or(Path::new("/"));
        std::fs::create_dir_all(folder)?;
        let mut options = OpenOptions::new();
        let file = options.create(true).read(true).append(true).open(&self.0)?;
        let length = file.metadata()?.len();
        let mut text = String::new();
        if is_torn(&file, length)? {
            text.push('\n');
        }
        for notice in load.notices {
            text.push_str(&notice.body);
            text.push('\n');
        }
        append_whole(&file, length, |mut file| file.write_all(text.as_bytes()))?;
        if length == 0 {
            // The name of a new file is durable with its folder.
            std::fs::File::open(folder)?.sync_all()?;
        }
        Ok(())
    }
}

/// Whether the last line of a file has no end.
fn is_torn(file: &std::fs::File, length: u64) -> std::io::Result<bool> {
    let Some(last) = length.checked_sub(1) else {
        return Ok(false);
    };
    let mut byte = [0];
    file.read_exact_at(&mut byte, last)?;
    Ok(byte != *b"\n")
}

/// Adds to a file of a length, durably and all of it or nothing.
fn append_whole(
    file: &std::fs::File,
    length: u64,
    write: impl FnOnce(&std::fs::File) -> std::io::Result<()>,
) -> std::io::Result<()> {
    write(file)
        .and_then(|()| file.sync_data())
        .inspect_err(|_| {
            // All of it is written again later; where even this fails, the torn line gets its end.
            if let Err(error) = file.set_len(length) {
                tracing::warn!(%error, "a line of the file of alerts may be torn");
            }
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alerts::carriers::tests::{Folder, carry, notice};

    #[test]
    fn a_line_that_was_torn_gets_its_end_and_the_next_is_whole() {
        let folder = Folder::new();
        let path = folder.0.join("new").join("alerts.jsonl");
        let body = notice().body;
        carry(&mut File(path.clone())).unwrap();
        carry(&mut File(path.clone())).unwrap();
        let whole = format!("{body}\n{body}\n");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), whole);
        std::fs::write(&path, format!("{body}\n{{\"ke")).unwrap();
        carry(&mut File(path.clone())).unwrap();
        let mended = format!("{body}\n{{\"ke\n{body}\n");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), mended);
    }

    /// A disk that is full takes the beginning of a line, and then no more.
    #[test]
    fn of_a_line_that_can_not_be_written_nothing_stays() {
        let folder = Folder::new();
        let path = folder.write("alerts.jsonl", "{}\n", 0o600);
        let file = OpenOptions::new().append(true).open(&path).unwrap();
        let full = |mut file: &std::fs::File| {
            file.write_all(b"{\"ke")?;
            Err(std::io::ErrorKind::StorageFull.into())
        };
        append_whole(&file, 3, full).unwrap_err();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "{}\n");
    }
}
