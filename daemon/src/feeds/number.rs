//! Decimal numbers as stations write them: the only number parser of the program.
//!
//! Knows no column and no unit. The invariant: what comes out is finite and is the double nearest
//! to the written decimal; `nan`, `inf`, `1e400` and thousands separators never get through.

const ONES: u64 = 0x0101_0101_0101_0101;
const HIGHS: u64 = 0x8080_8080_8080_8080;
const ZEROS: u64 = 0x3030_3030_3030_3030;

/// Powers of ten that a double holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// The largest integer up to which every integer is a double: 2^53.
const EXACT_MAX: u64 = 1 << 53;

/// A word that is zero where no byte of `word` is, and whose lowest bit set is otherwise the high
/// bit of the first zero byte (higher bits mean nothing: the subtraction borrows).
#[inline]
fn first_zero_byte(word: u64) -> u64 {
    word.wrapping_sub(ONES) & !word & HIGHS
}

/// A word with `byte` in all eight places.
#[inline]
fn splat(byte: u8) -> u64 {
    ONES * u64::from(byte)
}

/// The eight bytes from `at`, zeros beyond the end of the text.
#[inline]
pub(super) fn load(text: &[u8], at: usize) -> u64 {
    match text
        .get(at..at + 8)
        .and_then(|bytes| <[u8; 8]>::try_from(bytes).ok())
    {
        Some(bytes) => u64::from_le_bytes(bytes),
        None => {
            let mut bytes = [0; 8];
            for (to, from) in bytes.iter_mut().zip(text.get(at..).unwrap_or_default()) {
                *to = *from;
            }
            u64::from_le_bytes(bytes)
        }
    }
}

/// The number written in `text[start..end]`, blanks around it allowed; `None` where it is not a
/// finite decimal number. `mark` is the decimal mark.
#[inline]
#[must_use]
pub fn parse_within(text: &[u8], start: usize, end: usize, mark: u8) -> Option<f64> {
    let negative = text.get(start) == Some(&b'-');
    let from = start + usize::from(negative);
    let len = end.checked_sub(from)?;
    if (1..=8).contains(&len)
        && let Some((mantissa, places)) = short(load(text, from), len, mark)
    {
        let value = f64::from(mantissa) / POWERS[places];
        // A table, because signs of offsets are as good as random and a branch on them
        // mispredicts. Adding zero keeps a written -0 from becoming a negative zero.
        return Some(value * [1.0, -1.0][usize::from(negative)] + 0.0);
    }
    parse(text.get(start..end)?, mark)
}

/// At most eight characters without a sign: digits with at most one mark. Eight characters are
/// handled as one word because lengths vary from row to row and branches on them mispredict.
#[inline]
fn short(word: u64, len: usize, mark: u8) -> Option<(u32, usize)> {
    // The characters move to the top of the word, and those before the mark up into its place.
    let top = word << (64 - 8 * len);
    let marks = first_zero_byte(top ^ splat(mark));
    let (digits, count, places) = if marks == 0 {
        (top, len, 0)
    } else {
        let place = marks.trailing_zeros() & !7;
        let before = (1u64 << place) - 1;
        let digits = (top & (!before << 8)) | ((top & before) << 8);
        (digits, len - 1, 7 - place as usize / 8)
    };
    if count == 0 {
        return None;
    }
    let padded = digits | (ZEROS >> (4 * count) >> (4 * count));
    let high = splat(0xf0);
    let wrong = ((padded & high) ^ ZEROS) | ((padded.wrapping_add(splat(6)) & high) ^ ZEROS);
    if wrong != 0 {
        return None;
    }
    // Neighbours are joined pairwise: digits to pairs, pairs to fours, fours to eight.
    let pairs = padded - ZEROS;
    let pairs = pairs.wrapping_mul(10).wrapping_add(pairs >> 8);
    let mask = 0x0000_00ff_0000_00ff;
    let left = (pairs & mask).wrapping_mul(100 + (1_000_000 << 32));
    let right = ((pairs >> 16) & mask).wrapping_mul(1 + (10_000 << 32));
    Some(((left.wrapping_add(right) >> 32) as u32, places))
}

/// The number written in `text`, blanks around it allowed; `None` where it is not a finite decimal
/// number. `mark` is the decimal mark.
#[must_use]
pub fn parse(text: &[u8], mark: u8) -> Option<f64> {
    let text = text.trim_ascii();
    let (negative, rest) = match text.split_first()? {
        (b'-', rest) => (true, rest),
        (b'+', rest) => (false, rest),
        _ => (false, text),
    };
    let decimal = Decimal::read(rest, mark)?;
    let value = decimal.exact().or_else(|| decimal.nearest(rest, mark))?;
    Some(if negative { -value } else { value } + 0.0)
}

/// The parts of a written number without its sign.
struct Decimal {
    mantissa: u64,
    exponent: i64,
    /// Whether the mantissa holds all digits.
    whole: bool,
}

impl Decimal {
    fn read(text: &[u8], mark: u8) -> Option<Decimal> {
        let mut mantissa = 0u64;
        let mut whole = true;
        let mut digits = 0usize;
        let mut places = 0i64;
        let mut marked = false;
        let mut rest = text;
        while let Some((&byte, tail)) = rest.split_first() {
            if byte.is_ascii_digit() {
                let digit = u64::from(byte - b'0');
                match mantissa
                    .checked_mul(10)
                    .and_then(|ten| ten.checked_add(digit))
                {
                    Some(next) => mantissa = next,
                    None => whole = false,
                }
                digits += 1;
                places += i64::from(marked);
            } else if byte == mark && !marked {
                marked = true;
            } else {
                break;
            }
            rest = tail;
        }
        if digits == 0 {
            return None;
        }
        let exponent = if rest.is_empty() { 0 } else { exponent(rest)? };
        Some(Decimal {
            mantissa,
            exponent: exponent - places,
            whole,
        })
    }

