//! The air shut in with the drink: nitrogen stays, oxygen is eaten.

use super::{molar::GAS_CONSTANT, water};
use crate::{
    abreast::{Real, abreast},
    batch::Headspace,
    quantity::{AbsolutePressure, MassConcentration, NotAQuantity, PartialPressure, Temperature},
};

/// Share of nitrogen, argon included, in dry air by volume (0.7808 + 0.0093, US Standard Atmosphere 1976).
pub const NITROGEN_SHARE: f64 = 0.79;

/// Share of oxygen in dry air by volume (0.2095, US Standard Atmosphere 1976).
pub const OXYGEN_SHARE: f64 = 0.21;

/// Share of air left in the headspace of a bottle capped on foam. Common practice, no source: foam drives out most.
pub const FOAM_AIR_SHARE: f64 = 0.15;

/// Share of the sealed gas that was air rather than CO2.
pub(crate) fn air_share(headspace: Headspace) -> f64 {
    match headspace {
        Headspace::Air => 1.0,
        Headspace::Foam => FOAM_AIR_SHARE,
        Headspace::Purged => 0.0,
    }
}

/// Solubility of nitrogen in water, in mol/(m3 Pa).
///
/// Weiss 1970, Deep-Sea Research 17, 721, table 1 (Bunsen coefficient, zero salinity, 0 to 40 degC); coefficients from
/// memory, checked against PHREEQC within 4 % (check file `n2_phreeqc.csv`).
pub(crate) fn nitrogen_mol_per_m3_pa(t_k: f64) -> f64 {
    // A Bunsen coefficient of 1 is one mole in 22 414 cm3 of ideal gas per litre and atmosphere.
    let bunsen = (-59.6274 + 8_576.61 / t_k + 24.3696 * (t_k * 0.01).ln()).exp();
    bunsen / (273.15 * GAS_CONSTANT)
}

/// Air in a sealed bottle, as moles that hold for its whole life, on a scale where the oxygen is still whole.
///
/// The drink is taken as saturated with air when the bottle was sealed, and its gas follows the headspace: as the
/// headspace shrinks or the drink cools a little nitrogen dissolves. That also keeps the pressure of a nearly brimful
/// bottle finite. A drink whose own bubbles had driven its nitrogen out ends up to 25 % lower: the caller's doubt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SealedAir<F = f64> {
    /// Moles of dry air in headspace and drink.
    moles: F,
    /// Drink, in m3, at 20 degC.
    drink: F,
}

abreast!(SealedAir { moles, drink });

impl SealedAir {
    /// `gas`: headspace in m3 when sealed; `drink` in m3; `ambient` in Pa; `air_share` of the gas shut in, 0 to 1.
    pub(crate) fn new(gas: f64, drink: f64, t_k: f64, ambient: f64, air_share: f64) -> Self {
        let dry = air_share * (ambient - water::vapour_pa(t_k)).max(0.0);
        let moles = dry * (gas / (GAS_CONSTANT * t_k) + nitrogen_mol_per_m3_pa(t_k) * drink);
        Self { moles, drink }
    }

    /// The same for each of some lives.
    pub(crate) fn for_all<F: Real>(&self) -> SealedAir<F> {
        SealedAir {
            moles: F::of(self.moles),
            drink: F::of(self.drink),
        }
    }
}

impl<F: Real> SealedAir<F> {
    /// Its pressure in Pa in `gas` m3 of headspace once `oxygen_eaten` (0 to 1) of the oxygen is gone.
    #[inline(always)]
    pub(crate) fn pressure(&self, gas: F, rt: F, nitrogen_solubility: F, oxygen_eaten: F) -> F {
        self.moles * (F::of(1.0) - oxygen_eaten * OXYGEN_SHARE)
            / (gas / rt + nitrogen_solubility * self.drink)
    }

    /// The same bottle once its headspace kept a share `kept` of its gases, 0 to 1. The drink's nitrogen, a fifth of
    /// all, is taken as gone with them.
    #[inline(always)]
    pub(crate) fn vented(&self, kept: F) -> Self {
        Self {
            moles: self.moles * kept,
            ..*self
        }
    }
}

/// Nitrogen dissolved in water at equilibrium with nitrogen at pressure `nitrogen`, in g/L (28.014 g/mol).
///
/// Weiss 1970, 0 to 40 degC; pinned by `tests/physics/gas.rs`.
///
/// # Errors
/// The concentration lies outside the range of [`MassConcentration`].
pub fn nitrogen_dissolved(
    temperature: Temperature,
    nitrogen: PartialPressure,
) -> Result<MassConcentration, NotAQuantity> {
    let mol_per_m3 = nitrogen_mol_per_m3_pa(temperature.kelvin()) * nitrogen.pascal();
    MassConcentration::from_grams_per_litre(mol_per_m3 * 28.014e-3)
}

/// Pressure that the nitrogen of trapped air has at `temperature` in an unchanged headspace: `0.79 (ambient - p_water)
/// T/T_sealed`, all oxygen eaten (as the `table` command tells). Ideal gas, 0 to 40 degC; error below 0.1 %.
///
/// # Errors
/// The pressure lies outside the range of [`PartialPressure`]; below zero it counts as zero.
pub fn nitrogen_left(
    sealed_at: Temperature,
    ambient: AbsolutePressure,
    temperature: Temperature,
) -> Result<PartialPressure, NotAQuantity> {
    let dry = (ambient.pascal() - water::vapour_pa(sealed_at.kelvin())).max(0.0);
    PartialPressure::from_pascal(NITROGEN_SHARE * dry * temperature.kelvin() / sealed_at.kelvin())
}
