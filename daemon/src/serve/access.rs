//! Who may look and who may change something: tokens, sessions, and what slows guessing down.
//!
//! Knows no page and no request. The one invariant: neither a token nor a session's secret is ever
//! kept or written down; only their hashes are, and they are compared in constant time.

use std::collections::BTreeMap;
use std::io::Read;
use std::net::IpAddr;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use blake3::Hash;
use jiff::Timestamp;
use serde::Deserialize;

use crate::clock::{self, Monotonic};

/// Bytes of a token or of a session's secret: twice the 128 bits below which guessing pays.
const SECRET_BYTES: usize = 32;

/// Sessions that are kept at most; the oldest has to sign in again.
const SESSIONS_MAX: usize = 256;

/// How long a session lasts: a shift and its handover.
const SESSION_MS: u64 = 12 * 3_600_000;

/// Wrong tokens that one address may send in a minute.
const FAILURES_MAX: usize = 5;

/// The minute in which failures are counted.
const FAILURES_MS: u64 = 60_000;

/// Addresses whose failures are remembered.
const ADDRESSES_MAX: usize = 4_096;

/// What someone may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Look.
    View,
    /// Act on alerts and streams, freeze and restart limits or propose it.
    Operate,
    /// Approve what others propose, beside all that.
    Approve,
}

impl Role {
    /// The name in the token file.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Role::View => "view",
            Role::Operate => "operate",
            Role::Approve => "approve",
        }
    }
}

/// Someone who may at least look.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Visitor {
    /// The name of the token; empty where none was asked for.
    pub token: String,
    /// What they may do.
    pub role: Role,
}

/// Why a token file can not be used.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The system refused.
    #[error("{path}: {source}; make the first token with `driftvane token NAME`")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The cause.
        source: std::io::Error,
    },
    /// Others can read or write it.
    #[error("{0} is open to others: take their rights away (chmod 600 {0})")]
    Open(PathBuf),
    /// It is not what this program writes.
    #[error("{path}: {reason}; make tokens with `driftvane token NAME`")]
    Malformed {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TokenFile {
    #[serde(default)]
    token: Vec<TokenEntry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TokenEntry {
    name: String,
    role: Role,
    blake3: String,
    until: Option<String>,
}

struct Token {
    name: String,
    role: Role,
    hash: Hash,
    until: Option<Timestamp>,
}

impl Token {
    fn has_ended(&self) -> bool {
        let now = Timestamp::from_microsecond(clock::now());
        self.until
            .is_some_and(|until| now.is_ok_and(|now| now >= until))
    }
}

struct Session {
    hash: Hash,
    visitor: Visitor,
    /// The token that began it.
    token: Hash,
    ends_ms: u64,
}

/// Tokens, sessions and failures of one running page.
pub struct Access {
    /// Absent where everyone may look.
    tokens: Option<Vec<Token>>,
    clock: Monotonic,
    sessions: Mutex<Vec<Session>>,
    failures: Mutex<BTreeMap<IpAddr, Vec<u64>>>,
}

/// Why a token lets nobody in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Denied {
    /// There is no such token.
    Unknown,
    /// Its time is over.
    Ended,
    /// Too many wrong tokens came from one address.
    Throttled,
}

impl Denied {
    /// What the visitor is told.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Denied::Unknown => "There is no such token. Tokens are made with “driftvane token”.",
            Denied::Ended => "The time of this token is over. Have a new one made.",
            Denied::Throttled => "Too many wrong tokens came from your address. Wait a minute.",
        }
    }
}

impl Access {
    /// Everyone who can reach the page may look; nobody may change anything.
    #[must_use]
    pub fn open() -> Access {
        Access::of(None)
    }

    /// Reads the token file, where there is one.
    ///
    /// # Errors
    ///
    /// When it can not be read, is open to others, or is malformed.
    pub fn read(path: Option<&Path>) -> Result<Access, TokenError> {
        let Some(path) = path else {
            return Ok(Access::open());
        };
        let failed = |source| TokenError::Unreadable {
            path: path.to_owned(),
            source,
        };
        let mode = std::fs::metadata(path).map_err(failed)?.mode();
        if mode & 0o077 != 0 {
            return Err(TokenError::Open(path.to_owned()));
        }
        let text = std::fs::read_to_string(path).map_err(failed)?;
        let tokens = parse(&text).map_err(|reason| TokenError::Malformed {
            path: path.to_owned(),
            reason,
        })?;
        Ok(Access::of(Some(tokens)))
    }

    fn of(tokens: Option<Vec<Token>>) -> Access {
        Access {
            tokens,
            clock: Monotonic::start(),
            sessions: Mutex::default(),
            failures: Mutex::default(),
        }
    }

    /// Whether there is a token of that name.
    #[must_use]
    pub fn has(&self, name: &str) -> bool {
        self.tokens.iter().flatten().any(|token| token.name == name)
    }

