//! Volumes of liquid and gas, doses, and the height of a place.

use super::{AbsolutePressure, quantity};

quantity! {
    /// Volume of a bottle, of the drink in it, or of its headspace. Valid from 0 to 10 000 L.
    LiquidVolume, "volume", "0 to 10000 L", 0.0..=10.0;
    /// From cubic metres.
    from_cubic_metres / cubic_metres, scale 1.0, offset 0.0;
    /// From litres.
    from_litres / litres, scale 1.0e-3, offset 0.0;
    /// From millilitres.
    from_ml / ml, scale 1.0e-6, offset 0.0;
}

quantity! {
    /// Live culture added per volume of drink. Valid from 0 to 1000 mL/L.
    CultureDose, "dose of culture", "0 to 1000 mL/L", 0.0..=1.0;
    /// From millilitres per litre.
    from_ml_per_l / ml_per_l, scale 1.0e-3, offset 0.0;
}

quantity! {
    /// Height above sea level. Valid from -500 to 6000 m.
    Altitude, "altitude", "-500 to 6000 m", -500.0..=6_000.0;
    /// From metres.
    from_metres / metres, scale 1.0, offset 0.0;
}

impl LiquidVolume {
    /// Nothing.
    pub const ZERO: Self = Self(0.0);

    /// This volume less `other`, not below zero.
    #[must_use]
    pub fn less(self, other: Self) -> Self {
        Self((self.0 - other.0).max(0.0))
    }
}

impl Altitude {
    /// Sea level.
    pub const SEA_LEVEL: Self = Self(0.0);

    /// Pressure of the air in the standard atmosphere at this height; the weather moves it by some 1 to 3 %.
    ///
    /// `p = 101 325 Pa (1 - 0.0065 K/m h / 288.15 K)^(g M / R L)`, the exponent being 5.255 88: ISO 2533:1975, the
    /// layer up to 11 km. Pinned by `air_thins_as_the_standard_atmosphere_says`.
    #[must_use]
    pub fn usual_air(self) -> AbsolutePressure {
        let pascal = 101_325.0 * (1.0 - 0.006_5 * self.0 / 288.15).powf(5.255_88);
        // Heights of the type give 47 to 108 kPa, all of which the pressure's type holds.
        AbsolutePressure::from_pascal(pascal).unwrap_or(AbsolutePressure::STANDARD_ATMOSPHERE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn air_thins_as_the_standard_atmosphere_says() {
        // U.S. Standard Atmosphere 1976 (the same layer as ISO 2533), table I, by geopotential height; from memory.
        for (metres, hectopascal) in [
            (0.0, 1_013.25),
            (1_000.0, 898.75),
            (2_000.0, 794.95),
            (5_000.0, 540.2),
        ] {
            let air = Altitude::from_metres(metres).unwrap().usual_air();
            assert!(
                (air.pascal() / 100.0 - hectopascal).abs() < 0.3,
                "{metres} m: {}",
                air.pascal()
            );
        }
    }
}
