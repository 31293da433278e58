//! An e-mail: headers (RFC 5322), and text, HTML and a picture as one message (RFC 2045 to 2047).
//!
//! Knows no server. The one invariant: whatever a text holds, it stays in its place: no header and
//! no part can be begun from within another.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::plain_key;

/// Characters of a line of base64, by RFC 2045, and of a header's line with encoded words, by RFC
/// 2047.
const ENCODED_LINE: usize = 76;

/// The longest name of a header whose text may be long, with what follows it.
const NAME: &str = "Subject: ";

/// Bytes of text in one encoded word: in base64 within its frame it fits a line behind a name.
const WORD_BYTES: usize = 39;

/// What a message consists of.
pub(super) struct Message<'a> {
    /// The address it comes from.
    pub(super) from: &'a str,
    /// The addresses it goes to.
    pub(super) to: &'a [String],
    /// The subject.
    pub(super) subject: &'a str,
    /// When it was written, as RFC 5322 has it.
    pub(super) date: &'a str,
    /// What is the same for every copy.
    pub(super) id: &'a str,
    /// What is the same for all messages of one alert.
    pub(super) thread: Option<&'a str>,
    /// Where both are unique.
    pub(super) domain: &'a str,
    /// All of it as text.
    pub(super) text: &'a str,
    /// All of it as HTML; the picture is `cid:chart`.
    pub(super) html: &'a str,
    /// The picture.
    pub(super) png: Option<&'a [u8]>,
}

impl Message<'_> {
    /// The message as it is sent, with `\r\n` between lines.
    pub(super) fn write(&self) -> String {
        let mut out = String::new();
        let mut header = |name: &str, value: &str| {
            out.push_str(&format!("{name}: {value}\r\n"));
        };
        header("Date", self.date);
        header("From", self.from);
        header("To", &self.to.join(",\r\n "));
        header("Subject", &encoded(self.subject));
        let id = |key| format!("<{}@{}>", plain_key(key), plain_key(self.domain));
        header("Message-ID", &id(self.id));
        if let Some(thread) = self.thread {
            header("References", &id(thread));
        }
        // RFC 3834: nobody's absence is to be answered to a program.
        header("Auto-Submitted", "auto-generated");
        header("MIME-Version", "1.0");
        let (alternative, related) = ("driftvane-alternative", "driftvane-related");
        header(
            "Content-Type",
            &format!("multipart/alternative; boundary=\"{alternative}\""),
        );
        out.push_str("\r\n");
        out.push_str(&format!("--{alternative}\r\n"));
        part(
            &mut out,
            "text/plain; charset=utf-8",
            "",
            self.text.as_bytes(),
        );
        out.push_str(&format!("--{alternative}\r\n"));
        match self.png {
            None => part(
                &mut out,
                "text/html; charset=utf-8",
                "",
                self.html.as_bytes(),
            ),
            Some(png) => {
                out.push_str(&format!(
                    "Content-Type: multipart/related; boundary=\"{related}\"\r\n\r\n--{related}\r\n"
                ));
                part(
                    &mut out,
                    "text/html; charset=utf-8",
                    "",
                    self.html.as_bytes(),
                );
                out.push_str(&format!("--{related}\r\n"));
                let place = "Content-ID: <chart>\r\n\
                             Content-Disposition: inline; filename=\"chart.png\"\r\n";
                part(&mut out, "image/png", place, png);
                out.push_str(&format!("--{related}--\r\n"));
            }
        }
        out.push_str(&format!("--{alternative}--\r\n"));
        out
    }
}

/// A part in base64, which no text can leave.
fn part(out: &mut String, kind: &str, headers: &str, content: &[u8]) {
    out.push_str(&format!(
        "Content-Type: {kind}\r\nContent-Transfer-Encoding: base64\r\n{headers}\r\n"
    ));
    let text = STANDARD.encode(content);
    for line in text.as_bytes().chunks(ENCODED_LINE) {
        out.push_str(&String::from_utf8_lossy(line));
        out.push_str("\r\n");
    }
}

/// A text of a header: as it is where it is printable ASCII that can be broken into lines,
/// otherwise in encoded words.
fn encoded(text: &str) -> String {
    let is_plain = |byte: u8| byte.is_ascii_graphic() || byte == b' ';
    let fits = |word: &str| (1..ENCODED_LINE - NAME.len()).contains(&word.len());
    if text.bytes().all(is_plain) && text.split(' ').all(fits) && !text.contains("=?") {
        return folded(text);
    }
    let mut words = vec![String::new()];
    for letter in text.chars().filter(|letter| !letter.is_control()) {
        match words.last_mut() {
            Some(word) if word.len() + letter.len_utf8() <= WORD_BYTES => word.push(letter),
            _ => words.push(letter.to_string()),
        }
    }
    let words = words
        .iter()
        .map(|word| format!("=?utf-8?B?{}?=", STANDARD.encode(word)));
    words.collect::<Vec<_>>().join("\r\n ")
}

