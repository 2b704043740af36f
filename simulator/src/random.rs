//! Chance from a seed: the same seed and stream give the same draws on every run.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of chance decides. Each has its own stream, so that a further sensor or a move to the
/// fridge leaves the weather as it was.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Stream {
    Scenario,
    Filling,
    Weather,
    AirPressure,
    LineNoise,
    Variant,
    Sensor(u32),
    Fault(u32),
}

impl Stream {
    fn number(self) -> u64 {
        match self {
            Self::Scenario => 1,
            Self::Filling => 2,
            Self::Weather => 3,
            Self::AirPressure => 4,
            Self::LineNoise => 5,
            Self::Variant => 6,
            Self::Sensor(index) => 1000 + u64::from(index),
            Self::Fault(index) => (1 << 40) + u64::from(index),
        }
    }
}

/// A seeded stream of chance.
#[derive(Clone, Debug)]
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    pub(crate) fn new(seed: u64, stream: Stream) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream.number());
        Self(generator)
    }

    /// Uniform in 0 (included) to 1 (excluded).
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit the mantissa exactly")]
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True with the given probability.
    pub(crate) fn happens(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// Standard normal (Box and Muller 1958; the second value is dropped to keep the stream simple).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    pub(crate) fn log_normal(&mut self, median: f64, log_sd: f64) -> f64 {
        median * (log_sd * self.normal()).exp()
    }

    /// Exponential with the given mean.
    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::float_cmp, reason = "the same draw is the same bits")]
    fn streams_differ_and_repeat() {
        let mut first = Chance::new(7, Stream::Weather);
        let mut again = Chance::new(7, Stream::Weather);
        let mut other = Chance::new(7, Stream::Filling);
        let (a, b, c) = (first.uniform(), again.uniform(), other.uniform());
        assert_eq!(a, b);
        assert!((a - c).abs() > 1e-12);
    }

    #[test]
    fn normal_has_its_moments() {
        let mut chance = Chance::new(1, Stream::Scenario);
        let draws: Vec<f64> = (0..20_000).map(|_| chance.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let variance = draws.iter().map(|x| x * x).sum::<f64>() / 20_000.0;
        assert!(mean.abs() < 0.03, "{mean}");
        assert!((variance - 1.0).abs() < 0.05, "{variance}");
    }
}
