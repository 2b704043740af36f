//! The grid of data time: ticks every 5 minutes since sealing, fits on every sixth.
//!
//! While nothing new comes in, ticks thin out: after 48 h without a reading the next one comes after a forty-eighth of
//! the quiet time, on the grid of fits. A gap of any length therefore costs a bounded number of evaluations (some 100
//! for the first 48 h, then about 33 for each doubling), however far the clock leaps.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

/// Seconds between ticks.
const TICK_SECS: i64 = 300;
/// Ticks between fits: 30 minutes.
const TICKS_PER_FIT: i64 = 6;
/// Quiet time after which ticks thin out.
const QUIET_SECS: i64 = 48 * 3_600;
/// The step is the quiet time divided by this.
const QUIET_STEPS: i64 = 48;

/// Where the clock stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Clock {
    origin: Timestamp,
    now: Timestamp,
    /// Index of the last tick that was done; -1: none.
    ticked: i64,
    /// When the last reading came in, or `origin`.
    heard: Timestamp,
}

impl Clock {
    pub(super) fn new(origin: Timestamp) -> Self {
        Self {
            origin,
            now: origin,
            ticked: -1,
            heard: origin,
        }
    }

    pub(super) fn now(&self) -> Timestamp {
        self.now
    }

    /// Moves on; never back.
    pub(super) fn advance(&mut self, at: Timestamp) {
        self.now = self.now.max(at);
    }

    /// A reading came in.
    pub(super) fn hear(&mut self) {
        self.heard = self.now;
    }

    /// The next tick.
    pub(super) fn next_tick(&self) -> Timestamp {
        self.time_of(self.next_index())
    }

    /// Whether a fit belongs to the next tick.
    pub(super) fn next_is_with_fit(&self) -> bool {
        self.next_index() % TICKS_PER_FIT == 0
    }

    /// Does the tick at `at`, if it lies on the grid and is due.
    pub(super) fn tick(&mut self, at: Timestamp) -> Option<Tick> {
        let secs = at.duration_since(self.origin);
        let index = secs.as_secs() / TICK_SECS;
        let on_grid = secs.as_secs() % TICK_SECS == 0 && secs.subsec_nanos() == 0;
        if !on_grid || index <= self.ticked || at < self.now {
            return None;
        }
        self.now = at;
        self.ticked = index;
        Some(if index % TICKS_PER_FIT == 0 {
            Tick::WithFit
        } else {
            Tick::Plain
        })
    }

    /// The next tick with a fit.
    pub(super) fn next_fit(&self) -> Timestamp {
        let next = self.next_index();
        self.time_of(next + (TICKS_PER_FIT - next % TICKS_PER_FIT) % TICKS_PER_FIT)
    }

    fn next_index(&self) -> i64 {
        let from = self.ticked + 1;
        let quiet = self
            .time_of(self.ticked.max(0))
            .duration_since(self.heard)
            .as_secs();
        let thinned = if quiet < QUIET_SECS {
            from
        } else {
            let step = (quiet / QUIET_STEPS / TICK_SECS).max(TICKS_PER_FIT);
            let later = self.ticked + step;
            later + (TICKS_PER_FIT - later % TICKS_PER_FIT) % TICKS_PER_FIT
        };
        thinned.max(self.index_from(self.now))
    }

    /// Index of the first tick not before `at`.
    fn index_from(&self, at: Timestamp) -> i64 {
        let since = at.duration_since(self.origin);
        let whole = since.as_secs().div_euclid(TICK_SECS);
        let exact = since.as_secs().rem_euclid(TICK_SECS) == 0 && since.subsec_nanos() <= 0;
        whole + i64::from(!exact)
    }

    fn time_of(&self, index: i64) -> Timestamp {
        index
            .checked_mul(TICK_SECS)
            .and_then(|secs| self.origin.checked_add(SignedDuration::from_secs(secs)).ok())
            .unwrap_or(Timestamp::MAX)
    }
}

/// What a tick is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tick {
    /// Looks after sensors and shelves.
    Plain,
    /// A fit, too.
    WithFit,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ticks_to(clock: &mut Clock, until: Timestamp) -> Vec<Timestamp> {
        let mut ticks = Vec::new();
        while clock.next_tick() < until {
            let at = clock.next_tick();
            clock.tick(at).unwrap();
            ticks.push(at);
        }
        clock.advance(until);
        ticks
    }

    #[test]
    fn ticks_come_every_five_minutes_from_sealing_and_every_sixth_fits() {
        let origin: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut clock = Clock::new(origin);
        assert_eq!(clock.next_tick(), origin);
        assert_eq!(clock.tick(origin), Some(Tick::WithFit));
        assert_eq!(clock.tick(origin), None);
        let next = clock.next_tick();
        assert_eq!(next.duration_since(origin).as_secs(), 300);
        assert_eq!(clock.tick(next), Some(Tick::Plain));
    }

    #[test]
    fn a_leap_of_a_lifetime_costs_under_two_thousand_ticks() {
        let origin: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut clock = Clock::new(origin);
        let ticks = ticks_to(&mut clock, "2099-01-01T00:00:00Z".parse().unwrap());
        assert!(ticks.len() < 2_000, "{}", ticks.len());
        // The first 48 h are whole: 576 ticks.
        assert_eq!(
            ticks.get(575).unwrap().duration_since(origin).as_secs(),
            575 * 300
        );
    }

    #[test]
    fn after_a_gap_the_grid_is_back_at_once() {
        let origin: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut clock = Clock::new(origin);
        let later: Timestamp = "2026-04-02T07:01:00Z".parse().unwrap();
        ticks_to(&mut clock, later);
        clock.hear();
        assert_eq!(clock.next_tick(), "2026-04-02T07:05:00Z".parse().unwrap());
    }

    #[test]
    fn the_clock_never_goes_back() {
        let origin: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut clock = Clock::new(origin);
        clock.advance("2026-03-03T07:00:00Z".parse().unwrap());
        clock.advance("2026-03-01T07:00:00Z".parse().unwrap());
        assert_eq!(clock.now(), "2026-03-03T07:00:00Z".parse().unwrap());
        assert_eq!(clock.tick(origin), None);
    }
}
