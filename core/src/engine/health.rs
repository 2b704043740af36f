//! Whether a sensor can be believed: silent, stuck, jumping, or showing what cannot be.

use std::collections::VecDeque;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{
    alert::sentence::Doubt,
    reading::{Measured, Quantity},
};

use super::Rules;

/// Intervals and leaps remembered.
pub(super) const REMEMBERED: usize = 15;
/// A sensor that was heard fewer times has no usual interval; this one is assumed.
const ASSUMED_INTERVAL: SignedDuration = SignedDuration::from_mins(30);
/// Unchanged for this long, a value is asked about (an earlier study: 4 to 6 h; one false alarm came from coarse steps).
pub(super) const STUCK_AFTER: SignedDuration = SignedDuration::from_hours(4);
/// ... and has been read so often.
const STUCK_READINGS: u32 = 8;
/// The model must expect more than so many steps of change.
const STUCK_STEPS: f64 = 3.0;
/// So many leaps among the remembered readings are too many.
pub(super) const LEAPS_TOO_MANY: usize = 4;
/// Two impossible values in a row raise the alert; one is a glitch and merely set aside.
pub(super) const IMPOSSIBLE_RUN: u32 = 2;
/// So many good values in a row end a doubt.
pub(super) const GOOD_RUN: u32 = 5;

/// What is known of one sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Health {
    quantity: Quantity,
    /// The newest reading by its own time.
    pub(super) last: Option<(Timestamp, Measured)>,
    /// The clock when something last came in from it, or when it was first expected.
    heard: Timestamp,
    intervals: VecDeque<i64>,
    /// Smallest change ever seen, in the stored unit: the quantisation step, or less.
    step: Option<f64>,
    /// Value from which it has not moved, and since when, in how many readings.
    anchor: Option<(Timestamp, f64)>,
    unchanged: u32,
    leaps: VecDeque<bool>,
    impossible_run: u32,
    good_run: u32,
    pub(super) doubt: Option<(Doubt, Timestamp)>,
    /// What the model expected of a stuck gauge from its own standstill on: (time, pascal).
    expected: Vec<(Timestamp, f64)>,
}

/// What a reading did to the health of its sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Checked {
    /// It may be used.
    Plausible,
    /// It shows what cannot be.
    Impossible,
}

impl Health {
    /// A sensor that is expected to be heard from `now` on.
    pub(super) fn new(quantity: Quantity, now: Timestamp) -> Self {
        Self {
            quantity,
            last: None,
            heard: now,
            intervals: VecDeque::new(),
            step: None,
            anchor: None,
            unchanged: 0,
            leaps: VecDeque::new(),
            impossible_run: 0,
            good_run: 0,
            doubt: None,
            expected: Vec::new(),
        }
    }

    /// Takes a reading measured at `at`, arriving when the clock shows `now`.
    pub(super) fn hear(
        &mut self,
        at: Timestamp,
        measured: Measured,
        now: Timestamp,
        rules: &Rules,
    ) -> Checked {
        self.heard = now;
        if is_impossible(&measured) {
            self.impossible_run += 1;
            self.good_run = 0;
            if self.impossible_run >= IMPOSSIBLE_RUN {
                self.doubt.get_or_insert((Doubt::Impossible, at));
            }
            return Checked::Impossible;
        }
        self.impossible_run = 0;
        let newest = self.last.as_ref().is_none_or(|(last, _)| at > *last);
        if newest {
            self.note_change(at, &measured, rules);
            self.last = Some((at, measured));
        }
        Checked::Plausible
    }

    fn note_change(&mut self, at: Timestamp, measured: &Measured, rules: &Rules) {
        let value = measured.stored_value();
        let leaped = match &self.last {
            Some((before, was)) => {
                let interval = at.duration_since(*before);
                push(&mut self.intervals, interval.as_secs());
                let change = (value - was.stored_value()).abs();
                if change > resolution(self.quantity) {
                    self.step = Some(self.step.map_or(change, |step| step.min(change)));
                }
                // A temperature may change by much over hours; a leap is a change between neighbours in time.
                let near = interval <= SignedDuration::from_mins(10) || self.quantity == Quantity::Pressure;
                near && change > leap(self.quantity, rules)
            }
            None => false,
        };
        push(&mut self.leaps, leaped);
        let still = self
            .anchor
            .is_some_and(|(_, anchor)| (value - anchor).abs() <= resolution(self.quantity));
        if still {
            self.unchanged = self.unchanged.saturating_add(1);
        } else {
            self.anchor = Some((at, value));
            self.unchanged = 1;
        }
        let leaps = self.leaps.iter().filter(|leap| **leap).count();
        if leaps >= LEAPS_TOO_MANY && self.doubt.is_none() {
            self.doubt = Some((Doubt::Jumping, at));
            self.good_run = 0;
        }
        let good = match self.doubt {
            Some((Doubt::Stuck, _)) => !still,
            Some((Doubt::Jumping, _)) => !leaped,
            _ => true,
        };
        if matches!(self.doubt, Some((Doubt::Creeping, _))) {
            // No single value tells; see `astray`.
            return;
        }
        self.good_run = if good { self.good_run.saturating_add(1) } else { 0 };
    }

