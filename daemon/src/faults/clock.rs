//! The clock of the simulation: what is true, and what the machine believes.

use std::{
    sync::atomic::{AtomicI64, Ordering},
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};

use crate::watch::Clock;

/// The machine's clock. It is where the simulation puts it, and nobody waits by it.
#[derive(Debug)]
pub(super) struct SimulatedClock {
    began_us: i64,
    true_us: AtomicI64,
    /// How far the machine's clock is off.
    off_us: AtomicI64,
    /// What part of the time gone by the machine notices: it decides how often snapshots are kept.
    pace: i64,
}

impl SimulatedClock {
    pub(super) fn new(begins: Timestamp, pace: i64) -> Self {
        Self {
            began_us: begins.as_microsecond(),
            true_us: AtomicI64::new(begins.as_microsecond()),
            off_us: AtomicI64::new(0),
            pace: pace.max(1),
        }
    }

    pub(super) fn set(&self, at: Timestamp) {
        self.true_us.store(at.as_microsecond(), Ordering::SeqCst);
    }

    /// Somebody sets the machine's clock wrong, or right again.
    pub(super) fn put_off(&self, by: SignedDuration) {
        let us = i64::try_from(by.as_micros()).unwrap_or(0);
        self.off_us.store(us, Ordering::SeqCst);
    }

    /// What time it is in truth.
    pub(super) fn truth(&self) -> Timestamp {
        Timestamp::from_microsecond(self.true_us.load(Ordering::SeqCst)).unwrap_or(Timestamp::MAX)
    }
}

impl Clock for SimulatedClock {
    fn now(&self) -> Timestamp {
        let us = self
            .true_us
            .load(Ordering::SeqCst)
            .saturating_add(self.off_us.load(Ordering::SeqCst));
        Timestamp::from_microsecond(us).unwrap_or(Timestamp::MAX)
    }

    fn tick_every(&self) -> Duration {
        Duration::from_secs(300)
    }

    fn gone(&self) -> Duration {
        let us = self.true_us.load(Ordering::SeqCst) - self.began_us;
        Duration::from_micros(us.unsigned_abs()) / u32::try_from(self.pace).unwrap_or(1)
    }

    fn wait(&self, _wanted: Duration) -> Duration {
        Duration::ZERO
    }
}
