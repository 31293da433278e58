//! What brokers answer: their codes, and what they offer.
//!
//! Knows no connection. The one invariant: a code that is not known is told with its number.

use super::super::Fault;
use crate::config::channel::MqttVersion;

/// What a broker offers, as far as it is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Offers {
    /// Quality of service 1.
    pub(super) confirms: bool,
    /// Retained messages.
    pub(super) retains: bool,
}

impl Offers {
    /// What a broker offers that says nothing about it.
    pub(super) const ALL: Offers = Offers {
        confirms: true,
        retains: true,
    };

    /// What a broker offers by the properties of its CONNACK: section 3.2.2.3 of MQTT 5.0. What can
    /// not be read counts as not said.
    pub(super) fn of(version: MqttVersion, rest: &[u8]) -> Offers {
        let mut offers = Offers::ALL;
        if version == MqttVersion::V3 {
            return offers;
        }
        let Some((length, rest)) = length(rest) else {
            return offers;
        };
        let mut left = rest.get(..length).unwrap_or(rest);
        while let Some((&name, value)) = left.split_first() {
            match (name, value.first()) {
                (0x24, Some(0)) => offers.confirms = false,
                (0x25, Some(0)) => offers.retains = false,
                _ => {}
            }
            let Some(after) = size(name, value).and_then(|size| value.get(size..)) else {
                break;
            };
            left = after;
        }
        offers
    }
}

/// A length in one to four bytes, and what follows: section 1.5.5.
fn length(bytes: &[u8]) -> Option<(usize, &[u8])> {
    let mut length = 0;
    for (place, byte) in bytes.iter().take(4).enumerate() {
        length |= usize::from(byte & 0x7F) << (7 * place);
        if byte & 0x80 == 0 {
            return Some((length, &bytes[place + 1..]));
        }
    }
    None
}

/// The bytes of a property's value: section 2.2.2.2 of MQTT 5.0, those that a CONNACK may have.
fn size(name: u8, value: &[u8]) -> Option<usize> {
    let text = |value: &[u8]| {
        let [high, low, ..] = value else { return None };
        Some(2 + usize::from(u16::from_be_bytes([*high, *low])))
    };
    match name {
        0x24 | 0x25 | 0x28 | 0x29 | 0x2A => Some(1),
        0x13 | 0x21 | 0x22 => Some(2),
        0x11 | 0x27 => Some(4),
        0x12 | 0x15 | 0x16 | 0x1A | 0x1C | 0x1F => text(value),
        0x26 => {
            let key = text(value)?;
            Some(key + text(value.get(key..)?)?)
        }
        _ => None,
    }
}

/// Whether a broker says that it does not speak a version: 1 in 3.1.1, 0x84 in 5.0.
pub(super) fn is_of_version(code: u8) -> bool {
    matches!(code, 1 | 0x84)
}

/// Why a broker refuses a client: section 3.2.2.3 of MQTT 3.1.1, section 3.2.2.2 of MQTT 5.0.
pub(super) fn refused(place: &str, version: &str, code: u8) -> Fault {
    let (why, fix) = match code {
        1 | 0x84 => (
            format!("it does not speak MQTT {version}"),
            "write the version that it speaks: version = \"3.1.1\" or \"5\"; or leave it out",
        ),
        2 | 0x85 => (
            "it refuses the name of the client".to_owned(),
            "write client = \"...\" with a name that it takes",
        ),
        3 | 0x88 | 0x89 | 0x97 | 0x9F => (
            "it is not available".to_owned(),
            "look at the broker; it is asked again by itself",
        ),
        4 | 5 | 0x86 | 0x87 | 0x8A | 0x8C => (
            "it refuses the login".to_owned(),
            "check login and password, and what the broker allows them",
        ),
        0x9C | 0x9D => (
            "it says to use another server".to_owned(),
            "write the server that those who run it name",
        ),
        _ => (
            "it refuses the connection".to_owned(),
            "look into the broker's log",
        ),
    };
    Fault::channel(format!("{place}: {why} (code {code})"), fix)
}

/// Why a broker refuses a notice: section 3.4.2.1 of MQTT 5.0; or ends the connection: 3.14.2.1.
pub(super) fn refused_notice(place: &str, topic: &str, code: u8) -> Fault {
    match code {
        0x90 | 0x95 | 0x99 => Fault::notice(
            format!("{place}: it does not take a notice with topic {topic} (code {code})"),
            "see why it refuses this one, or give it up: driftvane alerts outbox",
        ),
        0x87 => Fault::channel(
            format!("{place}: it does not allow the topic {topic} (code {code})"),
            "allow the login to publish there, or write another topic",
        ),
        _ => Fault::channel(
            format!("{place}: it refuses what is published to {topic} (code {code})"),
            "look into the broker's log; it is asked again by itself",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_broker_does_not_offer_is_found_among_its_properties() {
        let of = |properties: &[u8]| {
            let mut rest = vec![u8::try_from(properties.len()).unwrap()];
            rest.extend_from_slice(properties);
            Offers::of(MqttVersion::V5, &rest)
        };
        assert_eq!(of(&[]), Offers::ALL);
        // A receive maximum, a server's keep alive, a client's name, a pair of a user.
        let before = [
            &[0x21, 0, 20, 0x13, 0, 60][..],
            b"\x12\0\x03abc",
            b"\x26\0\x01k\0\x02vv",
        ]
        .concat();
        assert_eq!(of(&before), Offers::ALL);
        let no_quality = of(&[&before[..], &[0x24, 0]].concat());
        assert_eq!((no_quality.confirms, no_quality.retains), (false, true));
        let no_retain = of(&[&[0x24, 1][..], &before, &[0x25, 0]].concat());
        assert_eq!((no_retain.confirms, no_retain.retains), (true, false));
        // What is cut off or unknown is not guessed at.
        for odd in [&[0x12, 0xff][..], &[0x26, 0, 1], &[0x7e, 0x25, 0], &[0x24]] {
            assert_eq!(of(odd), Offers::ALL, "{odd:?}");
        }
        assert_eq!(Offers::of(MqttVersion::V5, &[0xff; 8]), Offers::ALL);
        assert_eq!(Offers::of(MqttVersion::V3, &[2, 0x25, 0]), Offers::ALL);
    }
}
