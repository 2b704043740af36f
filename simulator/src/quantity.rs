//! The simulator's own units: SI inside, the units of real sensors at the edge.

use serde::{Deserialize, Serialize};

/// Zero degrees Celsius in kelvin.
const ICE_POINT_K: f64 = 273.15;

/// Absolute temperature in kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub(crate) struct Kelvin(pub(crate) f64);

impl Kelvin {
    pub(crate) fn from_celsius(celsius: f64) -> Self {
        Self(celsius + ICE_POINT_K)
    }

    pub(crate) fn celsius(self) -> f64 {
        self.0 - ICE_POINT_K
    }
}

/// Absolute or partial pressure in pascal.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub(crate) struct Pascal(pub(crate) f64);

impl Pascal {
    pub(crate) fn from_bar(bar: f64) -> Self {
        Self(bar * 1.0e5)
    }

    pub(crate) fn bar(self) -> f64 {
        self.0 / 1.0e5
    }
}

/// What a sensor measures, under the names that every reading carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Gauge pressure in the pilot's headspace.
    Pressure,
    /// Absolute pressure in the pilot's headspace.
    AbsolutePressure,
    /// Air pressure in the room.
    AmbientPressure,
    /// Temperature of the pilot's drink.
    LiquidTemperature,
    /// Temperature of the room's air.
    RoomTemperature,
    /// Specific gravity that a float in the gassy drink shows, corrected to 20 degC.
    Gravity,
}

impl Quantity {
    /// Every quantity, in the order of their names in the documentation.
    pub const ALL: [Self; 6] = [
        Self::Pressure,
        Self::AbsolutePressure,
        Self::AmbientPressure,
        Self::LiquidTemperature,
        Self::RoomTemperature,
        Self::Gravity,
    ];

    /// The name that a reading carries.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Pressure => "pressure",
            Self::AbsolutePressure => "absolute_pressure",
            Self::AmbientPressure => "ambient_pressure",
            Self::LiquidTemperature => "liquid_temperature",
            Self::RoomTemperature => "room_temperature",
            Self::Gravity => "gravity",
        }
    }

    /// The unit in which the simulator knows the quantity and a scenario states its errors.
    #[must_use]
    pub const fn usual_unit(self) -> Unit {
        match self {
            Self::Pressure | Self::AbsolutePressure | Self::AmbientPressure => Unit::Bar,
            Self::LiquidTemperature | Self::RoomTemperature => Unit::DegC,
            Self::Gravity => Unit::Sg,
        }
    }
}

/// Unit of a reading, spelled as the readings spell it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Unit {
    /// 100 kPa.
    #[serde(rename = "bar")]
    Bar,
    /// 100 Pa.
    #[serde(rename = "mbar")]
    Mbar,
    /// 100 Pa.
    #[serde(rename = "hPa")]
    Hpa,
    /// 1000 Pa.
    #[serde(rename = "kPa")]
    Kpa,
    /// The SI unit, registered for SenML.
    #[serde(rename = "Pa")]
    Pa,
    /// 6894.757 Pa.
    #[serde(rename = "psi")]
    Psi,
    /// Degrees Celsius.
    #[serde(rename = "degC")]
    DegC,
    /// Degrees Celsius as SenML registers them.
    #[serde(rename = "Cel")]
    Cel,
    /// Degrees Fahrenheit.
    #[serde(rename = "degF")]
    DegF,
    /// Kelvin.
    #[serde(rename = "K")]
    K,
    /// Specific gravity 20/20 degC.
    #[serde(rename = "SG")]
    Sg,
    /// Degrees Plato: grams of sucrose in 100 g of solution of the same gravity.
    #[serde(rename = "degP")]
    DegP,
}

impl Unit {
    /// Every unit.
    pub const ALL: [Self; 12] = [
        Self::Bar,
        Self::Mbar,
        Self::Hpa,
        Self::Kpa,
        Self::Pa,
        Self::Psi,
        Self::DegC,
        Self::Cel,
        Self::DegF,
        Self::K,
        Self::Sg,
        Self::DegP,
    ];

