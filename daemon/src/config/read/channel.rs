//! Reads the channels by which notices leave.
//!
//! Opens no connection and no file with a secret. The one invariant: a password or a key is never
//! taken from the configuration itself, nor would be sent over a way that others can read.

use std::collections::BTreeSet;
use std::net::Ipv6Addr;
use std::path::Path;

use super::table::{Item, Table, Unique};
use super::{read_clock, resolve};
use crate::config::channel::{
    Channel, Email, Filter, Login, Mqtt, MqttVersion, Quiet, Secret, Security, Server, Syslog,
    SyslogPlace, Way, Webhook,
};
use crate::words::Severity;

#[cfg(test)]
mod tests;

/// Channels at most: each has a thread.
const CHANNELS_MAX: usize = 32;

/// Addresses of one e-mail at most.
const ADDRESSES_MAX: usize = 50;

/// Notices in a minute where the configuration does not say.
const PER_MINUTE: u32 = 20;

/// The states that a filter can name.
const STATES: [&str; 4] = ["active", "acknowledged", "returned", "revised"];

/// The events that a filter can name: all that leave for people.
const EVENTS: [&str; 16] = [
    "raised",
    "raised again",
    "worsened",
    "escalated",
    "reminded",
    "returned",
    "revised",
    "acknowledged",
    "commented",
    "unshelved",
    "shelving ended",
    "closed",
    "reopened",
    "verified",
    "silent",
    "heard",
];

/// The name of the channel that `alerts.file` stands for.
const FILE_CHANNEL: &str = "file";

/// Reads all channels. The file that every record has comes first. `lines` are those of the feeds,
/// where all of them are known.
pub(super) fn read_all(
    alerts: Option<&Table<'_>>,
    (base, file): (&Path, &Path),
    lines: Option<BTreeSet<&str>>,
) -> Vec<Channel> {
    let mut all = vec![Channel {
        name: FILE_CHANNEL.to_owned(),
        way: Way::File(file.to_owned()),
        filter: Filter::default(),
        quiet: None,
        notices_per_minute: None,
    }];
    let Some(alerts) = alerts else { return all };
    let mut names = Unique::new("a channel named");
    let tables = alerts.tables("channel");
    if let Some(table) = tables.get(CHANNELS_MAX) {
        let fix = format!("write at most {CHANNELS_MAX}");
        table.fault("is one channel too many", fix);
    }
    all.extend(
        tables
            .iter()
            .filter_map(|table| read(table, base, (&mut names, lines.as_ref()))),
    );
    all
}

fn read(
    table: &Table<'_>,
    base: &Path,
    (names, lines): (&mut Unique, Option<&BTreeSet<&str>>),
) -> Option<Channel> {
    let name = table.need("name", "\"engineers\"").and_then(|item| {
        let name = item.text()?;
        names.add(&name, &item);
        is_name(&item, &name).then_some(name)
    });
    let kind = table.need("kind", "\"email\"");
    let kinds = ["email", "webhook", "mqtt", "syslog", "file"].map(|kind| (kind, kind));
    let way = match kind.and_then(|item| item.choice(&kinds)) {
        Some("email") => read_email(table, base).map(|email| Way::Email(Box::new(email))),
        Some("webhook") => read_webhook(table, base).map(Way::Webhook),
        Some("mqtt") => read_mqtt(table, base, name.as_deref()).map(Way::Mqtt),
        Some("syslog") => read_syslog(table, base).map(Way::Syslog),
        Some("file") => {
            let file = table.text("file", "\"alerts.jsonl\"");
            file.map(|file| Way::File(resolve(base, &file)))
        }
        // What else the table has can not be judged without its kind.
        _ => return None,
    };
    let filter = read_filter(table, lines);
    let quiet = table.table("quiet").and_then(|quiet| read_quiet(&quiet));
    let limit = match &way {
        Some(Way::File(_)) => None,
        _ => Some(table.whole_or("notices_per_minute", 1..=6_000, PER_MINUTE)),
    };
    table.finish();
    Some(Channel {
        name: name?,
        way: way?,
        filter,
        quiet,
        notices_per_minute: limit,
    })
}

/// A name that can stand in a command and in a topic.
fn is_name(item: &Item<'_>, name: &str) -> bool {
    let fits = name.len() <= 40
        && name
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte));
    if !fits {
        let fix = "write up to 40 letters, digits, - and _";
        item.fault(format!("{name:?} is no name of a channel"), fix);
    } else if name == FILE_CHANNEL {
        let fix = "give this one another name";
        item.fault(
            "is the name of the channel that alerts.file stands for",
            fix,
        );
    }
    fits && name != FILE_CHANNEL
}

