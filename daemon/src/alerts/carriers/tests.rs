//! Carriers against other sides that this file plays: those that are slow, silent or wrong.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair, date_time_ymd};
use rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};

use super::*;
use crate::config::channel::{Secret, Security, Server, Syslog, SyslogPlace, Webhook};
use crate::words::Severity;

/// How long a carrier of a test waits for the other side.
pub(super) const PATIENCE: Duration = Duration::from_millis(300);

/// How long a test waits for what has to come.
pub(super) const LONG: Duration = Duration::from_secs(30);

pub(super) fn notice() -> Notice {
    Notice {
        key: "a1b2-7".into(),
        alert: Some(7),
        kind: "raised".into(),
        at: 1_772_445_600_000_000,
        line: "L1".into(),
        severity: Severity::High,
        state: "active".into(),
        streams: vec!["paste-height/L1/fine+#".into()],
        subject: "A-0007 raised: paste-height/L1".into(),
        text: "The mean fell.\nHold the panels.".into(),
        body: "{\"key\":\"a1b2-7\"}".into(),
    }
}

pub(super) fn carry(carrier: &mut dyn Carrier) -> Result<Receipt, Fault> {
    let notice = notice();
    carrier.carry(&Load::of(&[&notice]))
}

/// Another side that does one thing with each connection.
pub(super) fn other_side(serve: impl Fn(TcpStream) + Send + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for socket in listener.incoming() {
            serve(socket.unwrap());
        }
    });
    port
}

pub(super) fn server(port: u16, security: Security) -> Server {
    Server {
        host: "localhost".into(),
        port,
        security,
        ca_file: None,
    }
}

fn webhook(port: u16) -> webhook::Sender {
    webhook::Sender {
        settings: Webhook {
            server: server(port, Security::None),
            target: "/alerts".into(),
            secret: None,
        },
        patience: PATIENCE,
    }
}

/// A folder of its own for a test, removed at its end.
pub(super) struct Folder(pub(super) PathBuf);

impl Folder {
    pub(super) fn new() -> Folder {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let name = format!("driftvane-carriers-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    pub(super) fn write(&self, name: &str, text: &str, mode: u32) -> PathBuf {
        use std::os::unix::fs::PermissionsExt;
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        std::fs::remove_dir_all(&self.0).unwrap();
    }
}

/// Reads a request as a server does: its lines, and its body.
fn request(socket: &mut impl Read) -> (Vec<String>, String) {
    let mut reader = BufReader::new(socket);
    let mut lines = Vec::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        match line.trim_end() {
            "" => break,
            line => lines.push(line.to_owned()),
        }
    }
    let length = lines
        .iter()
        .find_map(|line| line.strip_prefix("Content-Length: "))
        .unwrap();
    let mut body = vec![0; length.parse().unwrap()];
    reader.read_exact(&mut body).unwrap();
    (lines, String::from_utf8(body).unwrap())
}

fn answering(answer: &'static str) -> u16 {
    other_side(move |mut socket| {
        request(&mut socket);
        socket.write_all(answer.as_bytes()).unwrap();
    })
}

#[test]
fn a_webhook_gets_the_notice_signed_with_its_key() {
    let folder = Folder::new();
    let secret = folder.write("secret", "Jefe\nsecond line\n", 0o600);
    let (sender, requests) = std::sync::mpsc::channel();
    let port = other_side(move |mut socket| {
        sender.send(request(&mut socket)).unwrap();
        socket
            .write_all(b"HTTP/1.1 202 Accepted\r\nContent-Length: 0\r\n\r\n")
            .unwrap();
    });
    let mut carrier = webhook(port);
    carrier.settings.secret = Some(Secret::File(secret));
    let receipt = carry(&mut carrier).unwrap();
    assert!(
        receipt.said.starts_with("202 from 127.0.0.1:"),
        "{receipt:?}"
    );
    let (lines, body) = requests.recv_timeout(LONG).unwrap();
    assert_eq!(body, notice().body);
    assert_eq!(lines[0], "POST /alerts HTTP/1.1");
    assert_eq!(lines[1], format!("Host: localhost:{port}"));
    assert!(lines.contains(&"Idempotency-Key: \"a1b2-7\"".to_owned()));
    let header = |name: &str| {
        let found = lines.iter().find_map(|line| line.strip_prefix(name));
        found.unwrap().to_owned()
    };
    let timestamp = header("Driftvane-Timestamp: ");
    let signed = hmac_of("Jefe", &format!("{timestamp}.{body}"));
    assert_eq!(header("Driftvane-Signature: "), format!("sha256={signed}"));
}