    /// Whether nobody has to sign in to look.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.tokens.is_none()
    }

    /// Whose token this is. A wrong one counts against the address; a right one always passes, for
    /// many people may come from one address, such as that of a proxy.
    ///
    /// # Errors
    ///
    /// When there is no such token, its time is over, or it is wrong and the address has sent too
    /// many wrong ones within a minute.
    pub fn token(&self, token: &str, from: IpAddr) -> Result<Visitor, Denied> {
        match self.found(token) {
            Some(known) if known.has_ended() => Err(Denied::Ended),
            Some(known) => Ok(Visitor {
                token: known.name.clone(),
                role: known.role,
            }),
            None => Err(self.count_failure(from)),
        }
    }

    fn found(&self, token: &str) -> Option<&Token> {
        let hash = blake3::hash(token.trim().as_bytes());
        let mut found = None;
        // Every token is compared, so that the time taken says nothing about which one fits.
        for known in self.tokens.iter().flatten() {
            if known.hash == hash {
                found = Some(known);
            }
        }
        found
    }

    fn count_failure(&self, from: IpAddr) -> Denied {
        let now = self.clock.ms();
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        let is_recent = |at: &u64| *at + FAILURES_MS > now;
        failures.retain(|_, times| times.iter().any(is_recent));
        if !failures.contains_key(&from) && failures.len() >= ADDRESSES_MAX {
            return Denied::Throttled;
        }
        let times = failures.entry(from).or_default();
        times.retain(is_recent);
        if times.len() >= FAILURES_MAX {
            return Denied::Throttled;
        }
        times.push(now);
        Denied::Unknown
    }

    /// Begins a session of whoever has this token, and gives its secret.
    ///
    /// # Errors
    ///
    /// When the system gives no random numbers.
    pub fn begin(&self, token: &str, visitor: Visitor) -> std::io::Result<String> {
        let secret = secret()?;
        let now = self.clock.ms();
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|session| session.ends_ms > now);
        if sessions.len() >= SESSIONS_MAX {
            sessions.remove(0);
        }
        sessions.push(Session {
            hash: blake3::hash(secret.as_bytes()),
            visitor,
            token: blake3::hash(token.trim().as_bytes()),
            ends_ms: now + SESSION_MS,
        });
        Ok(secret)
    }

    /// Goes on with the sessions of before whose token still allows the same.
    pub fn inherit(&self, before: &Access) {
        let held = |access: &Access| {
            let all = access.sessions.lock();
            std::mem::take(&mut *all.unwrap_or_else(PoisonError::into_inner))
        };
        let mut sessions = held(before);
        sessions.retain(|session| {
            let mut tokens = self.tokens.iter().flatten();
            tokens.any(|token| token.hash == session.token && token.role == session.visitor.role)
        });
        let (then, now) = (before.clock.ms(), self.clock.ms());
        for session in &mut sessions {
            session.ends_ms = now + session.ends_ms.saturating_sub(then);
        }
        let own = self.sessions.lock();
        *own.unwrap_or_else(PoisonError::into_inner) = sessions;
    }

    /// Whose session this is.
    #[must_use]
    pub fn session(&self, secret: &str) -> Option<Visitor> {
        let hash = blake3::hash(secret.as_bytes());
        let now = self.clock.ms();
        let sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        let mut found = None;
        for session in sessions.iter() {
            if session.hash == hash && session.ends_ms > now && !self.has_ended(&session.token) {
                found = Some(session.visitor.clone());
            }
        }
        found
    }

    fn has_ended(&self, token: &Hash) -> bool {
        let mut tokens = self.tokens.iter().flatten();
        tokens.any(|known| known.hash == *token && known.has_ended())
    }

    /// Ends a session.
    pub fn end(&self, secret: &str) {
        let hash = blake3::hash(secret.as_bytes());
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|session| session.hash != hash);
    }
}

fn parse(text: &str) -> Result<Vec<Token>, String> {
    let file: TokenFile = toml::from_str(text).map_err(|error| error.message().to_owned())?;
    let token = |entry: TokenEntry| {
        let until = entry.until.map(|text| {
            let time = text.parse::<Timestamp>();
            time.map_err(|_| format!("{text:?} is no time; write it as 2027-01-01T00:00:00Z"))
        });
        let until = until.transpose()?;
        let hash = Hash::from_hex(&entry.blake3)
            .map_err(|_| format!("the hash of {:?} is not 64 hexadecimal digits", entry.name))?;
        Ok(Token {
            name: entry.name,
            role: entry.role,
            hash,
            until,
        })
    };
    let tokens: Vec<Token> = file
        .token
        .into_iter()
        .map(token)
        .collect::<Result<_, String>>()?;
    if tokens.is_empty() {
        return Err("it holds no token".to_owned());
    }
    Ok(tokens)
}

