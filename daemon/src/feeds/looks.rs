//! What a text holds that makes it costlier to read.
//!
//! Knows no row. The one invariant: what is not there is not looked for cell by cell.

/// Bytes that are looked through at once.
const LOOKED_AT: usize = 16 * 1024;

/// Which of the costlier ways a text needs.
pub(super) struct Looks {
    pub(super) ascii: bool,
    /// Whether any cell may hold a control character.
    pub(super) controls: bool,
    pub(super) quotes: bool,
}

impl Looks {
    /// By parts, so that the second and third look at each finds it in the fastest cache.
    pub(super) fn of(bytes: &[u8], quote: u8) -> Looks {
        let mut looks = Looks {
            ascii: true,
            controls: false,
            quotes: false,
        };
        for part in bytes.chunks(LOOKED_AT) {
            looks.ascii &= part.is_ascii();
            // Without early exits, so that it compiles to vector instructions.
            looks.controls |= part.iter().fold(0, |found, &byte| found | control(byte)) != 0;
            looks.quotes |= memchr::memchr(quote, part).is_some();
        }
        looks
    }
}

/// 1 for characters that no cell may hold; tabs and quoted line ends it may.
#[inline]
pub(super) fn control(byte: u8) -> u8 {
    let allowed = u8::from(byte == b'\n') | u8::from(byte == b'\r') | u8::from(byte == b'\t');
    (u8::from(byte < 0x20) & !allowed) | u8::from(byte == 0x7f)
}
