//! Water: its vapour in the headspace and its expansion.

use crate::quantity::{MassConcentration, NotAQuantity, PartialPressure, Temperature};

/// Pressure of water vapour over pure water, in Pa.
///
/// Wagner and Pruss 2002, J. Phys. Chem. Ref. Data 31, 387, eq. 2.5 (IAPWS SR1-86(1992)); 273.16 to 647 K, doubt below
/// 0.1 % there. Sugar and alcohol of a soft drink lower it by about 1 %, 0.2 mbar at 20 degC: left out.
pub(crate) fn vapour_pa(t_k: f64) -> f64 {
    const CRITICAL_K: f64 = 647.096;
    const CRITICAL_PA: f64 = 22.064e6;
    let x = 1.0 - t_k / CRITICAL_K;
    let root = x.max(0.0).sqrt();
    let x3 = x * x * x;
    let sum = x * (-7.859_517_83 + 1.844_082_59 * root)
        + x3 * (-11.786_649_7 + 22.680_741_1 * root - 15.961_871_9 * x + 1.801_225_02 * x3 * x * root);
    CRITICAL_PA * (CRITICAL_K / t_k * sum).exp()
}

/// Density of water free of air at one atmosphere, in kg/m3; `t_c` in degC.
///
/// Kell 1975, J. Chem. Eng. Data 20, 97, eq. 16; 0 to 150 degC; within 0.02 kg/m3 of IAPWS-95 from 0 to 40 degC.
/// Supercooled below -10 degC it is taken as at -10: the equation has a pole at -59, and ice is another matter.
pub(crate) fn density_kg_per_m3(t_c: f64) -> f64 {
    let t_c = t_c.max(-10.0);
    let numerator = 999.839_52
        + t_c
            * (16.945_176
                + t_c
                    * (-7.987_040_1e-3
                        + t_c * (-46.170_461e-6 + t_c * (105.563_02e-9 - t_c * 280.542_53e-12))));
    numerator / (1.0 + 16.879_850e-3 * t_c)
}

/// Pressure of water vapour over the drink, taken as pure water.
///
/// Wagner and Pruss 2002, eq. 2.5; from 0 to 150 degC; pinned by `tests/physics/water.rs`.
///
/// # Errors
/// Never within the range of [`Temperature`]; the type of the answer asks.
pub fn vapour_pressure(temperature: Temperature) -> Result<PartialPressure, NotAQuantity> {
    PartialPressure::from_pascal(vapour_pa(temperature.kelvin()))
}

/// Density of water at one atmosphere.
///
/// Kell 1975, eq. 16; 0 to 150 degC, below -10 degC as at -10; pinned by `tests/physics/water.rs`.
///
/// # Errors
/// Never within the range of [`Temperature`]; the type of the answer asks.
pub fn density(temperature: Temperature) -> Result<MassConcentration, NotAQuantity> {
    MassConcentration::from_grams_per_litre(density_kg_per_m3(temperature.celsius()))
}
