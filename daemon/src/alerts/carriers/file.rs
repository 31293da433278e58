//! A JSON Lines file: a line a notice, on the disk before it counts as sent.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::PathBuf;

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
        Ok(Receipt {
            said: format!("written to {}", self.0.display()),
            complaint: None,
        })
    }
}

impl File {
    fn append(&self, load: &Load<'_>) -> std::io::Result<()> {
        if let Some(folder) = self.0.parent() {
            std::fs::create_dir_all(folder)?;
        }
        let mut text = String::new();
        for notice in load.notices {
            text.push_str(&notice.body);
            text.push('\n');
        }
        let mut file = OpenOptions::new().create(true).append(true).open(&self.0)?;
        file.write_all(text.as_bytes())?;
        file.sync_data()
    }
}