    /// Ends a doubt that the readings have answered.
    pub(super) fn recovers(&mut self) -> Option<(Doubt, Timestamp)> {
        let (doubt, _) = self.doubt?;
        let enough = match doubt {
            Doubt::Jumping => u32::try_from(REMEMBERED).unwrap_or(GOOD_RUN),
            Doubt::Stuck => 3,
            _ => GOOD_RUN,
        };
        if self.good_run >= enough {
            self.leaps.clear();
            self.doubt.take()
        } else {
            None
        }
    }

    /// A doubt that the forecast has answered: the next reading ends it.
    pub(super) fn is_vouched_for(&mut self) {
        self.good_run = GOOD_RUN;
    }

    /// A doubt from outside (its times, its being one of several).
    pub(super) fn suspect(&mut self, doubt: Doubt, at: Timestamp) {
        self.good_run = 0;
        self.doubt.get_or_insert((doubt, at));
    }

    /// The usual interval between readings: the running median.
    pub(super) fn usual_interval(&self) -> SignedDuration {
        let mut sorted: Vec<i64> = self.intervals.iter().copied().collect();
        sorted.sort_unstable();
        sorted
            .get(sorted.len() / 2)
            .map_or(ASSUMED_INTERVAL, |secs| SignedDuration::from_secs(*secs))
    }

    /// Nothing has come for so long that somebody should look.
    pub(super) fn is_silent(&self, now: Timestamp, rules: &Rules) -> bool {
        now.duration_since(self.heard) > self.patience(rules)
    }

    /// Silence lasts longer than this.
    pub(super) fn patience(&self, rules: &Rules) -> SignedDuration {
        let intervals = i32::try_from(rules.silent_intervals).unwrap_or(i32::MAX);
        self.usual_interval()
            .saturating_mul(intervals)
            .max(rules.silent_at_least)
    }

    /// Something came in from it that is not used.
    pub(super) fn touch(&mut self, now: Timestamp) {
        self.heard = now;
    }

    /// The course that the model expects from now on, in pascal; kept while the value moves, so that a standstill is
    /// judged by what was expected before it.
    pub(super) fn expect(&mut self, at: Timestamp, course: impl Iterator<Item = (Timestamp, f64)>) {
        let moving = self
            .anchor
            .is_none_or(|(since, _)| at.duration_since(since) < SignedDuration::from_hours(1));
        if moving {
            let until = at.saturating_add(SignedDuration::from_hours(48)).unwrap_or(at);
            self.expected = course
                .filter(|(time, _)| *time >= self.anchor.map_or(at, |(since, _)| since) && *time <= until)
                .collect();
        }
    }

    /// Stuck: unchanged for hours while the model expects more than three steps of change. `other_change` is what
    /// another sensor that ought to move alike has moved meanwhile, in the stored unit.
    pub(super) fn judge_standstill(&mut self, now: Timestamp, other_change: Option<f64>) {
        let (Some((since, _)), Some((last, _))) = (self.anchor, self.last.as_ref()) else {
            return;
        };
        let stood = last.duration_since(since);
        if self.doubt.is_some() || stood < STUCK_AFTER || self.unchanged < STUCK_READINGS {
            return;
        }
        let step = self.step.unwrap_or(0.0).max(least_step(self.quantity));
        let expected = match other_change {
            Some(change) => change,
            None => self.expected_change(since, *last),
        };
        if expected > STUCK_STEPS * step {
            self.doubt = Some((Doubt::Stuck, since));
            self.good_run = 0;
        } else if stood > SignedDuration::from_hours(6) && now.duration_since(*last) > stood {
            self.expected.clear();
        }
    }

    fn expected_change(&self, since: Timestamp, until: Timestamp) -> f64 {
        let value_at = |at: Timestamp| {
            let after = self.expected.iter().find(|(time, _)| *time >= at);
            after.or(self.expected.last()).map(|(_, value)| *value)
        };
        match (value_at(since), value_at(until)) {
            (Some(from), Some(to)) => (to - from).abs(),
            _ => 0.0,
        }
    }
}

fn push<T>(window: &mut VecDeque<T>, value: T) {
    if window.len() == REMEMBERED {
        window.pop_front();
    }
    window.push_back(value);
}

/// What no working sensor on a bottle in a home shows. Common practice, no source: a gauge below -0.6 bar would need a
/// pump; 40 bar is far above any bottle; air stays within 0.5 and 1.1 bar below 5500 m.
fn is_impossible(measured: &Measured) -> bool {
    !match measured {
        Measured::Pressure(p) => (-0.6..=40.0).contains(&p.bar()),
        Measured::AbsolutePressure(p) => (0.3..=41.0).contains(&p.bar()),
        Measured::AmbientPressure(p) => (0.45..=1.1).contains(&p.bar()),
        Measured::LiquidTemperature(t) => (-5.0..=60.0).contains(&t.celsius()),
        Measured::RoomTemperature(t) => (-25.0..=60.0).contains(&t.celsius()),
        Measured::Gravity(g) => (0.95..=1.25).contains(&g.specific()),
    }
}

