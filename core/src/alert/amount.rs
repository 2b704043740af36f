//! Amounts as alerts say them: in the user's units.

use crate::{
    quantity::{AbsolutePressure, GaugePressure, Temperature, Unit},
    reading::Measured,
};

/// The units in which sentences speak. A unit of another dimension counts as bar, or as degC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Units {
    /// Of pressures.
    pub pressure: Unit,
    /// Of temperatures.
    pub temperature: Unit,
}

impl Default for Units {
    /// bar and degC.
    fn default() -> Self {
        Self {
            pressure: Unit::Bar,
            temperature: Unit::Celsius,
        }
    }
}

impl Units {
    /// "bar".
    #[must_use]
    pub fn of_pressure(self) -> &'static str {
        match self.pressure {
            Unit::Psi => "psi",
            Unit::Kilopascal => "kPa",
            Unit::Millibar => "mbar",
            Unit::Hectopascal => "hPa",
            Unit::Pascal => "Pa",
            _ => "bar",
        }
    }

    /// How many pascal one of [`Units::of_pressure`] is.
    fn pascal(self) -> f64 {
        self.pressure.pascal().unwrap_or(1e5)
    }

    /// The number in the unit of [`Units::of_pressure`].
    #[must_use]
    pub fn number(self, pressure: GaugePressure) -> f64 {
        pressure.pascal() / self.pascal()
    }

    /// "2.80 bar", "40.6 psi", "280 kPa": to a hundredth of a bar, or the next decimal of another unit.
    #[must_use]
    pub fn pressure(self, pressure: GaugePressure) -> String {
        let digits = match self.of_pressure() {
            "bar" => 2,
            "psi" => 1,
            _ => 0,
        };
        plain(self.number(pressure), digits, self.of_pressure())
    }

    /// "1.013 bar above vacuum".
    #[must_use]
    pub fn absolute(self, pressure: AbsolutePressure) -> String {
        let digits = match self.of_pressure() {
            "bar" => 3,
            "psi" => 2,
            "kPa" => 1,
            _ => 0,
        };
        let number = plain(pressure.pascal() / self.pascal(), digits, self.of_pressure());
        format!("{number} above vacuum")
    }

    /// "21.3 °C".
    #[must_use]
    pub fn temperature(self, temperature: Temperature) -> String {
        match self.temperature {
            Unit::Fahrenheit => plain(temperature.fahrenheit(), 1, "°F"),
            Unit::Kelvin => plain(temperature.kelvin(), 1, "K"),
            _ => plain(temperature.celsius(), 1, "°C"),
        }
    }

    /// A reading with its unit.
    #[must_use]
    pub fn measured(self, measured: &Measured) -> String {
        match measured {
            Measured::Pressure(p) => self.pressure(*p),
            Measured::AbsolutePressure(p) | Measured::AmbientPressure(p) => self.absolute(*p),
            Measured::LiquidTemperature(t) | Measured::RoomTemperature(t) => self.temperature(*t),
            Measured::Gravity(g) => format!("{:.4} SG", g.specific()),
        }
    }
}

/// Without the sign of a zero.
fn plain(number: f64, digits: usize, unit: &str) -> String {
    let text = format!("{number:.digits$}");
    let text = match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest,
        _ => &text,
    };
    format!("{text} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Quantity;

    #[test]
    fn amounts_are_said_in_the_units_of_the_user() {
        let gauge = GaugePressure::from_bar(2.8).unwrap();
        let of = |pressure| Units {
            pressure,
            ..Units::default()
        };
        // NIST SP 811 (2008), B.8: 1 psi = 6.894 757 kPa.
        for (unit, said) in [
            (Unit::Bar, "2.80 bar"),
            (Unit::Psi, "40.6 psi"),
            (Unit::Kilopascal, "280 kPa"),
            (Unit::Hectopascal, "2800 hPa"),
            (Unit::Millibar, "2800 mbar"),
            (Unit::Pascal, "280000 Pa"),
        ] {
            assert_eq!(of(unit).pressure(gauge), said);
        }
        let air = Measured::new(Quantity::AmbientPressure, 1_013.25, Unit::Hectopascal).unwrap();
        assert_eq!(of(Unit::Bar).measured(&air), "1.013 bar above vacuum");
        assert_eq!(of(Unit::Psi).measured(&air), "14.70 psi above vacuum");
        let warm = Temperature::from_celsius(21.0).unwrap();
        let fahrenheit = Units {
            temperature: Unit::Fahrenheit,
            ..Units::default()
        };
        assert_eq!(fahrenheit.temperature(warm), "69.8 °F");
        assert_eq!(Units::default().temperature(warm), "21.0 °C");
    }

    #[test]
    fn a_hair_below_zero_is_zero() {
        let hair = GaugePressure::from_bar(-0.001).unwrap();
        assert_eq!(Units::default().pressure(hair), "0.00 bar");
    }
}
