//! What a made-up batch is: drink, culture, bottles, place, sensors with their faults, and what happens.

mod draw;
mod fault;
mod read;
mod section;

use crate::bottle::{Cap, Material};
use crate::gas::Solubility;
use crate::published::{Kinetics, Published};
use crate::quantity::{Quantity, Unit};
use jiff::Timestamp;
use serde::Serialize;

pub use fault::{Fault, Trouble};

/// One rejected entry of a scenario. Reading collects all of them before it gives up.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{key}` is {given}; allowed: {allowed}")]
pub struct BadEntry {
    /// Path of the key, such as `sensor[1].interval_s`.
    pub key: String,
    /// What stands there.
    pub given: String,
    /// What may stand there.
    pub allowed: String,
}

/// Everything that is wrong with a scenario.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the scenario has {} problem(s):{}", .0.len(), listed(.0))]
pub struct BadScenario(pub Vec<BadEntry>);

fn listed(problems: &[BadEntry]) -> String {
    problems.iter().map(|problem| format!("\n  {problem}")).collect()
}

/// A made-up batch, checked. Field names carry their units.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scenario {
    /// One sentence on what is special about it.
    pub title: String,
    /// Name of the batch.
    pub name: String,
    /// Name its keeper gives the culture.
    pub culture_name: String,
    /// When the bottles were sealed.
    pub bottled_at: Timestamp,
    /// How long it is played, hours.
    pub lasts_h: f64,
    /// The drink when sealed.
    pub drink: Drink,
    /// The live starter.
    pub culture: Starter,
    /// The bottles.
    pub bottle: Bottles,
    /// The bottle with the sensors, where it differs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pilot: Option<Pilot>,
    /// What its maker wants.
    pub target: Target,
    /// Exchange and solubility.
    pub gas: Gas,
    /// The room.
    pub room: Room,
    /// The fridge.
    pub fridge: Fridge,
    /// The air pressure.
    pub air: Air,
    /// A leak of the pilot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub leak: Option<Leak>,
    /// What people do.
    #[serde(rename = "event", skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<Happening>,
    /// The sensors.
    #[serde(rename = "sensor", skip_serializing_if = "Vec::is_empty")]
    pub sensors: Vec<Sensor>,
    /// What goes wrong with them beyond their own entries.
    #[serde(rename = "fault", skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// What is in the bottle when it is sealed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Drink {
    /// Sucrose.
    pub sucrose_g_per_l: f64,
    /// Glucose.
    pub glucose_g_per_l: f64,
    /// Fructose.
    pub fructose_g_per_l: f64,
    /// Lactose.
    pub lactose_g_per_l: f64,
    /// Dose of the culture.
    pub culture_ml_per_l: f64,
    /// CO2 already in it.
    pub co2_volumes: f64,
    /// Alcohol already in it.
    pub abv_percent: f64,
    /// Nitrogen that yeast can use.
    pub nitrogen_mg_per_l: f64,
    /// Temperature at filling.
    pub temperature_c: f64,
}

/// The live starter; rates are those at 25 degC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Starter {
    /// Living yeast, dry mass per litre of starter.
    pub yeast_g_per_l: f64,
    /// Living bacteria, dry mass per litre of starter.
    pub bacteria_g_per_l: f64,
    /// Growth of the yeast.
    pub yeast_growth_per_h: f64,
    /// Sugar that a gram of yeast ferments.
    pub yeast_uptake_g_per_g_h: f64,
    /// Mean time until the yeast is awake.
    pub yeast_lag_h: f64,
    /// Rate at which working yeast gives up.
    pub yeast_decay_per_h: f64,
    /// Growth of the bacteria.
    pub bacteria_growth_per_h: f64,
    /// Time in which the bacteria build their enzymes.
    pub bacteria_lag_h: f64,
    /// Alcohol by volume at which the culture gives up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ceiling_percent: Option<f64>,
    /// Whether the yeast splits lactose.
    pub ferments_lactose: bool,
    /// Kinetics of the literature in place of all this; only drawn batches have them.
    #[serde(skip)]
    pub(crate) published: Option<Kinetics>,
}

/// The bottles of the batch.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Bottles {
    /// What they are made of.
    pub material: Material,
    /// Brimful.
    pub capacity_ml: f64,
    /// Drink in it.
    pub fill_ml: f64,
    /// How many.
    pub count: u32,
    /// The maker's figure, gauge.
    pub pressure_limit_bar: f64,
    /// How they were closed.
    pub headspace: Cap,
    /// Spread of the filling.
    pub fill_tolerance_ml: f64,
    /// Relative spread of the culture's dose from bottle to bottle.
    pub dose_spread: f64,
}

