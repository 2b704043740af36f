//! What the raw gauge says by itself: a limit reached, or a pressure lost. A wrong model never mutes it.

use std::collections::VecDeque;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::quantity::GaugePressure;

/// Readings remembered.
const REMEMBERED: usize = 64;
/// A loss starts from more than this, in bar: less is lost among the noise and the zero of a cheap gauge ...
pub(super) const FROM_BAR: f64 = 0.2;
/// ... and from more than this where the gauge is read so seldom that a fridge may have taken it down meanwhile.
pub(super) const FROM_SELDOM_BAR: f64 = 0.3;
/// ... and, if nothing was heard in between, for so long at most, from more than this, which no fridge takes away.
pub(super) const FROM_UNHEARD_BAR: f64 = 0.8;
pub(super) const UNHEARD: SignedDuration = SignedDuration::from_hours(6);
/// ... and ends below this.
pub(super) const NEAR_ZERO_BAR: f64 = 0.1;
/// A fall within this time, or within two and a half usual intervals, is fast. A drink that cools in a fridge takes
/// hours.
pub(super) const FAST: SignedDuration = SignedDuration::from_mins(15);

/// Watches one gauge.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct GaugeWatch {
    /// Newest last, by measured time.
    recent: VecDeque<(Timestamp, GaugePressure)>,
    /// A single leap to the limit waits for the next reading.
    leaped: bool,
    /// A fall that waits for the next reading.
    falling: Option<Fall>,
    /// A fall that stood.
    pub(super) lost: Option<Fall>,
    back: u32,
}

/// A fast fall to near zero.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Fall {
    /// From where.
    pub(super) from: GaugePressure,
    /// When it was last high.
    pub(super) high_at: Timestamp,
    /// When it was first low.
    pub(super) low_at: Timestamp,
}

/// What a reading means.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Findings {
    /// The limit is read, and believed.
    pub(super) at_limit: bool,
    /// A fall was just confirmed.
    pub(super) lost: Option<Fall>,
    /// A fall that stood turned out to be the sensor's: the pressure is back, since then.
    pub(super) back: Option<Fall>,
}

/// What the watch needs to know besides the reading.
#[derive(Clone, Copy, Debug)]
pub(super) struct Surrounds {
    /// The user's limit.
    pub(super) limit: GaugePressure,
    /// A rise by more than this is a leap.
    pub(super) leap: GaugePressure,
    /// What the model allows the gauge to read at most (95 %).
    pub(super) expected: Option<GaugePressure>,
    /// Usual time between readings.
    pub(super) interval: SignedDuration,
}

impl GaugeWatch {
    pub(super) fn read(&mut self, at: Timestamp, reading: GaugePressure, around: Surrounds) -> Findings {
        let mut findings = Findings {
            at_limit: self.is_at_limit(reading, around),
            ..Findings::default()
        };
        let late = self.recent.back().is_some_and(|(last, _)| at <= *last);
        if late {
            return findings;
        }
        if let Some(lost) = self.lost {
            // Only what comes back to nearly the same pressure was the sensor's fault; a stopper put back was not.
            let returned = reading.bar() > FROM_BAR.max(0.7 * lost.from.bar());
            self.back = if returned { self.back + 1 } else { 0 };
            if self.back >= 3 {
                self.lost = None;
                self.back = 0;
                findings.back = Some(lost);
            }
        } else {
            findings.lost = self.falls(at, reading, around);
        }
        if self.recent.len() == REMEMBERED {
            self.recent.pop_front();
        }
        self.recent.push_back((at, reading));
        findings
    }

    /// The newest reading by its own time.
    pub(super) fn last(&self) -> Option<(Timestamp, GaugePressure)> {
        self.recent.back().copied()
    }

    /// It read `limit` or more, as far as it is remembered.
    pub(super) fn read_up_to(&self, limit: GaugePressure) -> bool {
        self.recent.iter().any(|(_, read)| *read >= limit)
    }

    fn is_at_limit(&mut self, reading: GaugePressure, around: Surrounds) -> bool {
        if reading < around.limit {
            self.leaped = false;
            return false;
        }
        let leap = around.leap.pascal();
        let rose_by_less = self
            .last()
            .is_some_and(|(_, last)| reading.pascal() - last.pascal() <= leap);
        let expected = around
            .expected
            .is_some_and(|most| reading.pascal() <= most.pascal() + leap);
        let believed = rose_by_less || expected || self.leaped;
        self.leaped = !believed;
        believed
    }

