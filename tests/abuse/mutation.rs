//! New inputs from known ones, by a seed.
//!
//! Knows no target. The one invariant: the same seed and the same inputs give the same new ones.

use crate::place::Chance;

/// Bytes of an input at most.
const INPUT_MAX: usize = 4_096;

/// Inputs of a pool at most.
const POOL_MAX: usize = 2_000;

/// Numbers, times, marks and ends that parsers get wrong.
const WORDS: [&str; 40] = [
    "nan",
    "inf",
    "-inf",
    "1e400",
    "-0",
    "1e-400",
    "1,5",
    "1.234,5",
    "0x10",
    "1_000",
    "99999999999999999999",
    "18446744073709551616",
    "-9223372036854775809",
    "0.1e",
    ".",
    "+",
    "-",
    "2026-02-30T25:61:61Z",
    "2026-03-29T02:30:00",
    "0000-00-00",
    "9999-12-31T23:59:60Z",
    "-262144-01-01T00:00:00Z",
    "\"",
    "\"\"",
    "\"\n",
    "\r\n",
    "\r",
    "\n\n",
    ",",
    ";",
    "\t",
    "\0",
    "\u{feff}",
    "\u{202e}",
    "=1+1",
    "<script>",
    "[[",
    "]]",
    " = { ",
    "\u{1b}[2J",
];

/// The inputs that new ones are made of: the corpus, and what led to something new since.
pub struct Pool {
    inputs: Vec<Vec<u8>>,
}

impl Pool {
    /// A pool of the corpus.
    pub fn new(corpus: &[Vec<u8>]) -> Pool {
        let mut inputs = corpus.to_vec();
        inputs
            .iter_mut()
            .for_each(|input| input.truncate(INPUT_MAX));
        Pool { inputs }
    }

    /// Keeps an input that led to something new.
    pub fn keep(&mut self, input: &[u8], chance: &mut Chance) {
        if self.inputs.len() < POOL_MAX {
            self.inputs.push(input.to_vec());
        } else {
            let place = chance.below(POOL_MAX);
            self.inputs[place] = input.to_vec();
        }
    }

    /// A new input.
    pub fn next(&self, chance: &mut Chance) -> Vec<u8> {
        let mut input = self.inputs[chance.below(self.inputs.len())].clone();
        for _ in 0..=chance.below(5) {
            self.mutate(&mut input, chance);
        }
        input.truncate(INPUT_MAX);
        input
    }

    fn mutate(&self, input: &mut Vec<u8>, chance: &mut Chance) {
        let (from, to) = range(input.len(), chance);
        match chance.below(9) {
            0 => flip(input, chance),
            1 => {
                input.drain(from..to);
            }
            2 => {
                let part = input[from..to].to_vec();
                input.splice(to..to, part);
            }
            3 => {
                let word = WORDS[chance.below(WORDS.len())];
                input.splice(from..from, word.bytes());
            }
            4 => {
                let word = WORDS[chance.below(WORDS.len())];
                input.splice(from..to, word.bytes());
            }
            5 => {
                let other = &self.inputs[chance.below(self.inputs.len())];
                let (start, end) = range(other.len(), chance);
                input.splice(from..to, other[start..end].iter().copied());
            }
            6 => input.truncate(from),
            7 => swap_lines(input, chance),
            _ => {
                let byte = u8::try_from(chance.below(256)).unwrap_or_default();
                let many = 1 + chance.below(64);
                input.splice(from..from, std::iter::repeat_n(byte, many));
            }
        }
    }
}

fn flip(input: &mut [u8], chance: &mut Chance) {
    if !input.is_empty() {
        let place = chance.below(input.len());
        input[place] ^= 1 << chance.below(8);
    }
}

/// A short stretch most times, any stretch at others.
fn range(len: usize, chance: &mut Chance) -> (usize, usize) {
    let from = chance.below(len + 1);
    let most = if chance.below(4) == 0 {
        len - from
    } else {
        (len - from).min(16)
    };
    (from, from + chance.below(most + 1))
}

fn swap_lines(input: &mut Vec<u8>, chance: &mut Chance) {
    let mut lines: Vec<&[u8]> = input.split_inclusive(|byte| *byte == b'\n').collect();
    if lines.len() > 1 {
        let (one, other) = (chance.below(lines.len()), chance.below(lines.len()));
        lines.swap(one, other);
        *input = lines.concat();
    }
}
