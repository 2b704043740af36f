//! Amounts with their units, as a person says them.

use fobwatch_core::{
    alert,
    quantity::{Co2Volumes, GaugePressure, Temperature, Unit},
    reading::Measured,
};

use crate::config::Display;

/// Units in which the page speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Units {
    /// Of pressures.
    pub(crate) pressure: Unit,
    /// Of temperatures.
    pub(crate) temperature: Unit,
}

impl From<&Display> for Units {
    fn from(display: &Display) -> Self {
        Self {
            pressure: display.pressure,
            temperature: display.temperature,
        }
    }
}

impl Units {
    fn spoken(self) -> alert::Units {
        alert::Units {
            pressure: self.pressure,
            temperature: self.temperature,
        }
    }

    /// "bar".
    pub(crate) fn of_pressure(self) -> &'static str {
        self.spoken().of_pressure()
    }

    /// The number in the unit of [`Units::of_pressure`].
    pub(crate) fn number(self, pressure: GaugePressure) -> f64 {
        self.spoken().number(pressure)
    }

    fn digits(self) -> usize {
        match self.of_pressure() {
            "bar" => 1,
            _ => 0,
        }
    }

    /// "2.4", the unit said elsewhere in the sentence.
    pub(crate) fn figure(self, pressure: GaugePressure) -> String {
        signless(format!("{:.*}", self.digits(), self.number(pressure)))
    }

    /// The same of a bottle that may have drawn in some of its air: less than the air around it is told as nothing.
    pub(crate) fn in_bottle(self, pressure: GaugePressure) -> String {
        self.figure(GaugePressure::from_pascal(pressure.pascal().max(0.0)).unwrap_or(pressure))
    }

    /// "2.4 bar".
    pub(crate) fn pressure(self, pressure: GaugePressure) -> String {
        format!("{}\u{a0}{}", self.figure(pressure), self.of_pressure())
    }

    /// "2.5 bar" for 2.41 bar: what may be reached is never rounded down.
    pub(crate) fn at_most(self, pressure: GaugePressure) -> String {
        let scale = if self.digits() == 1 { 10.0 } else { 1.0 };
        let up = ((self.number(pressure) * scale) - 1e-6).ceil() / scale;
        format!(
            "{}\u{a0}{}",
            signless(format!("{up:.*}", self.digits())),
            self.of_pressure()
        )
    }

    /// The user's own limit, digit for digit as far as a hundredth of a bar goes.
    pub(crate) fn limit(self, limit: GaugePressure) -> String {
        format!("{}\u{a0}{}", self.limit_figure(limit), self.of_pressure())
    }

    /// The same without its unit.
    pub(crate) fn limit_figure(self, limit: GaugePressure) -> String {
        match self.digits() {
            1 => short(limit.bar(), 1, 2),
            _ => short(self.number(limit), 0, 1),
        }
    }

    /// "20.8 °C".
    pub(crate) fn temperature(self, temperature: Temperature) -> String {
        let (value, unit) = match self.temperature {
            Unit::Fahrenheit => (temperature.fahrenheit(), "°F"),
            Unit::Kelvin => (temperature.kelvin(), "K"),
            _ => (temperature.celsius(), "°C"),
        };
        format!("{}\u{a0}{unit}", signless(format!("{value:.1}")))
    }

    /// A reading with its unit.
    pub(crate) fn measured(self, measured: &Measured) -> String {
        match measured {
            Measured::Pressure(pressure) if self.digits() == 1 => {
                format!("{}\u{a0}bar", signless(format!("{:.2}", pressure.bar())))
            }
            Measured::Pressure(pressure) => self.pressure(*pressure),
            Measured::AbsolutePressure(pressure) => {
                format!("{:.2}\u{a0}bar above vacuum", pressure.bar())
            }
            Measured::AmbientPressure(pressure) => {
                format!("{:.0}\u{a0}hPa", pressure.pascal() / 100.0)
            }
            Measured::LiquidTemperature(temperature) | Measured::RoomTemperature(temperature) => {
                self.temperature(*temperature)
            }
            Measured::Gravity(gravity) => format!("{:.4}\u{a0}SG", gravity.specific()),
        }
    }
}

/// "2.1 volumes".
pub(crate) fn volumes(content: Co2Volumes) -> String {
    format!("{:.1}\u{a0}volumes", content.volumes())
}

/// The content wanted, as the user wrote it: "2.8 volumes", "2.75 volumes".
pub(crate) fn wish(content: Co2Volumes) -> String {
    format!("{}\u{a0}volumes", short(content.volumes(), 1, 2))
}

/// With at least `least` and at most `most` decimals.
fn short(value: f64, least: usize, most: usize) -> String {
    let long = format!("{value:.most$}");
    let digits = long
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.trim_end_matches('0').len().max(least));
    format!("{value:.digits$}")
}

/// No "-0.0".
fn signless(text: String) -> String {
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.to_owned(),
        _ => text,
    }
}

/// "one batch", "three batches", "12 batches".
pub(crate) fn count(many_or_one: usize, one: &str, many: &str) -> String {
    format!(
        "{} {}",
        number(many_or_one),
        if many_or_one == 1 { one } else { many }
    )
}

/// "nine", "10".
pub(crate) fn number(number: usize) -> String {
    const WORDS: [&str; 10] = [
        "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    ];
    WORDS
        .get(number)
        .map_or_else(|| number.to_string(), |word| (*word).to_owned())
}

/// The text as a sentence begins with it.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bar(value: f64) -> GaugePressure {
        GaugePressure::from_bar(value).unwrap()
    }

    #[test]
    fn what_may_be_reached_is_never_rounded_down() {
        let units = Units {
            pressure: Unit::Bar,
            temperature: Unit::Celsius,
        };
        assert_eq!(units.at_most(bar(2.41)), "2.5\u{a0}bar");
        assert_eq!(units.at_most(bar(2.4)), "2.4\u{a0}bar");
        assert_eq!(units.pressure(bar(-0.01)), "0.0\u{a0}bar");
    }

    #[test]
    fn a_limit_keeps_its_digits() {
        let units = Units {
            pressure: Unit::Bar,
            temperature: Unit::Celsius,
        };
        assert_eq!(units.limit(bar(5.0)), "5.0\u{a0}bar");
        assert_eq!(units.limit(bar(4.75)), "4.75\u{a0}bar");
        let psi = Units {
            pressure: Unit::Psi,
            ..units
        };
        // NIST SP 811 (2008), B.8: 1 psi = 6.894 757 kPa, so 5 bar are 72.5 psi.
        assert_eq!(psi.limit(bar(5.0)), "72.5\u{a0}psi");
    }
}
