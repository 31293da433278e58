//! The plant's own templates and wording, as they lie in a folder.
//!
//! Knows no view. The one invariant: what can not be read costs no report; it is named, and the
//! built-in one takes its place.

use std::fs;
use std::io;
use std::path::Path;

use reports::{Overrides, WORDING};

use crate::config::Config;

/// Bytes of a template, or of the wording.
const TEMPLATE_BYTES_MAX: u64 = 1 << 20;

/// The plant's own templates, where it names a folder with some.
pub(super) fn overrides(config: &Config) -> Overrides {
    let Some(folder) = &config.template_folder else {
        return Overrides::none();
    };
    read(folder).unwrap_or_else(|error| {
        let folder = folder.display();
        Overrides::none().unread(format!(
            "The plant's own templates were not used. The folder {folder} can not be read: \
             {error}."
        ))
    })
}

fn read(folder: &Path) -> io::Result<Overrides> {
    let mut names = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let is_template = path
            .extension()
            .is_some_and(|end| end == "html" || end == "css");
        let name = path.file_name().map(|name| name.to_string_lossy());
        let name = name.map(std::borrow::Cow::into_owned).unwrap_or_default();
        if is_template || name == WORDING {
            names.push((name, path));
        }
    }
    names.sort();
    let with = |all: Overrides, (name, path): (String, std::path::PathBuf)| match text(&path) {
        Ok(text) => all.with(&name, &text),
        Err(why) => all.unread(format!(
            "The plant's own template {name} was not used: {why}."
        )),
    };
    Ok(names.into_iter().fold(Overrides::none(), with))
}

/// What stands in a file, or why it can not be used.
fn text(path: &Path) -> Result<String, String> {
    let unread = |error: io::Error| format!("it can not be read: {error}");
    let found = fs::metadata(path).map_err(unread)?;
    if !found.is_file() || found.len() > TEMPLATE_BYTES_MAX {
        return Err(format!(
            "it is no file of at most {TEMPLATE_BYTES_MAX} bytes"
        ));
    }
    let bytes = fs::read(path).map_err(unread)?;
    String::from_utf8(bytes).map_err(|error| {
        let valid = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = 1 + valid.iter().filter(|&&byte| byte == b'\n').count();
        format!("it is not UTF-8 in line {line}")
    })
}
