//! Reads a secret where it is kept, at the moment it is needed.
//!
//! The one invariant: what it says of a failure names the place, never the secret.

use std::io::Read;
use std::os::unix::fs::MetadataExt;

use super::Fault;
use crate::config::channel::Secret;

/// Bytes of a secret.
const SECRET_MAX: u64 = 4_096;

/// Reads a secret.
pub(super) fn read(secret: &Secret) -> Result<String, Fault> {
    let text = match secret {
        Secret::Environment(name) => std::env::var(name).map_err(|_| {
            let fix = "set it in the daemon's environment, or keep the secret in a file";
            Fault::channel(format!("the environment variable {name} is not set"), fix)
        })?,
        Secret::File(path) => {
            let place = path.display();
            let unreadable = |error: std::io::Error| {
                let fix = "write the secret there, readable by the daemon's user only";
                Fault::channel(format!("{place} can not be read: {error}"), fix)
            };
            let file = std::fs::File::open(path).map_err(unreadable)?;
            if file.metadata().map_err(unreadable)?.mode() & 0o077 != 0 {
                let fix = format!("take the rights of others away: chmod 600 {place}");
                return Err(Fault::channel(format!("{place} is open to others"), fix));
            }
            let mut text = String::new();
            file.take(SECRET_MAX)
                .read_to_string(&mut text)
                .map_err(unreadable)?;
            text.lines().next().unwrap_or_default().to_owned()
        }
    };
    if text.is_empty() {
        let fix = "write the secret there, in the first line";
        return Err(Fault::channel("the secret is empty", fix));
    }
    Ok(text)
}
