//! The socket in front of the pages: what it refuses, and that its places come free again.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;

use super::site::{HEADERS, Site, site};
use crate::serve::{app, serve};

/// Sends bytes to a page on a socket of its own and gives all that comes back.
fn exchange(address: SocketAddr, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    stream.write_all(bytes).unwrap();
    let mut text = String::new();
    stream.read_to_string(&mut text).unwrap();
    text
}

/// A page on a socket.
async fn listening(site: &Site) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(serve(Arc::new(listener), app(Arc::clone(&site.page))));
    address
}

#[tokio::test(flavor = "multi_thread")]
async fn a_socket_answers_refuses_and_always_closes() {
    let site = site(false);
    let address = listening(&site).await;
    let large = format!(
        "GET / HTTP/1.1\r\nhost: localhost\r\nx: {}",
        "a".repeat(17_000)
    );
    let body = "POST /login HTTP/1.1\r\nhost: localhost\r\ncontent-length: 70000\r\n\r\n";
    for (bytes, status) in [
        ("GET / HTTP/1.1\r\nhost: localhost\r\n\r\n", "200 OK"),
        ("GET / HTTP/1.0\r\nhost: localhost\r\n\r\n", "200 OK"),
        ("GET / HTTP/1.1\r\n\r\n", "421 Misdirected Request"),
        (
            "GET / HTTP/1.1\r\nhost: evil.example\r\n\r\n",
            "421 Misdirected Request",
        ),
        ("nonsense\r\n\r\n", "400 Bad Request"),
        (body, "413 Payload Too Large"),
        (large.as_str(), "431 Request Header Fields Too Large"),
    ] {
        let text = tokio::task::block_in_place(|| exchange(address, bytes.as_bytes()));
        assert!(
            text.starts_with(&format!("HTTP/1.1 {status}\r\n")),
            "{bytes:.60}: {text:.200}"
        );
        for (name, value) in HEADERS {
            assert!(
                text.contains(&format!("{name}: {value}")),
                "{bytes:.60}: {name}"
            );
        }
        assert!(text.contains("\r\nconnection: close\r\n"), "{text:.300}");
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let length = head.split("content-length: ").nth(1).unwrap();
        assert_eq!(length.lines().next().unwrap(), body.len().to_string());
    }
    let head = b"HEAD / HTTP/1.1\r\nhost: localhost\r\n\r\n";
    let text = tokio::task::block_in_place(|| exchange(address, head));
    assert!(
        text.starts_with("HTTP/1.1 200 OK") && text.ends_with("\r\n\r\n"),
        "{text}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn slow_senders_keep_nobody_out() {
    let site = site(false);
    let address = listening(&site).await;
    let ask = || {
        exchange(
            address,
            b"GET /style.css HTTP/1.1\r\nhost: localhost\r\n\r\n",
        )
    };
    // All from one address, and none of them ever sends a whole request.
    let mut idle: Vec<TcpStream> = (0..70)
        .map(|_| {
            let mut stream = TcpStream::connect(address).unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nx: ").unwrap();
            stream
        })
        .collect();
    for _ in 0..20 {
        let text = tokio::task::block_in_place(ask);
        assert!(text.starts_with("HTTP/1.1 200 OK"), "{text}");
    }
    let mut text = String::new();
    let read = tokio::task::block_in_place(|| idle[0].read_to_string(&mut text));
    assert!(
        read.is_err() || text.is_empty(),
        "the slowest had to go: {text}"
    );
    drop(idle);
    assert!(tokio::task::block_in_place(ask).starts_with("HTTP/1.1 200 OK"));
}

#[tokio::test(flavor = "multi_thread")]
async fn news_reach_those_who_wait_and_their_number_is_bounded() {
    let site = site(false);
    let address = listening(&site).await;
    let request = b"GET /events HTTP/1.1\r\nhost: localhost\r\n\r\n";
    let open = || {
        let mut stream = TcpStream::connect(address).unwrap();
        stream
            .set_read_timeout(Some(Duration::from_secs(20)))
            .unwrap();
        stream.write_all(request).unwrap();
        stream
    };
    let read = |stream: &mut TcpStream, words: &str| {
        let (mut seen, mut piece) = (String::new(), [0u8; 1_024]);
        while !seen.contains(words) {
            let len = stream.read(&mut piece).unwrap();
            assert!(len > 0, "the stream ended: {seen}");
            seen.push_str(&String::from_utf8_lossy(&piece[..len]));
        }
        seen
    };
    tokio::task::block_in_place(|| {
        let mut listeners: Vec<TcpStream> = (0..32).map(|_| open()).collect();
        for listener in &mut listeners {
            let head = read(listener, "retry: 5000\n\n");
            assert!(head.contains("content-type: text/event-stream"), "{head}");
        }
        assert!(read(&mut open(), "\r\n").starts_with("HTTP/1.1 503"));
        site.changes.send_modify(|number| *number += 1);
        for listener in &mut listeners {
            read(listener, "event: changed\ndata: 1\n\n");
        }
        drop(listeners);
    });
    // Whoever goes away frees a place.
    for _ in 0..100 {
        tokio::time::sleep(Duration::from_millis(50)).await;
        let answer = tokio::task::block_in_place(|| read(&mut open(), "\r\n"));
        if answer.starts_with("HTTP/1.1 200") {
            return;
        }
    }
    panic!("no place came free");
}
