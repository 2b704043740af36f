//! A batch that goes astray: a leak, a gauge that creeps, a culture that stops, the wrong temperature, a fridge that does not
//! hold it.
//!
//! Suppression by design: a leak explains a stall, a chilled batch neither stalls nor stands outside its temperature.

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{
    alert::{AlertName, sentence::Doubt},
    forecast::Suspicion,
    quantity::{GaugePressure, Temperature},
    reading::{Measured, Quantity},
};

use super::{
    Action, Monitor,
    board::Key,
    holds::{IN_A_ROW, Matter, Verdict},
    intake::Sensor,
    whereabouts::Place,
};

/// A gauge that reads what is expected without it for so many evaluations in a row (12 h) is believed again.
pub(super) const AGREES_IN_A_ROW: u8 = 24;
/// What the gauge showed shortly before a leak is taken to have begun does not count either.
const BEFORE: SignedDuration = SignedDuration::from_mins(30);

/// A stall is not told of younger batches (an earlier study: after 60 h, so that slow ones are not among them).
pub(super) const STALL_AFTER: SignedDuration = SignedDuration::from_hours(60);
/// The drink must have been warm for as long as the gain is told.
pub(super) const WARM_FOR: SignedDuration = SignedDuration::from_hours(36);
/// A batch stalls when it gained less than this in 36 h, in volumes: a sixth of what the slowest sound ones gain, and above what
/// the fit's own doubt adds to one that stands still (0.03 to 0.05) ...
pub(super) const STALL_GAIN: f64 = 0.06;
/// ... surely less than this ...
const STALL_GAIN_SURELY: f64 = 0.11;
/// ... and, where a float alone tells (0.001 SG is about 0.65 volumes), less than these ...
const STALL_GAIN_BY_GRAVITY: f64 = 0.1;
/// ... and surely these ...
const STALL_GAIN_SURELY_BY_GRAVITY: f64 = 0.35;
/// ... and holds less than this share of its target.
pub(super) const STALL_SHARE: f64 = 0.85;
/// It goes on again when it gained more than this.
pub(super) const STALL_OVER_GAIN: f64 = 0.12;
/// ... by a float alone more than this: what a fit makes of one that stands still wanders by 0.1 to 0.2 from one evaluation to the next.
pub(super) const STALL_OVER_GAIN_BY_GRAVITY: f64 = 0.25;
/// Evaluations in a row: 2 h.
pub(super) const STALL_IN_A_ROW: u8 = 4;
/// A batch that made less than this, in volumes, never began.
const NEVER_BEGAN: f64 = 0.15;
/// In such a one a gauge cannot tell a little gas from oxygen that is eaten meanwhile, so that more is told to be gained where nothing is (0.06 to 0.08, surely
/// less than 0.1 to 0.14: 26 dead tuning batches); but slow ones that begin after all gain that much too, up to this age (400 ordinary ones).
pub(super) const NEVER_BEGAN_AFTER: SignedDuration = SignedDuration::from_hours(68);
pub(super) const NEVER_BEGAN_GAIN: f64 = 0.09;
const NEVER_BEGAN_GAIN_SURELY: f64 = 0.14;

/// The drink should stand between these, degC, as the README has it ...
pub(super) const ALLOWED_C: [f64; 2] = [12.0, 32.0];
/// ... with this deadband, K.
pub(super) const DEADBAND_K: f64 = 0.5;
/// For an hour: at so many evaluations in a row.
pub(super) const OUTSIDE_IN_A_ROW: u8 = 3;
/// A drink that falls faster than this from one evaluation to the next may be on its way into the fridge, K.
const ON_ITS_WAY_K: f64 = 0.3;

/// A chilled batch is judged once it had this long to cool.
pub(super) const SETTLED: SignedDuration = SignedDuration::from_hours(24);
/// It gains when it surely makes more than this, volumes an hour: a tenth of a volume in 36 h.
pub(super) const RISING_PER_H: f64 = 0.003;
/// It ends below this.
pub(super) const RISING_OVER_PER_H: f64 = 0.002;
/// Evaluations in a row: 3 h.
pub(super) const RISING_IN_A_ROW: u8 = 6;

/// What is remembered of a batch that goes astray.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Astray {
    /// The bottle with the sensors is held to leak: since when its gauge does not count.
    pub(super) leak: Option<Timestamp>,
    /// The drink has been warm enough to ferment since then.
    warm_since: Timestamp,
    /// Its temperature at the evaluation before, degC.
    before_c: Option<f64>,
}

impl Astray {
    pub(super) fn new(start: Timestamp) -> Self {
        Self {
            leak: None,
            warm_since: start,
            before_c: None,
        }
    }
}

