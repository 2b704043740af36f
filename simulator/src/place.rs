//! Where the bottles stand: a room with daily swing and weather, a fridge, the air over both.

use crate::quantity::{Kelvin, Pascal};
use crate::random::{Chance, Stream};
use crate::scenario::{Air, Fridge, Room};

/// Hours after which room weather and barometer have forgotten themselves by 63 %.
const MEMORY_H: f64 = 48.0;

/// The surroundings at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    room: Room,
    fridge: Fridge,
    air: Air,
    weather: f64,
    wander: f64,
    weather_chance: Chance,
    air_chance: Chance,
    /// Hour of the day, UTC, at which the batch was sealed.
    sealed_hour: f64,
    hours: f64,
}

impl Place {
    pub(crate) fn new(room: Room, fridge: Fridge, air: Air, sealed_hour: f64, seed: u64) -> Self {
        let mut weather_chance = Chance::new(seed, Stream::Weather);
        let mut air_chance = Chance::new(seed, Stream::AirPressure);
        Self {
            weather: weather_chance.normal(),
            wander: air_chance.normal(),
            room,
            fridge,
            air,
            weather_chance,
            air_chance,
            sealed_hour,
            hours: 0.0,
        }
    }

    pub(crate) fn step(&mut self, hours: f64) {
        self.hours += hours;
        // Ornstein-Uhlenbeck, exact over the step.
        let keep = (-hours / MEMORY_H).exp();
        let kick = (1.0 - keep * keep).sqrt();
        self.weather = keep * self.weather + kick * self.weather_chance.normal();
        self.wander = keep * self.wander + kick * self.air_chance.normal();
    }

    pub(crate) fn room(&self) -> Kelvin {
        let room = &self.room;
        // Warmest at three in the afternoon.
        let phase = std::f64::consts::TAU * (self.sealed_hour + self.hours - 15.0) / 24.0;
        let spell = room.warm_spell.as_ref().map_or(0.0, |spell| {
            // Comes and goes within six hours.
            let rise = ((self.hours - spell.from_h) / 6.0).clamp(0.0, 1.0);
            let fall = ((spell.to_h - self.hours) / 6.0).clamp(0.0, 1.0);
            spell.by_c * rise.min(fall)
        });
        Kelvin::from_celsius(room.mean_c + room.swing_c * phase.cos() + room.weather_c * self.weather + spell)
    }

    /// The fridge's air, with its compressor's 40-minute rhythm.
    pub(crate) fn fridge(&self) -> Kelvin {
        let rhythm = 0.5 * (std::f64::consts::TAU * self.hours / (40.0 / 60.0)).sin();
        Kelvin::from_celsius(self.fridge.temperature_c + rhythm)
    }

    pub(crate) fn fridge_follows_h(&self) -> f64 {
        self.fridge.cooling_h
    }

    pub(crate) fn room_follows_h(&self) -> f64 {
        self.room.follows_h
    }

    pub(crate) fn air(&self) -> Pascal {
        Pascal::from_bar(self.air.mean_bar + self.air.wander_bar * self.wander)
    }
}
