//! MQTT 3.1.1 and 5.0: each notice with quality of service 1, and a retained state for each stream.
//!
//! A connection is made for each notice and ended in order. The one invariant: a notice counts as
//! taken when the broker has confirmed it and the states of its streams.

use std::collections::BTreeMap;
use std::io::{Error, ErrorKind, Read};
use std::time::Duration;

use super::wire::Wire;
use super::{Carrier, Fault, Load, Receipt, secret};
use crate::clock::Monotonic;
use crate::commands::alerts::name;
use crate::commands::utc;
use crate::config::channel::{Mqtt, MqttVersion};
use crate::store::Notice;

mod answers;

use answers::{Offers, refused, refused_notice};

/// Bytes of a packet that a broker sends to a client that only publishes.
const PACKET_MAX: usize = 1_024;

/// Bytes of a topic.
const TOPIC_MAX: usize = 4_096;

/// Seconds without a word after which the broker ends the connection.
const KEEP_ALIVE_S: u16 = 60;

/// The kinds of packets in their upper four bits: section 2.2.1 of 3.1.1, section 2.1.2 of 5.0.
mod kind {
    pub(super) const CONNECT: u8 = 0x10;
    pub(super) const CONNACK: u8 = 0x20;
    pub(super) const PUBLISH: u8 = 0x30;
    pub(super) const PUBACK: u8 = 0x40;
    pub(super) const DISCONNECT: u8 = 0xE0;
}

/// The length of properties, of which 5.0 has room in most packets.
const NO_PROPERTIES: u8 = 0;

/// Quality of service 1 in the lower four bits of a PUBLISH.
const AT_LEAST_ONCE: u8 = 0b0010;
/// The retain flag there.
const RETAINED: u8 = 0b0001;

/// The sender.
pub(super) struct Sender {
    pub(super) settings: Mqtt,
    pub(super) patience: Duration,
}

impl Carrier for Sender {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        let mut session = self.connect()?;
        let topic = format!("{}/notices", self.settings.topic);
        for notice in load.notices {
            session.publish(&topic, AT_LEAST_ONCE, notice.body.as_bytes())?;
            if !session.offers.retains {
                continue;
            }
            for (topic, state) in self.states(load, notice)? {
                session.publish(&topic, AT_LEAST_ONCE | RETAINED, state.as_bytes())?;
            }
        }
        let wire = &mut session.wire;
        // All is confirmed, whether or not the broker hears the good-bye.
        let _goodbye = wire.say(&[kind::DISCONNECT, 0], "the end");
        let complaint = (!session.offers.retains).then(|| {
            let problem = format!("{} keeps no retained messages", wire.place());
            let fix =
                "turn them on, or follow the notices: the states of streams are not published";
            (problem, fix.to_owned())
        });
        Ok(Receipt {
            complaint,
            ..Receipt::said(format!(
                "confirmed by {} {}, MQTT {}, topic {topic}",
                wire.found,
                wire.security(),
                called(session.version),
            ))
        })
    }
}

impl Sender {
    /// The states of the streams of a notice by topic; for a summary, of all that it stands for.
    fn states(&self, load: &Load<'_>, notice: &Notice) -> Result<BTreeMap<String, String>, Fault> {
        let mut members = Vec::new();
        if let Some(reader) = load.reader.filter(|_| notice.kind == "summary") {
            members = reader.summed(&notice.key).map_err(|error| {
                let fix = "check the record: driftvane verify";
                Fault::channel(format!("the record can not be read: {error}"), fix)
            })?;
        }
        let mut states = BTreeMap::new();
        for one in members.iter().chain([notice]) {
            for stream in &one.streams {
                states.insert(self.stream_topic(stream), state(stream, one));
            }
        }
        Ok(states)
    }

