//! The other sides of channels: a mail server, a broker, a hub.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};

use rcgen::{
    BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair, date_time_ymd,
};
use serde_json::Value;

use crate::place::{Place, wait_until};

/// A folder of its own; gone when dropped.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Folder {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let name = format!("driftvane-servers-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    fn write(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let removed = fs::remove_dir_all(&self.0);
        if !std::thread::panicking() {
            removed.expect("the folder of a server can be removed");
        }
    }
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

/// A certificate for localhost and its key, in files.
pub struct Certificates {
    folder: Folder,
}

/// Someone who vouches for others, of a name that no other has.
fn authority() -> CertifiedIssuer<'static, KeyPair> {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let name = format!("authority {number} of a test");
    params.distinguished_name.push(DnType::CommonName, name);
    CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap()
}

/// A certificate for localhost, and that of who vouches for it.
pub fn certificates() -> (Certificates, String) {
    let authority = authority();
    (signed_until(&authority, 2120), authority.pem())
}

/// A certificate for localhost that has expired, another that has not, and who vouches for both.
pub fn expired_and_renewed() -> (Certificates, Certificates, String) {
    let authority = authority();
    let [expired, renewed] = [2021, 2120].map(|year| signed_until(&authority, year));
    (expired, renewed, authority.pem())
}

fn signed_until(authority: &CertifiedIssuer<'static, KeyPair>, year: i32) -> Certificates {
    let mut params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    params.not_before = date_time_ymd(2020, 1, 1);
    params.not_after = date_time_ymd(year, 1, 1);
    let key = KeyPair::generate().unwrap();
    let own = params.signed_by(&key, authority).unwrap();
    let folder = Folder::new();
    folder.write("own.pem", &own.pem());
    folder.write("key.pem", &key.serialize_pem());
    Certificates { folder }
}

impl Certificates {
    fn path(&self, name: &str) -> String {
        self.folder.0.join(name).to_str().unwrap().to_owned()
    }

    /// The certificate of someone who vouches for nothing here.
    pub fn stranger(&self) -> String {
        authority().pem()
    }
}

/// A process that ends with the test.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        // One that ended by itself has failed the test already.
        let _ended = self.0.kill();
        let _status = self.0.wait();
    }
}

/// A mail server.
pub struct MailServer {
    pub port: u16,
    /// Before its folder: it writes there until it ends.
    _server: Server,
    folder: Folder,
}

impl MailServer {
    pub fn start(certificates: &Certificates) -> MailServer {
        MailServer::start_at(free_port(), certificates)
    }

    pub fn start_at(port: u16, certificates: &Certificates) -> MailServer {
        let folder = Folder::new();
        let script = folder.write("server.py", include_str!("mail_server.py"));
        // That of the system, for which its packages are.
        let mut child = Command::new("/usr/bin/python3")
            .arg(script)
            .arg(port.to_string())
            .args([certificates.path("own.pem"), certificates.path("key.pem")])
            .arg(&folder.0)
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 and aiosmtpd are installed (Debian: python3-aiosmtpd)");
        let mut line = String::new();
        let out = child.stdout.take().unwrap();
        BufReader::new(out).read_line(&mut line).unwrap();
        assert_eq!(line.trim(), "ready", "python3-aiosmtpd is installed");
        MailServer {
            port,
            folder,
            _server: Server(child),
        }
    }

    /// A channel that sends what is raised to an engineer by this server.
    pub fn channel(&self) -> String {
        format!(
            "[[alerts.channel]]\nname = \"engineers\"\nkind = \"email\"\n\
             server = \"localhost:{}\"\nca_file = \"secrets/ca.pem\"\nlogin = \"dv\"\n\
             password = {{ file = \"secrets/mail\" }}\nfrom = \"driftvane@plant.example\"\n\
             to = [\"pe@plant.example\"]\nstates = [\"active\"]\nnotices_per_minute = 6000\n",
            self.port
        )
    }

    /// Gives a place the password, and whoever vouches for the server.
    pub fn trust(&self, place: &Place, authority: &str) {
        place.write("secrets/ca.pem", authority);
        place.keep_secret("secrets/mail", "geheim\n");
    }

    /// Has the mailboxes whose names begin with busy refuse what comes until later, or take it.
    pub fn are_busy(&self, busy: bool) {
        let mark = self.folder.0.join("busy");
        match busy {
            true => fs::write(mark, "").unwrap(),
            false => fs::remove_file(mark).unwrap(),
        }
    }

    /// The messages so far, in the order in which they came.
    pub fn mails(&self) -> Vec<Value> {
        let read = |number: usize| {
            let path = self.folder.0.join(format!("{number}.json"));
            let text = fs::read_to_string(path).ok()?;
            Some(serde_json::from_str(&text).unwrap())
        };
        (0..).map_while(read).collect()
    }
}

/// A broker, with and without TLS, for who knows the password.
pub struct Broker {
    pub port: u16,
    pub tls_port: u16,
    /// Before its folder, as with the mail server.
    _server: Server,
    _folder: Folder,
}

