//! CO2 at a temperature, alone and over water.

/// Second virial coefficient of CO2 in m3/mol.
///
/// Weiss 1974, Marine Chemistry 2, 203, eq. 6; 265 to 320 K; within 0.7 cm3/mol of the Span-Wagner equation from 0 to
/// 40 degC (check file `co2_gas_coolprop.csv`).
pub(crate) fn virial_m3_per_mol(t_k: f64) -> f64 {
    (-1_636.75 + t_k * (12.0408 + t_k * (-3.279_57e-2 + t_k * 3.165_28e-5))) * 1e-6
}

/// Solubility of CO2 in pure water, in mol/(L atm), on a fugacity basis.
///
/// Weiss 1974, Marine Chemistry 2, 203, eq. 12 and table 1, at zero salinity; measured from 0 to 40 degC, fits its data
/// to 0.2 %.
pub(crate) fn weiss_mol_per_l_atm(t_k: f64) -> f64 {
    (-58.0931 + 9_050.69 / t_k + 22.2940 * (t_k * 0.01).ln()).exp()
}
