//! E-mail by SMTP (RFC 5321), with STARTTLS (RFC 3207) or TLS from the first byte (RFC 8314), and a
//! login (RFC 4954).
//!
//! The one invariant: a password is only sent over TLS, or to this machine itself.

use std::sync::Arc;
use std::time::Duration;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use minijinja::{Environment, context};

use super::message::Message;
use super::wire::Wire;
use super::{Carrier, Fault, Load, Receipt, secret};
use crate::commands::alerts::{Ask, alert, name};
use crate::commands::chart::ChartFacts;
use crate::commands::{CommandError, moment, report};
use crate::config::Config;
use crate::config::channel::{Email, Login, Security, Server};
use crate::host;
use crate::store::{Notice, Reader};

/// Lines of one answer.
const LINES_MAX: usize = 100;

/// The message as HTML.
const TEMPLATE: &str = include_str!("../mail.html");

/// The sender.
pub(super) struct Sender {
    pub(super) settings: Email,
    pub(super) config: Arc<Config>,
    pub(super) patience: Duration,
}

impl Carrier for Sender {
    fn carry(&mut self, load: &Load<'_>) -> Result<Receipt, Fault> {
        let mut receipt = Receipt::default();
        for notice in load.notices {
            let message = self.message(notice, load.reader);
            receipt = self.send(&message, &self.recipients(load.left))?;
        }
        Ok(receipt)
    }
}

impl Sender {
    fn message(&self, notice: &Notice, reader: Option<&Reader>) -> String {
        let from = self.settings.from.as_str();
        let domain = from
            .split_once('@')
            .map_or("localhost", |(_, domain)| domain);
        let record = notice.key.split('-').next().unwrap_or_default();
        let thread = notice.alert.map(|id| format!("{record}-{}", name(id)));
        let png = reader.and_then(|reader| match picture(&self.config, reader, notice) {
            Ok(png) => png,
            Err(error) => {
                tracing::warn!(key = %notice.key, %error, "the e-mail has no picture");
                None
            }
        });
        let time = jiff::Timestamp::from_microsecond(notice.at).unwrap_or_default();
        let time = time.to_zoned_datetime(self.config.zone.clone());
        let message = Message {
            from,
            to: &self.settings.to,
            subject: &format!("[{}] {}", self.config.plant, notice.subject),
            date: &time.strftime("%a, %d %b %Y %H:%M:%S %z").to_string(),
            id: &notice.key,
            thread: thread.as_deref(),
            domain,
            text: &self.text(notice),
            html: &self.html(notice, png.is_some()),
            png: png.as_deref(),
        };
        message.write()
    }

    fn text(&self, notice: &Notice) -> String {
        let line = match notice.line.as_str() {
            "" => String::new(),
            line => format!("line {line}, "),
        };
        format!(
            "{}\n\n{}\n\n-- \n{}: {line}severity {}, {}\nkey {}\n",
            notice.subject,
            notice.text,
            self.config.plant,
            notice.severity.name(),
            moment(&self.config, notice.at),
            notice.key,
        )
    }

    fn html(&self, notice: &Notice, has_picture: bool) -> String {
        let rendered = Environment::new().render_named_str(
            "mail.html",
            TEMPLATE,
            context! {
                subject => &notice.subject,
                lines => notice.text.lines().map(str::to_owned).collect::<Vec<_>>(),
                plant => &self.config.plant,
                line => &notice.line,
                severity => notice.severity.name(),
                time => moment(&self.config, notice.at),
                key => &notice.key,
                has_picture => has_picture,
            },
        );
        rendered.unwrap_or_else(|error| {
            tracing::error!(%error, "an e-mail is broken; it goes out as text");
            format!("<pre>{}</pre>", reports::escape(&notice.text))
        })
    }

    /// Who is to have a notice: those that are left, as far as they still are recipients; all where
    /// none is.
    fn recipients(&self, left: &[String]) -> Recipients<'_> {
        let to = self.settings.to.iter();
        let of = to.filter(|address| left.is_empty() || left.contains(address));
        Recipients {
            of: of.map(String::as_str).collect(),
            is_rest: !left.is_empty(),
        }
    }

    fn send(&self, message: &str, to: &Recipients) -> Result<Receipt, Fault> {
        if to.of.is_empty() {
            return Ok(Receipt::said("nobody is left to have it".to_owned()));
        }
        let Email {
            server,
            login,
            from,
            ..
        } = &self.settings;
        let mut session = Session::open(server, self.patience)?;
        if let Some(login) = login {
            session.login(login)?;
        }
        session.ask(&format!("MAIL FROM:<{from}>"), "the sender", 250)?;
        let answers = session.name_recipients(to)?;
        if answers.takes == 0 {
            return answers.without_a_message(to);
        }
        session.ask("DATA", "to take a message", 354)?;
        session
            .wire
            .say(stuffed(message).as_bytes(), "the message")?;
        let taken = session.answer("the message")?;
        if taken.code != 250 {
            return Err(session.refused_message(&taken));
        }
        let said = format!(
            "{taken} from {} {}",
            session.wire.found,
            session.wire.security()
        );
        // The message is taken whether or not the server says good-bye.
        let _goodbye = session.wire.say(b"QUIT\r\n", "the end");
        Ok(Receipt {
            said,
            complaint: answers.complaint(),
            left: answers.later,
        })
    }
}

