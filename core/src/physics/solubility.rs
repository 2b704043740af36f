//! How much CO2 a drink holds at a temperature and a CO2 pressure, and the way back.
//!
//! Content is counted twice in what follows, and the two are kept apart: per litre of the drink *before* CO2 swelled it
//! (linear in the fugacity, so the mass balance uses it), and per litre of the finished, swollen drink (what a table
//! prints and a maker means).

pub use super::molar::CO2_MOLAR_MASS_G;
use super::{
    isotherm::{CO2_PARTIAL_MOLAR_VOLUME, Isotherm},
    molar::{HEXOSE_MOLAR_MASS_G, SUCROSE_MOLAR_MASS_G},
};
use crate::abreast::Real;
use crate::quantity::{
    AlcoholByVolume, Co2Volumes, GRAMS_PER_LITRE_PER_VOLUME, MassConcentration, NotAQuantity,
    PartialPressure, Temperature,
};

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

/// From mol per m3 of drink before swelling to grams per litre of finished drink.
#[inline(always)]
pub(crate) fn finished_g_per_l<F: Real>(c: F) -> F {
    c * (CO2_MOLAR_MASS_G * 1e-3) / (c * CO2_PARTIAL_MOLAR_VOLUME + 1.0)
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
