//! More connections and bytes than anyone may send, while the program is short of memory.
//!
//! The plant is invented. The one invariant: whoever sends slowly, much or often keeps nobody out,
//! and no file from being read.

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;
use std::time::Duration;

use crate::place::{Chance, Place, wait_until};
use crate::requests::{Live, assert_lines_are_whole, bearer, exchange, live, write_panels};
use crate::tools::{peak_kib, rounds, tool};

/// How much more memory than at rest requests may take, in KiB.
const MORE_KIB: u64 = 64 << 10;

/// Whether the page answers, if need be after some tries: who was there first is let go.
fn answers(live: &Live) -> bool {
    let request = format!(
        "GET /feeds HTTP/1.1\r\nHost: {}\r\n{}\r\n\r\n",
        live.address,
        bearer(&live.viewer)
    );
    (0..20).any(|_| {
        let answer = exchange(&live.address, request.as_bytes());
        let is_there = answer.is_ok_and(|answer| answer.status == 200);
        if !is_there {
            std::thread::sleep(Duration::from_millis(100));
        }
        is_there
    })
}

#[test]
fn whatever_is_sent_the_page_answers_others_and_files_are_read() {
    // What a system that is short of memory would give it.
    let under = |place: &Place| {
        let mut wrapper = Command::new("prlimit");
        wrapper.args(["--as=3221225472", "--"]);
        place.command_under(wrapper, &["watch"])
    };
    let own = std::process::id().to_string();
    tool("prlimit", &["--pid", &own, "--nofile=16384:16384"]);
    let mut live = live(under);
    let (mut files, rest) = (1, peak_kib(live.watching.id()));
    let mut deliver = |live: &Live| {
        write_panels(&live.place, 100 * files, 20);
        files += 1;
        wait_until("the file", || {
            live.place.files() == i64::try_from(files).unwrap()
        });
    };
    // Slow senders: never a whole request.
    let slow: Vec<TcpStream> = (0..rounds(100, 400))
        .filter_map(|_| {
            let mut stream = TcpStream::connect(&live.address).ok()?;
            stream.write_all(b"GET / HTTP/1.1\r\nx: ").ok()?;
            Some(stream)
        })
        .collect();
    assert!(answers(&live), "beside {} slow senders", slow.len());
    deliver(&live);
    drop(slow);
    // Connections by the thousand, a thousand of them at the same time.
    let (mut open, mut chance, count) = (VecDeque::new(), Chance::new(39), rounds(2_000, 10_000));
    for number in 0..count {
        if let Ok(mut stream) = TcpStream::connect(&live.address) {
            let sent = stream.write(&b"GET /alerts HTTP/1.1\r\nHost: x\r\n"[..chance.below(30)]);
            drop(sent.map(|_| open.push_back(stream)));
        }
        if open.len() > 1_000 {
            open.pop_front();
        }
        if number % (count / 4) == 0 {
            assert!(answers(&live), "after {number} connections");
        }
    }
    deliver(&live);
    drop(open);
    large_bodies(&live);
    deliver(&live);
    listeners(&live);
    deliver(&live);
    assert!(answers(&live) && live.watching.runs());
    let more = peak_kib(live.watching.id()).saturating_sub(rest);
    println!("{count} connections; {more} KiB more than the {rest} KiB before");
    assert!(more < MORE_KIB, "{more} KiB more than before");
    assert_lines_are_whole(&live.place);
    live.place.assert_rows_add_up();
    live.place.assert_sound();
    live.watching.stop();
}

/// Bodies of a hundred megabytes: announced, and not announced.
fn large_bodies(live: &Live) {
    for length in ["104857600", "10", "99999999999999999999999"] {
        let mut stream = TcpStream::connect(&live.address).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        let head = format!(
            "POST /login HTTP/1.1\r\nHost: {}\r\nSec-Fetch-Site: same-origin\r\n\
             Content-Length: {length}\r\n\r\n",
            live.address
        );
        stream.write_all(head.as_bytes()).unwrap();
        let block = vec![b'a'; 1 << 20];
        let sent = (0..100)
            .take_while(|_| stream.write_all(&block).is_ok())
            .count();
        println!("of a body said to have {length} bytes {sent} MiB were taken");
        assert!(sent < 100, "all of it was taken");
        assert!(answers(live), "after a body of {length}");
    }
}

/// Pages that wait for news: so many get them, the others are told that there is no place.
fn listeners(live: &Live) {
    let request = format!(
        "GET /events HTTP/1.1\r\nHost: {}\r\n{}\r\n\r\n",
        live.address,
        bearer(&live.viewer)
    );
    let (mut streams, mut heard) = (Vec::new(), 0);
    for _ in 0..rounds(200, 1_000) {
        let Ok(mut stream) = TcpStream::connect(&live.address) else {
            continue;
        };
        stream
            .set_read_timeout(Some(Duration::from_secs(30)))
            .unwrap();
        let mut start = [0; 12];
        let answered = stream.write_all(request.as_bytes()).is_ok();
        if answered && stream.read_exact(&mut start).is_ok() {
            let is_heard = &start == b"HTTP/1.1 200";
            assert!(is_heard || &start == b"HTTP/1.1 503", "{start:?}");
            heard += usize::from(is_heard);
        }
        streams.push(stream);
    }
    println!("{heard} of {} wait for news", streams.len());
    assert!((1..=32).contains(&heard), "{heard}");
    assert!(answers(live), "beside {} that wait for news", streams.len());
}
