//! The channels by which notices leave, validated.
//!
//! Knows no protocol. The one invariant: a secret is never here, only where it is kept.

use std::path::PathBuf;

use jiff::civil::Time;

use crate::words::Severity;

/// A channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its name; unique.
    pub name: String,
    /// How it sends.
    pub way: Way,
    /// What it sends.
    pub filter: Filter,
    /// When it holds back.
    pub quiet: Option<Quiet>,
    /// Notices in a minute; what is more is summed up in one. No limit where absent.
    pub notices_per_minute: Option<u32>,
}

/// How a channel sends.
#[derive(Clone, Debug, PartialEq)]
pub enum Way {
    /// A JSON Lines file, a line a notice; absolute.
    File(PathBuf),
    /// Syslog.
    Syslog(Syslog),
    /// A POST of JSON.
    Webhook(Webhook),
    /// A broker.
    Mqtt(Mqtt),
    /// E-mail.
    Email(Box<Email>),
}

impl Way {
    /// The kind, as the configuration names it.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Way::File(_) => "file",
            Way::Syslog(_) => "syslog",
            Way::Webhook(_) => "webhook",
            Way::Mqtt(_) => "mqtt",
            Way::Email(_) => "email",
        }
    }
}

/// Which notices a channel sends; what is empty lets all pass.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Of these lines; news of no single line pass.
    pub lines: Vec<String>,
    /// Of these severities.
    pub severities: Vec<Severity>,
    /// In these states.
    pub states: Vec<String>,
    /// About these events.
    pub events: Vec<String>,
}

/// Hours in which a channel holds notices back until they are over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quiet {
    /// From this time on, by the plant's clock.
    pub from: Time,
    /// Until this time; the next day where it is earlier.
    pub to: Time,
    /// Notices of this severity and above pass all the same; none where absent.
    pub except_from: Option<Severity>,
}

/// Where a secret is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Secret {
    /// The first line of a file that nobody else can read; absolute.
    File(PathBuf),
    /// An environment variable of the daemon.
    Environment(String),
}

/// How the way to a server is secured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Security {
    /// Not at all.
    None,
    /// By TLS from the first byte.
    Tls,
    /// By TLS after a command in the clear; never without.
    StartTls,
}

/// A server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Server {
    /// Its name or address.
    pub host: String,
    /// The port.
    pub port: u16,
    /// How the way there is secured.
    pub security: Security,
    /// Certificates of those who may vouch for it, as PEM, beside those of the system; absolute.
    pub ca_file: Option<PathBuf>,
}

impl Server {
    /// Where it is, for people.
    #[must_use]
    pub fn place(&self) -> String {
        place(&self.host, self.port)
    }
}

/// A host with its port; an IPv6 address stands in brackets (RFC 3986, 3.2.2).
#[must_use]
pub fn place(host: &str, port: u16) -> String {
    format!("{}:{port}", bracketed(host))
}

/// A host as it stands before a port.
#[must_use]
pub fn bracketed(host: &str) -> String {
    match host.contains(':') {
        true => format!("[{host}]"),
        false => host.to_owned(),
    }
}

/// Who logs in, and where the password is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Login {
    /// The name.
    pub name: String,
    /// The password.
    pub password: Secret,
}

/// E-mail by SMTP.
#[derive(Clone, Debug, PartialEq)]
pub struct Email {
    /// The server.
    pub server: Server,
    /// Who logs in.
    pub login: Option<Login>,
    /// The address it comes from.
    pub from: String,
    /// The addresses it goes to; at least one.
    pub to: Vec<String>,
}

/// A POST of JSON.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Webhook {
    /// The server.
    pub server: Server,
    /// The path on it with the query, from `/` on.
    pub target: String,
    /// What bodies are signed with.
    pub secret: Option<Secret>,
}

/// A broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mqtt {
    /// The server.
    pub server: Server,
    /// Who logs in.
    pub login: Option<Login>,
    /// What topics begin with.
    pub topic: String,
    /// By what name the broker knows this client.
    pub client: String,
    /// The version that is spoken; where absent, whichever the broker speaks.
    pub version: Option<MqttVersion>,
}

/// A version of MQTT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MqttVersion {
    /// 3.1.1.
    V3,
    /// 5.0.
    V5,
}

/// Syslog.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Syslog {
    /// Where it goes.
    pub place: SyslogPlace,
    /// The facility, as a number.
    pub facility: u8,
}

/// Where syslog goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SyslogPlace {
    /// A host and a port, by UDP.
    Udp(String, u16),
    /// A host and a port, by TCP.
    Tcp(String, u16),
    /// A socket of this machine.
    Unix(PathBuf),
}