/// Who is to have a message.
struct Recipients<'a> {
    of: Vec<&'a str>,
    /// Whether others have it already.
    is_rest: bool,
}

/// What a server said to the recipients of a message.
#[derive(Default)]
struct Answers {
    takes: usize,
    /// What it said to those that it does not take.
    refused: Vec<String>,
    /// Those of them for whom it may take the message later (RFC 5321, 4.2.1).
    later: Vec<String>,
}

impl Answers {
    /// What it complained about, and what to do.
    fn complaint(&self) -> Option<(String, String)> {
        let fix = match self.later.is_empty() {
            true => "correct the addresses in to = [...], or ask those who run the server",
            false => "look at the mailboxes: those that may take it later are asked again",
        };
        let problem = format!("refused {}", self.refused.join("; "));
        (!self.refused.is_empty()).then(|| (problem, fix.to_owned()))
    }

    /// What becomes of a message that nobody takes. Where others have it already, the channel is in
    /// order: whoever may take it later stays left, and the others never will.
    fn without_a_message(self, to: &Recipients) -> Result<Receipt, Fault> {
        let complaint = self.complaint();
        if to.is_rest {
            return Ok(Receipt {
                said: String::new(),
                complaint,
                left: self.later,
            });
        }
        let (problem, fix) = complaint.unwrap_or_default();
        Err(Fault::channel(problem, fix))
    }
}

/// The chart of a notice's alert; nothing where it has none.
fn picture(
    config: &Config,
    reader: &Reader,
    notice: &Notice,
) -> Result<Option<Vec<u8>>, CommandError> {
    let Some(id) = notice.alert else {
        return Ok(None);
    };
    let Some(row) = reader.alert(id)? else {
        return Ok(None);
    };
    let streams = reader.streams()?;
    let Some(stream) = streams.iter().find(|stream| stream.id == row.lead.stream) else {
        return Ok(None);
    };
    let facts = ChartFacts::read(reader, stream.clone())?;
    let alert = alert(config, reader, (&streams, &facts), (row, Ask::Facts))?;
    let chart = report::detail(config, reader, (&streams, &facts), &alert)?.chart;
    Ok(chart.and_then(|chart| {
        let svg = reports::chart_svg(&chart, reports::ChartSize::PAGE);
        reports::png(&svg)
    }))
}

/// A message with its end: a line that begins with a full stop gets another one (RFC 5321, 4.5.2).
fn stuffed(message: &str) -> String {
    let mut out = String::with_capacity(message.len() + 64);
    for line in message.lines() {
        if line.starts_with('.') {
            out.push('.');
        }
        out.push_str(line);
        out.push_str("\r\n");
    }
    out.push_str(".\r\n");
    out
}

/// What a server answered.
struct Answer {
    code: u16,
    lines: Vec<String>,
}

impl std::fmt::Display for Answer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.code, self.lines.join(" "))
    }
}

/// A connection to a server.
struct Session {
    wire: Wire,
    /// What the server offers, a line each.
    offers: Vec<String>,
}

impl Session {
    fn open(server: &Server, patience: Duration) -> Result<Session, Fault> {
        let wire = Wire::open(server, patience)?;
        let mut session = Session {
            wire,
            offers: Vec::new(),
        };
        let greeting = session.answer("the greeting")?;
        if greeting.code != 220 {
            return Err(session.refused("the greeting", &greeting));
        }
        session.introduce()?;
        if server.security == Security::StartTls {
            if !session.offers("STARTTLS") {
                let problem = format!("{} offers no STARTTLS", session.wire.place());
                let fix = "write security = \"tls\" with its port (often 465), or turn STARTTLS on";
                return Err(Fault::channel(problem, fix));
            }
            session.ask("STARTTLS", "STARTTLS", 220)?;
            session.wire.secure(server)?;
            session.introduce()?;
        }
        Ok(session)
    }