#[test]
fn no_key_can_end_the_header_of_a_request_that_it_stands_in() {
    let mut notice = notice();
    notice.key = "feed-S\u{fc}d \"L1\"\r\nContent-Length: 0\r\n\r\n-7".into();
    let request = webhook(80).request(&notice, 0).unwrap();
    let (head, body) = request.split_once("\r\n\r\n").unwrap();
    assert_eq!(body, notice.body);
    let key = "Idempotency-Key: \"feed-SdL1Content-Length0-7\"";
    assert!(head.lines().any(|line| line == key), "{head}");
}

/// HMAC as RFC 2104 defines it, from nothing but a digest.
fn hmac_of(key: &str, text: &str) -> String {
    use ring::digest::{SHA256, digest};
    let pad = |with: u8| {
        let mut block = [with; 64];
        for (byte, own) in block.iter_mut().zip(key.bytes()) {
            *byte ^= own;
        }
        block
    };
    let inner = digest(&SHA256, &[&pad(0x36), text.as_bytes()].concat());
    let outer = digest(&SHA256, &[&pad(0x5c), inner.as_ref()].concat());
    outer
        .as_ref()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// RFC 4231, test case 2, so that the check above stands on something outside.
#[test]
fn the_digest_that_signatures_are_checked_with_is_the_published_one() {
    assert_eq!(
        hmac_of("Jefe", "what do ya want for nothing?"),
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    );
}

#[test]
fn what_a_status_means_decides_whether_others_may_pass() {
    for (answer, is_of_notice, words) in [
        (
            "HTTP/1.1 500 Oh\r\n\r\nout of memory",
            false,
            "answered 500: out of memory",
        ),
        (
            "HTTP/1.1 429 Slow\r\nContent-Length: 0\r\n\r\n",
            false,
            "answered 429",
        ),
        (
            "HTTP/1.1 404 No\r\nContent-Length: 0\r\n\r\n",
            false,
            "check the path",
        ),
        (
            "HTTP/1.1 302 There\r\nLocation: /b\r\n\r\n",
            false,
            "redirections",
        ),
        (
            "HTTP/1.1 403 No\r\nContent-Length: 0\r\n\r\n",
            false,
            "check secret",
        ),
        (
            "HTTP/1.1 422 No\r\nContent-Length: 3\r\n\r\nbad",
            true,
            "answered 422: bad",
        ),
        ("SSH-2.0-server\r\n", false, "not HTTP/1.1"),
        ("", false, "broke the connection off"),
    ] {
        let fault = carry(&mut webhook(answering(answer))).unwrap_err();
        assert_eq!(fault.is_of_notice, is_of_notice, "{answer}: {fault:?}");
        let said = format!("{}; {}", fault.problem, fault.fix);
        assert!(said.contains(words), "{answer}: {said}");
    }
}

#[test]
fn a_receiver_that_keeps_the_connection_open_holds_up_nothing() {
    let port = other_side(|mut socket| {
        request(&mut socket);
        socket.write_all(b"HTTP/1.1 204 Done\r\n\r\n").unwrap();
        std::mem::forget(socket);
    });
    let mut carrier = webhook(port);
    carrier.patience = LONG;
    let clock = crate::clock::Monotonic::start();
    carry(&mut carrier).unwrap();
    assert!(u128::from(clock.ms()) < LONG.as_millis() / 2);
}

#[test]
fn who_accepts_and_never_answers_is_left() {
    let port = other_side(std::mem::forget);
    let fault = carry(&mut webhook(port)).unwrap_err();
    assert!(fault.problem.contains("no answer within"), "{fault:?}");
    // Nor does one that answers a byte at a time keep the channel for longer.
    let port = other_side(|mut socket| {
        for byte in b"HTTP/1.1 200 OK\r\nA: "
            .iter()
            .chain([b'a'; 10_000].iter())
        {
            if socket.write_all(&[*byte]).is_err() {
                return;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    });
    let fault = carry(&mut webhook(port)).unwrap_err();
    assert!(fault.problem.contains("no answer within"), "{fault:?}");
}

#[test]
fn endless_answers_and_broken_connections_are_told() {
    let port = other_side(|mut socket| {
        request(&mut socket);
        let _gone = socket.write_all(b"HTTP/1.1 200 OK\r\n");
        let line = format!("A: {}\r\n", "a".repeat(1_000));
        while socket.write_all(line.as_bytes()).is_ok() {}
    });
    let fault = carry(&mut webhook(port)).unwrap_err();
    assert!(fault.problem.contains("not HTTP/1.1"), "{fault:?}");
    // A port that nobody listens at: bound once, and let go.
    let free = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let fault = carry(&mut webhook(free.port())).unwrap_err();
    assert!(fault.problem.contains("can not be reached"), "{fault:?}");
    let mut nowhere = webhook(80);
    nowhere.settings.server.host = "no-such-host.invalid".into();
    let fault = carry(&mut nowhere).unwrap_err();
    assert!(fault.problem.contains("is not known"), "{fault:?}");
}

/// A server whose certificate is for a name and some years, and the file of who vouches for it.
fn with_tls(folder: &Folder, name: &str, years: (i32, i32)) -> (u16, PathBuf) {
    let mut authority = CertificateParams::new(Vec::<String>::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
    let mut own = CertificateParams::new(vec![name.to_owned()]).unwrap();
    own.not_before = date_time_ymd(years.0, 1, 1);
    own.not_after = date_time_ymd(years.1, 1, 1);
    let key = KeyPair::generate().unwrap();
    let certificate = own.signed_by(&key, &authority).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key.serialize_der()));
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![certificate.der().clone()], key)
        .unwrap();
    let config = Arc::new(config);
    let port = other_side(move |socket| {
        let connection = ServerConnection::new(Arc::clone(&config)).unwrap();
        let mut stream = StreamOwned::new(connection, socket);
        // A client that does not trust this server goes away during the handshake.
        if stream.conn.complete_io(&mut stream.sock).is_ok() {
            request(&mut stream);
            let answer = b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n";
            stream.write_all(answer).unwrap();
        }
    });
    (port, folder.write("ca.pem", &authority.pem(), 0o644))
}

fn over_tls(port: u16, ca_file: Option<&Path>) -> Result<Receipt, Fault> {
    let mut carrier = webhook(port);
    carrier.patience = LONG;
    carrier.settings.server.security = Security::Tls;
    carrier.settings.server.ca_file = ca_file.map(Path::to_owned);
    carry(&mut carrier)
}

#[test]
fn only_a_certificate_that_holds_is_trusted_and_the_reason_is_told() {
    let folder = Folder::new();
    let (good, authority) = with_tls(&folder, "localhost", (2020, 2120));
    let receipt = over_tls(good, Some(&authority)).unwrap();
    assert!(receipt.said.ends_with("with TLS"), "{receipt:?}");
    let problem = |port, ca: Option<&Path>| over_tls(port, ca).unwrap_err().problem;
    let unknown = problem(good, None);
    assert!(unknown.contains("nobody trusted vouches"), "{unknown}");
    let (old, authority) = with_tls(&folder, "localhost", (2020, 2021));
    let expired = problem(old, Some(&authority));
    assert!(expired.contains("has expired"), "{expired}");
    let (young, authority) = with_tls(&folder, "localhost", (2119, 2120));
    let not_yet = problem(young, Some(&authority));
    assert!(not_yet.contains("not valid yet"), "{not_yet}");
    let (other, authority) = with_tls(&folder, "other.example", (2020, 2120));
    let name = problem(other, Some(&authority));
    assert!(name.contains("for another name"), "{name}");
    let plain = other_side(|mut socket| {
        let _gone = socket.write_all(b"220 mail.example\r\n");
    });
    let no_tls = problem(plain, Some(&authority));
    assert!(no_tls.contains("TLS could not be agreed on"), "{no_tls}");
    let nothing = folder.write("empty.pem", "no certificate\n", 0o644);
    let missing = problem(good, Some(&folder.0.join("missing.pem")));
    assert!(
        missing.contains("ca_file") && missing.contains("can not be used"),
        "{missing}"
    );
    let empty = problem(good, Some(&nothing));
    assert!(empty.contains("has no certificate"), "{empty}");
}

#[test]
fn a_secret_is_read_where_it_is_kept_and_never_told() {
    let folder = Folder::new();
    let read = |secret: &Secret| secret::read(secret).map_err(|fault| fault.problem);
    let good = folder.write("good", "geheim\n", 0o600);
    assert_eq!(read(&Secret::File(good)).unwrap(), "geheim");
    let open = folder.write("open", "geheim\n", 0o644);
    let said = read(&Secret::File(open)).unwrap_err();
    assert!(
        said.contains("open to others") && !said.contains("geheim"),
        "{said}"
    );
    let empty = folder.write("empty", "\n", 0o600);
    assert!(read(&Secret::File(empty)).unwrap_err().contains("empty"));
    let missing = read(&Secret::File(folder.0.join("missing"))).unwrap_err();
    assert!(missing.contains("can not be read"), "{missing}");
    let unset = read(&Secret::Environment("DRIFTVANE_NO_SUCH_NAME".into())).unwrap_err();
    assert!(
        unset.contains("DRIFTVANE_NO_SUCH_NAME is not set"),
        "{unset}"
    );
}

fn syslog(place: SyslogPlace) -> syslog::Sender {
    syslog::Sender {
        settings: Syslog { place, facility: 3 },
        patience: PATIENCE,
    }
}

/// The form of RFC 5424, section 6: priority, version, time, host, program, process, kind, data.
fn assert_is_syslog(message: &str) {
    let mut fields = message.splitn(7, ' ');
    // Facility 3 times 8, and 2 for critical.
    assert_eq!(fields.next(), Some("<26>1"), "{message}");
    assert_eq!(fields.next(), Some("2026-03-02T10:00:00Z"));
    assert!(fields.next().is_some_and(|host| !host.is_empty()));
    assert_eq!(fields.next(), Some("driftvane"));
    assert!(fields.next().unwrap().parse::<u32>().is_ok());
    assert_eq!(fields.next(), Some("raised"));
    let rest = fields.next().unwrap();
    let data = "[origin software=\"driftvane\" swVersion=\"";
    assert!(rest.starts_with(data), "{rest}");
    let (_, said) = rest.split_once("] \u{feff}").unwrap();
    assert_eq!(
        said,
        "A-0007 raised: paste-height/L1 (severity high, line L1, key a1b2-7): The mean fell.; \
         Hold the panels."
    );
}

#[test]
fn syslog_goes_out_by_udp_by_tcp_and_to_a_socket() {
    let udp = UdpSocket::bind("127.0.0.1:0").unwrap();
    udp.set_read_timeout(Some(LONG)).unwrap();
    let port = udp.local_addr().unwrap().port();
    carry(&mut syslog(SyslogPlace::Udp("127.0.0.1".into(), port))).unwrap();
    let mut bytes = [0; 4_096];
    let length = udp.recv(&mut bytes).unwrap();
    assert_is_syslog(std::str::from_utf8(&bytes[..length]).unwrap());

    let (sender, messages) = std::sync::mpsc::channel();
    let port = other_side(move |mut socket| {
        let mut all = String::new();
        socket.read_to_string(&mut all).unwrap();
        sender.send(all).unwrap();
    });
    carry(&mut syslog(SyslogPlace::Tcp("127.0.0.1".into(), port))).unwrap();
    let framed = messages.recv_timeout(LONG).unwrap();
    let (length, message) = framed.split_once(' ').unwrap();
    assert_eq!(length.parse(), Ok(message.len()));
    assert_is_syslog(message);

    let folder = Folder::new();
    let path = folder.0.join("log");
    let local = std::os::unix::net::UnixDatagram::bind(&path).unwrap();
    local.set_read_timeout(Some(LONG)).unwrap();
    carry(&mut syslog(SyslogPlace::Unix(path))).unwrap();
    let length = local.recv(&mut bytes).unwrap();
    assert_is_syslog(std::str::from_utf8(&bytes[..length]).unwrap());
    let fault = carry(&mut syslog(SyslogPlace::Unix(folder.0.join("none")))).unwrap_err();
    assert!(fault.problem.contains("can not be reached"), "{fault:?}");
}
