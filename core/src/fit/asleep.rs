//! A culture back from the cold: it wakes before it works.
//!
//! The work to be done before growth, h0 = rate of growth times lag (Baranyi and Roberts 1994, Int. J. Food Microbiol. 23, 277), grows almost
//! linearly with the step of temperature (Delignette-Muller and others 2005, Int. J. Food Microbiol. 100, 77, abstract: *Listeria monocytogenes*, of both
//! growing and resting cells). How much it is for a drink's culture nobody has published: its size, its spread and how it comes with the days in the cold
//! are common practice, no source. So it only ever makes a forecast later, and what is asked for safety goes without it.

use super::{life::Life, random::Random};

/// Work to be done per kelvin of the step up, after long in the cold: a little below one from a fridge to a room, which is some eight hours.
/// With it the middle of what was told of rewarmed batches (tuning seeds of `examples/rescued.rs`) lies nearest to the truth.
const WORK_PER_K: f64 = 0.05;

/// Its spread, as the deviation of its logarithm: of ten cultures one sleeps for two or three hours, one for most of a day.
const WORK_LOG_SD: f64 = 0.8;

/// Hours in the cold after which most of that has come.
const COMES_IN_H: f64 = 48.0;

/// What a member still has to do before it works as before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Asleep {
    work_per_k: f64,
}

impl Asleep {
    /// Of a member, after so many hours in the cold. It has a stream of numbers of its own: all others stay as they are.
    pub(super) fn drawn(seed: u64, member: usize, cold_h: f64) -> Self {
        const STREAM: u64 = 0xc01d;
        let member = u64::try_from(member).unwrap_or(u64::MAX);
        let spread = (WORK_LOG_SD * Random::stratified(&[seed, STREAM], member)).exp();
        let come = 1.0 - (-cold_h.max(0.0) / COMES_IN_H).exp();
        Self {
            work_per_k: WORK_PER_K * spread * come,
        }
    }

    /// Holds back a life's rates (as logarithms, at `times`) until the work is done, warm or not as `celsius` has it; how long that delays it, h.
    ///
    /// Baranyi's q/(1+q) stands before all production here, not before growth alone: a full-grown culture hardly grows.
    pub(super) fn hold_back(self, life: &Life, times: &[f64], celsius: &[f64], rates: &mut [f64]) -> f64 {
        let cold = celsius.first().copied().unwrap_or(20.0);
        let warm = celsius
            .iter()
            .take(times.partition_point(|h| *h <= times[0] + 48.0));
        let work = self.work_per_k * (warm.copied().fold(cold, f64::max) - cold);
        if work <= 0.0 {
            return 0.0;
        }
        let mut ln_q = -work.exp_m1().ln();
        let mut delay = 0.0;
        for node in 0..rates.len() {
            let idle = 1.0 / (1.0 + ln_q.exp());
            rates[node] += (-idle).ln_1p();
            let (Some(h), Some(next)) = (times.get(node), times.get(node + 1)) else {
                break;
            };
            delay += idle * (next - h);
            let warmth = life.warmth(celsius[node], celsius[node + 1]);
            ln_q = (ln_q + life.p.growth * warmth * (next - h)).min(30.0);
        }
        delay
    }
}
