//! Volumes of liquid and gas, doses, and the height of a place.

use super::quantity;

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
}
