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

mod words;

use thiserror::Error;
use words::{Word, add_signed, add_square, add_words, divide, low, magnitude, square_of, to_f64};

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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let empty = Moments::new();
    /// assert_eq!((empty.count(), empty.mean(), empty.variance()), (0, None, None));
    /// ```
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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// assert!(Moments::accepts(1.8e19) && Moments::accepts(-0.0));
    /// assert!(!Moments::accepts(1.9e19) && !Moments::accepts(f64::NAN));
    /// ```
    pub fn accepts(x: f64) -> bool {
        (x.to_bits() >> MANTISSA_BITS) & 0x7ff < EXPONENT_LIMIT
    }

    /// Adds one reading, in the unit of the measure.
    ///
    /// `x` must be finite and below 2^64 in magnitude; check outside input with
    /// [`Moments::accepts`]. Debug builds assert it, release builds leave the accumulator as it
    /// was. Bits below 2^-120 are rounded, see the module text.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// [0.1, 1e17, -1e17].iter().for_each(|x| moments.push(*x));
    /// // In doubles the tenth is lost beside 1e17; here a third of it is left.
    /// assert_eq!(moments.mean(), Some(0.1 / 3.0));
    /// ```
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
    /// Cost: linear.
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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let of = |readings: &[f64]| {
    ///     let mut moments = Moments::new();
    ///     moments.push_all(readings.iter().copied());
    ///     moments
    /// };
    /// let mut parts = of(&[118.2]);
    /// parts.merge(&of(&[121.7, 0.003]));
    /// assert_eq!(parts, of(&[118.2, 121.7, 0.003]));
    /// ```
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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.count(), 3);
    /// ```
    pub fn count(&self) -> u64 {
        self.n
    }

    /// Arithmetic mean S/n, correctly rounded (one rounding); `None` when empty.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// // NumAcc1 of NIST StRD, univariate: mean 10000002, standard deviation 1, both exact.
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.mean(), Some(10_000_002.0));
    /// ```
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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// // NumAcc1 of NIST StRD, univariate: mean 10000002, standard deviation 1, both exact.
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.variance(), Some(1.0));
    /// ```
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
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// // NumAcc1 of NIST StRD, univariate: mean 10000002, standard deviation 1, both exact.
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.standard_deviation(), Some(1.0));
    /// ```
    pub fn standard_deviation(&self) -> Option<f64> {
        self.variance().map(f64::sqrt)
    }

    /// Smallest reading, as quantised; `None` when empty.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.min(), Some(10_000_001.0));
    /// ```
    pub fn min(&self) -> Option<f64> {
        (self.n > 0).then_some(self.min)
    }

    /// Largest reading, as quantised; `None` when empty.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.max(), Some(10_000_003.0));
    /// ```
    pub fn max(&self) -> Option<f64> {
        (self.n > 0).then_some(self.max)
    }

    /// Largest minus smallest reading; `None` when empty, 0 for a single reading.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(moments.range(), Some(2.0));
    /// ```
    pub fn range(&self) -> Option<f64> {
        (self.n > 0).then_some(self.max - self.min)
    }

    /// The accumulator as 112 bytes, little endian: n, min, max, sum, squares.
    ///
    /// Cost: constant.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// let bytes = moments.to_bytes();
    /// assert_eq!((bytes.len(), &bytes[..8]), (112, &3_u64.to_le_bytes()[..]));
    /// ```
    pub fn to_bytes(&self) -> Vec<u8> {
        let head = [self.n, self.min.to_bits(), self.max.to_bits()];
        let words = head.iter().chain(&self.sum).chain(&self.squares);
        words.flat_map(|word| word.to_le_bytes()).collect()
    }

    /// Restores what [`Moments::to_bytes`] wrote.
    ///
    /// Cost: constant.
    ///
    /// # Errors
    /// [`DecodeError::Length`] when it is not 112 bytes; [`DecodeError::Inconsistent`] when count,
    /// extremes and sums cannot belong to one set of readings.
    ///
    /// ```
    /// use spc::moments::Moments;
    /// let mut moments = Moments::new();
    /// moments.push_all([10_000_001.0, 10_000_003.0, 10_000_002.0]);
    /// assert_eq!(Moments::from_bytes(&moments.to_bytes()), Ok(moments));
    /// assert!(Moments::from_bytes(&[0; 7]).is_err());
    /// ```
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

#[cfg(test)]
mod tests;