fn read_filter(table: &Table<'_>, known: Option<&BTreeSet<&str>>) -> Filter {
    let lines = read_lines(table, known);
    let choices = |key: &'static str, allowed: &[(&'static str, usize)]| -> Vec<usize> {
        let items = table.get(key).and_then(|item| item.items());
        let items = items.unwrap_or_default();
        items
            .iter()
            .filter_map(|item| item.choice(allowed))
            .collect()
    };
    let severities = [("low", 0), ("medium", 1), ("high", 2)];
    let names = |key: &'static str, all: &[&'static str]| -> Vec<String> {
        let allowed: Vec<_> = all.iter().copied().zip(0..).collect();
        let found = choices(key, &allowed).into_iter();
        found.map(|place| all[place].to_owned()).collect()
    };
    let severities = choices("severities", &severities);
    Filter {
        lines,
        severities: severities
            .into_iter()
            .map(|place| Severity::ALL[place].1)
            .collect(),
        states: names("states", &STATES),
        events: names("events", &EVENTS),
    }
}

/// Lines that a channel is for. One that no feed is of would never be told of anything.
fn read_lines(table: &Table<'_>, known: Option<&BTreeSet<&str>>) -> Vec<String> {
    let items = table.get("lines").and_then(|item| item.items());
    let mut lines = Vec::new();
    for item in items.unwrap_or_default() {
        let Some(line) = item.text() else { continue };
        if let Some(known) = known.filter(|known| !known.contains(line.as_str())) {
            item.unknown(&line, known.iter().copied());
        }
        lines.push(line);
    }
    lines
}

fn read_quiet(table: &Table<'_>) -> Option<Quiet> {
    let from = table.need("from", "\"22:00\"");
    let from = from.and_then(|item| read_clock(&item));
    let to = table.need("to", "\"06:00\"");
    let end = to.as_ref().and_then(read_clock);
    let except_from = table
        .get("except_from")
        .and_then(|item| item.choice(&Severity::ALL));
    table.finish();
    let (from, end) = (from?, end?);
    if from == end {
        to?.fault("is when the quiet hours begin", "write when they end");
        return None;
    }
    Some(Quiet {
        from,
        to: end,
        except_from,
    })
}

/// A secret: a table with the file or the environment variable that has it.
fn read_secret(item: &Item<'_>, base: &Path) -> Option<Secret> {
    if item.is_text() {
        let fix = "keep it elsewhere: { file = \"secrets/NAME\" } or { environment = \"NAME\" }";
        item.fault("is a secret in the configuration", fix);
        return None;
    }
    let table = item.table()?;
    let file = table.text_if("file").map(|text| resolve(base, &text));
    let environment = table.text_if("environment");
    table.finish();
    match (file, environment) {
        (Some(file), None) => Some(Secret::File(file)),
        (None, Some(name)) => Some(Secret::Environment(name)),
        _ => {
            let fix = "write either file = \"...\" or environment = \"...\"";
            table.fault("does not say where the secret is", fix);
            None
        }
    }
}

/// A host and a port, such as `mail.plant.lan:587`; the port may be left out.
fn read_address(item: &Item<'_>, port: u16) -> Option<(String, u16)> {
    let text = item.text()?;
    let found = address(&text, port);
    if found.is_none() {
        let fix = "write a host, or a host and a port: \"mail.plant.lan:587\"";
        item.fault(
            format!("{:?} is no address of a server", without_secrets(&text)),
            format!("{fix}{}", in_brackets(&text)),
        );
    }
    found
}

/// An address as it can be shown: without what stands before an `@` or after a `?`, where people
/// write passwords.
fn without_secrets(text: &str) -> String {
    let (text, query) = match text.split_once('?') {
        Some((text, _)) => (text, "?..."),
        None => (text, ""),
    };
    let shown = match text.rsplit_once('@') {
        Some((before, after)) => {
            let scheme = before.find("//").map_or("", |at| &before[..at + 2]);
            format!("{scheme}...@{after}")
        }
        None => text.to_owned(),
    };
    shown + query
}

/// What else to say where an address may have been meant as one of IPv6.
fn in_brackets(text: &str) -> &'static str {
    let host = text.rsplit("//").next().unwrap_or(text);
    if host.matches(':').count() > 1 && !host.contains(['[', '@']) {
        ", an IPv6 address in brackets: [fd00::1]:587"
    } else {
        ""
    }
}

