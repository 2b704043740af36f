//! What really happened in the bottles.

use crate::gas::CO2_G_PER_VOLUME;
use crate::world::World;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

/// The truth at one time. Content, sugar, alcohol and gravity are those of a bottle filled as the label says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Moment {
    /// When.
    pub at: Timestamp,
    /// CO2 in the target's sense: dissolved once all of it is at equilibrium at the fridge temperature.
    pub co2_volumes: f64,
    /// All CO2 in the bottle, dissolved and headspace, per litre of drink.
    pub total_co2_g_per_l: f64,
    /// CO2 dissolved at this moment.
    pub dissolved_g_per_l: f64,
    /// Gauge pressure of the pilot.
    pub pilot_bar: f64,
    /// All CO2 in the pilot, per litre of its drink: a bottle differs from its label.
    pub pilot_co2_g_per_l: f64,
    /// Gauge pressure of the worst bottle: filled by the tolerance more and 0.5 degC warmer.
    pub worst_bar: f64,
    /// Highest gauge pressure among the real bottles; that of the worst one where they were left out.
    pub highest_bar: f64,
    /// Temperature of the pilot's drink.
    pub liquid_c: f64,
    /// Temperature of the room.
    pub room_c: f64,
    /// Air pressure, absolute.
    pub ambient_bar: f64,
    /// Sugar left, lactose included.
    pub sugar_g_per_l: f64,
    /// Alcohol by volume.
    pub abv_percent: f64,
    /// Specific gravity as a float in the gassy drink shows it.
    pub gravity: f64,
}

impl Moment {
    pub(crate) fn of(world: &World, sealed: Timestamp) -> Self {
        let bottle = &world.labelled;
        let worst_bar = world.gauge_bar(&world.worst);
        let highest = world
            .others
            .iter()
            .map(|other| world.gauge_bar(other))
            .reduce(f64::max);
        Self {
            at: sealed
                .saturating_add(SignedDuration::from_secs(world.elapsed_s))
                .unwrap_or(sealed),
            co2_volumes: bottle.volumes_at(world.fridge),
            total_co2_g_per_l: bottle.all_co2_g_per_l(),
            dissolved_g_per_l: bottle.brew.co2,
            pilot_bar: world.gauge_bar(&world.pilot),
            pilot_co2_g_per_l: world.pilot.all_co2_g_per_l(),
            worst_bar,
            highest_bar: highest.unwrap_or(worst_bar),
            liquid_c: world.pilot.liquid.celsius(),
            room_c: world.place.room().celsius(),
            ambient_bar: world.place.air().bar(),
            sugar_g_per_l: bottle.brew.sugar(),
            abv_percent: bottle.brew.abv_percent(),
            gravity: bottle.gravity(),
        }
    }

    /// All CO2 in volumes, were none in the headspace.
    #[must_use]
    pub fn total_volumes(&self) -> f64 {
        self.total_co2_g_per_l / CO2_G_PER_VOLUME
    }
}

/// The truth of a play, every ten minutes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Truth {
    /// In order of time.
    pub moments: Vec<Moment>,
    /// The target, volumes.
    pub target_volumes: f64,
    /// The bottle's limit, gauge.
    pub limit_bar: f64,
}

impl Truth {
    /// When the content first reaches the target; `None` if it does not in the time covered.
    #[must_use]
    pub fn target_at(&self) -> Option<Timestamp> {
        self.first(self.target_volumes, |moment| moment.co2_volumes)
    }

    /// When the worst bottle first exceeds the limit; `None` if it does not in the time covered.
    #[must_use]
    pub fn limit_at(&self) -> Option<Timestamp> {
        self.first(self.limit_bar, |moment| moment.worst_bar)
    }

    /// The truth at `at`, the nearest moment; `None` outside the time covered.
    #[must_use]
    pub fn at(&self, at: Timestamp) -> Option<&Moment> {
        let (first, last) = (self.moments.first()?, self.moments.last()?);
        if at < first.at || at > last.at {
            return None;
        }
        let after = self.moments.partition_point(|moment| moment.at < at);
        let late = self.moments.get(after)?;
        let early = after
            .checked_sub(1)
            .and_then(|index| self.moments.get(index))
            .unwrap_or(late);
        let nearer_early = at.duration_since(early.at) < late.at.duration_since(at);
        Some(if nearer_early { early } else { late })
    }

    /// First crossing, interpolated between moments.
    fn first(&self, level: f64, of: impl Fn(&Moment) -> f64) -> Option<Timestamp> {
        let found = self.moments.iter().position(|moment| of(moment) >= level)?;
        let late = self.moments.get(found)?;
        let Some(early) = found.checked_sub(1).and_then(|index| self.moments.get(index)) else {
            return Some(late.at);
        };
        let part = ((level - of(early)) / (of(late) - of(early))).clamp(0.0, 1.0);
        let between = late.at.duration_since(early.at).as_secs_f64() * part;
        Some(
            early
                .at
                .saturating_add(SignedDuration::from_secs_f64(between))
                .unwrap_or(late.at),
        )
    }
}

/// What becomes of a batch that everyone forgets.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Forgotten {
    /// Highest gauge pressure of the worst bottle.
    pub highest_bar: f64,
    /// Content at the end, volumes in the target's sense.
    pub co2_volumes: f64,
    /// Alcohol by volume at the end.
    pub abv_percent: f64,
}

/// How a culture works in the reference drink at 20 degC.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Vigour {
    /// Highest CO2 production, dissolved and headspace together.
    pub volumes_per_h: f64,
    /// Hours from sealing to where the tangent at that rate starts.
    pub lag_h: f64,
}
