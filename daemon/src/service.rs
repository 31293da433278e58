//! What the service manager is told: that the program is ready, alive, reloading, stopping.
//!
//! Speaks the protocol of sd_notify(3) over a datagram socket; where the environment names none,
//! nothing is said. Knows no feed and no record. The one invariant: a service manager that does not
//! listen holds up nothing.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::Arc;
use std::time::Duration;

use crate::health::Health;

/// How often the status is told at least.
const STATUS_EVERY: Duration = Duration::from_secs(5);

/// The service manager, where there is one.
#[derive(Debug, Default)]
pub struct Service {
    socket: Option<(UnixDatagram, SocketAddr)>,
    /// How soon a sign of life has to follow the one before.
    watchdog: Option<Duration>,
}

impl Service {
    /// The service manager that the environment names.
    #[must_use]
    pub fn of_environment() -> Service {
        let text = |name: &str| std::env::var(name).ok();
        let socket = text("NOTIFY_SOCKET").and_then(|name| match connect(&name) {
            Ok(socket) => Some(socket),
            Err(error) => {
                tracing::warn!(%error, socket = %name, "the service manager can not be told");
                None
            }
        });
        let is_ours = text("WATCHDOG_PID").is_none_or(|pid| pid == std::process::id().to_string());
        let period = text("WATCHDOG_USEC").and_then(|period| period.parse().ok());
        Service {
            socket,
            watchdog: period
                .filter(|period| is_ours && *period > 0)
                .map(Duration::from_micros),
        }
    }

    /// The program can be used.
    pub fn ready(&self) {
        self.tell("READY=1\nSTATUS=reading");
    }

    /// The configuration is being read again; [`Service::ready`] ends it.
    pub fn reloading(&self) {
        self.tell("RELOADING=1\nSTATUS=reading the configuration again");
    }

    /// The program is about to end.
    pub fn stopping(&self) {
        self.tell("STOPPING=1\nSTATUS=stopping");
    }

    fn tell(&self, words: &str) {
        let Some((socket, to)) = &self.socket else {
            return;
        };
        if let Err(error) = socket.send_to_addr(words.as_bytes(), to) {
            tracing::debug!(%error, "the service manager does not listen");
        }
    }

    /// Tells again and again how the program is, and that it lives: only where something was
    /// finished since the last time.
    pub async fn follow(self: Arc<Service>, health: Arc<Health>) {
        let Service { socket, watchdog } = &*self;
        if socket.is_none() {
            return;
        }
        let often = watchdog.map_or(STATUS_EVERY, |period| (period / 4).min(STATUS_EVERY));
        let mut ticks = tokio::time::interval(often);
        let (mut steps, mut status) = (None, String::new());
        loop {
            ticks.tick().await;
            if health.is_stopping() {
                return;
            }
            let now = said(&health);
            if now != status {
                self.tell(&format!("STATUS={now}"));
                status = now;
            }
            let lives = steps.replace(health.steps()) != Some(health.steps());
            if watchdog.is_some() && lives {
                self.tell("WATCHDOG=1");
            }
        }
    }
}

fn connect(name: &str) -> std::io::Result<(UnixDatagram, SocketAddr)> {
    let address = match name.strip_prefix('@') {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(name)?,
    };
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    Ok((socket, address))
}

/// How the program is, in a line.
fn said(health: &Health) -> String {
    let counts = health.counts();
    let files: u64 = counts.files.iter().sum();
    let first = health.hindrances().into_iter().next();
    let state = match &first {
        Some(hindrance) if hindrance.kind.pauses() => format!("paused: {}", hindrance.words),
        Some(hindrance) => format!("reading, but: {}", hindrance.words),
        None => "reading".to_owned(),
    };
    let line = format!(
        "{state}; {files} files since the start, {} wait",
        counts.waiting
    );
    line.replace(char::is_control, " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::Kind;

    #[test]
    fn the_status_is_one_line_and_says_what_hinders() {
        let health = Health::default();
        assert_eq!(said(&health), "reading; 0 files since the start, 0 wait");
        health.raise(Kind::Report, "no\nroom");
        assert!(said(&health).starts_with("reading, but: no room; "));
        health.raise(Kind::DiskFull, "the disk is full");
        assert!(said(&health).starts_with("paused: the disk is full; "));
    }
}