/// The bottle that carries the sensors.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pilot {
    /// What it is made of.
    pub material: Material,
    /// Brimful.
    pub capacity_ml: f64,
    /// Drink in it.
    pub fill_ml: f64,
    /// Gas space of the sensor head.
    pub dead_volume_ml: f64,
}

/// What the maker wants.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Target {
    /// Content, volumes in the target's sense.
    pub co2_volumes: f64,
    /// The fridge it is kept in.
    pub fridge_c: f64,
}

/// Exchange of gas and solubility.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Gas {
    /// Exchange between drink and headspace, per litre of drink and hour.
    pub exchange_per_h: f64,
    /// The published constant.
    pub solubility: Solubility,
    /// What this batch's solubility is to the published one.
    pub henry_factor: f64,
    /// Part of the solubility that 100 g/L of sugar costs.
    pub sugar_effect: f64,
}

/// The room.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Room {
    /// Mean of the whole time.
    pub mean_c: f64,
    /// Half the difference of day and night.
    pub swing_c: f64,
    /// Standard deviation of slow weather.
    pub weather_c: f64,
    /// Hours in which a half-litre bottle follows the room by 63 %.
    pub follows_h: f64,
    /// A warm spell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warm_spell: Option<WarmSpell>,
}

/// A few warmer (or cooler) days.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WarmSpell {
    /// Start, hours after sealing.
    pub from_h: f64,
    /// End.
    pub to_h: f64,
    /// By how much, a temperature difference.
    pub by_c: f64,
}

/// The fridge.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fridge {
    /// Its air.
    pub temperature_c: f64,
    /// Hours in which a bottle follows it by 63 %.
    pub cooling_h: f64,
}

/// The air pressure of the place.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Air {
    /// Mean.
    pub mean_bar: f64,
    /// Standard deviation of the wandering.
    pub wander_bar: f64,
}

/// Gas that escapes from the pilot.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Leak {
    /// When it begins.
    pub from_h: f64,
    /// Gas lost per hour and bar of overpressure.
    pub mol_per_h_per_bar: f64,
}

/// What people do with the bottles.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Deed {
    /// All bottles go into the fridge.
    MovedToFridge,
    /// All bottles come back to the room.
    TakenOut,
    /// Every bottle is opened for a moment and closed again.
    Vented,
    /// The pilot is opened for good.
    Opened,
}

impl Deed {
    /// The kind that a note about it carries.
    #[must_use]
    pub const fn kind(self) -> &'static str {
        match self {
            Self::MovedToFridge => "moved_to_fridge",
            Self::TakenOut => "taken_out",
            Self::Vented => "vented",
            Self::Opened => "opened",
        }
    }
}

/// A deed at its time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Happening {
    /// Hours after sealing.
    pub at_h: f64,
    /// What is done.
    pub kind: Deed,
    /// Whether somebody writes it down.
    pub noted: bool,
}

/// A sensor and its faults. Errors are in the quantity's usual unit: bar, degC or SG.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sensor {
    /// Name of the source.
    pub source: String,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit it reports.
    pub unit: Unit,
    /// Time between readings.
    pub interval_s: f64,
    /// Constant error.
    pub offset: f64,
    /// Further constant error, drawn by the seed with this standard deviation.
    pub offset_spread: f64,
    /// Factor on the true value.
    pub gain: f64,
    /// Standard deviation of a further factor around 1.
    pub gain_spread: f64,
    /// Error per degC away from 20.
    pub drift_per_c: f64,
    /// Standard deviation of the noise.
    pub noise: f64,
    /// Smallest step that the sensor shows; 0 shows all.
    pub step: f64,
    /// Chance that a reading is an outlier.
    pub outlier_chance: f64,
    /// Standard deviation of an outlier's error.
    pub outlier_size: f64,
    /// Gaps per day.
    pub gaps_per_day: f64,
    /// Mean length of a gap.
    pub gap_h: f64,
    /// Whether the readings of a gap arrive at its end.
    pub gap_delivers_later: bool,
    /// Chance that a reading arrives twice.
    pub duplicate_chance: f64,
    /// Chance that a reading arrives late.
    pub late_chance: f64,
    /// Mean delay of a late one.
    pub late_min: f64,
    /// First reading, hours after sealing.
    pub starts_h: f64,
    /// Last reading, hours after sealing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stops_h: Option<f64>,
    /// From when the value is stuck.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stuck_from_h: Option<f64>,
    /// For how long.
    pub stuck_for_h: f64,
}

