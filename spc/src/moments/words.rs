//! Arithmetic on integers of many words, least significant word first.
//!
//! Purpose: exact sums and one rounding at their end. Must not know readings. The one invariant:
//! nothing is lost but what [`to_f64`] rounds and what [`divide`] gives back as remainder.

use super::MANTISSA_BITS;

/// Adds (or subtracts, for `negative` = 1) `mantissa << shift` in two's complement.
#[inline]
pub(super) fn add_signed(sum: &mut [u64; 4], mantissa: u64, shift: u32, negative: u64) {
    let start = (shift / 64) as usize;
    let wide = u128::from(mantissa) << (shift % 64);
    let mut addend = [0u64; 4];
    // The shift is at most 131, so both words lie inside.
    addend[start] = low(wide);
    addend[start + 1] = high(wide);
    let flip = negative.wrapping_neg();
    let mut carry = negative != 0;
    for (word, part) in sum.iter_mut().zip(addend) {
        (*word, carry) = word.carrying_add_words(part ^ flip, carry);
    }
}

/// Adds `square << shift` to the unsigned sum of squares.
#[inline]
pub(super) fn add_square(squares: &mut [u64; 7], square: u128, shift: u32) {
    let start = (shift / 64) as usize;
    let bits = shift % 64;
    let bottom = u128::from(low(square)) << bits;
    let top = (u128::from(high(square)) << bits) + u128::from(high(bottom));
    let parts = [low(bottom), low(top), high(top)];
    let mut carry = false;
    let (body, tail) = squares[start..].split_at_mut(3);
    for (word, part) in body.iter_mut().zip(parts) {
        (*word, carry) = word.carrying_add_words(part, carry);
    }
    for word in tail {
        if !carry {
            break;
        }
        (*word, carry) = word.overflowing_add(1);
    }
}

pub(super) fn add_words<const N: usize>(left: &mut [u64; N], right: &[u64; N]) {
    let mut carry = false;
    for (word, part) in left.iter_mut().zip(right) {
        (*word, carry) = word.carrying_add_words(*part, carry);
    }
}

/// Word arithmetic with carry; the names differ from the unstable ones of the standard library.
pub(super) trait Word {
    fn carrying_add_words(self, other: u64, carry: bool) -> (u64, bool);
    fn borrowing_sub_words(self, other: u64, borrow: bool) -> (u64, bool);
}

impl Word for u64 {
    #[inline]
    fn carrying_add_words(self, other: u64, carry: bool) -> (u64, bool) {
        let (partial, first) = self.overflowing_add(other);
        let (total, second) = partial.overflowing_add(u64::from(carry));
        (total, first | second)
    }

    #[inline]
    fn borrowing_sub_words(self, other: u64, borrow: bool) -> (u64, bool) {
        let (partial, first) = self.overflowing_sub(other);
        let (total, second) = partial.overflowing_sub(u64::from(borrow));
        (total, first | second)
    }
}

#[inline]
pub(super) fn low(wide: u128) -> u64 {
    wide as u64
}

#[inline]
pub(super) fn high(wide: u128) -> u64 {
    (wide >> 64) as u64
}

/// Sign and absolute value of a two's complement number.
pub(super) fn magnitude(sum: &[u64; 4]) -> (bool, [u64; 4]) {
    if sum[3] >> 63 == 0 {
        return (false, *sum);
    }
    let mut carry = true;
    let mut positive = [0u64; 4];
    for (out, word) in positive.iter_mut().zip(sum) {
        (*out, carry) = (!word).carrying_add_words(0, carry);
    }
    (true, positive)
}

pub(super) fn square_of(words: &[u64; 4]) -> [u64; 8] {
    let mut product = [0u64; 8];
    for (i, left) in words.iter().enumerate() {
        let mut carry = 0u128;
        for (j, right) in words.iter().enumerate() {
            carry += u128::from(*left) * u128::from(*right) + u128::from(product[i + j]);
            product[i + j] = low(carry);
            carry >>= 64;
        }
        product[i + 4] = low(carry);
    }
    product
}

/// Divides in place (least significant word first) and returns the remainder.
pub(super) fn divide(words: &mut [u64], divisor: u64) -> u64 {
    let mut remainder = 0u128;
    for word in words.iter_mut().rev() {
        let part = (remainder << 64) | u128::from(*word);
        *word = low(part / u128::from(divisor));
        remainder = part % u128::from(divisor);
    }
    low(remainder)
}

/// The integer times 2^exponent, rounded to nearest, ties to even; `sticky` tells that a nonzero
/// fraction was cut off below.
pub(super) fn to_f64(words: &[u64], sticky: bool, exponent: i32) -> f64 {
    let Some(top) = words.iter().rposition(|word| *word != 0) else {
        return 0.0;
    };
    let zeros = words[top].leading_zeros();
    let below = if top > 0 { words[top - 1] } else { 0 };
    let pair = (u128::from(words[top]) << 64 | u128::from(below)) << zeros;
    let rest = low(pair) != 0 || sticky || words[..top.saturating_sub(1)].iter().any(|w| *w != 0);
    // 64 bits with the lowest one sticky round to 53 exactly as the whole number would.
    let rounded = (high(pair) | u64::from(rest)) as f64;
    let scale = top as i32 * 64 - zeros as i32 + exponent;
    // Mean and variance lie between 2^-370 and 2^130, so the scale is a normal double.
    rounded * f64::from_bits(((1023 + scale) as u64) << MANTISSA_BITS)
}
