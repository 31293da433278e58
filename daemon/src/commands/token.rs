//! `driftvane token`: a token for the live page.
//!
//! Shows the token once and keeps its hash. The one invariant: the file that keeps the hashes is
//! its owner's alone.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use jiff::Timestamp;

use super::{CommandError, local, said};
use crate::clock;
use crate::config::Config;
use crate::output;
use crate::serve::access::{Access, Role, TokenError, entry, secret};

/// Microseconds of a day.
const DAY_US: i64 = 86_400_000_000;

/// Makes a token and prints it; it holds for some days, or until it is taken out of the file.
///
/// # Errors
///
/// When no token file is configured, the name is taken, or the file can not be written.
pub fn make(
    config: &Config,
    name: &str,
    role: Role,
    days: Option<u32>,
) -> Result<(), CommandError> {
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
    let until = days.map(|days| clock::now() + i64::from(days) * DAY_US);
    let end = until.and_then(|at| Timestamp::from_microsecond(at).ok());
    append(path, &entry(&name, role, end, &token)).map_err(failed)?;
    let until = until.map_or_else(String::new, |at| format!(" until {}", local(config, at)));
    output::complain(&format!(
        "driftvane: the token of '{name}' ({}); it is shown only now, and holds from the next \
         start of `driftvane watch` on, or its next reload{until}",
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
