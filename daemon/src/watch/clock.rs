//! The clock by which the daemon works: the wall's, or a demo's faster one.

use std::{
    fmt,
    sync::LazyLock,
    time::{Duration, Instant},
};

use jiff::Timestamp;

/// What time it is, to the microsecond, and how often the engines should hear of it.
pub trait Clock: fmt::Debug + Send + Sync {
    /// Now.
    fn now(&self) -> Timestamp;

    /// Real time between two ticks.
    fn tick_every(&self) -> Duration;

    /// Time gone by since some beginning, whoever sets the clock meanwhile.
    fn gone(&self) -> Duration {
        BEGINNING.elapsed()
    }

    /// How long a wait for something to go better really takes.
    fn wait(&self, wanted: Duration) -> Duration {
        wanted
    }
}

static BEGINNING: LazyLock<Instant> = LazyLock::new(Instant::now);

/// The wall clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct WallClock;

impl Clock for WallClock {
    fn now(&self) -> Timestamp {
        whole_microseconds(Timestamp::now())
    }

    fn tick_every(&self) -> Duration {
        Duration::from_secs(30)
    }
}

/// Cuts finer digits, as the store does: a time is the same before and after a restart.
pub(crate) fn whole_microseconds(at: Timestamp) -> Timestamp {
    Timestamp::from_microsecond(at.as_microsecond()).unwrap_or(at)
}
