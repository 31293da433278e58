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

/// Whether a character is one that no name needs and nobody sees: marks that turn the direction of
/// text, blanks without a width, separators of lines, and tags (Unicode, general categories Cf, Zl,
/// Zp and Cc; the joiners of some scripts are none of these).
pub(super) fn is_invisible(char: char) -> bool {
    matches!(char,
        '\u{80}'..='\u{9f}' | '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}' | '\u{200e}'
        | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}'
        | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

/// 1 for characters that no cell may hold; tabs and quoted line ends it may.
#[inline]
pub(super) fn control(byte: u8) -> u8 {
    let allowed = u8::from(byte == b'\n') | u8::from(byte == b'\r') | u8::from(byte == b'\t');
    (u8::from(byte < 0x20) & !allowed) | u8::from(byte == 0x7f)
}