/// Changes below this are arithmetic, not a sensor's step.
fn resolution(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => 0.5,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => 1e-4,
        Quantity::Gravity => 1e-7,
    }
}

/// A standstill is judged by no finer step than this: half a sensor's usual noise.
fn least_step(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => 700.0,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => 1.0,
        Quantity::Gravity => 5e-4,
    }
}

fn leap(quantity: Quantity, rules: &Rules) -> f64 {
    match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure => rules.leap.pascal(),
        Quantity::AmbientPressure => 3_000.0,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => 5.0,
        Quantity::Gravity => 0.01,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Unit;

    fn gauge(bar: f64) -> Measured {
        Measured::new(Quantity::Pressure, bar, Unit::Bar).unwrap()
    }

    fn start() -> Timestamp {
        "2026-03-02T07:00:00Z".parse().unwrap()
    }

    fn after(minutes: i64) -> Timestamp {
        start() + SignedDuration::from_mins(minutes)
    }

    fn heard_each_minute(values: impl IntoIterator<Item = f64>) -> Health {
        let mut health = Health::new(Quantity::Pressure, start());
        for (minute, bar) in (0..).zip(values) {
            health.hear(after(minute), gauge(bar), after(minute), &Rules::default());
        }
        health
    }

    #[test]
    fn six_usual_intervals_and_at_least_half_an_hour_are_silence() {
        let health = heard_each_minute((0..20).map(|i| f64::from(i) * 0.01));
        assert!(!health.is_silent(after(19 + 30), &Rules::default()));
        assert!(health.is_silent(after(19 + 31), &Rules::default()));
        let mut slow = Health::new(Quantity::Gravity, start());
        for hour in 0..10 {
            let gravity = Measured::new(Quantity::Gravity, 1.03, Unit::SpecificGravity).unwrap();
            slow.hear(after(hour * 60), gravity, after(hour * 60), &Rules::default());
        }
        assert!(!slow.is_silent(after(9 * 60 + 360), &Rules::default()));
        assert!(slow.is_silent(after(9 * 60 + 361), &Rules::default()));
    }

    #[test]
    fn a_sensor_that_never_spoke_is_silent_after_three_hours() {
        let health = Health::new(Quantity::Pressure, start());
        assert!(!health.is_silent(after(180), &Rules::default()));
        assert!(health.is_silent(after(181), &Rules::default()));
    }

    #[test]
    fn one_impossible_value_is_a_glitch_and_two_are_a_doubt() {
        let mut health = heard_each_minute([0.1, 0.1]);
        let checked = health.hear(after(3), gauge(-0.9), after(3), &Rules::default());
        assert_eq!((checked, health.doubt), (Checked::Impossible, None));
        health.hear(after(4), gauge(-0.9), after(4), &Rules::default());
        assert_eq!(health.doubt.unwrap().0, Doubt::Impossible);
        for minute in 5..10 {
            health.hear(after(minute), gauge(0.1), after(minute), &Rules::default());
        }
        assert_eq!(health.recovers().unwrap().0, Doubt::Impossible);
    }

    #[test]
    fn a_gauge_that_stands_still_while_the_model_moves_is_stuck_and_comes_back_to_life() {
        let mut health = heard_each_minute((0..60).map(|i| 0.5 + f64::from(i) * 0.002));
        health.expect(after(60), (0..100).map(|h| (after(h * 30), 5e4 + 3e3 * h as f64)));
        for minute in 60..(60 + 245) {
            health.hear(after(minute), gauge(0.62), after(minute), &Rules::default());
        }
        health.judge_standstill(after(305), None);
        assert_eq!(health.doubt, Some((Doubt::Stuck, after(60))));
        assert_eq!(health.recovers(), None);
        for (minute, bar) in [(306, 0.9), (307, 0.91), (308, 0.92)] {
            health.hear(after(minute), gauge(bar), after(minute), &Rules::default());
        }
        assert!(health.recovers().is_some());
    }

    #[test]
    fn a_flat_gauge_is_not_stuck_while_the_model_is_flat_too() {
        let mut health = heard_each_minute((0..60).map(|i| 0.5 + f64::from(i) * 0.002));
        health.expect(after(60), (0..100).map(|h| (after(h * 30), 5e4)));
        for minute in 60..900 {
            health.hear(after(minute), gauge(0.62), after(minute), &Rules::default());
        }
        health.judge_standstill(after(900), None);
        assert_eq!(health.doubt, None);
    }

    #[test]
    fn a_gauge_that_leaps_to_and_fro_is_jumping() {
        let health = heard_each_minute((0..20).map(|i| if i % 3 == 0 { 2.0 } else { 0.5 }));
        assert_eq!(health.doubt.unwrap().0, Doubt::Jumping);
    }
}
