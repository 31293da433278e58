//! `driftvane token`: a token for the live page.
//!
//! Shows the token once and keeps its hash. The one invariant: the file that keeps the hashes is
//! its owner's alone.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use super::{CommandError, said};
use crate::config::Config;
use crate::output;
use crate::serve::access::{Access, Role, TokenError, entry, secret};

/// Makes a token and prints it.
///
/// # Errors
///
/// When no token file is configured, the name is taken, or the file can not be written.
pub fn make(config: &Config, name: &str, role: Role) -> Result<(), CommandError> {
    let settings = config.serve.as_ref();
    let Some(path) = settings.and_then(|serve| serve.tokens.as_deref()) else {
        return Err(CommandError::Usage(
            "no token file is configured; write [serve] tokens = \"tokens.toml\"".to_owned(),
        ));
    };
    let name = said("the name", name)?;
    match Access::read(Some(path)) {
        Ok(access) if access.has(&name) => {
            return Err(CommandError::Refused(format!(
                "a token named '{name}' is in {}; take it out of the file first, or use another \
                 name",
                path.display()
            )));
        }
        Ok(_) => {}
        Err(TokenError::Unreadable { source, .. })
            if source.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => return Err(CommandError::Refused(error.to_string())),
    }
    let failed = |source| CommandError::Report {
        path: path.to_owned(),
        source,
    };
    let token = secret().map_err(failed)?;
    append(path, &entry(&name, role, &token)).map_err(failed)?;
    output::complain(&format!(
        "driftvane: the token of '{name}' ({}); it is shown only now, and holds from the next \
         start of `driftvane watch` on",
        role.name()
    ));
    Ok(output::print(&format!("{token}\n"))?)
}

fn append(path: &Path, text: &str) -> std::io::Result<()> {
    let mut options = OpenOptions::new();
    let mut file = options.create(true).append(true).mode(0o600).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}