    /// The topic of a stream: its label, without what has a meaning in topics.
    fn stream_topic(&self, label: &str) -> String {
        let plain = |one: char| {
            if one.is_control() || "+#".contains(one) {
                '_'
            } else {
                one
            }
        };
        let label: String = label.chars().map(plain).collect();
        let mut topic = format!("{}/streams/{label}", self.settings.topic);
        while topic.len() > TOPIC_MAX {
            topic.pop();
        }
        topic
    }

    /// A connection by the version that is asked for, or else by one that the broker speaks.
    fn connect(&self) -> Result<Session, Fault> {
        if let Some(version) = self.settings.version {
            let greeted = self.greet(version, self.patience);
            return greeted.map_err(|refusal| refusal.fault);
        }
        let clock = Monotonic::start();
        match self.greet(MqttVersion::V3, self.patience) {
            Ok(session) => Ok(session),
            Err(first) if first.may_be_of_version => {
                let gone = Duration::from_millis(clock.ms());
                let left = self.patience.saturating_sub(gone);
                let second = self.greet(MqttVersion::V5, left);
                // Where it refuses both alike, the version is not what stands against it.
                second.map_err(|second| match second.may_be_of_version {
                    true => first.fault,
                    false => second.fault,
                })
            }
            Err(refusal) => Err(refusal.fault),
        }
    }

    fn greet(&self, version: MqttVersion, patience: Duration) -> Result<Session, Refusal> {
        let greeting = self.greeting(version)?;
        let mut wire = Wire::open(&self.settings.server, patience)?;
        wire.say(&packet(kind::CONNECT, &greeting), "the login")?;
        let mut session = Session {
            wire,
            version,
            offers: Offers::ALL,
            last: 0,
        };
        let (found, answer) = session.read().map_err(|error| Refusal {
            may_be_of_version: matches!(
                error.kind(),
                ErrorKind::UnexpectedEof | ErrorKind::ConnectionReset | ErrorKind::BrokenPipe
            ),
            fault: session.unread("the login", &error),
        })?;
        let place = session.wire.place();
        match (found & 0xF0, answer.as_slice()) {
            (kind::CONNACK, [_, 0, rest @ ..]) => {
                session.offers = Offers::of(version, rest);
                if session.offers.confirms {
                    return Ok(session);
                }
                let problem = format!("{place} confirms no messages (quality of service 0 only)");
                Err(Fault::channel(problem, "use a broker that offers quality of service 1").into())
            }
            (kind::CONNACK, [_, code, ..]) => Err(Refusal {
                may_be_of_version: answers::is_of_version(*code),
                fault: refused(place, called(version), *code),
            }),
            _ => Err(Fault::channel(
                format!("{place} does not answer as an MQTT broker does"),
                "check host, port and security",
            )
            .into()),
        }
    }

    /// What a client says first: section 3.1 of both versions.
    fn greeting(&self, version: MqttVersion) -> Result<Vec<u8>, Fault> {
        let Mqtt { login, client, .. } = &self.settings;
        let mut body = Vec::new();
        put_text(&mut body, b"MQTT");
        // A clean session; nothing is subscribed.
        let mut flags = 0b0000_0010;
        if login.is_some() {
            flags |= 0b1100_0000;
        }
        let level = match version {
            MqttVersion::V3 => 4,
            MqttVersion::V5 => 5,
        };
        body.extend([level, flags]);
        body.extend(KEEP_ALIVE_S.to_be_bytes());
        if version == MqttVersion::V5 {
            body.push(NO_PROPERTIES);
        }
        put_text(&mut body, client.as_bytes());
        if let Some(login) = login {
            put_text(&mut body, login.name.as_bytes());
            put_text(&mut body, secret::read(&login.password)?.as_bytes());
        }
        Ok(body)
    }
}

/// Why there is no connection.
struct Refusal {
    fault: Fault,
    /// Whether the broker may speak another version only.
    may_be_of_version: bool,
}

impl From<Fault> for Refusal {
    fn from(fault: Fault) -> Refusal {
        Refusal {
            fault,
            may_be_of_version: false,
        }
    }
}