/// A secret that nobody can guess, as hexadecimal digits.
///
/// # Errors
///
/// When the system gives no random numbers.
pub fn secret() -> std::io::Result<String> {
    let mut bytes = [0u8; SECRET_BYTES];
    std::fs::File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// What the token file keeps of a token, which may have an end.
#[must_use]
pub fn entry(name: &str, role: Role, until: Option<Timestamp>, token: &str) -> String {
    let until = until.map_or_else(String::new, |until| format!("until = \"{until}\"\n"));
    format!(
        "[[token]]\nname = {}\nrole = \"{}\"\nblake3 = \"{}\"\n{until}",
        toml::Value::String(name.to_owned()),
        role.name(),
        blake3::hash(token.as_bytes()).to_hex()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    fn access() -> Access {
        let text = entry("desk", Role::Operate, None, "right")
            + &entry("wall", Role::View, Some(Timestamp::MAX), "seen")
            + &entry("guest", Role::Approve, Some(Timestamp::UNIX_EPOCH), "over");
        Access::of(Some(parse(&text).unwrap()))
    }

    #[test]
    fn a_token_says_who_and_what_they_may() {
        let access = access();
        let desk = access.token("right", HERE).unwrap();
        assert_eq!((desk.token.as_str(), desk.role), ("desk", Role::Operate));
        assert_eq!(access.token("seen", HERE).unwrap().role, Role::View);
        assert_eq!(access.token("wrong", HERE), Err(Denied::Unknown));
        assert_eq!(access.token("over", HERE), Err(Denied::Ended));
        assert_eq!(Access::open().token("right", HERE), Err(Denied::Unknown));
    }

    #[test]
    fn guessing_is_slowed_down_for_the_address_that_guesses() {
        let access = access();
        for _ in 0..FAILURES_MAX {
            assert_eq!(access.token("wrong", HERE), Err(Denied::Unknown));
        }
        assert_eq!(access.token("wrong", HERE), Err(Denied::Throttled));
        let other = IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1));
        assert_eq!(access.token("wrong", other), Err(Denied::Unknown));
        for from in [HERE, other] {
            assert!(access.token("right", from).is_ok());
        }
    }

    #[test]
    fn sessions_begin_end_and_are_bounded() {
        let access = access();
        let desk = access.token("right", HERE).unwrap();
        let first = access.begin("right", desk.clone()).unwrap();
        assert_eq!(first.len(), SECRET_BYTES * 2);
        assert_eq!(access.session(&first), Some(desk.clone()));
        assert_eq!(access.session("0"), None);
        let second = access.begin("right", desk.clone()).unwrap();
        assert_ne!(first, second);
        access.end(&second);
        assert_eq!(access.session(&second), None);
        let late = access.begin("over", desk.clone()).unwrap();
        assert_eq!(access.session(&late), None, "its token has ended");
        for _ in 0..SESSIONS_MAX {
            access.begin("right", desk.clone()).unwrap();
        }
        assert_eq!(
            access.session(&first),
            None,
            "the oldest has to sign in again"
        );
    }

    #[test]
    fn a_session_outlives_a_reload_as_long_as_its_token_stays_as_it_was() {
        let before = access();
        let visitor = |token: &str| before.token(token, HERE).unwrap();
        let desk = before.begin("right", visitor("right")).unwrap();
        let wall = before.begin("seen", visitor("seen")).unwrap();
        let text = entry("desk", Role::Operate, None, "right")
            + &entry("wall", Role::Operate, None, "seen");
        let after = Access::of(Some(parse(&text).unwrap()));
        after.inherit(&before);
        assert_eq!(after.session(&desk), Some(visitor("right")));
        assert_eq!(
            after.session(&wall),
            None,
            "its token allows something else"
        );
        let gone = Access::of(Some(parse(&entry("x", Role::View, None, "y")).unwrap()));
        gone.inherit(&after);
        assert_eq!(gone.session(&desk), None);
    }

    #[test]
    fn a_token_file_that_is_open_or_wrong_is_refused() {
        use std::os::unix::fs::PermissionsExt;
        let path = std::env::temp_dir().join(format!("driftvane-tokens-{}", std::process::id()));
        let write = |text: &str, mode: u32| {
            std::fs::write(&path, text).unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            Access::read(Some(&path))
                .map(|_| ())
                .map_err(|error| error.to_string())
        };
        let good = entry("desk", Role::View, None, "right");
        assert_eq!(write(&good, 0o600), Ok(()));
        for (text, mode, words) in [
            (good.as_str(), 0o644, "open to others"),
            ("", 0o600, "holds no token"),
            (
                "[[token]]\nname = \"x\"\nrole = \"view\"\nblake3 = \"12\"",
                0o600,
                "hexadecimal",
            ),
            (
                "[[token]]\nname = \"x\"\nrole = \"all\"\nblake3 = \"12\"",
                0o600,
                "unknown variant",
            ),
            (
                "[[token]]\nname = \"x\"\nrole = \"view\"\nblake3 = \"12\"\nuntil = \"soon\"",
                0o600,
                "soon",
            ),
        ] {
            let said = write(text, mode).unwrap_err();
            assert!(said.contains(words), "{said}");
        }
        std::fs::remove_file(&path).unwrap();
        let said = Access::read(Some(&path))
            .map(|_| ())
            .unwrap_err()
            .to_string();
        assert!(said.contains("driftvane token NAME"), "{said}");
    }
}
