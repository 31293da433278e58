//! E-mail against a server that this file plays: it says by heart what the test gave it.

use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::sync::mpsc::{Receiver, Sender, channel};

use super::super::tests::{LONG, carry, other_side, server};
use super::*;

#[test]
fn a_full_stop_at_the_start_of_a_line_is_doubled() {
    let sent = stuffed("one\r\n.\r\n..two\r\n");
    assert_eq!(sent, "one\r\n..\r\n...two\r\n.\r\n");
}

/// What the server says to a command, and to the data as `.`.
type Part = &'static [(&'static str, &'static str)];

/// Talks as RFC 5321 has it; says `250 yes` where the part has nothing for what it hears. Tells who
/// was named as a recipient.
fn talk(socket: TcpStream, part: Part, named: &Sender<String>) {
    let mut writer = socket.try_clone().unwrap();
    let mut is_data = false;
    let _gone = writer.write_all(b"220 mail\r\n");
    for line in BufReader::new(socket).lines() {
        let Ok(line) = line else { return };
        if is_data && line != "." {
            continue;
        }
        if let Some(address) = line.strip_prefix("RCPT TO:") {
            named.send(address.to_owned()).unwrap();
        }
        let known = part.iter().find(|(start, _)| line.starts_with(start));
        let usual = if line == "DATA" {
            "354 go on"
        } else {
            "250 yes"
        };
        let answer = known.map_or(usual, |(_, answer)| answer);
        is_data = answer.starts_with("354");
        let _gone = writer.write_all(format!("{answer}\r\n").as_bytes());
    }
}

fn sender(part: Part) -> (super::Sender, Receiver<String>) {
    let (say, named) = channel();
    let text = include_str!("../../../../../sample-feeds/driftvane.toml");
    let config = crate::config::read::read(text, &std::env::temp_dir()).unwrap();
    let port = other_side(move |socket| talk(socket, part, &say));
    let sender = super::Sender {
        settings: Email {
            server: server(port, Security::None),
            login: None,
            from: "driftvane@plant.example".into(),
            to: vec!["one@plant.example".into(), "two@plant.example".into()],
        },
        config: Arc::new(config),
        patience: LONG,
    };
    (sender, named)
}

/// RFC 5321, 4.3.2: after the data a server may say 550, 552 and 554; others say 571 and so on.
/// That is of the message, and must not hold up the next; what came before is of the channel.
#[test]
fn a_final_no_to_the_data_is_of_the_notice_and_any_other_of_the_channel() {
    let cases: [(Part, bool); 8] = [
        (&[(".", "550 5.7.1 looks like spam")], true),
        (&[(".", "551 no")], true),
        (&[(".", "552 too long")], true),
        (&[(".", "553 no")], true),
        (&[(".", "571 no")], true),
        (&[(".", "451 later")], false),
        (&[("DATA", "554 no")], false),
        (&[("MAIL", "550 who?")], false),
    ];
    for (part, is_of_notice) in cases {
        let fault = carry(&mut sender(part).0).unwrap_err();
        assert_eq!(fault.is_of_notice, is_of_notice, "{part:?}: {fault:?}");
        assert!(fault.problem.contains(part[0].1), "{fault:?}");
    }
    assert_eq!(carry(&mut sender(&[]).0).unwrap().complaint, None);
}

/// RFC 5321, 4.2.1: 4yz may go well later, 5yz never will.
#[test]
fn who_may_take_it_later_is_left_and_the_others_are_not_asked_again() {
    let busy: Part = &[("RCPT TO:<two@", "450 4.2.1 mailbox busy")];
    let (mut some, named) = sender(busy);
    let receipt = carry(&mut some).unwrap();
    assert_eq!(receipt.left, ["two@plant.example"]);
    let (problem, fix) = receipt.complaint.unwrap();
    assert_eq!(problem, "refused two@plant.example: 450 4.2.1 mailbox busy");
    assert!(fix.contains("asked again"), "{fix}");
    assert_eq!(named.try_iter().count(), 2);
    // It is still busy: the others have it, so the channel is not down.
    let rest = |carrier: &mut super::Sender, left: &[&str]| {
        let notice = super::super::tests::notice();
        let left: Vec<String> = left.iter().map(|&one| one.to_owned()).collect();
        carrier.carry(&Load {
            left: &left,
            ..Load::of(&[&notice])
        })
    };
    let receipt = rest(&mut some, &["two@plant.example"]).unwrap();
    assert_eq!(receipt.left, ["two@plant.example"]);
    assert_eq!(
        named.try_iter().collect::<Vec<_>>(),
        ["<two@plant.example>"]
    );
    // One that is gone for good by then never will; one that is no recipient any more is not asked.
    let (mut gone, _named) = sender(&[("RCPT TO:<two@", "550 no such mailbox")]);
    let receipt = rest(&mut gone, &["two@plant.example"]).unwrap();
    assert!(receipt.left.is_empty() && receipt.complaint.is_some());
    let (mut other, named) = sender(&[]);
    assert_eq!(
        rest(&mut other, &["three@plant.example"])
            .unwrap()
            .left
            .len(),
        0
    );
    assert_eq!(named.try_iter().count(), 0);
    // Where nobody has it, all of them wait.
    let fault = carry(&mut sender(&[("RCPT", "450 later")]).0).unwrap_err();
    assert!(
        !fault.is_of_notice && fault.problem.contains("two@"),
        "{fault:?}"
    );
}
