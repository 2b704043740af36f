//! CO2 between drink and gas at one temperature.

use crate::abreast::Real;

use super::{chart::Warmed, molar::GAS_CONSTANT};

/// Volume that a mole of dissolved CO2 adds to the drink, in m3/mol.
///
/// 34 mL/mol: PHREEQC has 33.0 to 35.2 between 0 and 40 degC (check file `co2_phreeqc.csv`), and it makes dissolved CO2
/// add 0.23 kg/m3 per g/L. Weiss 1974 uses 32.3 in the pressure correction; the difference there is
/// below 0.04 % at 8 bar.
pub(crate) const CO2_PARTIAL_MOLAR_VOLUME: f64 = 34.0e-6;

/// Pressure to which the solubility of Weiss 1974 refers, in Pa.
const ATMOSPHERE: f64 = 101_325.0;

/// All that depends on temperature and solutes alone, so that a loop over pressures or time pays for it once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Isotherm<F = f64> {
    /// `R T` in J/mol.
    pub(crate) rt: F,
    /// `B/(R T)` of CO2 in 1/Pa; negative.
    pub(crate) b_over_rt: F,
    /// `v/(R T)` of dissolved CO2 in 1/Pa.
    poynting: F,
    /// Solubility in mol/(m3 Pa) at one atmosphere, solutes included.
    pub(crate) henry: F,
}

impl Isotherm {
    /// `factor`: solubility in this drink divided by that in water (1 for water).
    pub(crate) fn new(t_k: f64, factor: f64) -> Self {
        Self::warmed(t_k, factor, &Warmed::at(t_k))
    }

    /// The CO2 pressure that keeps `c` mol per m3 of drink (before swelling) dissolved; the inverse of
    /// [`Self::dissolved_mol_per_m3`] to 1e-12 of its value.
    pub(crate) fn pressure_of_dissolved(&self, c: f64, p_other: f64) -> f64 {
        // p exp(-a p) = q has its root left of 1/a (over 100 bar here); Newton on p from the linear guess.
        let a = self.poynting - self.b_over_rt;
        let q = c / (self.henry * exp_small(-self.poynting * (p_other - ATMOSPHERE)));
        let mut p = q * (1.0 + a * q);
        for _ in 0..8 {
            let e = exp_small(-a * p);
            let slope = (e * (1.0 - a * p)).max(0.2);
            let step = (p * e - q) / slope;
            p -= step;
            if step.abs() <= 1e-12 * q {
                break;
            }
        }
        p
    }
}

impl<F: Real> Isotherm<F> {
    /// The same with what depends on the temperature alone given.
    #[inline(always)]
    pub(super) fn warmed(t_k: F, factor: F, warmed: &Warmed<F>) -> Self {
        let rt = t_k * GAS_CONSTANT;
        Self {
            rt,
            b_over_rt: warmed.b_over_rt,
            poynting: F::of(CO2_PARTIAL_MOLAR_VOLUME) / rt,
            henry: warmed.solubility * factor * (1_000.0 / ATMOSPHERE),
        }
    }

    /// Dissolved CO2 at equilibrium in mol per m3 of drink before swelling.
    ///
    /// `p`: CO2 pressure; `p_other`: pressure of all other gases. Fugacity coefficient `exp(B p/(RT))` and the pressure
    /// correction `exp(v (1 atm - P)/(RT))` of Weiss 1974, eq. 9.
    #[inline(always)]
    pub(crate) fn dissolved_mol_per_m3(&self, p: F, p_other: F) -> F {
        let exponent = self.b_over_rt * p - self.poynting * (p + p_other - ATMOSPHERE);
        self.henry * p * exp_small(exponent)
    }

    /// CO2 per m3 of drink before swelling over CO2 per m3 of headspace at equilibrium under pressure `p`.
    #[inline(always)]
    pub(crate) fn ratio(&self, p: F, p_other: F) -> F {
        let exponent = self.b_over_rt * p - self.poynting * (p + p_other - ATMOSPHERE);
        self.henry * exp_small(exponent) * self.rt * (self.b_over_rt * p + 1.0)
    }

    /// CO2 in the gas, in mol per m3 of headspace, at CO2 pressure `p`: `1/(RT/p + B)`.
    #[inline(always)]
    pub(crate) fn gas_mol_per_m3(&self, p: F) -> F {
        p / (self.rt * (self.b_over_rt * p + 1.0))
    }

    /// CO2 pressure of `density` mol per m3 of headspace; the exact inverse of [`Self::gas_mol_per_m3`].
    #[inline(always)]
    pub(crate) fn pressure_of_gas(&self, density: F) -> F {
        let ideal = density * self.rt;
        ideal / (F::of(1.0) - self.b_over_rt * ideal)
    }
}

/// `exp(x)`, by its series where that is exact to 1e-9 (`|x| < 0.08`: all pressures below 10 bar).
#[inline(always)]
fn exp_small<F: Real>(x: F) -> F {
    let small = x.holds(F::of(0.08), |x, most| x.abs() < most);
    let series = x * (x * (x * (x * (x * (1.0 / 120.0) + 1.0 / 24.0) + 1.0 / 6.0) + 0.5) + 1.0) + 1.0;
    if F::everywhere(small) {
        series
    } else {
        F::pick(small, series, x.e_to())
    }
}