    /// The spelling that a reading carries.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Bar => "bar",
            Self::Mbar => "mbar",
            Self::Hpa => "hPa",
            Self::Kpa => "kPa",
            Self::Pa => "Pa",
            Self::Psi => "psi",
            Self::DegC => "degC",
            Self::Cel => "Cel",
            Self::DegF => "degF",
            Self::K => "K",
            Self::Sg => "SG",
            Self::DegP => "degP",
        }
    }

    /// Whether a sensor of `quantity` can report in this unit.
    #[must_use]
    pub const fn fits(self, quantity: Quantity) -> bool {
        match self {
            Self::Bar | Self::Mbar | Self::Hpa | Self::Kpa | Self::Pa | Self::Psi => matches!(
                quantity,
                Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure
            ),
            Self::DegC | Self::Cel | Self::DegF | Self::K => {
                matches!(quantity, Quantity::LiquidTemperature | Quantity::RoomTemperature)
            }
            Self::Sg | Self::DegP => matches!(quantity, Quantity::Gravity),
        }
    }

    /// Expresses a value given in the quantity's usual unit (bar, degC, SG) in this one.
    #[must_use]
    pub fn from_usual(self, value: f64) -> f64 {
        match self {
            Self::Bar | Self::DegC | Self::Cel | Self::Sg => value,
            Self::Mbar | Self::Hpa => value * 1.0e3,
            Self::Kpa => value * 1.0e2,
            Self::Pa => value * 1.0e5,
            // The avoirdupois pound-force per square inch, 6894.757293168 Pa (NIST SP 811).
            Self::Psi => value * 1.0e5 / 6_894.757_293_168,
            Self::DegF => value.mul_add(1.8, 32.0),
            Self::K => value + ICE_POINT_K,
            Self::DegP => plato_from_gravity(value),
        }
    }

    /// The inverse of [`Unit::from_usual`].
    #[must_use]
    pub fn to_usual(self, value: f64) -> f64 {
        match self {
            Self::Bar | Self::DegC | Self::Cel | Self::Sg => value,
            Self::Mbar | Self::Hpa => value / 1.0e3,
            Self::Kpa => value / 1.0e2,
            Self::Pa => value / 1.0e5,
            Self::Psi => value * 6_894.757_293_168 / 1.0e5,
            Self::DegF => (value - 32.0) / 1.8,
            Self::K => value - ICE_POINT_K,
            Self::DegP => {
                // Bisection: the polynomial below rises steadily between these gravities.
                let (mut low, mut high) = (0.9, 1.2);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    if plato_from_gravity(middle) < value {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                0.5 * (low + high)
            }
        }
    }
}

/// Degrees Plato of a specific gravity: the cubic of brewing practice (common practice, from memory;
/// within 0.05 degP of the sucrose tables below 20 degP).
fn plato_from_gravity(sg: f64) -> f64 {
    ((135.997 * sg - 630.272) * sg + 1111.14) * sg - 616.868
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_comes_back_to_where_it_was() {
        for unit in Unit::ALL {
            let value = if matches!(unit, Unit::Sg | Unit::DegP) {
                1.031
            } else {
                2.75
            };
            let back = unit.to_usual(unit.from_usual(value));
            assert!((back - value).abs() < 1e-9, "{unit:?}: {back}");
        }
    }

    #[test]
    fn known_pairs_agree() {
        assert!((Unit::Psi.from_usual(1.0) - 14.503_77).abs() < 1e-4);
        assert!((Unit::DegF.from_usual(20.0) - 68.0).abs() < 1e-12);
        // Sucrose tables: 10 degP is 1.0400 at 20/20 degC.
        assert!((Unit::DegP.from_usual(1.0400) - 10.0).abs() < 0.05);
    }

    #[test]
    fn spelling_in_files_is_the_symbol() {
        for unit in Unit::ALL {
            let text = serde_json::to_string(&unit).expect("a name");
            assert_eq!(text, format!("\"{}\"", unit.symbol()));
        }
        for quantity in Quantity::ALL {
            let text = serde_json::to_string(&quantity).expect("a name");
            assert_eq!(text, format!("\"{}\"", quantity.name()));
            assert!(quantity.usual_unit().fits(quantity));
        }
    }
}
