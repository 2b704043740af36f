//! Temperature, and the difference of two: 20 degC more is not 20 degC.

use super::{NotAQuantity, quantity};

quantity! {
    /// Thermodynamic temperature. Valid from -60 to 150 degC.
    Temperature, "temperature", "-60 to 150 degC", 213.15..=423.15;
    /// From kelvin.
    from_kelvin / kelvin, scale 1.0, offset 0.0;
    /// From degrees Celsius.
    from_celsius / celsius, scale 1.0, offset 273.15;
    /// From degrees Fahrenheit.
    from_fahrenheit / fahrenheit, scale 1.0 / 1.8, offset 459.67 / 1.8;
}

quantity! {
    /// Difference of two temperatures; positive: the first is warmer. Valid from -210 to 210 K.
    TemperatureDifference, "temperature difference", "-210 to 210 K", -210.0..=210.0;
    /// From kelvin (equal to degrees Celsius of difference).
    from_kelvin / kelvin, scale 1.0, offset 0.0;
}

impl Temperature {
    /// How much warmer this is than `other`.
    #[must_use]
    pub fn above(self, other: Self) -> TemperatureDifference {
        TemperatureDifference(self.0 - other.0)
    }

    /// This temperature, `difference` warmer.
    ///
    /// # Errors
    /// The sum lies outside the range of the type.
    pub fn plus(self, difference: TemperatureDifference) -> Result<Self, NotAQuantity> {
        Self::from_kelvin(self.0 + difference.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fahrenheit_and_celsius_meet_at_minus_forty_and_water_freezes_at_32() {
        // NIST SP 811 (2008), B.8: t/degC = (t/degF - 32)/1.8.
        assert!((Temperature::from_fahrenheit(32.0).unwrap().celsius()).abs() < 1e-9);
        assert!((Temperature::from_celsius(-40.0).unwrap().fahrenheit() + 40.0).abs() < 1e-9);
        assert!((Temperature::from_fahrenheit(68.0).unwrap().celsius() - 20.0).abs() < 1e-9);
    }

    #[test]
    fn a_difference_carries_no_zero_point() {
        let warm = Temperature::from_celsius(21.0).unwrap();
        let cold = Temperature::from_celsius(4.0).unwrap();
        assert!((warm.above(cold).kelvin() - 17.0).abs() < 1e-9);
        assert!((cold.plus(warm.above(cold)).unwrap().celsius() - 21.0).abs() < 1e-9);
    }
}
