//! A sensor in its world: error, noise, outliers, gaps, and the ways in which readings travel.

use crate::quantity::{Quantity, Unit};
use crate::random::{Chance, Stream};
use crate::scenario::Sensor;
use crate::world::World;

/// A reading before it has a calendar time; times in milliseconds since the sealing.
#[derive(Clone, Debug)]
pub(crate) struct Raw {
    pub(crate) at_ms: i64,
    pub(crate) arrival_ms: i64,
    pub(crate) source: String,
    pub(crate) quantity: Quantity,
    pub(crate) value: f64,
    pub(crate) unit: Unit,
}

#[derive(Clone, Debug)]
pub(crate) struct Probe {
    spec: Sensor,
    chance: Chance,
    offset: f64,
    gain: f64,
    due_ms: i64,
    gap_until_ms: i64,
    stuck_at: Option<f64>,
}

impl Probe {
    pub(crate) fn new(spec: Sensor, index: u32, seed: u64) -> Self {
        let mut chance = Chance::new(seed, Stream::Sensor(index));
        let offset = spec.offset + spec.offset_spread * chance.normal();
        let gain = spec.gain * (1.0 + spec.gain_spread * chance.normal());
        let first_s = spec.starts_h * 3600.0 + spec.interval_s.min(60.0) * chance.uniform();
        Self {
            offset,
            gain,
            due_ms: milliseconds(first_s),
            gap_until_ms: 0,
            stuck_at: None,
            spec,
            chance,
        }
    }

    /// All readings that fall due up to the world's own time.
    pub(crate) fn observe(&mut self, world: &World, into: &mut Vec<Raw>) {
        while self.due_ms <= world.elapsed_s * 1000 {
            let at_ms = self.due_ms;
            // The sensor's own clock is not quite even.
            let jitter = 1.0 + 0.002 * self.chance.normal().clamp(-3.0, 3.0);
            self.due_ms += milliseconds(self.spec.interval_s * jitter).max(1);
            if self
                .spec
                .stops_h
                .is_some_and(|stops| at_ms > milliseconds(stops * 3600.0))
            {
                continue;
            }
            self.read(at_ms, world, into);
        }
    }

    fn read(&mut self, at_ms: i64, world: &World, into: &mut Vec<Raw>) {
        let spec = &self.spec;
        let (truth, body_c) = seen(spec.quantity, world);
        let chance = &mut self.chance;
        let mut value = self.gain * truth
            + self.offset
            + spec.drift_per_c * (body_c - 20.0)
            + spec.noise * chance.normal();
        if chance.happens(spec.outlier_chance) {
            value += spec.outlier_size * chance.normal();
        }
        #[expect(
            clippy::cast_precision_loss,
            reason = "milliseconds of a batch are far below 2^53"
        )]
        let hour = at_ms as f64 / 3.6e6;
        let stuck = spec
            .stuck_from_h
            .is_some_and(|from| (from..from + spec.stuck_for_h).contains(&hour));
        if stuck {
            value = *self.stuck_at.get_or_insert(value);
        } else {
            self.stuck_at = None;
        }
        let value = shown(value, spec.step, spec.unit);

        let mut arrival_ms = at_ms + milliseconds(chance.between(0.2, 1.5));
        if chance.happens(spec.gaps_per_day * spec.interval_s / 86_400.0) && at_ms >= self.gap_until_ms {
            self.gap_until_ms = at_ms + milliseconds(chance.exponential(spec.gap_h) * 3600.0);
        }
        if at_ms < self.gap_until_ms {
            if !spec.gap_delivers_later {
                return;
            }
            arrival_ms = arrival_ms.max(self.gap_until_ms + milliseconds(chance.between(0.0, 5.0)));
        }
        if chance.happens(spec.late_chance) {
            arrival_ms += milliseconds(chance.exponential(spec.late_min) * 60.0);
        }
        let raw = Raw {
            at_ms,
            arrival_ms,
            source: spec.source.clone(),
            quantity: spec.quantity,
            value,
            unit: spec.unit,
        };
        if chance.happens(spec.duplicate_chance) {
            let again = arrival_ms + milliseconds(chance.exponential(30.0));
            into.push(Raw {
                arrival_ms: again,
                ..raw.clone()
            });
        }
        into.push(raw);
    }
}

/// The true value in the usual unit, and the temperature of the sensor's body.
fn seen(quantity: Quantity, world: &World) -> (f64, f64) {
    let pilot = &world.pilot;
    let liquid = pilot.liquid.celsius();
    let room = world.place.room().celsius();
    match quantity {
        Quantity::Pressure => (world.gauge_bar(pilot), liquid),
        Quantity::AbsolutePressure => (pilot.head.total.bar(), liquid),
        Quantity::AmbientPressure => (world.place.air().bar(), room),
        Quantity::LiquidTemperature => (liquid, liquid),
        Quantity::RoomTemperature => (room, room),
        Quantity::Gravity => (pilot.gravity(), liquid),
    }
}

/// Quantised and in the sensor's unit, with six decimals at most so that its text is short and exact.
fn shown(usual: f64, step: f64, unit: Unit) -> f64 {
    let stepped = if step > 0.0 {
        (usual / step).round() * step
    } else {
        usual
    };
    (unit.from_usual(stepped) * 1.0e6).round() / 1.0e6
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "`as` saturates, and a batch is far shorter"
)]
fn milliseconds(seconds: f64) -> i64 {
    (seconds * 1000.0).round() as i64
}
