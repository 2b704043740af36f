//! Gravity of the drink from what is dissolved in it.

use super::{solubility::Solutes, sugar::ETHANOL_DENSITY_G_PER_L};
use crate::quantity::{AlcoholByVolume, Co2Volumes, Gravity, NotAQuantity};

/// Density of water at 20 degC in kg/m3: the constant of both polynomials below, rounded.
pub const WATER_AT_20_C: f64 = 998.203;

/// What a gram of dissolved CO2 per litre adds to the density, in kg/m3: `1 - rho v/M` with 34 mL/mol and 44.009 g/mol.
pub const CO2_DENSITY_PER_G_PER_L: f64 = 0.23;

/// Density of sucrose in water at 20 degC in kg/m3; `w`: mass fraction, 0 to 0.5 here.
///
/// ICUMSA SPS-4 at 20 degC; coefficients from memory, within 0.04 kg/m3 of a printed 0 to 20 % table.
pub(crate) fn sucrose_kg_per_m3(w: f64) -> f64 {
    WATER_AT_20_C
        + w * (385.1761 + w * (135.3705 + w * (40.9299 + w * (-3.9643 + w * (13.4853 + w * -17.2890)))))
}

/// Density of ethanol in water at 20 degC in kg/m3; `w`: mass fraction, 0 to 1.
///
/// OIML R 22 (1975), International alcoholometric tables, coefficients A1 to A12.
pub(crate) fn ethanol_kg_per_m3(w: f64) -> f64 {
    const A: [f64; 12] = [
        998.201_23,
        -192.976_949_5,
        389.123_895_8,
        -1_668.103_923,
        13_522.154_41,
        -88_292.783_88,
        306_287.404_2,
        -613_838.123_4,
        747_017.299_8,
        -547_846.135_4,
        223_446.033_4,
        -39_032.854_26,
    ];
    A.iter().rev().fold(0.0, |sum, a| sum * w + a)
}

/// Density of the drink at 20 degC in kg/m3: sugar by weight as sucrose, ethanol, dissolved CO2, all in g per litre.
///
/// The increments of sugar and of ethanol are added; for 0 to 200 g/L of sugar and below 5 % vol the sum is good to
/// 0.3 kg/m3 (glucose and fructose weigh 1 % of their increment less than sucrose).
pub(crate) fn drink_kg_per_m3(sugar: f64, ethanol: f64, co2: f64) -> f64 {
    let by_volume = |c: f64, density: fn(f64) -> f64| {
        let mut rho = WATER_AT_20_C;
        for _ in 0..4 {
            rho = density((c / rho).clamp(0.0, 1.0));
        }
        rho - density(0.0)
    };
    WATER_AT_20_C
        + by_volume(sugar, sucrose_kg_per_m3)
        + by_volume(ethanol, ethanol_kg_per_m3)
        + CO2_DENSITY_PER_G_PER_L * co2
}

/// Gravity (20/20 degC) of a drink with `co2` dissolved in it, as an instrument without bubbles on it sees it.
///
/// ICUMSA sucrose, OIML R 22 ethanol, 0.23 kg/m3 per g/L of CO2; validity as stated there; pinned by
/// `tests/physics/gravity.rs`.
///
/// # Errors
/// The gravity lies outside the range of [`Gravity`].
pub fn of_drink(solutes: &Solutes, co2: Co2Volumes) -> Result<Gravity, NotAQuantity> {
    let sugar = solutes.sucrose.grams_per_litre()
        + solutes.hexose.grams_per_litre()
        + solutes.unfermentable.grams_per_litre();
    let rho = drink_kg_per_m3(sugar, ethanol_g_per_l(solutes.alcohol), co2.grams_per_litre());
    Gravity::from_specific(rho / WATER_AT_20_C)
}

/// Grams of ethanol per litre of drink.
pub(crate) fn ethanol_g_per_l(alcohol: AlcoholByVolume) -> f64 {
    alcohol.percent() * (ETHANOL_DENSITY_G_PER_L * 0.01)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_alcoholometric_polynomial_ends_in_pure_ethanol() {
        // OIML R 22 (1975): 998.20 kg/m3 of water, 789.24 kg/m3 of ethanol at 20 degC.
        assert!((ethanol_kg_per_m3(0.0) - 998.20).abs() < 0.005);
        assert!((ethanol_kg_per_m3(1.0) - 789.24).abs() < 0.005);
    }
}
