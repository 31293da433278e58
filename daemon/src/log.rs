//! Where the log goes.
//!
//! Knows no command. The one invariant: a log that can not be written holds up nothing.

use std::io::{IsTerminal, Write};

/// A log that can not be written holds up nothing: a full disk or a reader that has gone costs its
/// lines alone.
struct Forgiving(std::io::Stderr);

impl Write for Forgiving {
    fn write(&mut self, line: &[u8]) -> std::io::Result<usize> {
        Ok(self.0.write(line).unwrap_or(line.len()))
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// The log goes to stderr: stdout belongs to results.
pub fn start(quiet: bool) {
    use tracing_subscriber::EnvFilter;
    let default = if quiet { "error" } else { "info" };
    let filter =
        EnvFilter::try_from_env("DRIFTVANE_LOG").unwrap_or_else(|_| EnvFilter::new(default));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(|| Forgiving(std::io::stderr()))
        .log_internal_errors(false)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .init();
}
