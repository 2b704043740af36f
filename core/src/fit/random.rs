//! Randomness from a seed: the same numbers on every machine.

/// How many share a stream of numbers that cover the normal evenly.
pub(super) const STRATA: usize = 64;

/// SplitMix64 (Steele, Lea and Flood 2014, OOPSLA): passes BigCrush, and a seed is all its state.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    /// From a seed; nearby seeds give unrelated streams.
    #[cfg(test)]
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
    #[cfg(test)]
    pub(super) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Standard normal of the `index`th of 64 that share a `stream`: see [`Strata`].
    pub(super) fn stratified(stream: &[u64], index: u64) -> f64 {
        Strata::of(stream).normal(index)
    }
}

/// Standard normals of 64 that share a stream: each lies in a 64th of its own, so that few of them stand for
/// the whole distribution (Latin hypercube: McKay, Beckman and Conover 1979, Technometrics 21, 239).
#[derive(Clone, Copy, Debug)]
pub(super) struct Strata {
    turns: [u64; 3],
    within: u64,
}

impl Strata {
    pub(super) fn of(stream: &[u64]) -> Self {
        let mut of_stream = Random::of(stream);
        Self {
            turns: [(); 3].map(|()| of_stream.next()),
            within: of_stream.next(),
        }
    }

    /// That of the `index`th.
    pub(super) fn normal(&self, index: u64) -> f64 {
        // A permutation of 0 to 63: each turn can be undone.
        let mut place = index % 64;
        for turn in self.turns {
            place = (place.wrapping_mul(turn | 1).wrapping_add(turn >> 32)) % 64;
            place ^= place >> 3;
        }
        let within = Random(self.within ^ index.wrapping_mul(0x9e37_79b9_7f4a_7c15)).uniform();
        let place = u32::try_from(place).map_or(0.0, f64::from);
        normal_below((place + within) / 64.0)
    }
}

/// The standard normal that lies above a `share` of all (0 to 1), to 4.5e-4: Abramowitz and Stegun 1964, 26.2.23.
fn normal_below(share: f64) -> f64 {
    let tail = share.min(1.0 - share).max(f64::MIN_POSITIVE);
    let t = (-2.0 * tail.ln()).sqrt();
    let above = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    let below = 1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308));
    (t - above / below).copysign(share - 0.5)
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

    #[test]
    fn points_of_the_normal_are_those_of_the_tables() {
        // Abramowitz and Stegun 1964, table 26.5.
        for (share, point) in [
            (0.5, 0.0),
            (0.95, 1.644_85),
            (0.975, 1.959_96),
            (0.995, 2.575_83),
            (0.05, -1.644_85),
        ] {
            let told = normal_below(share);
            assert!((told - point).abs() < 5e-4, "{share}: {told}");
        }
    }

    #[test]
    fn each_of_sixty_four_has_a_part_of_its_own() {
        for stream in 0..50 {
            let mut all: Vec<f64> = (0..64)
                .map(|index| Random::stratified(&[7, stream], index))
                .collect();
            let mean = all.iter().sum::<f64>() / 64.0;
            let variance = all.iter().map(|x| x * x).sum::<f64>() / 64.0;
            assert!(
                mean.abs() < 0.05 && (variance - 1.0).abs() < 0.15,
                "{mean} {variance}"
            );
            all.sort_by(f64::total_cmp);
            for (value, index) in all.iter().zip(0_u32..) {
                let (low, high) = (f64::from(index) / 64.0, f64::from(index + 1) / 64.0);
                assert!(*value > normal_below(low) - 1e-9 && *value < normal_below(high) + 1e-9);
            }
        }
    }
}