impl Monitor {
    /// A leak, or a gauge that creeps away.
    pub(super) fn judge_suspicion(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let found = self.state.fitted.as_ref().and_then(|f| f.outlook.suspicion);
        let since = |wanted| found.filter(|(what, _)| *what == wanted).map(|(_, since)| since);
        let (leak, creeping) = (since(Suspicion::Leak), since(Suspicion::Creeping));
        let mut settled = |matter, found: Option<Timestamp>| {
            let verdict = Verdict::of(found.is_some(), found.is_none());
            found.filter(|_| self.state.holds.count(matter, verdict).there >= IN_A_ROW)
        };
        let (leak, creeping) = (settled(Matter::Leak, leak), settled(Matter::Creeping, creeping));
        if self.state.whereabouts.opened {
            return;
        }
        if let (Some(since), None) = (leak, self.state.astray.leak) {
            let since = since.saturating_sub(BEFORE).unwrap_or(since);
            self.state.astray.leak = Some(since);
            self.doubt_gauge(since, None);
            let message = self.speaker().leak_suspected(since);
            self.state
                .board
                .begins(AlertName::LeakSuspected.into(), now, message, out);
        }
        if let Some(since) = creeping {
            for sensor in self.gauges() {
                if let Some(health) = self.state.health.get_mut(&sensor) {
                    health.suspect(Doubt::Creeping, since);
                }
                self.tell_doubt(&sensor, out);
            }
        }
        self.judge_tightness(now, out);
        self.believe_again(now, out);
    }

    fn gauges(&self) -> Vec<Sensor> {
        let sensors = self.state.health.keys();
        sensors
            .filter(|sensor| sensor.quantity.is_gauge())
            .cloned()
            .collect()
    }

    /// Without the gauge the forecast goes its own way; a gauge that reads the same for half a day was wronged.
    fn believe_again(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let creeping: Vec<Sensor> = self
            .gauges()
            .into_iter()
            .filter(|sensor| {
                let health = self.state.health.get(sensor);
                health.is_some_and(|h| matches!(h.doubt, Some((Doubt::Creeping, _))))
            })
            .collect();
        if self.state.astray.leak.is_none() && creeping.is_empty() {
            return;
        }
        let agrees = self.gauge_agrees(now);
        let verdict = Verdict::of(agrees, !agrees);
        if self.state.holds.count(Matter::Agrees, verdict).there < AGREES_IN_A_ROW {
            return;
        }
        for sensor in creeping {
            if let Some(health) = self.state.health.get_mut(&sensor) {
                health.is_vouched_for();
            }
        }
        if self.state.evidence.never_tight().is_some() {
            return;
        }
        if let Some(since) = self.state.astray.leak.take() {
            self.doubt_gauge(since, Some(since));
            let message = self
                .speaker()
                .over("the gauge reads as it would without a leak for 12 hours; it counts again.");
            self.state
                .board
                .ends(&AlertName::LeakSuspected.into(), now, message, out);
        }
    }

    /// The newest reading lies within what is expected.
    fn gauge_agrees(&self, now: Timestamp) -> bool {
        let Some(fitted) = &self.state.fitted else {
            return false;
        };
        let expected = fitted.outlook.expected_gauge;
        let reads = |sensor: &Sensor| -> Option<GaugePressure> {
            let health = self.state.health.get(sensor)?;
            let (_, measured) = health
                .last
                .filter(|_| !health.is_silent(now, &self.settings.rules))?;
            match measured {
                Measured::Pressure(gauge) => Some(gauge),
                Measured::AbsolutePressure(p) => {
                    let air = self
                        .state
                        .ambient
                        .unwrap_or(self.settings.surroundings.usual_ambient);
                    p.to_gauge(air).ok()
                }
                _ => None,
            }
        };
        let mut readings = self.gauges().into_iter().filter_map(|sensor| reads(&sensor));
        readings.any(|gauge| gauge >= expected.p05 && gauge <= expected.p95)
    }

    /// The drink's newest temperature, or the room's, of a sensor that is heard.
    fn drink_temperature(&self, now: Timestamp) -> Option<Temperature> {
        let of = |wanted: Quantity| {
            self.state.health.iter().find_map(|(sensor, health)| {
                let believed = health.doubt.is_none() && !health.is_silent(now, &self.settings.rules);
                let (_, measured) = health.last.filter(|_| sensor.quantity == wanted && believed)?;
                match measured {
                    Measured::LiquidTemperature(t) | Measured::RoomTemperature(t) => Some(t),
                    _ => None,
                }
            })
        };
        of(Quantity::LiquidTemperature).or_else(|| of(Quantity::RoomTemperature))
    }