impl Broker {
    pub fn start(certificates: &Certificates) -> Broker {
        let (port, tls_port, folder) = (free_port(), free_port(), Folder::new());
        let passwords = folder.write("passwords", "");
        let made = Command::new("mosquitto_passwd")
            .args(["-b", &passwords, "dv", "geheim"])
            .output()
            .expect("mosquitto is installed (Debian: mosquitto, mosquitto-clients)");
        assert!(made.status.success(), "{made:?}");
        let settings = format!(
            "per_listener_settings false\nallow_anonymous false\npassword_file {passwords}\n\
             user root\nlistener {port} 127.0.0.1\nlistener {tls_port} 127.0.0.1\n\
             certfile {}\nkeyfile {}\n",
            certificates.path("own.pem"),
            certificates.path("key.pem")
        );
        let settings = folder.write("settings", &settings);
        let sbin = ["/usr/sbin/mosquitto", "mosquitto"];
        let program = sbin.iter().find(|path| fs::exists(path).unwrap_or(false));
        let child = Command::new(program.unwrap_or(&sbin[1]))
            .args(["-c", &settings])
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto is installed (Debian: mosquitto)");
        wait_until("the broker listens", || {
            TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
        Broker {
            port,
            tls_port,
            _folder: folder,
            _server: Server(child),
        }
    }

    /// Follows a topic until so many messages came.
    pub fn follow(&self, topic: &str, count: usize) -> Follower {
        let (port, count) = (self.port.to_string(), count.to_string());
        // Line by line: otherwise nothing is told before the end.
        let mut child = Command::new("stdbuf")
            .args(["-oL", "mosquitto_sub", "-h", "127.0.0.1", "-p", &port, "-d"])
            .args(["-u", "dv", "-P", "geheim"])
            .args(["-q", "1", "-v", "-C", &count, "-W", "60", "-t", topic])
            .stdout(Stdio::piped())
            .spawn()
            .expect("mosquitto_sub is installed (Debian: mosquitto-clients)");
        let mut out = BufReader::new(child.stdout.take().unwrap());
        // What it does is told as well: it must have subscribed before anything is published.
        let mut line = String::new();
        while !line.contains("SUBACK") {
            line.clear();
            assert!(out.read_line(&mut line).unwrap() > 0, "mosquitto_sub ended");
        }
        Follower { child, out }
    }
}

/// Who follows a topic.
pub struct Follower {
    child: Child,
    out: BufReader<std::process::ChildStdout>,
}

impl Follower {
    /// Topic and payload of each message, once all came.
    pub fn lines(mut self) -> Vec<String> {
        let mut all = String::new();
        self.out.read_to_string(&mut all).unwrap();
        assert!(self.child.wait().unwrap().success(), "too few came: {all}");
        let is_message = |line: &&str| line.starts_with("plant");
        all.lines().filter(is_message).map(str::to_owned).collect()
    }
}

/// What a hub says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Says {
    Status(u16),
    /// It takes the request and never answers.
    Nothing,
}

/// A receiver of webhooks that does what a test says.
pub struct Hub {
    pub port: u16,
    keys: Arc<Mutex<Vec<String>>>,
    says: Arc<Mutex<Says>>,
    /// Connections that wait for an answer.
    silent: Arc<Mutex<Vec<TcpStream>>>,
}

impl Hub {
    pub fn start(says: Says) -> Hub {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let hub = Hub {
            port: listener.local_addr().unwrap().port(),
            keys: Arc::default(),
            says: Arc::new(Mutex::new(says)),
            silent: Arc::default(),
        };
        let (keys, says) = (Arc::clone(&hub.keys), Arc::clone(&hub.says));
        let silent = Arc::clone(&hub.silent);
        std::thread::spawn(move || {
            for socket in listener.incoming() {
                let mut socket = socket.unwrap();
                let Some(key) = key_of(&mut socket) else {
                    continue;
                };
                keys.lock().unwrap().push(key);
                match *says.lock().unwrap() {
                    Says::Nothing => silent.lock().unwrap().push(socket),
                    Says::Status(status) => {
                        let answer = format!("HTTP/1.1 {status} Said\r\nContent-Length: 0\r\n\r\n");
                        // Who was killed does not wait for it.
                        let _gone = socket.write_all(answer.as_bytes());
                    }
                }
            }
        });
        hub
    }

    pub fn says(&self, says: Says) {
        *self.says.lock().unwrap() = says;
    }

    /// Breaks off the connections that wait for an answer.
    pub fn hang_up(&self) {
        self.silent.lock().unwrap().clear();
    }

    /// The keys of the notices that came, in their order, copies included.
    pub fn keys(&self) -> Vec<String> {
        self.keys.lock().unwrap().clone()
    }
}

/// The key of a request, once it is there as a whole.
fn key_of(socket: &mut TcpStream) -> Option<String> {
    let mut reader = BufReader::new(socket);
    let (mut key, mut length) = (None, 0);
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        let line = line.trim_end();
        if line.is_empty() {
            break;
        }
        if let Some(found) = line.strip_prefix("Idempotency-Key: ") {
            key = Some(found.trim_matches('"').to_owned());
        }
        if let Some(found) = line.strip_prefix("Content-Length: ") {
            length = found.parse().unwrap();
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    key
}
