//! How long to wait before the next try.

use std::{
    hash::{BuildHasher, Hasher, RandomState},
    time::Duration,
};

/// The first wait, before jitter.
const FIRST: Duration = Duration::from_millis(500);

/// The longest wait.
const LONGEST: Duration = Duration::from_secs(30);

/// A link that lasted this long was a good one: the next wait is the first again.
const GOOD: Duration = Duration::from_secs(30);

/// Waits that double from 0.5 to 30 s, each cut by up to half at random, so that many clients do not come back as one.
#[derive(Debug, Default)]
pub struct Backoff {
    failures: u32,
}

impl Backoff {
    /// How long to wait after a link that lasted `lasted` (nothing, if it never came up).
    pub fn after(&mut self, lasted: Duration) -> Duration {
        if lasted >= GOOD {
            self.failures = 0;
        }
        let wait = wait(self.failures, FIRST, LONGEST);
        self.failures = self.failures.saturating_add(1);
        wait
    }

    /// The link carried readings, however short it was: the next wait is the first again, since each second without it may
    /// cost one.
    pub fn was_good(&mut self) {
        self.failures = 0;
    }
}

/// The wait after so many `failures` before: it doubles from `first` to `longest`, cut by up to half at random.
pub fn wait(failures: u32, first: Duration, longest: Duration) -> Duration {
    let whole = first.saturating_mul(1 << failures.min(16)).min(longest);
    let chance = RandomState::new().build_hasher().finish() >> 40;
    // 24 random bits, exactly held by the type.
    let share = f64::from(u32::try_from(chance).unwrap_or(0)) / f64::from(1_u32 << 24);
    whole.mul_f64(1.0 - share / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_half_a_minute_and_a_good_link_begins_anew() {
        let mut backoff = Backoff::default();
        for whole in [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0] {
            let wait = backoff.after(Duration::ZERO).as_secs_f64();
            assert!(wait > whole / 2.0 - 1e-9 && wait <= whole, "{wait} of {whole}");
        }
        assert!(backoff.after(GOOD) <= FIRST);
        backoff.after(Duration::ZERO);
        backoff.was_good();
        assert!(backoff.after(Duration::ZERO) <= FIRST);
    }
}
