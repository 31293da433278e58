//! A way to a server: TCP, with TLS where it is asked for.
//!
//! Knows no protocol above. The one invariant: whatever the other side does, everything that is
//! done over a wire ends within the time that was given when it was opened.

use std::io::{Error, ErrorKind, Read, Result as IoResult, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{CertificateError, ClientConfig, ClientConnection, RootCertStore, StreamOwned};

use super::Fault;
use crate::clock::Monotonic;
use crate::config::channel::{Security, Server, place};

/// How long one address of a server may take to answer.
const CONNECT_PATIENCE: Duration = Duration::from_secs(5);

/// Addresses of a server that are tried.
const ADDRESSES_MAX: usize = 4;

/// Bytes of a line that a server says.
const LINE_MAX: usize = 1_024;

/// A socket that gives up at a time.
struct Timed {
    socket: TcpStream,
    clock: Monotonic,
    patience: Duration,
}

impl Timed {
    fn left(&self) -> IoResult<Duration> {
        let gone = Duration::from_millis(self.clock.ms());
        let left = self.patience.saturating_sub(gone);
        if left.is_zero() {
            return Err(Error::from(ErrorKind::TimedOut));
        }
        Ok(left)
    }
}

impl Read for Timed {
    fn read(&mut self, to: &mut [u8]) -> IoResult<usize> {
        self.socket.set_read_timeout(Some(self.left()?))?;
        self.socket.read(to)
    }
}

impl Write for Timed {
    fn write(&mut self, bytes: &[u8]) -> IoResult<usize> {
        self.socket.set_write_timeout(Some(self.left()?))?;
        self.socket.write(bytes)
    }

    fn flush(&mut self) -> IoResult<()> {
        self.socket.flush()
    }
}

enum Stream {
    Plain(Timed),
    Tls(Box<StreamOwned<ClientConnection, Timed>>),
    /// In the middle of a change from one to the other.
    Gone,
}

/// A way to a server.
pub(super) struct Wire {
    stream: Stream,
    /// How the server is named in what is said of it.
    place: String,
    /// How long all that is done over it may take.
    patience: Duration,
    /// Where it was found.
    pub(super) found: String,
}

impl Wire {
    /// Opens a way to a host, without TLS.
    pub(super) fn plain(host: &str, port: u16, patience: Duration) -> Result<Wire, Fault> {
        let place = place(host, port);
        let clock = Monotonic::start();
        let addresses = (host, port).to_socket_addrs().map_err(|error| {
            let fix = "check the name in the configuration and this machine's name service";
            Fault::channel(format!("{host} is not known: {error}"), fix)
        })?;
        let mut last = None;
        for address in addresses.take(ADDRESSES_MAX) {
            match TcpStream::connect_timeout(&address, CONNECT_PATIENCE) {
                Ok(socket) => {
                    // Small pieces of talk must not wait for each other.
                    let _delay = socket.set_nodelay(true);
                    return Ok(Wire {
                        stream: Stream::Plain(Timed {
                            socket,
                            clock,
                            patience,
                        }),
                        place,
                        patience,
                        found: address.to_string(),
                    });
                }
                Err(error) => last = Some(format!("{address}: {error}")),
            }
        }
        let tried = last.unwrap_or_else(|| "it has no address".to_owned());
        let fix = "check host and port, that the server runs, and firewalls between";
        Err(Fault::channel(
            format!("{place} can not be reached: {tried}"),
            fix,
        ))
    }

    /// Opens a way to a server, with TLS from the first byte where that is asked for.
    pub(super) fn open(server: &Server, patience: Duration) -> Result<Wire, Fault> {
        let mut wire = Wire::plain(&server.host, server.port, patience)?;
        if server.security == Security::Tls {
            wire.secure(server)?;
        }
        Ok(wire)
    }

    /// Goes over to TLS.
    pub(super) fn secure(&mut self, server: &Server) -> Result<(), Fault> {
        let name = ServerName::try_from(server.host.clone()).map_err(|_| {
            let fix = "name the server as its certificate does";
            Fault::channel(format!("{} is no name for TLS", server.host), fix)
        })?;
        let config = trusting(server.ca_file.as_deref())?;
        let failed = |error: &Error| self.untrusted(error);
        let connection = ClientConnection::new(config, name)
            .map_err(|error| failed(&Error::new(ErrorKind::InvalidData, error)))?;
        let Stream::Plain(socket) = std::mem::replace(&mut self.stream, Stream::Gone) else {
            return Ok(());
        };
        let mut stream = Box::new(StreamOwned::new(connection, socket));
        while stream.conn.is_handshaking() {
            stream
                .conn
                .complete_io(&mut stream.sock)
                .map_err(|error| self.untrusted(&error))?;
        }
        self.stream = Stream::Tls(stream);
        Ok(())
    }

    /// How the way is secured, for a person.
    pub(super) fn security(&self) -> &'static str {
        match &self.stream {
            Stream::Tls(_) => "with TLS",
            Stream::Plain(_) | Stream::Gone => "without TLS",
        }
    }

    /// Why there is no TLS, and what to do.
    fn untrusted(&self, error: &Error) -> Fault {
        let place = &self.place;
        let inner = error.get_ref().and_then(|inner| inner.downcast_ref());
        let Some(tls) = inner else {
            return self.broken("TLS could not be agreed on", error);
        };
        let (problem, fix) = match tls {
            rustls::Error::InvalidCertificate(error) => certificate(error),
            other => (
                format!("TLS could not be agreed on: {other}"),
                "check port and security (of a webhook: http or https): TLS 1.2 or 1.3 is spoken",
            ),
        };
        Fault::channel(format!("{place}: {problem}"), fix)
    }

    /// What broke off, and what to do.
    pub(super) fn broken(&self, during: &str, error: &Error) -> Fault {
        let place = &self.place;
        let (what, fix) = match error.kind() {
            ErrorKind::TimedOut | ErrorKind::WouldBlock => (
                format!("no answer within {} s", self.patience.as_secs()),
                "look at the server: it accepts connections but does not answer",
            ),
            ErrorKind::UnexpectedEof
            | ErrorKind::ConnectionReset
            | ErrorKind::ConnectionAborted
            | ErrorKind::BrokenPipe => (
                "the server broke the connection off".to_owned(),
                "check that port and security fit the server, and look into its log",
            ),
            _ => (
                error.to_string(),
                "check that port and security fit the server, and look into its log",
            ),
        };
        Fault::channel(format!("{place}: {during}: {what}"), fix)
    }

    /// Writes all of it.
    pub(super) fn say(&mut self, bytes: &[u8], during: &str) -> Result<(), Fault> {
        let said = self.write_all(bytes).and_then(|()| self.flush());
        said.map_err(|error| self.broken(during, &error))
    }

    /// Reads a line without its end.
    pub(super) fn line(&mut self, during: &str) -> Result<String, Fault> {
        let mut line = Vec::new();
        let mut byte = [0];
        loop {
            self.read_exact(&mut byte)
                .map_err(|error| self.broken(during, &error))?;
            match byte[0] {
                b'\n' => break,
                one if line.len() < LINE_MAX => line.push(one),
                _ => {
                    let problem = format!("{}: {during}: an endless line", self.place);
                    return Err(Fault::channel(problem, "check host, port and security"));
                }
            }
        }
        Ok(String::from_utf8_lossy(&line).trim_end().to_owned())
    }

    /// How the server is named in what is said of it.
    pub(super) fn place(&self) -> &str {
        &self.place
    }
}

