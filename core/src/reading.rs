//! One measured value, and what it may be.

use std::{fmt, str::FromStr};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::quantity::{AbsolutePressure, GaugePressure, Gravity, NotAQuantity, Temperature, Unit};

/// The name under which a sensor (or a person reading one) reports: 1 to 80 characters, no control characters,
/// no slash (SenML puts `source/quantity` into one name).
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Source(String);

/// A text that cannot name a source.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{given}` cannot name a source; allowed: 1 to 80 characters, no control characters, no slash")]
pub struct NotASource {
    /// What stood there, cut to 80 characters.
    pub given: String,
}

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Gauge pressure in the bottle.
    Pressure,
    /// Pressure in the bottle above vacuum.
    AbsolutePressure,
    /// Pressure of the surrounding air.
    AmbientPressure,
    /// Temperature of the drink, or of the bottle's wall.
    LiquidTemperature,
    /// Temperature of the room.
    RoomTemperature,
    /// Gravity as a sensor in the gassy drink shows it, corrected to 20 degC.
    Gravity,
}

/// A name that is no quantity.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "quantity `{given}` is not known; allowed: pressure, absolute_pressure, ambient_pressure, liquid_temperature, \
     room_temperature, gravity"
)]
pub struct UnknownQuantity {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

/// A measured value in its own type.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Measured {
    /// Gauge pressure in the bottle.
    Pressure(GaugePressure),
    /// Pressure in the bottle above vacuum.
    AbsolutePressure(AbsolutePressure),
    /// Pressure of the surrounding air.
    AmbientPressure(AbsolutePressure),
    /// Temperature of the drink.
    LiquidTemperature(Temperature),
    /// Temperature of the room.
    RoomTemperature(Temperature),
    /// Gravity in the gassy drink.
    Gravity(Gravity),
}

/// Why a number and a unit make no reading of that quantity.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadMeasurement {
    /// The unit measures something else.
    #[error("unit {unit} does not measure {quantity}; allowed: {allowed}")]
    WrongUnit {
        /// The quantity it was sent for.
        quantity: Quantity,
        /// The unit it came with.
        unit: Unit,
        /// The units that would do.
        allowed: &'static str,
    },
    /// The number cannot be.
    #[error(transparent)]
    Impossible(#[from] NotAQuantity),
}

/// One measured value with its time and source. Source, quantity and time together name it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// When it was measured.
    pub at: Timestamp,
    /// Which sensor.
    pub source: Source,
    /// What it showed.
    pub measured: Measured,
}

impl Source {
    /// A source by its name.
    ///
    /// # Errors
    /// Empty, longer than 80 characters, or with a control character or slash in it.
    pub fn new(name: &str) -> Result<Self, NotASource> {
        let length = name.chars().count();
        let whole = name.trim() == name && !name.chars().any(|c| crate::plain::is_hidden(c) || c == '/');
        if (1..=80).contains(&length) && whole {
            Ok(Self(name.to_owned()))
        } else {
            Err(NotASource {
                given: crate::plain::line(name, 80),
            })
        }
    }

    /// The name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The word of a batch that has no such sensor: it is nobody's name, and nobody waits for it.
    #[must_use]
    pub fn is_nobody(&self) -> bool {
        self.0 == Self::NOBODY
    }

    /// See [`Source::is_nobody`].
    pub const NOBODY: &str = "none";
}

impl TryFrom<String> for Source {
    type Error = NotASource;

    fn try_from(name: String) -> Result<Self, NotASource> {
        Self::new(&name)
    }
}

impl From<Source> for String {
    fn from(source: Source) -> Self {
        source.0
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl Quantity {
    /// All of them, in the order of the surface.
    pub const ALL: [Self; 6] = [
        Self::Pressure,
        Self::AbsolutePressure,
        Self::AmbientPressure,
        Self::LiquidTemperature,
        Self::RoomTemperature,
        Self::Gravity,
    ];

    /// Whether a gauge on the bottle tells it.
    #[must_use]
    pub fn is_gauge(self) -> bool {
        matches!(self, Self::Pressure | Self::AbsolutePressure)
    }

    /// Its name in files and topics.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Pressure => "pressure",
            Self::AbsolutePressure => "absolute_pressure",
            Self::AmbientPressure => "ambient_pressure",
            Self::LiquidTemperature => "liquid_temperature",
            Self::RoomTemperature => "room_temperature",
            Self::Gravity => "gravity",
        }
    }