    pub(super) fn judge_temperature(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let key = Key::from(AlertName::OutsideTemperature);
        let chilled = self.state.whereabouts.sensors == Place::Fridge;
        let shown = self.drink_temperature(now);
        let celsius = shown.map(Temperature::celsius);
        let [low, high] = ALLOWED_C;
        if chilled || celsius.is_some_and(|c| c <= low) {
            self.state.astray.warm_since = now;
        }
        let falling = match (self.state.astray.before_c, celsius) {
            (Some(before), Some(c)) => c < before - ON_ITS_WAY_K,
            _ => false,
        };
        self.state.astray.before_c = celsius;
        let (Some(shown), Some(c)) = (shown, celsius) else {
            return;
        };
        let there = !chilled && (c > high || (c < low && !falling));
        let gone = chilled || (c > low + DEADBAND_K && c < high - DEADBAND_K);
        let hold = self.state.holds.count(Matter::Outside, Verdict::of(there, gone));
        if there && (hold.there >= OUTSIDE_IN_A_ROW || self.state.board.is_present(&key)) {
            let allowed = ALLOWED_C.map(|c| Temperature::from_celsius(c).unwrap_or(shown));
            let message = self.speaker().outside_temperature(shown, allowed);
            self.state.board.begins(key, now, message, out);
        } else if chilled || hold.gone >= IN_A_ROW {
            let how = if chilled {
                "the bottles are in the fridge."
            } else {
                "the temperature is right again."
            };
            let message = self.speaker().over(how);
            self.state.board.ends(&key, now, message, out);
        }
    }

    pub(super) fn judge_stall(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let key = Key::from(AlertName::Stalled);
        let Some(fitted) = &self.state.fitted else {
            return;
        };
        let (forecast, gained) = (&fitted.forecast, fitted.outlook.gained);
        let (content, target) = (forecast.co2.p50.volumes(), self.batch.target.co2.volumes());
        let age = now.duration_since(self.batch.bottled_at);
        let warm = now.duration_since(self.state.astray.warm_since) >= WARM_FOR;
        let explained = self.state.astray.leak.is_some() || self.state.whereabouts.sensors == Place::Fridge;
        let (gauge, float) = (self.hears_a_gauge(now), self.hears_a_float(now));
        let start = fitted.outlook.curve.first().map_or(0.0, |p| p.co2.p50.volumes());
        let never_began = content - start < NEVER_BEGAN;
        let still = if gauge && never_began && age >= NEVER_BEGAN_AFTER {
            gained.p50 < NEVER_BEGAN_GAIN && gained.p95 < NEVER_BEGAN_GAIN_SURELY
        } else if gauge {
            gained.p50 < STALL_GAIN && gained.p95 < STALL_GAIN_SURELY
        } else {
            float && gained.p50 < STALL_GAIN_BY_GRAVITY && gained.p95 < STALL_GAIN_SURELY_BY_GRAVITY
        };
        let there = !explained && warm && age >= STALL_AFTER && still && content < STALL_SHARE * target;
        let goes_on = if gauge {
            STALL_OVER_GAIN
        } else {
            STALL_OVER_GAIN_BY_GRAVITY
        };
        let gone = explained || gained.p50 > goes_on || content >= target;
        let by = if gauge { "gauge" } else { "float" };
        let told = self.speaker().stalled(forecast, by, never_began);
        let hold = self.state.holds.count(Matter::Stalled, Verdict::of(there, gone));
        if there && (hold.there >= STALL_IN_A_ROW || self.state.board.is_present(&key)) {
            self.state.board.begins(key, now, told, out);
        } else if explained || hold.gone >= IN_A_ROW {
            let how = if self.state.astray.leak.is_some() {
                "a leak is suspected, which looks like a stall."
            } else if explained {
                "the bottles are in the fridge."
            } else {
                "it goes on again."
            };
            let message = self.speaker().over(how);
            self.state.board.ends(&key, now, message, out);
        }
    }

    /// A float that can be believed is heard, in a drink that ferments on.
    fn hears_a_float(&self, now: Timestamp) -> bool {
        let heard = self.state.health.iter().any(|(sensor, health)| {
            sensor.quantity == Quantity::Gravity
                && health.last.is_some()
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        });
        heard && !self.state.whereabouts.opened
    }

    pub(super) fn judge_rising(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let key = Key::from(AlertName::RisingInFridge);
        let Some(fitted) = &self.state.fitted else {
            return;
        };
        let chilled = self.state.whereabouts.sensors == Place::Fridge;
        let settled = self
            .state
            .last_move
            .is_some_and(|moved| now.duration_since(moved.began) >= SETTLED);
        let rate = fitted.outlook.rate;
        let there = chilled && settled && self.hears_a_gauge(now) && rate.p05 > RISING_PER_H;
        let gone = !chilled || rate.p50 < RISING_OVER_PER_H;
        let told = self.speaker().rising_in_fridge(24.0 * rate.p50, &fitted.outlook);
        let hold = self.state.holds.count(Matter::Rising, Verdict::of(there, gone));
        if there && (hold.there >= RISING_IN_A_ROW || self.state.board.is_present(&key)) {
            self.state.board.begins(key, now, told, out);
        } else if !chilled || hold.gone >= RISING_IN_A_ROW {
            let how = if chilled {
                "it gains next to nothing now."
            } else {
                "the bottles are out of the fridge."
            };
            let message = self.speaker().over(how);
            self.state.board.ends(&key, now, message, out);
        }
    }
}
