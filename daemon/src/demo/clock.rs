//! The clock of the demonstration, and how its log tells the time.

use std::{
    fmt,
    sync::{
        Arc,
        atomic::{AtomicI64, Ordering},
    },
    time::Duration,
};

use jiff::{Timestamp, tz::TimeZone};
use tracing_subscriber::fmt::{
    format::Writer,
    time::{FormatTime, SystemTime},
};

use crate::watch::Clock;

/// A clock that stands where the play has come to; a copy is the same clock.
#[derive(Clone, Debug)]
pub struct VirtualClock(Arc<AtomicI64>);

impl VirtualClock {
    pub(super) fn set(&self, at: Timestamp) {
        self.0.store(at.as_microsecond(), Ordering::Release);
    }
}

impl Default for VirtualClock {
    /// Stands at the present moment.
    fn default() -> Self {
        Self(Arc::new(AtomicI64::new(Timestamp::now().as_microsecond())))
    }
}

impl Clock for VirtualClock {
    fn now(&self) -> Timestamp {
        Timestamp::from_microsecond(self.0.load(Ordering::Acquire)).unwrap_or(Timestamp::MAX)
    }

    /// The play brings its own ticks with its readings; this is only for those who wait for a sign of life.
    fn tick_every(&self) -> Duration {
        Duration::from_secs(1)
    }
}

/// What stands at the beginning of a line of the log.
#[derive(Debug)]
pub enum LogTime {
    /// The time.
    Wall,
    /// That all this is made up, and the time in the play.
    Demo(VirtualClock),
}

impl FormatTime for LogTime {
    fn format_time(&self, line: &mut Writer<'_>) -> fmt::Result {
        match self {
            Self::Wall => SystemTime.format_time(line),
            Self::Demo(clock) => {
                let local = clock.now().to_zoned_datetime(TimeZone::system());
                write!(line, "Demo {}", local.strftime("%a %-d %b %H:%M %Z"))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_of_the_log_begins_by_saying_that_it_is_a_demo() {
        let clock = VirtualClock::default();
        clock.set("2026-03-06T11:30:00Z".parse().unwrap());
        let mut line = String::new();
        LogTime::Demo(clock)
            .format_time(&mut Writer::new(&mut line))
            .unwrap();
        assert!(line.starts_with("Demo Fri 6 Mar "), "{line}");
    }

    #[test]
    fn copies_of_the_clock_go_together() {
        let clock = VirtualClock::default();
        let copy = clock.clone();
        clock.set("2026-03-06T11:30:00Z".parse().unwrap());
        assert_eq!(copy.now(), "2026-03-06T11:30:00Z".parse().unwrap());
    }
}
