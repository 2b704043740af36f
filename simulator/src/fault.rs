//! What goes wrong with sensors and boards: readings are changed, taken away or given to another on their way out.
//!
//! A fault works on what the sensor would have said, so it goes with every sensor; each draws from its own stream of chance, so
//! that one more changes nothing of the rest.

use crate::quantity::Quantity;
use crate::random::{Chance, Stream};
use crate::scenario::{Fault, Trouble};
use crate::sensor::Raw;
use std::collections::BTreeMap;

/// Part of a dying battery's time in which readings only become rarer.
const RARER_UNTIL: f64 = 1.0 / 3.0;
/// At its end a dying sensor sends one reading in so many.
const RAREST: f64 = 12.0;
/// For so long after a brown-out a board does not know the time.
const UNSET_MS: f64 = 600_000.0;
const HOUR_MS: f64 = 3.6e6;

/// A fault at work.
#[derive(Clone, Debug)]
pub(crate) struct Faulty {
    spec: Fault,
    chance: Chance,
    memory: BTreeMap<(String, Quantity), Memory>,
    /// 1970 on the clock of the play.
    epoch_ms: i64,
}

/// What a fault remembers of one sensor.
#[derive(Clone, Debug, Default)]
struct Memory {
    stuck_at: Option<f64>,
    skipped: f64,
    /// The last failure of the power whose first value is out.
    restarted: Option<f64>,
}

impl Faulty {
    pub(crate) fn new(spec: &Fault, index: u32, seed: u64, bottled_at: jiff::Timestamp) -> Self {
        Self {
            spec: spec.clone(),
            chance: Chance::new(seed, Stream::Fault(index)),
            memory: BTreeMap::new(),
            epoch_ms: -bottled_at.as_millisecond(),
        }
    }

    /// What becomes of a reading; `None`: it is never sent.
    pub(crate) fn pass(&mut self, mut raw: Raw) -> Option<Raw> {
        let about = self.spec.is_about(&raw.source, raw.quantity);
        let hour = hours(raw.at_ms) - self.spec.from_h;
        if hour < 0.0 {
            return Some(raw);
        }
        let over = hour >= self.spec.for_h;
        match self.spec.kind {
            Trouble::Swapped if !over => {
                let own = self.spec.quantity.unwrap_or(raw.quantity);
                let other = self.spec.with_quantity.unwrap_or(own);
                if about {
                    raw.source.clone_from(&self.spec.with_source);
                    raw.quantity = other;
                } else if raw.source == self.spec.with_source && raw.quantity == other {
                    raw.source.clone_from(&self.spec.source);
                    raw.quantity = own;
                }
                Some(raw)
            }
            Trouble::Stuck if about && !over => {
                let stuck = &mut self.memory(&raw).stuck_at;
                raw.value = *stuck.get_or_insert(raw.value);
                Some(raw)
            }
            Trouble::Drift if about => {
                let days = hour.min(self.spec.for_h) / 24.0;
                let by = self.spec.size_for(raw.quantity) * days;
                Some(moved(raw, by))
            }
            Trouble::Dying if about => {
                let part = hour / self.spec.for_h;
                if over || self.is_skipped(&raw, part) {
                    return None;
                }
                let weak = ((part - RARER_UNTIL) / (1.0 - RARER_UNTIL)).max(0.0);
                let size = self.spec.size_for(raw.quantity) * weak;
                let noise = 0.25 * size * self.chance.normal();
                Some(moved(raw, noise - size))
            }
            Trouble::Brownout if about => self.brown_out(raw, hour),
            Trouble::Swapped | Trouble::Stuck | Trouble::Drift | Trouble::Dying | Trouble::Brownout => {
                Some(raw)
            }
        }
    }

    fn memory(&mut self, raw: &Raw) -> &mut Memory {
        self.memory.entry((raw.source.clone(), raw.quantity)).or_default()
    }

    /// Whether a battery with this part of its dying behind it cannot send the reading.
    fn is_skipped(&mut self, raw: &Raw, part: f64) -> bool {
        let memory = self.memory(raw);
        memory.skipped += 1.0;
        if memory.skipped < 1.0 + (RAREST - 1.0) * part {
            return true;
        }
        memory.skipped = 0.0;
        false
    }

    /// Silence, then one value of a converter that has just been reset, then times that count from the start of the board.
    fn brown_out(&mut self, mut raw: Raw, hour: f64) -> Option<Raw> {
        let every = self.spec.every_h.unwrap_or(f64::INFINITY);
        let failed = if every.is_finite() {
            (hour / every).floor() * every
        } else {
            0.0
        };
        let up_ms = (hour - failed - self.spec.for_h) * HOUR_MS;
        if up_ms < 0.0 {
            return None;
        }
        let first = self.memory(&raw).restarted.replace(failed) != Some(failed);
        if first {
            raw.value = rounded(raw.unit.from_usual(after_reset(raw.quantity)));
        }
        if up_ms < UNSET_MS {
            #[expect(clippy::cast_possible_truncation, reason = "it is below the bound above")]
            let up_ms = up_ms as i64;
            raw.at_ms = self.epoch_ms + up_ms;
        }
        Some(raw)
    }
}

/// What a converter shows before its first measurement. 85 degC is what the data sheet of the common one-wire thermometer
/// states as its power-on value; the rest is common practice, no source.
const fn after_reset(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => 0.0,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => 85.0,
        Quantity::Gravity => 1.0,
    }
}

/// The reading with its value moved in the usual unit.
fn moved(mut raw: Raw, by: f64) -> Raw {
    let usual = raw.unit.to_usual(raw.value);
    raw.value = rounded(raw.unit.from_usual(usual + by));
    raw
}

fn rounded(value: f64) -> f64 {
    (value * 1.0e6).round() / 1.0e6
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds of a batch are far below 2^53"
)]
fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR_MS
}