/// A header's words in lines of bounded length behind its name, broken at blanks.
fn folded(text: &str) -> String {
    let mut out = String::new();
    let mut line = NAME.len() - 1;
    for (place, word) in text.split(' ').enumerate() {
        if line + 1 + word.len() > ENCODED_LINE {
            out.push_str("\r\n");
            line = 0;
        }
        if place > 0 {
            out.push(' ');
        }
        out.push_str(word);
        line += 1 + word.len();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message<'a>(subject: &'a str, text: &'a str, to: &'a [String]) -> Message<'a> {
        Message {
            from: "driftvane@plant.example",
            to,
            subject,
            date: "Mon, 02 Mar 2026 06:12:07 +0100",
            id: "a1-7",
            thread: Some("a1-A-0001"),
            domain: "plant.example",
            text,
            html: "<p>moved</p>",
            png: None,
        }
    }

    #[test]
    fn no_text_can_begin_a_header_or_a_part() {
        let to = ["one@plant.example".to_owned()];
        let nasty = "moved\r\nBcc: all@plant.example\r\n\r\n--driftvane-alternative--\r\n.\r\n";
        let whole = message(nasty, nasty, &to).write();
        assert!(
            whole.lines().all(|line| !line.starts_with("Bcc")),
            "{whole}"
        );
        assert_eq!(whole.matches("--driftvane-alternative").count(), 3);
        assert!(whole.lines().all(|line| line != "."));
        assert!(whole.lines().all(|line| line.len() <= 78), "{whole}");
        assert!(whole.bytes().all(|byte| byte.is_ascii()));
    }

    #[test]
    fn no_key_can_end_the_header_that_it_stands_in() {
        let to = ["one@plant.example".to_owned()];
        let nasty = Message {
            id: "feed-S\u{fc}d \"L1\"\r\nBcc: all@plant.example>-1",
            ..message("moved", "moved", &to)
        };
        let whole = nasty.write();
        let id = "Message-ID: <feed-SdL1Bccallplant.example-1@plant.example>";
        assert!(whole.lines().any(|line| line == id), "{whole}");
        assert!(!whole.contains("\r\nBcc"), "{whole}");
    }

    /// RFC 2047: an encoded word has at most 75 characters, and holds whole characters.
    #[test]
    fn letters_beyond_ascii_are_encoded_words() {
        let text =
            "Lötpaste: Höhe um 12 µm zu niedrig, Linie Süd, Druckhub rückwärts, bitte prüfen";
        let encoded = encoded(text);
        let mut back = String::new();
        for word in encoded.split("\r\n ") {
            assert!(word.len() <= 75, "{word}");
            let inner = word.strip_prefix("=?utf-8?B?").unwrap();
            let bytes = STANDARD.decode(inner.strip_suffix("?=").unwrap()).unwrap();
            back.push_str(&String::from_utf8(bytes).unwrap());
        }
        assert_eq!(back, text);
    }

    #[test]
    fn a_long_subject_is_folded_and_reads_the_same() {
        let text = "a word and another ".repeat(20);
        let folded = encoded(text.trim_end());
        assert!(folded.lines().count() > 4);
        // RFC 5322, 2.2.3: unfolding takes out the line ends that white space follows.
        assert_eq!(folded.replace("\r\n", ""), text.trim_end());
    }

    /// RFC 5322, 2.1.1: 78 characters; RFC 2047, 2: 76 where there are encoded words.
    #[test]
    fn no_line_of_a_subject_is_too_long_whatever_it_holds() {
        let to = ["one@plant.example".to_owned()];
        let label = "print-offset-x/L1/demo-controller/fine/back/".repeat(4);
        for subject in [
            "A-0001 raised: paste-height/L1/demo-controller/fine/back and no more of it",
            &label,
            &format!("A-0001 raised: {label}"),
            &"ö".repeat(200),
            "two  blanks, and one at the end ",
            &"x".repeat(67),
            &"x".repeat(66),
        ] {
            let whole = message(subject, "moved", &to).write();
            let from = whole.find("Subject: ").unwrap();
            let to = whole.find("\r\nMessage-ID").unwrap();
            let header = &whole[from..to];
            assert!(header.lines().all(|line| line.len() <= 76), "{header}");
            assert!(
                header.lines().all(|line| !line.trim().is_empty()),
                "{header}"
            );
        }
    }
}
