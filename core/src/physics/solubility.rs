//! How much CO2 a drink holds at a temperature and a CO2 pressure, and the way back.
//!
//! Content is counted twice in what follows, and the two are kept apart: per litre of the drink *before* CO2 swelled it
//! (linear in the fugacity, so the mass balance uses it), and per litre of the finished, swollen drink (what a table
//! prints and a maker means).

use super::{chart::Warmed, gas::GAS_CONSTANT};
use crate::quantity::{
    AlcoholByVolume, Co2Volumes, GRAMS_PER_LITRE_PER_VOLUME, MassConcentration, NotAQuantity,
    PartialPressure, Temperature,
};

/// Grams in a mole of CO2 (IUPAC 2021 atomic weights: 12.011 + 2 x 15.999).
pub const CO2_MOLAR_MASS_G: f64 = 44.009;

/// Relative doubt (one standard deviation) of the solubility in pure water: the sources that fit lie within 1.5 to 3 %
/// of each other between 0 and 40 degC (see `tests/reference`), 1 % about the middle.
pub const SOLUBILITY_DOUBT: f64 = 0.01;

/// Sechenov coefficient of sugar, decadic, in litres per mole of sugar molecules.
///
/// 0.12 makes 100 g/L of sucrose cost 8 % (as Usher 1910 measured) and 100 g/L of glucose and fructose 14 % (as the
/// method of Regulation (EEC) 2676/90, chapter 37, has it for wine, whose sugars are these): the same molecules weigh
/// half. Not a measured constant; its doubt is [`SALTING_OUT_DOUBT`].
pub const SALTING_OUT_L_PER_MOL: f64 = 0.12;

/// Share of the solubility that each % vol of alcohol costs: Regulation (EEC) 2676/90, chapter 37, has 0.86 - 0.01 A.
pub(crate) const ALCOHOL_COST: f64 = 1.0 / 86.0;

/// Doubt (one standard deviation) of [`SALTING_OUT_L_PER_MOL`], in litres per mole.
pub const SALTING_OUT_DOUBT: f64 = 0.025;

/// Volume that a mole of dissolved CO2 adds to the drink, in m3/mol.
///
/// 34 mL/mol: PHREEQC has 33.0 to 35.2 between 0 and 40 degC (check file `co2_phreeqc.csv`), and it makes dissolved CO2
/// add 0.23 kg/m3 per g/L. Weiss 1974 uses 32.3 in the pressure correction; the difference there is
/// below 0.04 % at 8 bar.
pub(crate) const CO2_PARTIAL_MOLAR_VOLUME: f64 = 34.0e-6;

/// Pressure to which the solubility of Weiss 1974 refers, in Pa.
const ATMOSPHERE: f64 = 101_325.0;

const SUCROSE_MOLAR_MASS_G: f64 = 342.297;
const HEXOSE_MOLAR_MASS_G: f64 = 180.156;

/// What is dissolved in the drink besides CO2, as far as it changes the solubility.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Solutes {
    /// Sucrose.
    pub sucrose: MassConcentration,
    /// Glucose and fructose.
    pub hexose: MassConcentration,
    /// Lactose and the like, counted as disaccharide.
    pub unfermentable: MassConcentration,
    /// Ethanol.
    pub alcohol: AlcoholByVolume,
}

impl Solutes {
    /// Pure water.
    pub const WATER: Self = Self {
        sucrose: MassConcentration::ZERO,
        hexose: MassConcentration::ZERO,
        unfermentable: MassConcentration::ZERO,
        alcohol: AlcoholByVolume::ZERO,
    };

    /// Moles of sugar molecules per litre of drink.
    #[must_use]
    pub(crate) fn sugar_mol_per_l(&self) -> f64 {
        sugar_mol_per_l(
            self.sucrose.grams_per_litre() + self.unfermentable.grams_per_litre(),
            self.hexose.grams_per_litre(),
        )
    }

    /// Solubility in this drink divided by that in pure water.
    ///
    /// Sugar by [`SALTING_OUT_L_PER_MOL`]; alcohol by Regulation (EEC) 2676/90, chapter 37: 0.86 - 0.01 A, so 1.16 % less
    /// per % vol. Taken as independent of temperature; for up to 200 g/L and 15 % vol.
    pub(crate) fn factor(&self) -> f64 {
        solute_factor(
            self.sugar_mol_per_l(),
            self.alcohol.percent(),
            SALTING_OUT_L_PER_MOL,
        )
    }
}

/// Moles of sugar molecules per litre from grams per litre of disaccharide and of hexose.
pub(crate) fn sugar_mol_per_l(disaccharide_g_per_l: f64, hexose_g_per_l: f64) -> f64 {
    disaccharide_g_per_l * (1.0 / SUCROSE_MOLAR_MASS_G) + hexose_g_per_l * (1.0 / HEXOSE_MOLAR_MASS_G)
}

/// Solubility in the drink divided by that in water; `salting_out` decadic in L/mol, alcohol in % vol.
pub(crate) fn solute_factor(sugar_mol_per_l: f64, abv_percent: f64, salting_out: f64) -> f64 {
    (-std::f64::consts::LN_10 * salting_out * sugar_mol_per_l).exp()
        * (1.0 - abv_percent * ALCOHOL_COST).max(0.0)
}

/// Solubility of CO2 in pure water, in mol/(L atm), on a fugacity basis.
///
/// Weiss 1974, Marine Chemistry 2, 203, eq. 12 and table 1, at zero salinity; measured from 0 to 40 degC, fits its data
/// to 0.2 %.
pub(crate) fn weiss_mol_per_l_atm(t_k: f64) -> f64 {
    (-58.0931 + 9_050.69 / t_k + 22.2940 * (t_k * 0.01).ln()).exp()
}