impl Read for Wire {
    fn read(&mut self, to: &mut [u8]) -> IoResult<usize> {
        match &mut self.stream {
            Stream::Plain(stream) => stream.read(to),
            Stream::Tls(stream) => stream.read(to),
            Stream::Gone => Err(Error::from(ErrorKind::NotConnected)),
        }
    }
}

impl Write for Wire {
    fn write(&mut self, bytes: &[u8]) -> IoResult<usize> {
        match &mut self.stream {
            Stream::Plain(stream) => stream.write(bytes),
            Stream::Tls(stream) => stream.write(bytes),
            Stream::Gone => Err(Error::from(ErrorKind::NotConnected)),
        }
    }

    fn flush(&mut self) -> IoResult<()> {
        match &mut self.stream {
            Stream::Plain(stream) => stream.flush(),
            Stream::Tls(stream) => stream.flush(),
            Stream::Gone => Ok(()),
        }
    }
}

/// What is wrong with a certificate, and what to do.
fn certificate(error: &CertificateError) -> (String, &'static str) {
    use CertificateError::{
        BadSignature, Expired, ExpiredContext, NotValidForName, NotValidForNameContext,
        NotValidYet, NotValidYetContext, UnknownIssuer,
    };
    match error {
        Expired | ExpiredContext { .. } => (
            "its certificate has expired".to_owned(),
            "renew the server's certificate, or set this machine's clock",
        ),
        NotValidYet | NotValidYetContext { .. } => (
            "its certificate is not valid yet".to_owned(),
            "set this machine's clock, or renew the server's certificate",
        ),
        // A name that is trusted, but another key: an authority of before.
        UnknownIssuer | BadSignature => (
            "nobody trusted vouches for its certificate".to_owned(),
            "write ca_file = \"...\" with the certificate of the plant's authority as PEM",
        ),
        NotValidForName | NotValidForNameContext { .. } => (
            "its certificate is for another name".to_owned(),
            "name the server in the configuration as its certificate does",
        ),
        other => (
            format!("its certificate can not be used: {other}"),
            "renew the server's certificate",
        ),
    }
}

/// Trusts those whom the system trusts, and those of a file.
fn trusting(file: Option<&Path>) -> Result<Arc<ClientConfig>, Fault> {
    let mut roots = RootCertStore::empty();
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    if let Some(path) = file {
        let place = path.display();
        let fix = "write the authority's certificate there, as PEM";
        let unusable = |error: &dyn std::fmt::Display| {
            Fault::channel(format!("ca_file {place} can not be used: {error}"), fix)
        };
        let mut count = 0;
        let own = CertificateDer::pem_file_iter(path).map_err(|error| unusable(&error))?;
        for one in own {
            let one = one.map_err(|error| unusable(&error))?;
            roots.add(one).map_err(|error| unusable(&error))?;
            count += 1;
        }
        if count == 0 {
            return Err(unusable(&"it has no certificate"));
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| {
            let fix = "this is a defect of the program: report it";
            Fault::channel(format!("TLS can not be used: {error}"), fix)
        })?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}