    /// Names the recipients of a message.
    fn name_recipients(&mut self, to: &Recipients) -> Result<Answers, Fault> {
        let mut all = Answers::default();
        for address in &to.of {
            let answer = self.talk(&format!("RCPT TO:<{address}>"), "the recipient")?;
            match answer.code {
                250..=251 => {
                    all.takes += 1;
                    continue;
                }
                400..=499 => all.later.push((*address).to_owned()),
                _ => {}
            }
            all.refused.push(format!("{address}: {answer}"));
        }
        Ok(all)
    }

    fn introduce(&mut self) -> Result<(), Fault> {
        let is_domain = |name: &String| !name.contains('_');
        let host = host::name().filter(is_domain);
        let host = host.as_deref().unwrap_or("localhost");
        let answer = self.ask(&format!("EHLO {host}"), "the introduction", 250)?;
        self.offers = answer.lines.into_iter().skip(1).collect();
        Ok(())
    }

    fn offers(&self, what: &str) -> bool {
        let first = |line: &String| line.split(' ').next().unwrap_or_default().to_owned();
        self.offers
            .iter()
            .any(|line| first(line).eq_ignore_ascii_case(what))
    }

    fn login(&mut self, login: &Login) -> Result<(), Fault> {
        let offered = self.offers.iter().find_map(|line| {
            let upper = line.to_ascii_uppercase();
            upper.strip_prefix("AUTH").map(str::to_owned)
        });
        let offered = offered.unwrap_or_default();
        let has = |kind: &str| offered.split([' ', '=']).any(|one| one == kind);
        let password = secret::read(&login.password)?;
        let name = &login.name;
        let answer = if has("PLAIN") {
            let both = STANDARD.encode(format!("\0{name}\0{password}"));
            self.talk(&format!("AUTH PLAIN {both}"), "the login")?
        } else if has("LOGIN") {
            self.ask("AUTH LOGIN", "the login", 334)?;
            self.ask(&STANDARD.encode(name), "the login", 334)?;
            self.talk(&STANDARD.encode(&password), "the login")?
        } else {
            let place = self.wire.place();
            let problem = format!("{place} offers no login by PLAIN or LOGIN");
            let fix = "leave login and password out, or turn one of them on at the server";
            return Err(Fault::channel(problem, fix));
        };
        if answer.code == 235 {
            return Ok(());
        }
        let problem = format!(
            "{} refused the login of {name}: {answer}",
            self.wire.place()
        );
        Err(Fault::channel(problem, "check login and password"))
    }

    /// Says a line and reads the answer, which has to be of a code.
    fn ask(&mut self, line: &str, during: &str, wanted: u16) -> Result<Answer, Fault> {
        let answer = self.talk(line, during)?;
        if answer.code == wanted {
            return Ok(answer);
        }
        Err(self.refused(during, &answer))
    }

    fn talk(&mut self, line: &str, during: &str) -> Result<Answer, Fault> {
        self.wire.say(format!("{line}\r\n").as_bytes(), during)?;
        self.answer(during)
    }

    fn answer(&mut self, during: &str) -> Result<Answer, Fault> {
        let mut lines = Vec::new();
        while lines.len() < LINES_MAX {
            let line = self.wire.line(during)?;
            let code = line.get(..3).and_then(|code| code.parse().ok());
            let Some(code) = code else { break };
            lines.push(line.get(4..).unwrap_or_default().to_owned());
            if line.as_bytes().get(3) != Some(&b'-') {
                return Ok(Answer { code, lines });
            }
        }
        Err(Fault::channel(
            format!(
                "{} does not answer as a mail server does",
                self.wire.place()
            ),
            "check host, port and security",
        ))
    }

    /// Why a server did not take something before it had a message: that is of the channel.
    fn refused(&self, what: &str, answer: &Answer) -> Fault {
        let problem = format!("{} refused {what}: {answer}", self.wire.place());
        match answer.code {
            400..=499 => Fault::channel(problem, "look at the server; it is asked again by itself"),
            _ => Fault::channel(
                problem,
                "check from, to and login with those who run the server",
            ),
        }
    }

    /// Why a server did not take a message that it has. Whatever its code for "never" is (RFC 5321,
    /// 4.3.2 names 550, 552 and 554, and others are in use), another message may pass.
    fn refused_message(&self, answer: &Answer) -> Fault {
        let fault = self.refused("the message", answer);
        match answer.code {
            500..=599 => Fault::notice(
                fault.problem,
                "see why the server refuses it, or give it up: driftvane alerts outbox",
            ),
            _ => fault,
        }
    }
}

#[cfg(test)]
mod tests;
