//! Exact, order-independent accumulation of count, mean, variance and extremes.
//!
//! Purpose: the same readings give the same bits, however they were chunked, ordered or merged.
//! Sums are integers (fixed point, wide enough for 2^64 readings), so adding is associative. This
//! module must not know what the numbers measure. The one invariant: `sum` and `squares` are the
//! exact sums of the quantised readings and of their squares.
//!
//! A reading is quantised to a multiple of 2^-120 (about 7.5e-37): every finite double of at
//! least 2^-67 in magnitude, and zero, is represented exactly; smaller ones are rounded to the
//! nearest multiple, halves away from zero.

use thiserror::Error;

/// Fraction bits of the sum; the squares carry twice as many.
const FRACTION_BITS: i32 = 120;
/// Biased exponent at which the mantissa's last bit weighs exactly 2^-120.
const EXPONENT_OF_LAST_BIT: u64 = 1075 - 120;
/// Biased exponent of 2^64, the first magnitude refused.
const EXPONENT_LIMIT: u64 = 1023 + 64;
const MANTISSA_BITS: u32 = 52;
const ENCODED_LEN: usize = 8 * (3 + 4 + 7);

/// Count, extremes and exact power sums of a set of readings.
///
/// Equality compares bits; two accumulators over the same readings are equal in any order.
#[derive(Clone, Debug)]
pub struct Moments {
    n: u64,
    min: f64,
    max: f64,
    sum: [u64; 4],
    squares: [u64; 7],
}