    /// The unit in which the store and exports hold it.
    #[must_use]
    pub fn stored_unit(self) -> Unit {
        match self {
            Self::Pressure | Self::AbsolutePressure | Self::AmbientPressure => Unit::Pascal,
            Self::LiquidTemperature | Self::RoomTemperature => Unit::Kelvin,
            Self::Gravity => Unit::SpecificGravity,
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Quantity {
    type Err = UnknownQuantity;

    fn from_str(text: &str) -> Result<Self, UnknownQuantity> {
        Self::ALL
            .into_iter()
            .find(|quantity| quantity.name() == text)
            .ok_or_else(|| UnknownQuantity {
                given: crate::plain::line(text, 40),
            })
    }
}

impl Measured {
    /// The typed value of `value` `unit` of `quantity`.
    ///
    /// # Errors
    /// The unit measures something else, or the number is not finite or cannot be.
    pub fn new(quantity: Quantity, value: f64, unit: Unit) -> Result<Self, BadMeasurement> {
        let pascal = || match unit.pascal() {
            Some(pascal) => Ok(value * pascal),
            None => {
                let allowed = "bar, mbar, hPa, kPa, Pa, psi";
                Err(BadMeasurement::WrongUnit {
                    quantity,
                    unit,
                    allowed,
                })
            }
        };
        Ok(match quantity {
            Quantity::Pressure => Self::Pressure(GaugePressure::from_pascal(pascal()?)?),
            Quantity::AbsolutePressure => Self::AbsolutePressure(AbsolutePressure::from_pascal(pascal()?)?),
            Quantity::AmbientPressure => Self::AmbientPressure(AbsolutePressure::from_pascal(pascal()?)?),
            Quantity::LiquidTemperature => Self::LiquidTemperature(temperature(quantity, value, unit)?),
            Quantity::RoomTemperature => Self::RoomTemperature(temperature(quantity, value, unit)?),
            Quantity::Gravity => Self::Gravity(match unit {
                Unit::SpecificGravity => Gravity::from_specific(value)?,
                Unit::Plato => Gravity::from_plato(value)?,
                _ => {
                    return Err(BadMeasurement::WrongUnit {
                        quantity,
                        unit,
                        allowed: "SG, degP",
                    });
                }
            }),
        })
    }

    /// What it measures.
    #[must_use]
    pub fn quantity(&self) -> Quantity {
        match self {
            Self::Pressure(_) => Quantity::Pressure,
            Self::AbsolutePressure(_) => Quantity::AbsolutePressure,
            Self::AmbientPressure(_) => Quantity::AmbientPressure,
            Self::LiquidTemperature(_) => Quantity::LiquidTemperature,
            Self::RoomTemperature(_) => Quantity::RoomTemperature,
            Self::Gravity(_) => Quantity::Gravity,
        }
    }

    /// The value in [`Quantity::stored_unit`]; reading it back with [`Measured::new`] gives the same value.
    #[must_use]
    pub fn stored_value(&self) -> f64 {
        match self {
            Self::Pressure(p) => p.pascal(),
            Self::AbsolutePressure(p) | Self::AmbientPressure(p) => p.pascal(),
            Self::LiquidTemperature(t) | Self::RoomTemperature(t) => t.kelvin(),
            Self::Gravity(g) => g.specific(),
        }
    }
}

fn temperature(quantity: Quantity, value: f64, unit: Unit) -> Result<Temperature, BadMeasurement> {
    Ok(match unit {
        Unit::Celsius => Temperature::from_celsius(value)?,
        Unit::Fahrenheit => Temperature::from_fahrenheit(value)?,
        Unit::Kelvin => Temperature::from_kelvin(value)?,
        _ => {
            return Err(BadMeasurement::WrongUnit {
                quantity,
                unit,
                allowed: "degC, Cel, degF, K",
            });
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stored_value_reads_back_bit_for_bit() {
        for (quantity, value, unit) in [
            (Quantity::Pressure, 36.7, Unit::Psi),
            (Quantity::LiquidTemperature, 70.1, Unit::Fahrenheit),
            (Quantity::Gravity, 12.3, Unit::Plato),
        ] {
            let measured = Measured::new(quantity, value, unit).unwrap();
            let again = Measured::new(quantity, measured.stored_value(), quantity.stored_unit()).unwrap();
            assert_eq!(measured, again);
        }
    }

    #[test]
    fn a_wrong_unit_names_what_is_allowed() {
        let error = Measured::new(Quantity::Pressure, 1.0, Unit::Celsius).unwrap_err();
        assert!(error.to_string().contains("allowed: bar, mbar"));
        assert!(Measured::new(Quantity::Pressure, f64::NAN, Unit::Bar).is_err());
    }

    #[test]
    fn a_source_has_no_slash_and_no_control_character() {
        assert!(Source::new("pilot").is_ok());
        for bad in ["", "a/b", "a\nb", " a", &"x".repeat(81)] {
            assert!(Source::new(bad).is_err(), "{bad:?}");
        }
    }
}
