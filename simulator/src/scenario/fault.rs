//! Faults as a scenario tells them.

use super::{BadEntry, BadScenario, Scenario, read};
use crate::quantity::Quantity;
use serde::{Deserialize, Serialize};

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Trouble {
    /// The value stays what it was.
    Stuck,
    /// Readings become rarer, then sag and grow noisy, and at the end there are none.
    Dying,
    /// The error grows steadily, and stays once the fault is over.
    Drift,
    /// Two probes are exchanged: each is told under the other's name.
    Swapped,
    /// The power fails: silence, then one value of a converter just reset, and for ten minutes times that count from 1970.
    Brownout,
}

/// A fault of one source, for a span of time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fault {
    /// What is wrong.
    pub kind: Trouble,
    /// The source.
    pub source: String,
    /// Which of its quantities; all of them if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quantity: Option<Quantity>,
    /// Begin, hours after sealing.
    pub from_h: f64,
    /// How long: of a dying battery until silence, of a brown-out the silence.
    pub for_h: f64,
    /// Drift: error a day. Dying: how far the value has sagged at the end. In bar, degC or SG.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub size: Option<f64>,
    /// A brown-out comes again after so many hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub every_h: Option<f64>,
    /// Swapped: the source of the other probe.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub with_source: String,
    /// Swapped: what the other probe measures; as `quantity` if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub with_quantity: Option<Quantity>,
}

impl Fault {
    /// Whether it is a fault of this sensor.
    #[must_use]
    pub fn is_about(&self, source: &str, quantity: Quantity) -> bool {
        self.source == source && self.quantity.is_none_or(|own| own == quantity)
    }

    /// Its size for a quantity, in the quantity's usual unit.
    pub(crate) fn size_for(&self, quantity: Quantity) -> f64 {
        self.size.unwrap_or(match quantity {
            Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => 0.2,
            Quantity::LiquidTemperature | Quantity::RoomTemperature => 2.0,
            Quantity::Gravity => 0.005,
        })
    }
}

impl Scenario {
    /// The scenario with one more fault, given as the entries of a `[[fault]]` on one line with commas between them, such as
    /// `kind = "stuck", source = "pilot", from_h = 40`.
    ///
    /// # Errors
    /// Everything that is wrong with it, at once.
    pub fn with_fault(mut self, entries: &str) -> Result<Self, BadScenario> {
        let table = format!("fault = [{{ {entries} }}]").parse().map_err(|error| {
            let error: toml::de::Error = error;
            BadScenario(vec![BadEntry {
                key: "fault".to_owned(),
                given: format!("`{entries}`, no TOML ({})", error.message()),
                allowed: "entries such as kind = \"stuck\", source = \"pilot\", from_h = 40".to_owned(),
            }])
        })?;
        self.faults.extend(read::faults(&table, &self.sensors)?);
        Ok(self)
    }
}
