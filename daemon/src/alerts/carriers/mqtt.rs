//! MQTT 3.1.1: each notice with quality of service 1, and a retained state for each stream.
//!
//! A connection is made for each notice and ended in order. The one invariant: a notice counts as
//! taken when the broker has confirmed it and the states of its streams.

use std::collections::BTreeMap;
use std::io::Read;
use std::time::Duration;

use super::wire::Wire;
use super::{Carrier, Fault, Load, Receipt, secret};
use crate::commands::alerts::name;
use crate::commands::utc;
use crate::config::channel::Mqtt;
use crate::store::Notice;

/// Bytes of a packet that a broker sends to a client that only publishes.
const PACKET_MAX: usize = 1_024;

/// Bytes of a topic.
const TOPIC_MAX: usize = 4_096;

/// Seconds without a word after which the broker ends the connection.
const KEEP_ALIVE_S: u16 = 60;

/// The kinds of packets of MQTT 3.1.1, section 2.2.1, in their upper four bits.
mod kind {
    pub(super) const CONNECT: u8 = 0x10;
    pub(super) const CONNACK: u8 = 0x20;
    pub(super) const PUBLISH: u8 = 0x30;
    pub(super) const PUBACK: u8 = 0x40;
    pub(super) const DISCONNECT: u8 = 0xE0;
}

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
            for (topic, state) in self.states(load, notice)? {
                session.publish(&topic, AT_LEAST_ONCE | RETAINED, state.as_bytes())?;
            }
        }
        let wire = &mut session.wire;
        wire.say(&[kind::DISCONNECT, 0], "the end")?;
        Ok(Receipt {
            said: format!(
                "confirmed by {} {}, topic {topic}",
                wire.found,
                wire.security()
            ),
            complaint: None,
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

    fn connect(&self) -> Result<Session, Fault> {
        let Mqtt {
            server,
            login,
            client,
            ..
        } = &self.settings;
        let mut body = Vec::new();
        put_text(&mut body, b"MQTT");
        // A clean session; nothing is subscribed.
        let mut flags = 0b0000_0010;
        if login.is_some() {
            flags |= 0b1100_0000;
        }
        body.extend([4, flags]);
        body.extend(KEEP_ALIVE_S.to_be_bytes());
        put_text(&mut body, client.as_bytes());
        if let Some(login) = login {
            put_text(&mut body, login.name.as_bytes());
            put_text(&mut body, secret::read(&login.password)?.as_bytes());
        }
        let mut wire = Wire::open(server, self.patience)?;
        wire.say(&packet(kind::CONNECT, &body), "the login")?;
        let mut session = Session { wire, last: 0 };
        let (found, answer) = session.packet("the login")?;
        let place = session.wire.place();
        match (found & 0xF0, answer.as_slice()) {
            (kind::CONNACK, [_, 0]) => Ok(session),
            (kind::CONNACK, [_, code]) => Err(refused(place, *code)),
            _ => Err(Fault::channel(
                format!("{place} does not answer as an MQTT broker does"),
                "check host, port and security",
            )),
        }
    }
}

/// Why a broker refuses a client: the codes of MQTT 3.1.1, section 3.2.2.3.
fn refused(place: &str, code: u8) -> Fault {
    let (why, fix) = match code {
        1 => (
            "it does not speak MQTT 3.1.1",
            "use a broker that does, or turn that version on",
        ),
        2 => (
            "it refuses the name of the client",
            "write client = \"...\" with a name that it takes",
        ),
        3 => (
            "it is not available",
            "look at the broker; it is asked again by itself",
        ),
        4 | 5 => (
            "it refuses the login",
            "check login and password, and what the broker allows them",
        ),
        _ => ("it refuses the connection", "look into the broker's log"),
    };
    Fault::channel(format!("{place}: {why} (code {code})"), fix)
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
    /// The number of the last packet that was to be confirmed.
    last: u16,
}

impl Session {
    /// Publishes and waits for the broker's confirmation.
    fn publish(&mut self, topic: &str, flags: u8, payload: &[u8]) -> Result<(), Fault> {
        self.last = self.last.wrapping_add(1).max(1);
        let mut body = Vec::with_capacity(topic.len() + payload.len() + 4);
        put_text(&mut body, topic.as_bytes());
        body.extend(self.last.to_be_bytes());
        body.extend_from_slice(payload);
        self.wire
            .say(&packet(kind::PUBLISH | flags, &body), "the notice")?;
        let (found, answer) = self.packet("the confirmation")?;
        if found & 0xF0 == kind::PUBACK && answer == self.last.to_be_bytes() {
            return Ok(());
        }
        Err(Fault::channel(
            format!("{} confirms what was not sent", self.wire.place()),
            "look into the broker's log",
        ))
    }

    /// Reads a packet: its first byte and what follows the length.
    fn packet(&mut self, during: &str) -> Result<(u8, Vec<u8>), Fault> {
        let first = self.byte(during)?;
        let mut length = 0;
        for shift in [0, 7, 14, 21] {
            let byte = self.byte(during)?;
            length |= usize::from(byte & 0x7F) << shift;
            if byte & 0x80 == 0 {
                break;
            }
        }
        if length > PACKET_MAX {
            let problem = format!("{}: {during}: an endless packet", self.wire.place());
            return Err(Fault::channel(problem, "check host, port and security"));
        }
        let mut body = vec![0; length];
        match self.wire.read_exact(&mut body) {
            Ok(()) => Ok((first, body)),
            Err(error) => Err(self.wire.broken(during, &error)),
        }
    }

    fn byte(&mut self, during: &str) -> Result<u8, Fault> {
        let mut byte = [0];
        match self.wire.read_exact(&mut byte) {
            Ok(()) => Ok(byte[0]),
            Err(error) => Err(self.wire.broken(during, &error)),
        }
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
