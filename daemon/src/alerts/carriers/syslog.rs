//! Syslog: RFC 5424 messages by UDP (RFC 5426), by TCP with counted octets (RFC 6587), or to a
//! socket of this machine.
//!
//! Nobody confirms anything, by TCP as little as by UDP: sent means handed to the system.

use std::io::Write;
use std::net::{ToSocketAddrs, UdpSocket};
use std::os::unix::net::{UnixDatagram, UnixStream};
use std::path::Path;
use std::time::Duration;

use super::wire::Wire;
use super::{Carrier, Fault, Load, Receipt};
use crate::commands::utc;
use crate::config::channel::{Syslog, SyslogPlace, place};
use crate::host;
use crate::store::Notice;
use crate::words::Severity;

/// Bytes of a message: what every receiver should take by RFC 5424, 6.1; 480 is what it must take.
const MESSAGE_MAX: usize = 2_048;

/// How long a socket of this machine may take.
const SOCKET_PATIENCE: Duration = Duration::from_secs(5);

/// The sender.
pub(super) struct Sender {
    pub(super) settings: Syslog,
    pub(super) patience: Duration,
}

impl Carrier for Sender {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        for notice in load.notices {
            let message = message(self.settings.facility, notice);
            match &self.settings.place {
                SyslogPlace::Udp(host, port) => send_datagram(host, *port, &message)?,
                SyslogPlace::Tcp(host, port) => {
                    let mut wire = Wire::plain(host, *port, self.patience)?;
                    wire.say(&counted(&message), "the message")?;
                }
                SyslogPlace::Unix(path) => send_local(path, &message)?,
            }
        }
        Ok(Receipt::said(
            "handed over; syslog confirms nothing".to_owned(),
        ))
    }
}

/// A message, in one line.
fn message(facility: u8, notice: &Notice) -> Vec<u8> {
    let level = match (notice.state.as_str(), notice.severity) {
        ("active" | "summary", Severity::High) => 2,
        ("active" | "summary", Severity::Medium) => 4,
        _ => 5,
    };
    let priority = u32::from(facility) * 8 + level;
    let version = env!("CARGO_PKG_VERSION");
    let head = format!(
        "<{priority}>1 {} {} driftvane {} {} [origin software=\"driftvane\" \
         swVersion=\"{version}\"] \u{feff}",
        utc(notice.at),
        host::name().as_deref().unwrap_or("-"),
        std::process::id(),
        field(&notice.kind, 32),
    );
    let said = format!(
        "{} (severity {}, line {}, key {}): {}",
        notice.subject,
        notice.severity.name(),
        if notice.line.is_empty() {
            "-"
        } else {
            &notice.line
        },
        notice.key,
        notice.text.replace('\n', "; "),
    );
    let said: String = said.chars().filter(|one| !one.is_control()).collect();
    let mut message = head + &said;
    while message.len() > MESSAGE_MAX {
        message.pop();
    }
    message.into_bytes()
}

/// A field of the head: printable ASCII without blanks; `-` where nothing is left.
fn field(text: &str, most: usize) -> String {
    let kept: String = text
        .chars()
        .filter(char::is_ascii_graphic)
        .take(most)
        .collect();
    if kept.is_empty() {
        "-".to_owned()
    } else {
        kept
    }
}

/// A message behind the number of its bytes.
fn counted(message: &[u8]) -> Vec<u8> {
    let mut framed = format!("{} ", message.len()).into_bytes();
    framed.extend_from_slice(message);
    framed
}

fn send_datagram(host: &str, port: u16, message: &[u8]) -> Result<(), Fault> {
    let unknown = |error: std::io::Error| {
        let fix = "check the name in the configuration and this machine's name service";
        Fault::channel(format!("{host} is not known: {error}"), fix)
    };
    let failed = |error: std::io::Error| {
        let fix = "check host and port, and that this machine has a way there";
        let place = place(host, port);
        Fault::channel(format!("{place} can not be reached: {error}"), fix)
    };
    let mut addresses = (host, port).to_socket_addrs().map_err(unknown)?;
    let address = addresses
        .next()
        .ok_or_else(|| failed(std::io::ErrorKind::NotFound.into()))?;
    let own = if address.is_ipv4() {
        "0.0.0.0:0"
    } else {
        "[::]:0"
    };
    let socket = UdpSocket::bind(own).map_err(failed)?;
    socket.connect(address).map_err(failed)?;
    socket.send(message).map(drop).map_err(failed)
}

fn send_local(path: &Path, message: &[u8]) -> Result<(), Fault> {
    let failed = |error: std::io::Error| {
        let fix = "check that the system's log runs and that the daemon may write there";
        Fault::channel(
            format!("{} can not be reached: {error}", path.display()),
            fix,
        )
    };
    let socket = UnixDatagram::unbound().map_err(failed)?;
    socket
        .set_write_timeout(Some(SOCKET_PATIENCE))
        .map_err(failed)?;
    if socket.connect(path).is_ok() {
        return socket.send(message).map(drop).map_err(failed);
    }
    let mut stream = UnixStream::connect(path).map_err(failed)?;
    stream
        .set_write_timeout(Some(SOCKET_PATIENCE))
        .map_err(failed)?;
    stream.write_all(&counted(message)).map_err(failed)
}
