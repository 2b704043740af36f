//! Sugar, the CO2 and the alcohol it makes.
//!
//! Sucrose + water -> 2 hexoses; hexose -> 2 ethanol + 2 CO2 (Gay-Lussac). Molar masses from IUPAC 2021 atomic weights.

use super::molar::{CO2_MOLAR_MASS_G, ETHANOL_MOLAR_MASS_G, HEXOSE_MOLAR_MASS_G, SUCROSE_MOLAR_MASS_G};
use crate::abreast::Real;
use crate::quantity::{AlcoholByVolume, Co2Volumes, MassConcentration, NotAQuantity};

/// Grams of hexose from a gram of sucrose: inversion takes up water, so it weighs 1.053.
pub const INVERSION: f64 = 2.0 * HEXOSE_MOLAR_MASS_G / SUCROSE_MOLAR_MASS_G;

/// Grams of CO2 from a gram of hexose, nothing lost to growth: 0.4886.
pub const CO2_PER_HEXOSE: f64 = 2.0 * CO2_MOLAR_MASS_G / HEXOSE_MOLAR_MASS_G;

/// Grams of ethanol from a gram of hexose, nothing lost to growth: 0.5114.
pub const ETHANOL_PER_HEXOSE: f64 = 2.0 * ETHANOL_MOLAR_MASS_G / HEXOSE_MOLAR_MASS_G;

/// Grams of ethanol beside a gram of CO2: 1.0468 by the equation; Balling's 1/0.9565 = 1.0455 agrees.
pub const ETHANOL_PER_CO2: f64 = ETHANOL_MOLAR_MASS_G / CO2_MOLAR_MASS_G;

/// Density of ethanol at 20 degC in g/L: OIML R 22 (1975), the polynomial at mass fraction 1.
pub const ETHANOL_DENSITY_G_PER_L: f64 = 789.24;

/// How much of the fermented sugar becomes CO2 and ethanol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Yield {
    /// All of it: the ceiling, for worst cases.
    Stoichiometric,
    /// As Balling found: 2.0665 g of extract give 1 g of ethanol, 0.9565 g of CO2 and 0.11 g of yeast (Nielsen et al.,
    /// Scandinavian School of Brewing; Kvasny Prum. 61, 120, 2015). His extract weighs as disaccharide, so 90 % of
    /// what the equation gives.
    Balling,
}

impl Yield {
    /// Share of the equation's CO2, 0 to 1.
    pub(crate) fn share(self) -> f64 {
        match self {
            Self::Stoichiometric => 1.0,
            Self::Balling => 0.9565 / 2.0665 / (INVERSION * CO2_PER_HEXOSE),
        }
    }
}

/// Grams of hexose per litre once all sucrose is inverted.
pub(crate) fn as_hexose_g_per_l(sucrose: f64, hexose: f64) -> f64 {
    sucrose * INVERSION + hexose
}

/// Per cent of alcohol by volume that comes with `co2` grams of CO2 per litre when yeast makes both.
#[inline(always)]
pub(crate) fn abv_percent_of_co2<F: Real>(co2_g_per_l: F) -> F {
    co2_g_per_l * (ETHANOL_PER_CO2 * 100.0 / ETHANOL_DENSITY_G_PER_L)
}

/// Hexose once all sucrose is inverted: `1.053 sucrose + hexose`.
///
/// # Errors
/// The sum lies outside the range of [`MassConcentration`].
pub fn as_hexose(
    sucrose: MassConcentration,
    hexose: MassConcentration,
) -> Result<MassConcentration, NotAQuantity> {
    MassConcentration::from_grams_per_litre(as_hexose_g_per_l(
        sucrose.grams_per_litre(),
        hexose.grams_per_litre(),
    ))
}

/// CO2 that fermented `hexose` gives, per litre of drink and wherever it goes. Pinned by `tests/physics/sugar.rs`.
///
/// # Errors
/// The content lies outside the range of [`Co2Volumes`].
pub fn co2_from(hexose: MassConcentration, yields: Yield) -> Result<Co2Volumes, NotAQuantity> {
    Co2Volumes::from_grams_per_litre(hexose.grams_per_litre() * CO2_PER_HEXOSE * yields.share())
}

/// Hexose to ferment for `co2`: the inverse of [`co2_from`].
///
/// # Errors
/// The concentration lies outside the range of [`MassConcentration`].
pub fn hexose_for(co2: Co2Volumes, yields: Yield) -> Result<MassConcentration, NotAQuantity> {
    MassConcentration::from_grams_per_litre(co2.grams_per_litre() / (CO2_PER_HEXOSE * yields.share()))
}

/// Alcohol that comes with `co2` when yeast makes both: 0.26 % vol per volume, by either yield.
///
/// CO2 that was vented leaves its alcohol behind; heterolactic bacteria make CO2 with half as much, or none.
///
/// # Errors
/// The alcohol lies outside the range of [`AlcoholByVolume`].
pub fn alcohol_with(co2: Co2Volumes) -> Result<AlcoholByVolume, NotAQuantity> {
    AlcoholByVolume::from_percent(abv_percent_of_co2(co2.grams_per_litre()))
}
