//! Randomness from a seed: the same numbers on every machine.

/// SplitMix64 (Steele, Lea and Flood 2014, OOPSLA): passes BigCrush, and a seed is all its state.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    /// From a seed; nearby seeds give unrelated streams.
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A stream of its own for every list of numbers.
    pub(super) fn of(numbers: &[u64]) -> Self {
        numbers
            .iter()
            .fold(Self(0x6a09_e667_f3bc_c909), |mut stream, number| {
                stream.0 ^= *number;
                Self(stream.next())
            })
    }

    /// A seed from bytes (FNV-1a, 64 bit).
    pub(super) fn seed_of(bytes: &[u8]) -> u64 {
        bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
        })
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in (0, 1).
    fn uniform(&mut self) -> f64 {
        let [a, b, c, d, e, f, g, _] = self.next().to_be_bytes();
        let high = f64::from(u32::from_be_bytes([a, b, c, d]));
        let low = f64::from(u32::from_be_bytes([0, e, f, g]));
        (high * 16_777_216.0 + low + 0.5) / 72_057_594_037_927_936.0
    }

    /// Standard normal (Box and Muller 1958).
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_draws_have_the_moments_of_a_normal() {
        let mut random = Random::new(1);
        let draws: Vec<f64> = (0..20_000).map(|_| random.normal()).collect();
        let n = 20_000.0;
        let mean = draws.iter().sum::<f64>() / n;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n;
        let kurtosis = draws.iter().map(|x| (x - mean).powi(4)).sum::<f64>() / n / variance.powi(2);
        assert!(mean.abs() < 0.03 && (variance - 1.0).abs() < 0.04 && (kurtosis - 3.0).abs() < 0.2);
    }
}
