//! What is dissolved: CO2 in volumes, grams per litre, and the gravity of a drink.

use super::{NotAQuantity, quantity};

/// Grams of CO2 in a litre of drink that holds one volume: 1 L of the real gas at 0 degC and 1 atm
/// weighs 1.977 g (the surface's words; 1.9768 by the Span-Wagner equation, checked in the outside references).
pub const GRAMS_PER_LITRE_PER_VOLUME: f64 = 1.977;

quantity! {
    /// CO2 in volumes: litres of gas (0 degC, 1 atm) per litre of drink. Valid from 0 to 100.
    ///
    /// Whether it is what is dissolved, or the content in the target's sense (all CO2 of the sealed bottle at
    /// equilibrium at the fridge temperature), is said by who returns it.
    Co2Volumes, "CO2 content in volumes", "0 to 100 volumes", 0.0..=100.0;
    /// From volumes.
    from_volumes / volumes, scale 1.0, offset 0.0;
    /// From grams of CO2 per litre of drink.
    from_grams_per_litre / grams_per_litre, scale 1.0 / GRAMS_PER_LITRE_PER_VOLUME, offset 0.0;
}

quantity! {
    /// Mass per volume of drink, in g/L (equal to kg/m3). Valid from 0 to 2000 g/L.
    MassConcentration, "concentration in g/L", "0 to 2000 g/L", 0.0..=2_000.0;
    /// From grams per litre.
    from_grams_per_litre / grams_per_litre, scale 1.0, offset 0.0;
}

quantity! {
    /// Relative density against water, both at 20 degC (SG 20/20). Valid from 0.7 to 1.6.
    Gravity, "gravity (SG)", "0.7 to 1.6", 0.7..=1.6;
    /// From relative density.
    from_specific / specific, scale 1.0, offset 0.0;
}

impl Co2Volumes {
    /// None at all.
    pub const NONE: Self = Self(0.0);
}

impl MassConcentration {
    /// Nothing of it.
    pub const ZERO: Self = Self(0.0);
}

impl Gravity {
    /// From degrees Plato: grams of extract, as sucrose, in 100 g of drink, -5 to 40.
    ///
    /// By the polynomial SG -> P of [`Gravity::plato`], inverted by Newton's method to below 1e-12.
    ///
    /// # Errors
    /// Not finite or outside -5 to 40 degP.
    pub fn from_plato(plato: f64) -> Result<Self, NotAQuantity> {
        let refused = NotAQuantity {
            quantity: "gravity in degP",
            given: plato,
            allowed: "-5 to 40 degP",
        };
        if !plato.is_finite() || !(-5.0..=40.0).contains(&plato) {
            return Err(refused);
        }
        let mut specific = 1.0 + 0.004 * plato;
        for _ in 0..20 {
            let slope = 1_111.14 + specific * (-2.0 * 630.272 + specific * 3.0 * 135.997);
            let step = (plato_of(specific) - plato) / slope;
            specific -= step;
            if step.abs() < 1e-14 {
                break;
            }
        }
        Self::from_specific(specific)
    }

    /// Degrees Plato.
    ///
    /// Cubic fit to the Plato table, -616.868 + 1111.14 SG - 630.272 SG^2 + 135.997 SG^3 (as printed in the
    /// ASBC methods; coefficients from memory, checked against the ICUMSA sucrose table in this module's tests).
    #[must_use]
    pub fn plato(self) -> f64 {
        plato_of(self.0)
    }
}

fn plato_of(specific: f64) -> f64 {
    -616.868 + specific * (1_111.14 + specific * (-630.272 + specific * 135.997))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plato_follows_the_sucrose_table() {
        // ICUMSA SPS-4 density of sucrose in water at 20 degC, kg/m3: 0 % 998.203, 10 % 1038.10, 20 % 1080.97.
        // The polynomial is quoted in TRADE references; within 0.04 of a printed table.
        for (percent, density) in [(5.0, 1017.85), (10.0, 1038.10), (15.0, 1059.15), (20.0, 1080.97)] {
            let gravity = Gravity::from_specific(density / 998.203).unwrap();
            assert!(
                (gravity.plato() - percent).abs() < 0.06,
                "{percent}: {}",
                gravity.plato()
            );
        }
    }

    #[test]
    fn plato_round_trips() {
        for plato in [-4.0, 0.0, 3.3, 12.0, 39.0] {
            assert!((Gravity::from_plato(plato).unwrap().plato() - plato).abs() < 1e-9);
        }
    }

    #[test]
    fn three_volumes_are_just_under_six_grams() {
        let content = Co2Volumes::from_volumes(3.0).unwrap();
        assert!((content.grams_per_litre() - 5.931).abs() < 1e-9);
    }
}
