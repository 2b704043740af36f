//! The physics of a sealed bottle, each relation with its published source beside it.
//!
//! | relation | source | holds, and how well | module |
//! | --- | --- | --- | --- |
//! | solubility of CO2 in water | Weiss 1974, Mar. Chem. 2, 203 | 0 to 40 degC; 1 % of PHREEQC | [`solubility`] |
//! | fugacity and density of CO2 | second virial coefficient, Weiss 1974 | to 8 bar; 0.15 % and 0.3 % of Span-Wagner | [`gas`] |
//! | pressure on the dissolved CO2 | Weiss 1974, eq. 9 | 0.7 % at 5 bar | [`solubility`] |
//! | swelling of the drink by CO2 | 34 mL/mol (PHREEQC 33 to 35) | 0.6 % at 4 volumes | [`solubility`] |
//! | sugar lowers the solubility | Sechenov, 0.12 +- 0.025 per mol/L | 8 % (sucrose) to 14 % (hexose) per 100 g/L | [`solubility`] |
//! | alcohol lowers it | Regulation (EEC) 2676/90, chapter 37 | 1.16 % per % vol, at 20 degC | [`solubility`] |
//! | vapour of water | Wagner and Pruss 2002, eq. 2.5 | 0.05 % of IAPWS-95 | [`water`] |
//! | density of water, expansion | Kell 1975 | 0.02 kg/m3 of IAPWS-95 | [`water`] |
//! | dry air: 79 % nitrogen and argon, 21 % oxygen | US Standard Atmosphere 1976 | | [`air`] |
//! | pressure of the air at a height | ISO 2533:1975 | -500 to 6000 m; weather 10 hPa | [`Altitude`](crate::quantity::Altitude) |
//! | nitrogen in the drink | Weiss 1970, Deep-Sea Res. 17, 721 | 4 % of PHREEQC | [`air`] |
//! | passage between drink and headspace | two-film theory, Lewis and Whitman 1924 | its rate is fitted | `exchange` |
//! | mass balance of the bottle | conservation, the relations above | to 1e-10 of the content | [`bottle`] |
//! | sucrose + water -> 2 hexose -> 4 ethanol + 4 CO2 | molar masses, IUPAC 2021 | | [`sugar`] |
//! | what growth takes | Balling (Kvasny Prum. 61, 120, 2015) | 10 % of the equation | [`sugar`] |
//! | density of sucrose in water | ICUMSA SPS-4 | 0.15 kg/m3 | [`gravity`] |
//! | density of ethanol in water | OIML R 22 (1975) | 0.01 kg/m3 | [`gravity`] |
//!
//! Left out, and how much it would matter: ionised carbonate (below 1 % at a drink's pH), the stretching of a plastic
//! bottle and the loss through its wall, the lowering of vapour pressure by sugar (0.2 mbar), the heat of a sudden
//! venting, argon apart from nitrogen.
//!
//! Public functions take quantities. The functions of the fit's hot loop take SI floats, stay inside the crate, and
//! split what depends on temperature (`Sealed` of `headspace`) from what changes at each step.

// The mass balance is written for the fit and checked here; what the fit does not take up is still part of it.

pub mod air;
pub mod bottle;
pub(crate) mod carbon_dioxide;
pub(crate) mod chart;
pub(crate) mod exchange;
pub mod gas;
pub mod gravity;
pub(crate) mod headspace;
pub(crate) mod isotherm;
pub(crate) mod liquid;
pub(crate) mod molar;
pub mod solubility;
pub mod sugar;
pub mod water;
