//! CO2 as a real gas; nitrogen and oxygen as ideal ones.
//!
//! Why each gas may stand alone: take the pressure of CO2 as what is left of the total once vapour and *ideal* nitrogen
//! are taken off. Written in densities, the CO2-nitrogen cross coefficient then stands in that pressure and in the
//! fugacity alike and cancels to second order, so `f = p exp(B p/(RT))` holds beside nitrogen as well.

use crate::quantity::{AbsolutePressure, MassConcentration, NotAQuantity, PartialPressure, Temperature};

pub use super::molar::GAS_CONSTANT;
use super::{isotherm::Isotherm, molar::CO2_MOLAR_MASS_G};

/// Density of CO2 gas at its pressure.
///
/// Molar volume `RT/p + B` (Weiss 1974 for B). Within 0.5 % of the Span-Wagner equation up to 8 bar between 0 and
/// 40 degC; pinned by `tests/physics/gas.rs`.
///
/// # Errors
/// The density lies outside the range of [`MassConcentration`].
pub fn co2_density(
    temperature: Temperature,
    co2: PartialPressure,
) -> Result<MassConcentration, NotAQuantity> {
    let isotherm = Isotherm::new(temperature.kelvin(), 1.0);
    MassConcentration::from_grams_per_litre(isotherm.gas_mol_per_m3(co2.pascal()) * CO2_MOLAR_MASS_G * 1e-3)
}

/// Fugacity of CO2 at its pressure: `p exp(B p/(RT))`.
///
/// Weiss 1974; within 0.15 % of the Span-Wagner equation up to 8 bar between 0 and 40 degC, and of its mixture with the
/// nitrogen of a closed bottle (see the head of this module); pinned by `tests/physics/gas.rs`.
///
/// # Errors
/// The fugacity lies outside the range of [`PartialPressure`].
pub fn co2_fugacity(temperature: Temperature, co2: PartialPressure) -> Result<PartialPressure, NotAQuantity> {
    let isotherm = Isotherm::new(temperature.kelvin(), 1.0);
    PartialPressure::from_pascal(co2.pascal() * (isotherm.b_over_rt * co2.pascal()).exp())
}

/// What CO2 adds to the pressure when the others are known: total less vapour and ideal air, not below zero.
///
/// # Errors
/// The difference lies outside the range of [`PartialPressure`]; below zero it counts as zero.
pub fn co2_share(
    total: AbsolutePressure,
    water: PartialPressure,
    air: PartialPressure,
) -> Result<PartialPressure, NotAQuantity> {
    PartialPressure::from_pascal((total.pascal() - water.pascal() - air.pascal()).max(0.0))
}
