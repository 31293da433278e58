//! MQTT against brokers that this file plays: they say by heart what a test gave them.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::thread::JoinHandle;

use super::super::tests::{LONG, PATIENCE, carry, notice, other_side, server};
use super::*;
use crate::config::channel::{Login, Secret, Security};

fn mqtt(port: u16) -> Sender {
    Sender {
        settings: Mqtt {
            server: server(port, Security::None),
            login: None,
            topic: "plant".into(),
            client: "driftvane-test".into(),
            version: None,
        },
        patience: PATIENCE,
    }
}

/// A packet as MQTT 3.1.1, section 2, has it: its first byte, and what follows the length.
fn packet(socket: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    socket.read_exact(&mut byte).ok()?;
    let first = byte[0];
    let (mut length, mut factor) = (0, 1);
    loop {
        socket.read_exact(&mut byte).ok()?;
        length += usize::from(byte[0] & 127) * factor;
        factor *= 128;
        if byte[0] < 128 {
            break;
        }
    }
    let mut body = vec![0; length];
    socket.read_exact(&mut body).ok()?;
    Some((first, body))
}

/// The first byte, the topic and the payload of what was published.
type Published = (u8, String, Vec<u8>);

/// A broker that takes one client and gives what it published: flags, topic and payload.
fn broker(payload: usize) -> (u16, JoinHandle<Vec<Published>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let served = std::thread::spawn(move || {
        let (mut socket, _) = listener.accept().unwrap();
        let (first, body) = packet(&mut socket).unwrap();
        assert_eq!(first, 0x10);
        // Section 3.1: protocol and level, a clean session, keep alive, the client's name.
        let wanted = b"\0\x04MQTT\x04\x02\0\x3c\0\x0edriftvane-test";
        assert_eq!(body, wanted);
        socket.write_all(&[0x20, 2, 0, 0]).unwrap();
        let mut published = Vec::new();
        while let Some((first, body)) = packet(&mut socket) {
            if first == 0xE0 {
                break;
            }
            let length = usize::from(u16::from_be_bytes([body[0], body[1]]));
            let topic = String::from_utf8(body[2..2 + length].to_vec()).unwrap();
            let rest = &body[2 + length..];
            socket.write_all(&[0x40, 2, rest[0], rest[1]]).unwrap();
            published.push((first, topic, rest[2..].to_vec()));
        }
        assert_eq!(published[0].2.len(), payload);
        published
    });
    (port, served)
}

#[test]
fn a_broker_gets_the_notice_and_a_retained_state_for_each_stream() {
    let (port, served) = broker(notice().body.len());
    carry(&mut mqtt(port)).unwrap();
    let published = served.join().unwrap();
    assert_eq!(published.len(), 2);
    // 0x32: PUBLISH with quality of service 1; 0x33: retained as well.
    assert_eq!(
        (published[0].0, published[0].1.as_str()),
        (0x32, "plant/notices")
    );
    assert_eq!(
        (published[1].0, published[1].1.as_str()),
        (0x33, "plant/streams/paste-height/L1/fine__")
    );
    let state: serde_json::Value = serde_json::from_slice(&published[1].2).unwrap();
    assert_eq!(state["state"], "active");
    assert_eq!(state["alert"], "A-0007");
    assert_eq!(state["stream"], "paste-height/L1/fine+#");
}

/// Lengths take one to four bytes: section 2.2.3.
#[test]
fn a_broker_gets_long_notices_whole() {
    for length in [100, 127, 128, 16_383, 16_384, 2_097_152] {
        let (port, served) = broker(length);
        let mut notice = notice();
        notice.body = "a".repeat(length);
        let mut carrier = mqtt(port);
        carrier.patience = LONG;
        carrier.carry(&Load::of(&[&notice])).unwrap();
        served.join().unwrap();
    }
}

#[test]
fn a_broker_that_refuses_or_is_none_is_told_apart() {
    for (answer, words) in [
        (&[0x20, 2, 0, 5][..], "refuses the login"),
        (&[0x20, 2, 0, 2], "name of the client"),
        (&[0x20, 2, 0, 3], "not available"),
        (b"220 mail\r\n", "does not answer as an MQTT broker does"),
        (&[0x20, 0xff, 0xff, 0xff, 0x7f], "endless packet"),
    ] {
        let port = other_side(move |mut socket| {
            packet(&mut socket);
            let mut all = answer.to_vec();
            all.extend([0; 64]);
            socket.write_all(&all).unwrap();
        });
        let fault = carry(&mut mqtt(port)).unwrap_err();
        assert!(fault.problem.contains(words), "{words}: {fault:?}");
        assert!(!fault.is_of_notice);
    }
    for (answer, words) in [
        (&[0x20, 2, 0, 1][..], "does not speak MQTT 3.1.1"),
        (&[0x20, 3, 0, 0x86, 0], "refuses the login"),
        (&[0x20, 5, 0, 0, 2, 0x24, 0], "quality of service 0 only"),
    ] {
        let mut newest = mqtt(other_side(move |mut socket| {
            packet(&mut socket);
            socket.write_all(answer).unwrap();
        }));
        let is_old = answer[1] == 2;
        let version = if is_old {
            MqttVersion::V3
        } else {
            MqttVersion::V5
        };
        newest.settings.version = Some(version);
        let fault = carry(&mut newest).unwrap_err();
        assert!(fault.problem.contains(words), "{words}: {fault:?}");
    }
    let mut secret = mqtt(9);
    secret.settings.login = Some(Login {
        name: "dv".into(),
        password: Secret::Environment("DRIFTVANE_NO_SUCH_NAME".into()),
    });
    let fault = carry(&mut secret).unwrap_err();
    assert!(
        fault.problem.contains("DRIFTVANE_NO_SUCH_NAME"),
        "{fault:?}"
    );
}

