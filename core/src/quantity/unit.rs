//! The units in which readings arrive.

use std::{fmt, str::FromStr};

/// A unit of a reading, by the spellings the surface allows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Unit {
    /// `bar`
    Bar,
    /// `mbar`
    Millibar,
    /// `hPa`
    Hectopascal,
    /// `kPa`
    Kilopascal,
    /// `Pa`
    Pascal,
    /// `psi`
    Psi,
    /// `degC`, or `Cel` as RFC 8428 spells it
    Celsius,
    /// `degF`
    Fahrenheit,
    /// `K`
    Kelvin,
    /// `SG`
    SpecificGravity,
    /// `degP`, degrees Plato
    Plato,
    /// `V`, of a raw transducer
    Volt,
    /// `mV`, of a raw transducer
    Millivolt,
    /// `deg`, inclination of a float
    Degree,
    /// `count`, of the converter behind a raw transducer
    Count,
}

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// Pressure.
    Pressure,
    /// Temperature.
    Temperature,
    /// Relative density or extract.
    Gravity,
    /// Voltage of a raw transducer.
    Voltage,
    /// Plane angle.
    Angle,
    /// Counts of a converter.
    Counts,
}

/// A spelling that names no unit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "unit `{given}` is not known; allowed: bar, mbar, hPa, kPa, Pa, psi, degC, Cel, degF, K, SG, degP, V, mV, deg, count"
)]
pub struct UnknownUnit {
    /// What stood there.
    pub given: String,
}

const SPELLINGS: [(&str, Unit); 16] = [
    ("bar", Unit::Bar),
    ("mbar", Unit::Millibar),
    ("hPa", Unit::Hectopascal),
    ("kPa", Unit::Kilopascal),
    ("Pa", Unit::Pascal),
    ("psi", Unit::Psi),
    ("degC", Unit::Celsius),
    ("Cel", Unit::Celsius),
    ("degF", Unit::Fahrenheit),
    ("K", Unit::Kelvin),
    ("SG", Unit::SpecificGravity),
    ("degP", Unit::Plato),
    ("V", Unit::Volt),
    ("mV", Unit::Millivolt),
    ("deg", Unit::Degree),
    ("count", Unit::Count),
];

impl Unit {
    /// What it measures.
    #[must_use]
    pub fn dimension(self) -> Dimension {
        match self {
            Self::Bar | Self::Millibar | Self::Hectopascal | Self::Kilopascal | Self::Pascal | Self::Psi => {
                Dimension::Pressure
            }
            Self::Celsius | Self::Fahrenheit | Self::Kelvin => Dimension::Temperature,
            Self::SpecificGravity | Self::Plato => Dimension::Gravity,
            Self::Volt | Self::Millivolt => Dimension::Voltage,
            Self::Degree => Dimension::Angle,
            Self::Count => Dimension::Counts,
        }
    }

    /// Pascal in one of this unit, for units of pressure.
    pub(crate) fn pascal(self) -> Option<f64> {
        match self {
            Self::Bar => Some(1.0e5),
            Self::Millibar | Self::Hectopascal => Some(100.0),
            Self::Kilopascal => Some(1_000.0),
            Self::Pascal => Some(1.0),
            Self::Psi => Some(super::pressure::PASCAL_PER_PSI),
            _ => None,
        }
    }
}

impl FromStr for Unit {
    type Err = UnknownUnit;

    fn from_str(text: &str) -> Result<Self, UnknownUnit> {
        // As people write it: °P, °C.
        let said = text.replace('\u{b0}', "deg");
        SPELLINGS
            .iter()
            .find(|(spelling, _)| *spelling == said)
            .map(|(_, unit)| *unit)
            .ok_or_else(|| UnknownUnit {
                given: crate::plain::line(text, 40),
            })
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let spelling = SPELLINGS
            .iter()
            .find(|(_, unit)| unit == self)
            .map_or("?", |(spelling, _)| spelling);
        f.pad(spelling)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spelling_is_read_and_unknown_ones_are_named() {
        for (spelling, unit) in SPELLINGS {
            assert_eq!(spelling.parse(), Ok(unit));
        }
        assert_eq!("\u{b0}P".parse(), Ok(Unit::Plato));
        assert_eq!("BAR".parse::<Unit>().unwrap_err().given, "BAR");
    }

    #[test]
    fn a_unit_prints_as_it_is_read() {
        for (_, unit) in SPELLINGS {
            assert_eq!(unit.to_string().parse(), Ok(unit));
        }
    }
}