    fn falls(&mut self, at: Timestamp, reading: GaugePressure, around: Surrounds) -> Option<Fall> {
        if reading.bar() > NEAR_ZERO_BAR {
            self.falling = None;
            return None;
        }
        if let Some(fall) = self.falling.take() {
            self.lost = Some(fall);
            self.back = 0;
            return Some(fall);
        }
        let usual = FAST.max(around.interval.saturating_mul(5).checked_div(2).unwrap_or(FAST));
        let (heard, _) = self.last()?;
        let unheard = at.duration_since(heard);
        let (window, from) = if unheard > usual && unheard <= UNHEARD {
            (unheard, FROM_UNHEARD_BAR)
        } else if usual > FAST {
            (usual, FROM_SELDOM_BAR)
        } else {
            (usual, FROM_BAR)
        };
        // What was read but once may have been a leap upwards: a pressure stood if the reading before it agrees.
        let stood = self.recent.iter().zip(self.recent.iter().skip(1));
        let high = stood
            .map(|(before, this)| (this.0, if before.1 < this.1 { before.1 } else { this.1 }))
            .filter(|(time, _)| at.duration_since(*time) <= window)
            .reduce(|a, b| if b.1 >= a.1 { b } else { a })?;
        if high.1.bar() > from {
            self.falling = Some(Fall {
                from: high.1,
                high_at: high.0,
                low_at: at,
            });
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bar(value: f64) -> GaugePressure {
        GaugePressure::from_bar(value).unwrap()
    }

    fn around() -> Surrounds {
        Surrounds {
            limit: bar(3.0),
            leap: bar(0.5),
            expected: None,
            interval: SignedDuration::from_mins(1),
        }
    }

    fn read_all(values: &[f64], around: Surrounds) -> (GaugeWatch, Vec<Findings>) {
        let start: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut watch = GaugeWatch::default();
        let findings = (0..)
            .zip(values)
            .map(|(minute, value)| watch.read(start + SignedDuration::from_mins(minute), bar(*value), around))
            .collect();
        (watch, findings)
    }

    #[test]
    fn a_gauge_that_creeps_to_the_limit_is_believed_at_once() {
        let (_, findings) = read_all(&[2.9, 2.98, 3.0], around());
        assert!(!findings[1].at_limit && findings[2].at_limit);
    }

    #[test]
    fn a_single_leap_to_the_limit_waits_for_the_next_reading() {
        let (_, findings) = read_all(&[1.0, 3.2, 1.0, 3.2, 3.1], around());
        assert_eq!(
            findings.iter().map(|f| f.at_limit).collect::<Vec<_>>(),
            [false, false, false, false, true]
        );
    }

    #[test]
    fn a_leap_that_the_estimate_expects_is_believed_at_once() {
        let expecting = Surrounds {
            expected: Some(bar(2.8)),
            ..around()
        };
        let (_, findings) = read_all(&[1.0, 3.2], expecting);
        assert!(findings[1].at_limit);
    }

    #[test]
    fn a_fast_fall_to_zero_is_a_loss_at_the_second_low_reading() {
        let (_, findings) = read_all(&[2.0, 2.0, 0.02, 0.01], around());
        assert_eq!(findings[2].lost, None);
        assert_eq!(findings[3].lost.unwrap().from, bar(2.0));
    }

    #[test]
    fn a_loss_of_little_pressure_is_told_unless_a_fridge_may_have_taken_it() {
        let values = [0.25, 0.25, 0.01, 0.01];
        let (_, findings) = read_all(&values, around());
        assert_eq!(findings[3].lost.unwrap().from, bar(0.25));
        let seldom = Surrounds {
            interval: SignedDuration::from_hours(1),
            ..around()
        };
        let (_, findings) = read_all(&values, seldom);
        assert!(findings.iter().all(|f| f.lost.is_none()));
    }

    #[test]
    fn a_pressure_that_is_gone_after_a_silence_is_lost_unless_a_fridge_may_have_taken_it() {
        let start: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let after_silence = |high: f64, silent_h: i64| {
            let mut watch = GaugeWatch::default();
            let later = 60 * silent_h;
            let rows = [(0, high), (1, high), (later, 0.02), (later + 1, 0.02)];
            let found = rows.map(|(minute, value)| {
                watch.read(start + SignedDuration::from_mins(minute), bar(value), around())
            });
            found[3].lost
        };
        assert_eq!(after_silence(1.2, 2).unwrap().from, bar(1.2));
        assert!(after_silence(0.6, 2).is_none());
        assert!(after_silence(1.2, 9).is_none());
    }

    #[test]
    fn a_loose_wire_for_one_reading_is_no_loss() {
        let (_, findings) = read_all(&[2.0, 0.0, 2.0, 2.0], around());
        assert!(findings.iter().all(|f| f.lost.is_none()));
    }

    #[test]
    fn a_single_leap_upwards_and_back_is_no_loss() {
        let (_, findings) = read_all(&[0.0, 0.0, 1.0, 0.0, 0.0, 0.0], around());
        assert!(findings.iter().all(|f| f.lost.is_none()));
    }

    #[test]
    fn a_slow_fall_is_no_sudden_loss() {
        let values: Vec<f64> = (0..120).map(|i| 0.5 - 0.005 * f64::from(i)).collect();
        let (_, findings) = read_all(&values, around());
        assert!(findings.iter().all(|f| f.lost.is_none()));
    }

    #[test]
    fn a_pressure_that_comes_back_whole_was_the_sensor() {
        let (watch, findings) = read_all(&[2.0, 2.0, 0.0, 0.0, 2.0, 2.0, 2.0], around());
        assert!(findings[3].lost.is_some() && findings[6].back.is_some());
        assert_eq!(watch.lost, None);
    }
}
