//! The gas constant, and what moles weigh (IUPAC 2021 atomic weights).

/// Molar gas constant in J/(mol K): CODATA 2018, exact in the 2019 SI.
pub const GAS_CONSTANT: f64 = 8.314_462_618_153_24;

/// Grams in a mole of CO2 (IUPAC 2021 atomic weights: 12.011 + 2 x 15.999).
pub const CO2_MOLAR_MASS_G: f64 = 44.009;

/// Grams in a mole of sucrose, C12H22O11.
pub(super) const SUCROSE_MOLAR_MASS_G: f64 = 342.297;

/// Grams in a mole of a hexose, C6H12O6.
pub(super) const HEXOSE_MOLAR_MASS_G: f64 = 180.156;

/// Grams in a mole of ethanol, C2H6O.
pub(super) const ETHANOL_MOLAR_MASS_G: f64 = 46.069;