fn address(text: &str, port: u16) -> Option<(String, u16)> {
    let (host, port) = match text.strip_prefix('[') {
        Some(rest) => {
            let (host, after) = rest.split_once(']')?;
            host.parse::<Ipv6Addr>().ok()?;
            match after.strip_prefix(':') {
                Some(port) => (host, port.parse().ok()?),
                None if after.is_empty() => (host, port),
                None => return None,
            }
        }
        // Without brackets nobody can tell where an IPv6 address ends and a port begins.
        None => match text.split_once(':') {
            Some((host, port)) => (host, port.parse().ok()?),
            None => (text, port),
        },
    };
    let is_host = |byte: u8| byte.is_ascii_alphanumeric() || b".-:_".contains(&byte);
    let fits = !host.is_empty() && host.len() <= 253 && host.bytes().all(is_host);
    (fits && port > 0).then(|| (host.to_owned(), port))
}

fn is_of_this_machine(host: &str) -> bool {
    let address = host.parse::<std::net::IpAddr>();
    host == "localhost" || address.is_ok_and(|address| address.is_loopback())
}

const SECURITIES: [(&str, Security); 3] = [
    ("tls", Security::Tls),
    ("starttls", Security::StartTls),
    ("none", Security::None),
];

/// A server of `server`, `security` and `ca_file`; `ports` are those without, with and after TLS.
fn read_server(
    table: &Table<'_>,
    base: &Path,
    (securities, ports): (&[(&'static str, Security)], [u16; 3]),
) -> Option<Server> {
    let security = table.choice_or("security", securities, securities[0].1);
    let port = ports[security as usize];
    let address = table.need("server", "\"mail.plant.lan\"");
    let address = address.and_then(|item| read_address(&item, port));
    let ca_file = table.text_if("ca_file").map(|text| resolve(base, &text));
    let (host, port) = address?;
    Some(Server {
        host,
        port,
        security,
        ca_file,
    })
}

/// Who logs in; never over a way that others can read.
fn read_login(table: &Table<'_>, base: &Path, server: Option<&Server>) -> Option<Login> {
    let name = table.get("login");
    let password = table.get("password");
    let secret = password.as_ref().and_then(|item| read_secret(item, base));
    match (&name, &password) {
        (Some(name), None) => name.fault("has no password", "add password = { file = \"...\" }"),
        (None, Some(password)) => password.fault("has no login", "add login = \"...\""),
        (Some(name), Some(_)) => {
            let is_open = |server: &&Server| {
                server.security == Security::None && !is_of_this_machine(&server.host)
            };
            if server.is_some_and(|server| is_open(&server)) {
                let fix = "write security = \"tls\", or leave login and password out";
                name.fault("would send its password in the clear", fix);
            }
        }
        (None, None) => {}
    }
    Some(Login {
        name: name?.text()?,
        password: secret?,
    })
}

/// An e-mail address of the plain kind that every server takes.
fn read_mail_address(item: &Item<'_>) -> Option<String> {
    let text = item.text()?;
    let is_plain = |byte: u8| byte.is_ascii_graphic() && !b"<>()[],;:\\\"@".contains(&byte);
    let fits = text.split_once('@').is_some_and(|(local, domain)| {
        !local.is_empty()
            && !domain.is_empty()
            && text.len() <= 254
            && local.bytes().all(is_plain)
            && domain
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || b".-".contains(&byte))
    });
    if !fits {
        let fix = "write it without a name, in ASCII: \"engineers@plant.example\"";
        item.fault(format!("{text:?} is no e-mail address"), fix);
    }
    fits.then_some(text)
}

fn read_email(table: &Table<'_>, base: &Path) -> Option<Email> {
    let securities = [SECURITIES[1], SECURITIES[0], SECURITIES[2]];
    let server = read_server(table, base, (&securities, [25, 465, 587]));
    let login = read_login(table, base, server.as_ref());
    let from = table.need("from", "\"driftvane@plant.example\"");
    let from = from.and_then(|item| read_mail_address(&item));
    let to = table.need("to", "[\"engineers@plant.example\"]");
    let items = to.as_ref().and_then(|item| item.items());
    let items = items.unwrap_or_default();
    if let Some(to) = &to
        && !(1..=ADDRESSES_MAX).contains(&items.len())
    {
        let fix = format!("write from 1 to {ADDRESSES_MAX} addresses");
        to.fault("has none or too many", fix);
    }
    Some(Email {
        server: server?,
        login,
        from: from?,
        to: items.iter().filter_map(read_mail_address).collect(),
    })
}

fn read_webhook(table: &Table<'_>, base: &Path) -> Option<Webhook> {
    let url = table.need("url", "\"https://hub.plant.lan/alerts\"");
    let ca_file = table.text_if("ca_file").map(|text| resolve(base, &text));
    let secret = table.get("secret");
    let secret = secret.and_then(|item| read_secret(&item, base));
    let item = url?;
    let text = item.text()?;
    let found = split_url(&text);
    if found.is_none() {
        let fix = "write https:// or http://, a host and a path, without a password";
        item.fault(
            format!("{:?} is no address of a webhook", without_secrets(&text)),
            format!("{fix}{}", in_brackets(&text)),
        );
    }
    let (security, host, port, target) = found?;
    Some(Webhook {
        server: Server {
            host,
            port,
            security,
            ca_file,
        },
        target,
        secret,
    })
}

fn split_url(text: &str) -> Option<(Security, String, u16, String)> {
    let (security, port, rest) = match text.strip_prefix("https://") {
        Some(rest) => (Security::Tls, 443, rest),
        None => (Security::None, 80, text.strip_prefix("http://")?),
    };
    let (place, target) = match rest.find(['/', '?']) {
        Some(at) => rest.split_at(at),
        None => (rest, "/"),
    };
    let (host, port) = address(place, port)?;
    let target = match target.strip_prefix('?') {
        Some(query) => format!("/?{query}"),
        None => target.to_owned(),
    };
    let is_plain = |byte: u8| byte.is_ascii_graphic() && byte != b'#';
    (target.len() <= 2_000 && target.bytes().all(is_plain))
        .then_some((security, host, port, target))
}

fn read_mqtt(table: &Table<'_>, base: &Path, name: Option<&str>) -> Option<Mqtt> {
    let securities = [SECURITIES[0], SECURITIES[2]];
    let server = read_server(table, base, (&securities, [1883, 8883, 8883]));
    let login = read_login(table, base, server.as_ref());
    let topic = table.get("topic");
    let topic = match &topic {
        None => Some("driftvane".to_owned()),
        Some(item) => item.text().filter(|topic| {
            let fits = topic.len() <= 200
                && !topic.starts_with(['/', '$'])
                && !topic.ends_with('/')
                && !topic
                    .chars()
                    .any(|one| one.is_control() || "+#".contains(one));
            if !fits {
                let fix = "write up to 200 characters without +, # and a / at either end";
                item.fault(
                    format!("{topic:?} is nothing that topics can begin with"),
                    fix,
                );
            }
            fits
        }),
    };
    let client = table.text_if("client");
    let version = table.get("version");
    let version = version.and_then(|item| item.choice(&VERSIONS));
    Some(Mqtt {
        server: server?,
        login,
        topic: topic?,
        client: client.unwrap_or_else(|| format!("driftvane-{}", name.unwrap_or_default())),
        version,
    })
}

/// The versions of MQTT.
const VERSIONS: [(&str, MqttVersion); 2] = [("3.1.1", MqttVersion::V3), ("5", MqttVersion::V5)];

/// The facilities of RFC 5424 that a program of a plant may use, with their numbers.
const FACILITIES: [(&str, u8); 10] = [
    ("user", 1),
    ("daemon", 3),
    ("local0", 16),
    ("local1", 17),
    ("local2", 18),
    ("local3", 19),
    ("local4", 20),
    ("local5", 21),
    ("local6", 22),
    ("local7", 23),
];

fn read_syslog(table: &Table<'_>, base: &Path) -> Option<Syslog> {
    let facility = table.choice_or("facility", &FACILITIES, 3);
    let item = table.need("address", "\"udp://127.0.0.1:514\"")?;
    let text = item.text()?;
    let place = match text.split_once(':') {
        Some(("unix", path)) if !path.is_empty() => Some(SyslogPlace::Unix(resolve(base, path))),
        Some(("udp", rest)) => rest
            .strip_prefix("//")
            .and_then(|rest| address(rest, 514))
            .map(|(host, port)| SyslogPlace::Udp(host, port)),
        Some(("tcp", rest)) => rest
            .strip_prefix("//")
            .and_then(|rest| address(rest, 601))
            .map(|(host, port)| SyslogPlace::Tcp(host, port)),
        _ => None,
    };
    if place.is_none() {
        let fix = "write \"udp://host:514\", \"tcp://host:601\" or \"unix:/dev/log\"";
        item.fault(
            format!("{:?} is no address of a syslog", without_secrets(&text)),
            format!("{fix}{}", in_brackets(&text)),
        );
    }
    Some(Syslog {
        place: place?,
        facility,
    })
}
