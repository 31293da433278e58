//! Small whole numbers in Parquet's hybrid of runs and packed bits, and which rows hold a value.
//!
//! After the format's specification (Apache Parquet, Encodings: run length encoding and bit
//! packing hybrid). The library's own encoder looks at each number in turn; here a run is found by
//! comparing many numbers at once, and most columns of inspection results are runs. The invariant:
//! as many numbers can be read back as were written.

/// Equal numbers in a row from which a run is shorter and faster than packed bits.
const RUN_FROM: usize = 32;

/// Which rows hold a value.
pub struct Levels {
    rows: usize,
    /// For each row whether it does; absent where all do.
    present: Option<Vec<u32>>,
}

impl Levels {
    /// Every row holds a value.
    pub fn none(rows: usize) -> Levels {
        Levels {
            rows,
            present: None,
        }
    }

    /// The rows of a column that hold a value.
    pub fn of<T>(column: &[T], holds: impl Fn(&T) -> bool) -> Levels {
        // Without early exits, so that it compiles to vector instructions.
        let full = column.iter().fold(true, |full, one| full & holds(one));
        let present = (!full).then(|| column.iter().map(|one| u32::from(holds(one))).collect());
        Levels {
            rows: column.len(),
            present,
        }
    }

    /// Whether every row holds a value.
    pub fn is_full(&self) -> bool {
        self.present.is_none()
    }

    /// How many rows there are.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// The definition levels of an optional column, with their length before them.
    pub fn encode(&self) -> Vec<u8> {
        let mut levels = Vec::new();
        match &self.present {
            Some(present) => runs(&mut levels, present, 1),
            None => run(&mut levels, 1, self.rows, 1),
        }
        let mut bytes = Vec::with_capacity(levels.len() + 4);
        bytes.extend_from_slice(&u32::try_from(levels.len()).unwrap_or(0).to_le_bytes());
        bytes.append(&mut levels);
        bytes
    }
}

/// How many bits the numbers below a count need; at least one.
pub fn bits_for(count: usize) -> u8 {
    let largest = u32::try_from(count.saturating_sub(1)).unwrap_or(u32::MAX);
    // At most 32.
    (32 - largest.leading_zeros()).max(1) as u8
}

/// Writes numbers of so many bits.
pub fn runs(to: &mut Vec<u8>, numbers: &[u32], bits: u8) {
    let mut at = 0;
    // Where the numbers begin that wait to be packed: always whole eights before `at`.
    let mut packed_from = 0;
    while at < numbers.len() {
        let length = run_length(&numbers[at..]);
        if length >= RUN_FROM {
            pack(to, &numbers[packed_from..at], bits);
            run(to, numbers[at], length, bits);
            at += length;
            packed_from = at;
        } else {
            at += 8;
        }
    }
    pack(to, &numbers[packed_from.min(numbers.len())..], bits);
}

/// How often the first number is repeated at the beginning.
fn run_length(numbers: &[u32]) -> usize {
    let Some(&first) = numbers.first() else {
        return 0;
    };
    let mut length = 0;
    let (eights, _) = numbers.as_chunks::<8>();
    for eight in eights {
        let differs = eight
            .iter()
            .fold(0, |differs, number| differs | (number ^ first));
        if differs != 0 {
            break;
        }
        length += 8;
    }
    length
        + numbers[length..]
            .iter()
            .take_while(|number| **number == first)
            .count()
}

fn run(to: &mut Vec<u8>, number: u32, length: usize, bits: u8) {
    varint(to, (length as u64) << 1);
    let bytes = usize::from(bits.div_ceil(8));
    to.extend_from_slice(&number.to_le_bytes()[..bytes]);
}

/// Writes numbers as packed bits; a last group of fewer than eight is filled with zeros.
fn pack(to: &mut Vec<u8>, numbers: &[u32], bits: u8) {
    if numbers.is_empty() {
        return;
    }
    varint(to, ((numbers.len().div_ceil(8) as u64) << 1) | 1);
    let (eights, rest) = numbers.as_chunks::<8>();
    to.reserve(usize::from(bits) * (eights.len() + 1));
    for eight in eights {
        pack_eight(to, eight, bits);
    }
    if !rest.is_empty() {
        let mut last = [0; 8];
        last[..rest.len()].copy_from_slice(rest);
        pack_eight(to, &last, bits);
    }
}

/// Eight numbers of so many bits are as many bytes.
#[inline]
fn pack_eight(to: &mut Vec<u8>, eight: &[u32; 8], bits: u8) {
    let half = |numbers: &[u32]| {
        numbers
            .iter()
            .rev()
            .fold(0u128, |word, number| (word << bits) | u128::from(*number))
    };
    if bits <= 16 {
        let word = half(eight).to_le_bytes();
        to.extend_from_slice(&word[..usize::from(bits)]);
        return;
    }
    // Four numbers of more than sixteen bits may end within a byte.
    let (low, high) = (half(&eight[..4]), half(&eight[4..]));
    let shift = 4 * u32::from(bits);
    let mut bytes = [0u8; 32];
    bytes[..16].copy_from_slice(&(low | high.checked_shl(shift).unwrap_or(0)).to_le_bytes());
    let above = if shift < 128 {
        high >> (128 - shift)
    } else {
        high
    };
    bytes[16..].copy_from_slice(&above.to_le_bytes());
    to.extend_from_slice(&bytes[..usize::from(bits)]);
}

fn varint(to: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        to.push((number & 0x7f) as u8 | 0x80);
        number >>= 7;
    }
    to.push(number as u8);
}

#[cfg(test)]
mod tests {
    use polars_parquet::parquet::encoding::hybrid_rle::HybridRleDecoder;
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn levels_name_the_rows_with_a_value() {
        let full = Levels::of(&[1.0, 2.0], |number: &f64| !number.is_nan());
        assert!(full.is_full());
        // A run of two ones, two bytes long.
        assert_eq!(full.encode(), [2, 0, 0, 0, 2 << 1, 1]);
        let gaps = Levels::of(&[1.0, f64::NAN, 3.0], |number: &f64| !number.is_nan());
        assert!(!gaps.is_full());
        // One group of eight, packed: rows 0 and 2.
        assert_eq!(gaps.encode(), [2, 0, 0, 0, 3, 0b101]);
    }

    proptest! {
        #[test]
        fn the_library_reads_back_what_was_written(
            pieces in prop::collection::vec((0u32..u32::MAX, 1usize..90), 0..40),
            bits in 1u8..=32,
        ) {
            let mask = u32::MAX >> (32 - u32::from(bits));
            let numbers: Vec<u32> = pieces
                .iter()
                .flat_map(|(number, length)| std::iter::repeat_n(number & mask, *length))
                .collect();
            let mut bytes = Vec::new();
            runs(&mut bytes, &numbers, bits);
            let reader = HybridRleDecoder::new(&bytes, u32::from(bits), numbers.len());
            let back: Vec<u32> = reader.collect().map_err(|error| {
                TestCaseError::fail(error.to_string())
            })?;
            prop_assert_eq!(back, numbers);
        }
    }
}
