//! A batch: one filling of bottles from one drink, with one culture, at one time.
//!
//! [`Batch`] is checked: whoever holds one need not ask again whether it is valid. [`Batch::from_toml`] reads a batch
//! file and reports every problem of it at once.

mod file;
mod name;
mod warning;

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    quantity::{
        AlcoholByVolume, Co2Volumes, CultureDose, GaugePressure, LiquidVolume, MassConcentration, Temperature,
    },
    reading::{Quantity, Reading, Source},
};

pub use file::BatchFile;
pub use name::{BatchName, CultureName, ExperimentName, NotAName, Slug};
pub use warning::{MOST_PH, Warning};

/// One filling of bottles.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Batch {
    /// Its name, unique among live batches.
    pub name: BatchName,
    /// The live starter, if named.
    pub culture: Option<CultureName>,
    /// When the bottles were sealed.
    pub bottled_at: Timestamp,
    /// What is in them.
    pub drink: Drink,
    /// The bottles.
    pub bottle: Bottle,
    /// The bottle with the sensors, where it differs from the others.
    pub pilot: Option<Pilot>,
    /// What the maker wants.
    pub target: Target,
    /// Which source carries which quantity; a quantity not listed is taken from the only source that sends it.
    pub sensors: BTreeMap<Quantity, Source>,
    /// Temperature expected in the room, used while no sensor tells it.
    pub expected_room: Option<Temperature>,
    /// Batches of one experiment are set beside each other: the same drink pulled on several days, or with several doses.
    pub experiment: Option<ExperimentName>,
}

/// What is in the bottle when it is sealed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drink {
    /// Sucrose.
    pub sucrose: MassConcentration,
    /// Glucose and fructose.
    pub hexose: MassConcentration,
    /// Lactose and the like: not fermented by the usual yeast.
    pub unfermentable: MassConcentration,
    /// Culture added; `None`: not known.
    pub culture_dose: Option<CultureDose>,
    /// CO2 already dissolved when sealed; `None`: not known.
    pub co2: Option<Co2Volumes>,
    /// Alcohol already in it; `None`: not known, taken as near zero.
    pub alcohol: Option<AlcoholByVolume>,
    /// Alcohol at which this culture gives up, if truly known.
    pub alcohol_ceiling: Option<AlcoholByVolume>,
    /// pH when sealed.
    pub ph: Option<f64>,
}

/// What the bottles are made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Material {
    /// Glass.
    Glass,
    /// Plastic bottles for fizzy drinks.
    Pet,
    /// Steel.
    Steel,
}

/// What fills the headspace when the bottle is sealed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Headspace {
    /// Air of the room: capped as filled.
    Air,
    /// CO2 alone.
    Purged,
    /// CO2 with a little air: capped on foam.
    Foam,
}

/// The bottles of the batch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bottle {
    /// What they are made of.
    pub material: Material,
    /// Brimful volume.
    pub capacity: LiquidVolume,
    /// Drink in each.
    pub fill: LiquidVolume,
    /// How many; at least 1.
    pub count: u32,
    /// The user's own limit, by the bottle's maker. There is no default.
    pub pressure_limit: GaugePressure,
    /// Where the limit comes from.
    pub limit_source: Option<String>,
    /// What is above the drink.
    pub headspace: Headspace,
    /// Spread of the filling (one standard deviation); given, or 1 % of capacity.
    pub fill_tolerance: LiquidVolume,
}

/// The bottle with the sensors.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pilot {
    /// What it is made of.
    pub material: Material,
    /// Brimful volume.
    pub capacity: LiquidVolume,
    /// Drink in it.
    pub fill: LiquidVolume,
    /// Gas space of the sensor head, beside the headspace.
    pub dead_volume: LiquidVolume,
}

/// What the maker wants.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// Content wanted, at equilibrium at the fridge temperature.
    pub co2: Co2Volumes,
    /// Temperature of the fridge.
    pub fridge: Temperature,
}

impl Batch {
    /// A reading that may tell of it: measured once it was sealed, and by its own sensor where it names one for the quantity.
    #[must_use]
    pub fn hears(&self, reading: &Reading) -> bool {
        let named = self.sensors.get(&reading.measured.quantity());
        reading.at >= self.bottled_at && named.is_none_or(|named| *named == reading.source)
    }

    /// The vessel that carries the sensors: the pilot, or one of the bottles.
    #[must_use]
    pub fn sensor_vessel(&self) -> Pilot {
        self.pilot.clone().unwrap_or(Pilot {
            material: self.bottle.material,
            capacity: self.bottle.capacity,
            fill: self.bottle.fill,
            dead_volume: LiquidVolume::ZERO,
        })
    }
}
