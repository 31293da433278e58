//! Bytes to UTF-8 text: byte order marks, UTF-16, declared encodings.
//!
//! Knows no row and no column. The invariant: text comes out whole or not at all; nothing that
//! cannot be decoded is replaced by a substitute character.

use std::borrow::Cow;

use encoding_rs::{Encoding, UTF_8, UTF_16BE, UTF_16LE};

use super::diagnostics::{self as codes, Quarantine};

/// The UTF-8 byte order mark.
const UTF_8_MARK: &[u8] = b"\xef\xbb\xbf";

/// How the bytes of a file are to be read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decoding {
    /// The encoding.
    pub encoding: &'static Encoding,
    /// How many bytes of byte order mark precede the text.
    pub mark_len: usize,
}

impl Decoding {
    /// The encoding that the byte order mark or else the feed says.
    #[must_use]
    pub fn of(first_bytes: &[u8], declared: &'static Encoding) -> Decoding {
        match Encoding::for_bom(first_bytes) {
            Some((encoding, mark_len)) => Decoding { encoding, mark_len },
            None => Decoding {
                encoding: declared,
                mark_len: 0,
            },
        }
    }

    /// Whether the bytes are the text already.
    #[must_use]
    pub fn is_utf8(self) -> bool {
        self.encoding == UTF_8
    }

    /// The end of the last complete line in bytes of this encoding; 0 where there is none.
    #[must_use]
    pub fn last_line_end(self, bytes: &[u8]) -> usize {
        let newline: &[u8] = match self.encoding {
            encoding if encoding == UTF_16LE => b"\n\0",
            encoding if encoding == UTF_16BE => b"\0\n",
            _ => return memchr::memrchr(b'\n', bytes).map_or(0, |at| at + 1),
        };
        let units = bytes.len() / 2;
        (0..units)
            .rev()
            .find(|unit| &bytes[unit * 2..unit * 2 + 2] == newline)
            .map_or(0, |unit| unit * 2 + 2)
    }

    /// The text of bytes that follow the byte order mark.
    ///
    /// # Errors
    /// Where a byte sequence means nothing in this encoding.
    pub fn decode(self, bytes: &[u8]) -> Result<Cow<'_, str>, Quarantine> {
        if self.is_utf8() {
            return utf8(bytes, 1).map(Cow::Borrowed);
        }
        let text = self
            .encoding
            .decode_without_bom_handling_and_without_replacement(bytes);
        text.ok_or_else(|| Quarantine {
            code: codes::NOT_DECODABLE,
            reason: format!("The file is not {}", self.encoding.name()),
            fix: "Set the feed's csv.encoding to what the station writes, or export again".into(),
            line: None,
        })
    }
}

/// The bytes as text where they are UTF-8; `first_line` is the number of their first line.
///
/// # Errors
/// Where they are not UTF-8; says where.
pub fn utf8(bytes: &[u8], first_line: u64) -> Result<&str, Quarantine> {
    std::str::from_utf8(bytes).map_err(|error| {
        let before = &bytes[..error.valid_up_to()];
        let byte = bytes.get(before.len()).copied().unwrap_or_default();
        Quarantine {
            code: codes::NOT_DECODABLE,
            reason: format!("The byte 0x{byte:02x} is not UTF-8"),
            fix: "Set the feed's csv.encoding to what the station writes (often windows-1252), \
                  or export as UTF-8"
                .into(),
            line: Some(first_line + memchr::memchr_iter(b'\n', before).count() as u64),
        }
    })
}

/// The text without its UTF-8 byte order mark.
#[must_use]
pub fn without_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix(UTF_8_MARK).unwrap_or(bytes)
}

/// Refuses bytes that are mostly NUL-interleaved: UTF-16 without its mark, or no text at all.
///
/// # Errors
/// Where more than one byte in eight is NUL.
pub fn refuse_nul(bytes: &[u8]) -> Result<(), Quarantine> {
    let count = memchr::memchr_iter(0, bytes).count();
    if count * 8 <= bytes.len() {
        return Ok(());
    }
    Err(Quarantine {
        code: codes::NUL_BYTES,
        reason: format!("{count} of the first {} bytes are NUL", bytes.len()),
        fix: "If the station writes UTF-16 without a byte order mark, set the feed's \
              csv.encoding to \"utf-16le\" or \"utf-16be\"; otherwise the file is damaged"
            .into(),
        line: Some(1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use encoding_rs::WINDOWS_1252;

    #[test]
    fn byte_order_mark_beats_the_declared_encoding() {
        let bytes = b"\xff\xfeA\0\xb5\0\n\0B\0";
        let decoding = Decoding::of(bytes, WINDOWS_1252);
        assert_eq!(decoding.encoding, UTF_16LE);
        assert_eq!(
            decoding.decode(&bytes[decoding.mark_len..]).unwrap(),
            "Aµ\nB"
        );
        assert_eq!(decoding.last_line_end(&bytes[2..]), 6);
        let big = Decoding::of(b"\xfe\xff\0A", UTF_8);
        assert_eq!(big.decode(b"\0A\0\n").unwrap(), "A\n");
        assert_eq!(big.last_line_end(b"\0A\0\n"), 4);
    }

    #[test]
    fn declared_encoding_is_taken_without_a_mark() {
        let decoding = Decoding::of(b"H\xf6he;\xb5m", WINDOWS_1252);
        assert_eq!(decoding.decode(b"H\xf6he;\xb5m").unwrap(), "Höhe;µm");
        assert_eq!(decoding.last_line_end(b"a\nb"), 2);
    }

    #[test]
    fn undecodable_bytes_are_refused_with_their_line() {
        let error = Decoding::of(b"a", UTF_8)
            .decode(b"ok\nH\xf6he\n")
            .unwrap_err();
        assert_eq!((error.code, error.line), ("F001", Some(2)));
        assert!(refuse_nul(b"a\0b\0").is_err());
        assert!(refuse_nul(b"").is_ok());
    }
}
