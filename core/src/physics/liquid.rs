//! Thermal expansion of the drink.

use super::water;

/// Volume at `t_k` of what fills one at 20 degC.
///
/// Taken as water (Kell 1975). A drink with 100 g/L of sugar expands about a tenth more per kelvin: 0.05 % of its volume
/// between 4 and 30 degC, left out. Glass (0.003 % per kelvin) is left out too.
pub(crate) fn expansion(t_k: f64) -> f64 {
    const AT_FILLING: f64 = 998.203_6;
    AT_FILLING / water::density_kg_per_m3(t_k - 273.15)
}