/// Why stored bytes were refused by [`Moments::from_bytes`].
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum DecodeError {
    /// The length is not that of an encoded accumulator.
    #[error("stored moments have {found} bytes, expected {expected}; recompute them")]
    Length {
        /// Bytes given.
        found: usize,
        /// Bytes an encoding has.
        expected: usize,
    },
    /// The numbers contradict each other, so they are not an accumulation of readings.
    #[error("stored moments contradict themselves ({0}); recompute them from the readings")]
    Inconsistent(&'static str),
}

impl Default for Moments {
    fn default() -> Self {
        Self::new()
    }
}

impl PartialEq for Moments {
    fn eq(&self, other: &Self) -> bool {
        self.n == other.n
            && self.min.to_bits() == other.min.to_bits()
            && self.max.to_bits() == other.max.to_bits()
            && self.sum == other.sum
            && self.squares == other.squares
    }
}

impl Eq for Moments {}

impl Moments {
    /// An empty accumulator.
    pub fn new() -> Self {
        Self {
            n: 0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            sum: [0; 4],
            squares: [0; 7],
        }
    }

    /// Whether [`Moments::push`] takes `x`: finite and below 2^64 in magnitude.
    pub fn accepts(x: f64) -> bool {
        (x.to_bits() >> MANTISSA_BITS) & 0x7ff < EXPONENT_LIMIT
    }

    /// Adds one reading, in the unit of the measure.
    ///
    /// `x` must be finite and below 2^64 in magnitude; check outside input with
    /// [`Moments::accepts`]. Debug builds assert it, release builds leave the accumulator as it
    /// was. Bits below 2^-120 are rounded, see the module text.
    #[inline]
    pub fn push(&mut self, x: f64) {
        debug_assert!(Self::accepts(x), "reading {x} is outside (-2^64, 2^64)");
        let bits = x.to_bits();
        let exponent = (bits >> MANTISSA_BITS) & 0x7ff;
        if exponent >= EXPONENT_LIMIT {
            return;
        }
        let fraction = bits & ((1 << MANTISSA_BITS) - 1);
        let (mantissa, shift) = quantise(fraction, exponent);
        self.n += 1;
        // Adding zero turns -0.0 into 0.0, so the extremes do not depend on the order.
        let x = if exponent < EXPONENT_OF_LAST_BIT {
            tiny(x, mantissa)
        } else {
            x
        } + 0.0;
        self.min = if x < self.min { x } else { self.min };
        self.max = if x > self.max { x } else { self.max };
        add_signed(&mut self.sum, mantissa, shift, bits >> 63);
        let square = u128::from(mantissa) * u128::from(mantissa);
        add_square(&mut self.squares, square, 2 * shift);
    }

    /// Adds many readings, in the unit of the measure; the result equals pushing them one by one.
    ///
    /// Readings of like magnitude are first summed in narrower integers, which is about twice as
    /// fast. Each must be finite and below 2^64 in magnitude, see [`Moments::push`].
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut at_once = Moments::new();
    /// at_once.push_all([118.2, 121.7, 0.003]);
    /// let mut one_by_one = Moments::new();
    /// [118.2, 121.7, 0.003].into_iter().for_each(|height| one_by_one.push(height));
    /// assert_eq!(at_once, one_by_one);
    /// ```
    pub fn push_all(&mut self, readings: impl IntoIterator<Item = f64>) {
        let mut near = Near::default();
        for x in readings {
            if near.take(x) {
                continue;
            }
            near.misses += 1;
            if near.n == NEAR_READINGS || near.misses > near.n {
                near.flush(self);
                near.centre(x);
            }
            if !near.take(x) {
                self.push(x);
            }
        }
        near.flush(self);
    }

    /// Adds all readings of `other`; the result equals pushing them one by one.
    pub fn merge(&mut self, other: &Self) {
        self.n += other.n;
        self.min = if other.min < self.min {
            other.min
        } else {
            self.min
        };
        self.max = if other.max > self.max {
            other.max
        } else {
            self.max
        };
        add_words(&mut self.sum, &other.sum);
        add_words(&mut self.squares, &other.squares);
    }

    /// Number of readings.
    pub fn count(&self) -> u64 {
        self.n
    }

    /// Arithmetic mean S/n, correctly rounded (one rounding); `None` when empty.
    pub fn mean(&self) -> Option<f64> {
        if self.n == 0 {
            return None;
        }
        let (negative, magnitude) = magnitude(&self.sum);
        // Two more low words, so that the quotient keeps 64 significant bits at any n.
        let mut wide = [0u64; 6];
        wide[2..].copy_from_slice(&magnitude);
        let remainder = divide(&mut wide, self.n);
        let value = to_f64(&wide, remainder != 0, -(FRACTION_BITS + 128));
        Some(if negative { -value } else { value })
    }

    /// Sample variance (n Q - S^2) / (n (n - 1)), with divisor n - 1 and one rounding.
    ///
    /// Q is the sum of squares. The numerator is an exact integer, so there is no cancellation.
    /// `None` for fewer than two readings; exactly 0 when all readings are equal.
    pub fn variance(&self) -> Option<f64> {
        if self.n < 2 {
            return None;
        }
        let mut wide = [0u64; 11];
        wide[3..].copy_from_slice(&self.centred_square_sum()?);
        let first = divide(&mut wide, self.n);
        let second = divide(&mut wide, self.n - 1);
        let sticky = first != 0 || second != 0;
        Some(to_f64(&wide, sticky, -(2 * FRACTION_BITS + 192)))
    }

    /// Square root of [`Moments::variance`]; `None` for fewer than two readings.
    pub fn standard_deviation(&self) -> Option<f64> {
        self.variance().map(f64::sqrt)
    }

    /// Smallest reading, as quantised; `None` when empty.
    pub fn min(&self) -> Option<f64> {
        (self.n > 0).then_some(self.min)
    }

    /// Largest reading, as quantised; `None` when empty.
    pub fn max(&self) -> Option<f64> {
        (self.n > 0).then_some(self.max)
    }

    /// Largest minus smallest reading; `None` when empty, 0 for a single reading.
    pub fn range(&self) -> Option<f64> {
        (self.n > 0).then_some(self.max - self.min)
    }

    /// The accumulator as 112 bytes, little endian: n, min, max, sum, squares.
    pub fn to_bytes(&self) -> Vec<u8> {
        let head = [self.n, self.min.to_bits(), self.max.to_bits()];
        let words = head.iter().chain(&self.sum).chain(&self.squares);
        words.flat_map(|word| word.to_le_bytes()).collect()
    }

    /// Restores what [`Moments::to_bytes`] wrote.
    ///
    /// # Errors
    /// [`DecodeError::Length`] when it is not 112 bytes; [`DecodeError::Inconsistent`] when count,
    /// extremes and sums cannot belong to one set of readings.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, DecodeError> {
        if bytes.len() != ENCODED_LEN {
            return Err(DecodeError::Length {
                found: bytes.len(),
                expected: ENCODED_LEN,
            });
        }
        let mut words = [0u64; 14];
        for (word, chunk) in words.iter_mut().zip(bytes.as_chunks::<8>().0) {
            *word = u64::from_le_bytes(*chunk);
        }
        let mut restored = Self::new();
        restored.n = words[0];
        restored.min = f64::from_bits(words[1]);
        restored.max = f64::from_bits(words[2]);
        restored.sum.copy_from_slice(&words[3..7]);
        restored.squares.copy_from_slice(&words[7..]);
        restored.check()?;
        Ok(restored)
    }

    fn check(&self) -> Result<(), DecodeError> {
        if self.n == 0 {
            return if *self == Self::new() {
                Ok(())
            } else {
                Err(DecodeError::Inconsistent("sums without readings"))
            };
        }
        if !Self::accepts(self.min) || !Self::accepts(self.max) || self.min > self.max {
            return Err(DecodeError::Inconsistent("smallest and largest reading"));
        }
        if self.centred_square_sum().is_none() {
            return Err(DecodeError::Inconsistent(
                "squares below the square of the sum",
            ));
        }
        match self.mean() {
            Some(mean) if mean >= self.min && mean <= self.max => Ok(()),
            _ => Err(DecodeError::Inconsistent("mean outside the extremes")),
        }
    }

    /// n Q - S^2 in units of 2^-240. Never negative for real readings (Cauchy-Schwarz); `None`
    /// tells that the words were not made by pushing readings.
    fn centred_square_sum(&self) -> Option<[u64; 8]> {
        let mut total = [0u64; 8];
        let mut carry = 0u128;
        for (out, word) in total.iter_mut().zip(&self.squares) {
            carry += u128::from(*word) * u128::from(self.n);
            *out = low(carry);
            carry >>= 64;
        }
        total[7] = low(carry);
        let square = square_of(&magnitude(&self.sum).1);
        let mut borrow = false;
        for (out, word) in total.iter_mut().zip(&square) {
            (*out, borrow) = out.borrowing_sub_words(*word, borrow);
        }
        (!borrow).then_some(total)
    }
}