    /// The value where mantissa and power of ten are doubles: one rounding, so the nearest.
    fn exact(&self) -> Option<f64> {
        if !self.whole || self.mantissa > EXACT_MAX {
            return None;
        }
        let power = *POWERS.get(usize::try_from(self.exponent.unsigned_abs()).ok()?)?;
        let mantissa = self.mantissa as f64;
        Some(if self.exponent < 0 {
            mantissa / power
        } else {
            mantissa * power
        })
    }

    /// The value of any other validated text, as the standard library rounds it.
    fn nearest(&self, text: &[u8], mark: u8) -> Option<f64> {
        let mut text = String::from_utf8(text.to_vec()).ok()?;
        if mark != b'.' {
            text = text.replace(char::from(mark), ".");
        }
        let value: f64 = text.parse().ok()?;
        // A number too small for a double would silently turn into 0.
        let vanished = value < f64::MIN_POSITIVE && (self.mantissa != 0 || !self.whole);
        (value.is_finite() && !vanished).then_some(value)
    }
}

/// The exponent in `e-5` and the like.
fn exponent(text: &[u8]) -> Option<i64> {
    let (b'e' | b'E', rest) = text.split_first()? else {
        return None;
    };
    let (negative, digits) = match rest.split_first()? {
        (b'-', digits) => (true, digits),
        (b'+', digits) => (false, digits),
        _ => (false, rest),
    };
    if digits.is_empty() || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let value = digits.iter().fold(0i64, |sum, digit| {
        (sum * 10 + i64::from(digit - b'0')).min(1_000_000)
    });
    Some(if negative { -value } else { value })
}

/// A count without sign or mark; `None` where it is not one or is too large.
#[must_use]
pub fn parse_count(text: &[u8]) -> Option<u32> {
    let text = text.trim_ascii();
    if text.is_empty() {
        return None;
    }
    text.iter().try_fold(0u32, |sum, byte| {
        let digit = byte.is_ascii_digit().then(|| u32::from(byte - b'0'))?;
        sum.checked_mul(10)?.checked_add(digit)
    })
}

/// Whether the text is a number once the other decimal mark is taken.
#[must_use]
pub fn has_other_mark(text: &[u8], mark: u8) -> bool {
    let other = if mark == b'.' { b',' } else { b'.' };
    text.contains(&other) && !text.contains(&mark) && parse(text, other).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn within(text: &str, mark: u8) -> Option<f64> {
        let padded = format!("x{text};9.9");
        parse_within(padded.as_bytes(), 1, 1 + text.len(), mark)
    }

    #[test]
    fn takes_decimals_and_nothing_else() {
        for (text, value) in [
            ("0", 0.0f64),
            ("-0", 0.0),
            ("5.", 5.0),
            (".5", 0.5),
            (" 12.5 ", 12.5),
            ("+3", 3.0),
            ("-112.25", -112.25),
            ("1e3", 1000.0),
            ("12345678", 12_345_678.0),
            ("1.5E-3", 0.0015),
            ("9007199254740993", 9_007_199_254_740_992.0),
            ("0.1000000000000000055511151231257827", 0.1),
        ] {
            assert_eq!(
                within(text, b'.').map(f64::to_bits),
                Some(value.to_bits()),
                "{text}"
            );
        }
        for text in [
            "", " ", "-", "+", ".", "-.", "nan", "NaN", "inf", "-inf", "infinity", "1e400", "1e",
            "1e+", "1,5", "1 5", "0x10", "1_000", "1.2.3", "--1", "1-", "1e-400", "1e5.5", "½",
            "١",
        ] {
            assert_eq!(within(text, b'.'), None, "{text}");
        }
        assert_eq!(within("1,5", b','), Some(1.5));
        assert_eq!(within("1.234,5", b','), None);
        assert!(has_other_mark(b"1,5", b'.') && has_other_mark(b"1.5", b','));
        assert!(!has_other_mark(b"1.234,5", b',') && !has_other_mark(b"15", b'.'));
    }

    #[test]
    fn counts_have_no_sign_and_no_mark() {
        assert_eq!(parse_count(b" 42 "), Some(42));
        for text in ["", "-1", "1.0", "4294967296", "x"] {
            assert_eq!(parse_count(text.as_bytes()), None, "{text}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4000))]
        // The reference is the standard library's correctly rounded conversion (R. D. Clinger,
        // "How to read floating point numbers accurately", PLDI 1990).
        #[test]
        fn equals_the_standard_conversion(
            text in concat!(
                "[+-]?([0-9]{1,5}(\\.[0-9]{0,4})?|[0-9]{1,22}(\\.[0-9]{1,20})?)",
                "([eE][+-]?[0-9]{1,2})?"
            )
        ) {
            let expected: f64 = text.parse().unwrap();
            prop_assert_eq!(within(&text, b'.'), Some(expected + 0.0));
            prop_assert_eq!(within(&text.replace('.', ","), b','), Some(expected + 0.0));
        }

        #[test]
        fn any_other_text_is_refused_or_finite(
            bytes in proptest::collection::vec(any::<u8>(), 0..20)
        ) {
            if let Some(value) = parse_within(&bytes, 0, bytes.len(), b'.') {
                prop_assert!(value.is_finite());
                let text = String::from_utf8(bytes).unwrap();
                let expected = text.trim_ascii().parse::<f64>().unwrap() + 0.0;
                prop_assert_eq!(expected.to_bits(), value.to_bits());
            }
        }
    }
}