/// All that depends on temperature and solutes alone, so that a loop over pressures or time pays for it once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Isotherm {
    /// `R T` in J/mol.
    pub(crate) rt: f64,
    /// `B/(R T)` of CO2 in 1/Pa; negative.
    pub(crate) b_over_rt: f64,
    /// `v/(R T)` of dissolved CO2 in 1/Pa.
    poynting: f64,
    /// Solubility in mol/(m3 Pa) at one atmosphere, solutes included.
    pub(crate) henry: f64,
}

impl Isotherm {
    /// `factor`: solubility in this drink divided by that in water (1 for water).
    pub(crate) fn new(t_k: f64, factor: f64) -> Self {
        Self::warmed(t_k, factor, &Warmed::at(t_k))
    }

    /// The same with what depends on the temperature alone given.
    pub(super) fn warmed(t_k: f64, factor: f64, warmed: &Warmed) -> Self {
        let rt = GAS_CONSTANT * t_k;
        Self {
            rt,
            b_over_rt: warmed.b_over_rt,
            poynting: CO2_PARTIAL_MOLAR_VOLUME / rt,
            henry: warmed.solubility * factor * (1_000.0 / ATMOSPHERE),
        }
    }

    /// Dissolved CO2 at equilibrium in mol per m3 of drink before swelling.
    ///
    /// `p`: CO2 pressure; `p_other`: pressure of all other gases. Fugacity coefficient `exp(B p/(RT))` and the pressure
    /// correction `exp(v (1 atm - P)/(RT))` of Weiss 1974, eq. 9.
    pub(crate) fn dissolved_mol_per_m3(&self, p: f64, p_other: f64) -> f64 {
        let exponent = self.b_over_rt * p - self.poynting * (p + p_other - ATMOSPHERE);
        self.henry * p * exp_small(exponent)
    }

    /// CO2 per m3 of drink before swelling over CO2 per m3 of headspace at equilibrium under pressure `p`.
    pub(crate) fn ratio(&self, p: f64, p_other: f64) -> f64 {
        let exponent = self.b_over_rt * p - self.poynting * (p + p_other - ATMOSPHERE);
        self.henry * exp_small(exponent) * self.rt * (1.0 + self.b_over_rt * p)
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

    /// CO2 in the gas, in mol per m3 of headspace, at CO2 pressure `p`: `1/(RT/p + B)`.
    pub(crate) fn gas_mol_per_m3(&self, p: f64) -> f64 {
        p / (self.rt * (1.0 + self.b_over_rt * p))
    }

    /// CO2 pressure of `density` mol per m3 of headspace; the exact inverse of [`Self::gas_mol_per_m3`].
    pub(crate) fn pressure_of_gas(&self, density: f64) -> f64 {
        let ideal = density * self.rt;
        ideal / (1.0 - self.b_over_rt * ideal)
    }
}

/// `exp(x)`, by its series where that is exact to 1e-9 (`|x| < 0.08`: all pressures below 10 bar).
fn exp_small(x: f64) -> f64 {
    if x.abs() < 0.08 {
        1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0 + x * (1.0 / 120.0)))))
    } else {
        x.exp()
    }
}

/// From mol per m3 of drink before swelling to grams per litre of finished drink.
pub(crate) fn finished_g_per_l(c: f64) -> f64 {
    c * (CO2_MOLAR_MASS_G * 1e-3) / (1.0 + CO2_PARTIAL_MOLAR_VOLUME * c)
}

/// From grams per litre of finished drink to mol per m3 of drink before swelling.
pub(crate) fn unswollen_mol_per_m3(g_per_l: f64) -> f64 {
    let finished = g_per_l * (1e3 / CO2_MOLAR_MASS_G);
    finished / (1.0 - CO2_PARTIAL_MOLAR_VOLUME * finished)
}

/// CO2 dissolved per litre of finished drink at equilibrium with CO2 at pressure `co2` beside other gases at `other`.
///
/// Weiss 1974 with the second virial coefficient, the pressure correction and the swelling of the drink (0.6 % at four
/// volumes). For 0 to 40 degC and up to 10 bar; doubt 1 % in water ([`SOLUBILITY_DOUBT`]), more with sugar
/// ([`SALTING_OUT_DOUBT`]). Pinned by `tests/physics/solubility.rs`.
///
/// # Errors
/// The content lies outside the range of [`Co2Volumes`].
pub fn dissolved(
    temperature: Temperature,
    co2: PartialPressure,
    other: PartialPressure,
    solutes: &Solutes,
) -> Result<Co2Volumes, NotAQuantity> {
    let isotherm = Isotherm::new(temperature.kelvin(), solutes.factor());
    let c = isotherm.dissolved_mol_per_m3(co2.pascal(), other.pascal());
    Co2Volumes::from_grams_per_litre(finished_g_per_l(c))
}

/// The CO2 pressure at which `content` stays dissolved: the inverse of [`dissolved`], same source and validity.
///
/// # Errors
/// The pressure lies outside the range of [`PartialPressure`].
pub fn pressure_over(
    temperature: Temperature,
    content: Co2Volumes,
    other: PartialPressure,
    solutes: &Solutes,
) -> Result<PartialPressure, NotAQuantity> {
    let isotherm = Isotherm::new(temperature.kelvin(), solutes.factor());
    let c = unswollen_mol_per_m3(content.volumes() * GRAMS_PER_LITRE_PER_VOLUME);
    PartialPressure::from_pascal(isotherm.pressure_of_dissolved(c, other.pascal()))
}