fn called(version: MqttVersion) -> &'static str {
    match version {
        MqttVersion::V3 => "3.1.1",
        MqttVersion::V5 => "5",
    }
}

/// The state of a stream, as the broker keeps it.
fn state(stream: &str, notice: &Notice) -> String {
    serde_json::json!({
        "stream": stream, "state": notice.state, "severity": notice.severity.name(),
        "alert": notice.alert.map(name), "line": notice.line, "at": utc(notice.at),
        "key": notice.key,
    })
    .to_string()
}

/// A connection to a broker.
struct Session {
    wire: Wire,
    version: MqttVersion,
    offers: Offers,
    /// The number of the last packet that was to be confirmed.
    last: u16,
}

impl Session {
    /// Publishes and waits for the broker's confirmation.
    fn publish(&mut self, topic: &str, flags: u8, payload: &[u8]) -> Result<(), Fault> {
        self.last = self.last.wrapping_add(1).max(1);
        let mut body = Vec::with_capacity(topic.len() + payload.len() + 5);
        put_text(&mut body, topic.as_bytes());
        body.extend(self.last.to_be_bytes());
        if self.version == MqttVersion::V5 {
            body.push(NO_PROPERTIES);
        }
        body.extend_from_slice(payload);
        self.wire
            .say(&packet(kind::PUBLISH | flags, &body), "the notice")?;
        let during = "the confirmation";
        let (found, answer) = self.read().map_err(|error| self.unread(during, &error))?;
        let place = self.wire.place();
        match (found & 0xF0, answer.as_slice()) {
            (kind::PUBACK, [high, low, rest @ ..]) if [*high, *low] == self.last.to_be_bytes() => {
                match rest.first() {
                    Some(code) if *code >= 0x80 => Err(refused_notice(place, topic, *code)),
                    _ => Ok(()),
                }
            }
            (kind::DISCONNECT, [code, ..]) => Err(refused_notice(place, topic, *code)),
            _ => Err(Fault::channel(
                format!("{place} confirms what was not sent"),
                "look into the broker's log",
            )),
        }
    }

    /// Reads a packet: its first byte and what follows the length.
    fn read(&mut self) -> std::io::Result<(u8, Vec<u8>)> {
        let first = self.byte()?;
        let mut length = 0;
        for shift in [0, 7, 14, 21] {
            let byte = self.byte()?;
            length |= usize::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                break;
            }
        }
        if length > PACKET_MAX {
            return Err(ErrorKind::FileTooLarge.into());
        }
        let mut body = vec![0; length];
        self.wire.read_exact(&mut body)?;
        Ok((first, body))
    }

    fn byte(&mut self) -> std::io::Result<u8> {
        let mut byte = [0];
        self.wire.read_exact(&mut byte)?;
        Ok(byte[0])
    }

    /// Why there is no packet.
    fn unread(&self, during: &str, error: &Error) -> Fault {
        if error.kind() == ErrorKind::FileTooLarge {
            let problem = format!("{}: {during}: an endless packet", self.wire.place());
            return Fault::channel(problem, "check host, port and security");
        }
        self.wire.broken(during, error)
    }
}

/// A packet of a kind.
fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut packet = vec![first];
    let mut length = body.len();
    loop {
        let low = u8::try_from(length & 0x7F).unwrap_or_default();
        length >>= 7;
        if length == 0 {
            packet.push(low);
            break;
        }
        packet.push(low | 0x80);
    }
    packet.extend_from_slice(body);
    packet
}

/// A text behind its length. Longer ones than can be said are cut; the configuration has none.
fn put_text(to: &mut Vec<u8>, text: &[u8]) {
    let length = u16::try_from(text.len()).unwrap_or(u16::MAX);
    to.extend(length.to_be_bytes());
    to.extend_from_slice(&text[..usize::from(length)]);
}

#[cfg(test)]
mod tests;