impl Sensor {
    /// A faultless sensor.
    #[must_use]
    pub fn perfect(source: &str, quantity: Quantity, interval_s: f64) -> Self {
        Self {
            source: source.to_owned(),
            quantity,
            unit: quantity.usual_unit(),
            interval_s,
            offset: 0.0,
            offset_spread: 0.0,
            gain: 1.0,
            gain_spread: 0.0,
            drift_per_c: 0.0,
            noise: 0.0,
            step: 0.0,
            outlier_chance: 0.0,
            outlier_size: 0.0,
            gaps_per_day: 0.0,
            gap_h: 1.0,
            gap_delivers_later: false,
            duplicate_chance: 0.0,
            late_chance: 0.0,
            late_min: 10.0,
            starts_h: 0.0,
            stops_h: None,
            stuck_from_h: None,
            stuck_for_h: 1.0e6,
        }
    }
}

/// The scenarios that come with the simulator.
const SHIPPED: [(&str, &str); 11] = [
    ("plain", include_str!("../scenarios/plain.toml")),
    ("warm_spell", include_str!("../scenarios/warm_spell.toml")),
    ("cool_cellar", include_str!("../scenarios/cool_cellar.toml")),
    ("dead_culture", include_str!("../scenarios/dead_culture.toml")),
    ("lively_culture", include_str!("../scenarios/lively_culture.toml")),
    ("leak", include_str!("../scenarios/leak.toml")),
    (
        "rewarmed_after_fridge",
        include_str!("../scenarios/rewarmed_after_fridge.toml"),
    ),
    ("gravity_only", include_str!("../scenarios/gravity_only.toml")),
    ("sensor_trouble", include_str!("../scenarios/sensor_trouble.toml")),
    ("plastic_pilot", include_str!("../scenarios/plastic_pilot.toml")),
    ("sensor_faults", include_str!("../scenarios/sensor_faults.toml")),
];

impl Scenario {
    /// Reads a scenario from TOML. Absent entries take the ones of the `plain` kitchen batch.
    ///
    /// # Errors
    /// All entries that are unknown, of the wrong kind or out of range, at once.
    pub fn from_toml(text: &str) -> Result<Self, BadScenario> {
        read::scenario(text)
    }

    /// The scenario as TOML that [`Scenario::from_toml`] reads back.
    #[must_use]
    pub fn to_toml(&self) -> String {
        toml::to_string(self).unwrap_or_else(|error| unreachable!("a scenario is plain TOML: {error}"))
    }

    /// A shipped scenario by its name, `None` if there is no such one.
    #[must_use]
    pub fn shipped(name: &str) -> Option<Self> {
        let (_, text) = SHIPPED.iter().find(|(known, _)| *known == name)?;
        Some(
            Self::from_toml(text)
                .unwrap_or_else(|error| unreachable!("shipped scenarios are tested: {error}")),
        )
    }

    /// The names of the shipped scenarios.
    #[must_use]
    pub fn shipped_names() -> Vec<&'static str> {
        SHIPPED.iter().map(|(name, _)| *name).collect()
    }

    /// An ordinary batch drawn at random: vigour, lag, room, dose, sugar, bottle and sensor errors all vary
    /// widely. The same seed gives the same batch.
    #[must_use]
    pub fn drawn(seed: u64) -> Self {
        draw::ordinary(seed)
    }

    /// The batch of [`Scenario::drawn`] whose pilot begins to leak on the second or third day.
    #[must_use]
    pub fn drawn_leaking(seed: u64) -> Self {
        draw::leaking(seed)
    }

    /// The batch of [`Scenario::drawn`] with a culture that gives up at a trace of alcohol, or never begins.
    #[must_use]
    pub fn drawn_stalling(seed: u64) -> Self {
        draw::stalling(seed)
    }

    /// The batch of [`Scenario::drawn`] with a float in the drink instead of the gauge.
    #[must_use]
    pub fn drawn_with_float(seed: u64) -> Self {
        draw::with_float(seed)
    }

    /// The batch of [`Scenario::drawn`] with the culture of another seed: the same culture in many batches.
    #[must_use]
    pub fn drawn_of_culture(culture: u64, seed: u64) -> Self {
        draw::of_culture(culture, seed)
    }

    /// The batch of [`Scenario::drawn`] with both gauge and float.
    #[must_use]
    pub fn drawn_with_both(seed: u64) -> Self {
        draw::with_both(seed)
    }

    /// The batch of [`Scenario::drawn`] with kinetics of the literature in place of the simulator's own culture.
    #[must_use]
    pub fn drawn_published(model: Published, seed: u64) -> Self {
        draw::published(model, seed)
    }

    /// The batch of [`Scenario::drawn`] with nothing but thermometers.
    #[must_use]
    pub fn drawn_with_temperature_alone(seed: u64) -> Self {
        draw::with_temperature_alone(seed)
    }
}