/// Splits a double into an integer and a left shift, in units of 2^-120.
#[inline]
fn quantise(fraction: u64, exponent: u64) -> (u64, u32) {
    let implicit = u64::from(exponent != 0) << MANTISSA_BITS;
    let mantissa = fraction | implicit;
    if exponent >= EXPONENT_OF_LAST_BIT {
        return (mantissa, (exponent - EXPONENT_OF_LAST_BIT) as u32);
    }
    let drop = EXPONENT_OF_LAST_BIT - exponent.max(1);
    if drop > u64::from(MANTISSA_BITS) + 1 {
        return (0, 0);
    }
    (((mantissa >> (drop - 1)) + 1) >> 1, 0)
}

/// The quantised value of a reading below 2^-67, so that the mean lies between the extremes.
#[cold]
fn tiny(x: f64, mantissa: u64) -> f64 {
    let last_bit = f64::from_bits(((1023 - FRACTION_BITS) as u64) << MANTISSA_BITS);
    (mantissa as f64 * last_bit).copysign(x)
}

/// Adds (or subtracts, for `negative` = 1) `mantissa << shift` in two's complement.
#[inline]
fn add_signed(sum: &mut [u64; 4], mantissa: u64, shift: u32, negative: u64) {
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

/// Binary orders of magnitude that are summed together in narrow integers.
const NEAR_EXPONENTS: u64 = 4;
/// Readings that are summed together at most: 2^15 squares of 112 bits fit 128 bits.
const NEAR_READINGS: u64 = 1 << 15;

/// Exact sums of readings whose magnitudes lie within a factor of 16.
struct Near {
    /// Biased exponent of the least magnitude; the unit of `sum` is its last mantissa bit.
    base: u64,
    n: u64,
    /// Readings that did not fit since the base was chosen.
    misses: u64,
    min: f64,
    max: f64,
    sum: i128,
    squares: u128,
}

impl Default for Near {
    fn default() -> Near {
        Near {
            // Above every exponent of 11 bits: nothing fits.
            base: 1 << 11,
            n: 0,
            misses: 0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            sum: 0,
            squares: 0,
        }
    }
}

impl Near {
    /// Adds a reading where its magnitude fits and there is room.
    #[inline]
    fn take(&mut self, x: f64) -> bool {
        let bits = x.to_bits();
        let above = ((bits >> MANTISSA_BITS) & 0x7ff).wrapping_sub(self.base);
        if above >= NEAR_EXPONENTS || self.n == NEAR_READINGS {
            return false;
        }
        let mantissa = (bits & ((1 << MANTISSA_BITS) - 1)) | (1 << MANTISSA_BITS);
        let scaled = mantissa << above;
        self.n += 1;
        self.min = if x < self.min { x } else { self.min };
        self.max = if x > self.max { x } else { self.max };
        // Without a branch, because the signs of offsets are as good as random.
        let sign = -i128::from(bits >> 63);
        self.sum += (i128::from(scaled) ^ sign) - sign;
        self.squares += u128::from(scaled) * u128::from(scaled);
        true
    }

    /// Lets the magnitude of `x` be the second lowest that fits; nothing may have been added yet.
    fn centre(&mut self, x: f64) {
        let exponent = (x.to_bits() >> MANTISSA_BITS) & 0x7ff;
        if exponent > EXPONENT_OF_LAST_BIT && exponent + NEAR_EXPONENTS < EXPONENT_LIMIT {
            self.base = exponent - 1;
        }
    }

    /// Hands over what was added.
    fn flush(&mut self, to: &mut Moments) {
        if self.n == 0 {
            return;
        }
        to.n += self.n;
        to.min = if self.min < to.min { self.min } else { to.min };
        to.max = if self.max > to.max { self.max } else { to.max };
        // The base lies between the exponents of the last bit and of the limit.
        let shift = (self.base - EXPONENT_OF_LAST_BIT) as u32;
        let magnitude = self.sum.unsigned_abs();
        let negative = u64::from(self.sum < 0);
        let low = low(magnitude) & ((1 << MANTISSA_BITS) - 1);
        let high = self::low(magnitude >> MANTISSA_BITS);
        add_signed(&mut to.sum, low, shift, negative);
        add_signed(&mut to.sum, high, shift + MANTISSA_BITS, negative);
        add_square(&mut to.squares, self.squares, 2 * shift);
        *self = Near::default();
    }
}

/// Adds `square << shift` to the unsigned sum of squares.
#[inline]
fn add_square(squares: &mut [u64; 7], square: u128, shift: u32) {
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

fn add_words<const N: usize>(left: &mut [u64; N], right: &[u64; N]) {
    let mut carry = false;
    for (word, part) in left.iter_mut().zip(right) {
        (*word, carry) = word.carrying_add_words(*part, carry);
    }
}

/// Word arithmetic with carry; the names differ from the unstable ones of the standard library.
trait Word {
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
fn low(wide: u128) -> u64 {
    wide as u64
}

#[inline]
fn high(wide: u128) -> u64 {
    (wide >> 64) as u64
}

/// Sign and absolute value of a two's complement number.
fn magnitude(sum: &[u64; 4]) -> (bool, [u64; 4]) {
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

fn square_of(words: &[u64; 4]) -> [u64; 8] {
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
fn divide(words: &mut [u64], divisor: u64) -> u64 {
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
fn to_f64(words: &[u64], sticky: bool, exponent: i32) -> f64 {
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

#[cfg(test)]
mod tests;