/// A broker that speaks MQTT 5.0 only: what it says to others, and to a PUBLISH. Tells the levels
/// that it was greeted with, and what was published.
fn newest_broker(
    refusal: &'static [u8],
    confirmation: &'static [u8],
) -> (u16, std::sync::mpsc::Receiver<String>) {
    let (say, heard) = std::sync::mpsc::channel();
    let port = other_side(move |mut socket| {
        let (_, greeting) = packet(&mut socket).unwrap();
        say.send(format!("level {}", greeting[6])).unwrap();
        if greeting[6] != 5 {
            socket.write_all(refusal).unwrap();
            return;
        }
        // Section 3.1.2.11: the length of the properties follows the keep alive.
        assert_eq!(greeting[10..13], [0, 0, 14], "{greeting:?}");
        socket.write_all(&[0x20, 3, 0, 0, 0]).unwrap();
        while let Some((first, body)) = packet(&mut socket) {
            if first == 0xE0 {
                // Nor has the good-bye to be heard: the connection is gone by then.
                break;
            }
            let length = usize::from(u16::from_be_bytes([body[0], body[1]]));
            let topic = String::from_utf8(body[2..2 + length].to_vec()).unwrap();
            let rest = &body[2 + length..];
            assert_eq!(rest[2], 0, "no properties before the payload");
            let payload = String::from_utf8(rest[3..].to_vec()).unwrap();
            say.send(format!("{topic} {}", payload.len())).unwrap();
            let length = u8::try_from(2 + confirmation.len()).unwrap();
            let mut puback = vec![0x40, length, rest[0], rest[1]];
            puback.extend_from_slice(confirmation);
            socket.write_all(&puback).unwrap();
        }
    });
    (port, heard)
}

/// Section 3.1.2.2 of MQTT 5.0: such a broker may say 0x84 first, and closes the connection.
#[test]
fn a_broker_that_speaks_the_newest_version_only_is_spoken_to() {
    for refusal in [&[0x20, 2, 0, 1][..], &[0x20, 3, 0, 0x84, 0], &[]] {
        // Section 3.4.2.1: 0x10 is no failure, nobody follows the topic.
        let (port, heard) = newest_broker(refusal, &[0x10]);
        let receipt = carry(&mut mqtt(port)).unwrap();
        assert!(
            receipt.said.contains("MQTT 5, topic plant/notices"),
            "{receipt:?}"
        );
        let heard: Vec<String> = heard.try_iter().collect();
        let published = format!("plant/notices {}", notice().body.len());
        assert_eq!(
            heard[..3],
            ["level 4".to_owned(), "level 5".into(), published]
        );
        assert!(heard[3].starts_with("plant/streams/"), "{heard:?}");
    }
    let (port, heard) = newest_broker(&[], &[]);
    let mut asked = mqtt(port);
    asked.settings.version = Some(MqttVersion::V3);
    assert!(carry(&mut asked).is_err());
    assert_eq!(
        heard.try_iter().collect::<Vec<_>>(),
        ["level 4"],
        "as it is written"
    );
    let (port, _heard) = newest_broker(&[], &[0x87, 0]);
    let fault = carry(&mut mqtt(port)).unwrap_err();
    assert!(
        fault
            .problem
            .contains("does not allow the topic plant/notices"),
        "{fault:?}"
    );
}

#[test]
fn what_a_broker_has_confirmed_is_taken_whether_or_not_it_hears_the_good_bye() {
    let port = other_side(|mut socket| {
        packet(&mut socket);
        socket.write_all(&[0x20, 2, 0, 0]).unwrap();
        for _ in 0..2 {
            let (_, body) = packet(&mut socket).unwrap();
            let length = usize::from(u16::from_be_bytes([body[0], body[1]]));
            let number = &body[2 + length..4 + length];
            // The last confirmation, and the connection is reset at once.
            socket.write_all(&[0x40, 2, number[0], number[1]]).unwrap();
        }
        let _reset = socket.shutdown(std::net::Shutdown::Both);
    });
    carry(&mut mqtt(port)).unwrap();
}
