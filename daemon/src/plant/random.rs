//! Random numbers that come out the same on every machine.
//!
//! Must not know what the numbers are for. Invariant: only integer arithmetic and the IEEE 754
//! operations that are exactly rounded (add, subtract, multiply, divide, square root) are used,
//! so equal seeds give equal bits whatever the platform's maths library does.

/// The SplitMix64 generator (Steele, Lea and Flood, "Fast splittable pseudorandom number
/// generators", OOPSLA 2014) with draws from a few distributions.
pub(super) struct Random {
    state: u64,
    spare: Option<f64>,
}

const GOLDEN: u64 = 0x9E37_79B9_7F4A_7C15;

impl Random {
    /// A generator of its own for each `path` under one seed, so that what one panel draws does
    /// not depend on how much the panels before it drew.
    pub(super) fn new(seed: u64, path: &[u64]) -> Self {
        let state = path.iter().fold(mix(seed), |state, step| {
            mix(state ^ mix(step.wrapping_add(GOLDEN)))
        });
        Self { state, spare: None }
    }

    fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(GOLDEN);
        mix(self.state)
    }

    /// Uniform on the open interval (0, 1).
    pub(super) fn uniform(&mut self) -> f64 {
        // 53 bits, moved half a step up: neither 0 (its logarithm is asked for) nor 1.
        ((self.next_u64() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Uniform on 0, 1, ..., `count` - 1; 0 when `count` is 0.
    pub(super) fn below(&mut self, count: u32) -> u32 {
        // The product of two 32-bit numbers cannot overflow; its upper half is below `count`.
        (((self.next_u64() >> 32) * u64::from(count)) >> 32) as u32
    }

    /// True with probability `share`.
    pub(super) fn happens(&mut self, share: f64) -> bool {
        self.uniform() < share
    }

    /// Standard normal, by Marsaglia's polar method (Marsaglia and Bray 1964).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        loop {
            let x = 2.0 * self.uniform() - 1.0;
            let y = 2.0 * self.uniform() - 1.0;
            let square = x * x + y * y;
            if square < 1.0 && square > 0.0 {
                let scale = (-2.0 * ln(square) / square).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }

    /// Poisson with the given mean: how many exponential waits fit into one unit of time.
    pub(super) fn poisson(&mut self, mean: f64) -> u32 {
        let mut count = 0;
        let mut waited = -ln(self.uniform());
        while waited < mean {
            count += 1;
            waited -= ln(self.uniform());
        }
        count
    }
}

fn mix(state: u64) -> u64 {
    let state = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let state = (state ^ (state >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    state ^ (state >> 31)
}

/// Natural logarithm of a positive normal number, to about 1e-15 relative to max(1, |ln x|).
fn ln(x: f64) -> f64 {
    const LN_2: f64 = std::f64::consts::LN_2;
    let bits = x.to_bits();
    let mut exponent = ((bits >> 52) & 0x7FF) as i32 - 1023;
    let mut mantissa = f64::from_bits((bits & 0x000F_FFFF_FFFF_FFFF) | 0x3FF0_0000_0000_0000);
    if mantissa > std::f64::consts::SQRT_2 {
        mantissa /= 2.0;
        exponent += 1;
    }
    // ln m = 2 artanh((m - 1) / (m + 1)); |t| <= 0.1716, so t^23 is below the last bit.
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let square = t * t;
    let series = (0..12)
        .rev()
        .fold(0.0, |sum, k| sum * square + 1.0 / f64::from(2 * k + 1));
    f64::from(exponent) * LN_2 + 2.0 * t * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix_gives_the_published_sequence() {
        // First outputs of the reference C implementation (S. Vigna, splitmix64.c) for the
        // state 1234567; the values are from memory.
        let mut random = Random {
            state: 1_234_567,
            spare: None,
        };
        assert_eq!(random.next_u64(), 6_457_827_717_110_365_317);
        assert_eq!(random.next_u64(), 3_203_168_211_198_807_973);
        assert_eq!(random.next_u64(), 9_817_491_932_198_370_423);
    }

    #[test]
    fn logarithm_agrees_with_the_platform() {
        let mut random = Random::new(1, &[]);
        for _ in 0..10_000 {
            let x = random.uniform();
            let error = (ln(x) - x.ln()).abs();
            assert!(
                error <= 1e-14 * x.ln().abs().max(1.0),
                "ln({x}) is off by {error}"
            );
        }
    }

    #[test]
    fn normal_draws_follow_the_normal_table() {
        // Any table of the standard normal: P(Z < -1.96) = 0.0250, P(Z < 0) = 0.5,
        // P(Z < 1) = 0.8413, P(Z < 3) = 0.99865.
        let mut random = Random::new(7, &[]);
        let draws: Vec<f64> = (0..200_000).map(|_| random.normal()).collect();
        for (z, share) in [(-1.96, 0.0250), (0.0, 0.5), (1.0, 0.8413), (3.0, 0.99865)] {
            let below = draws.iter().filter(|&&draw| draw < z).count() as f64 / 200_000.0;
            let error_sd = f64::sqrt(share * (1.0 - share) / 200_000.0);
            assert!(
                (below - share).abs() < 4.0 * error_sd + 5e-5,
                "P(Z < {z}) came out {below}"
            );
        }
    }

    #[test]
    fn poisson_mean_and_variance_are_both_the_rate() {
        let mut random = Random::new(3, &[9]);
        let draws: Vec<f64> = (0..50_000)
            .map(|_| f64::from(random.poisson(3.2)))
            .collect();
        let mean = draws.iter().sum::<f64>() / 50_000.0;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 49_999.0;
        assert!((mean - 3.2).abs() < 0.04, "{mean}");
        assert!((variance - 3.2).abs() < 0.12, "{variance}");
    }

    #[test]
    fn paths_give_different_streams() {
        let first = |path: &[u64]| Random::new(5, path).next_u64();
        assert_ne!(first(&[1, 2]), first(&[2, 1]));
        assert_ne!(first(&[1]), first(&[1, 0]));
        assert_eq!(first(&[1, 2]), first(&[1, 2]));
    }
}
