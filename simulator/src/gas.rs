//! Gas over and in the drink: solubility, the real gas, water vapour, the water's own expansion.

use crate::quantity::{Kelvin, Pascal};
use serde::{Deserialize, Serialize};

/// Molar gas constant in J/(mol K). CODATA 2018, exact in the 2019 SI.
pub(crate) const GAS_CONSTANT: f64 = 8.314_462_618_153_24;
/// Standard atmosphere in pascal.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// Molar mass of CO2 in g/mol (IUPAC abridged atomic weights).
pub(crate) const CO2_G_PER_MOL: f64 = 44.009;
/// Molar mass of O2 in g/mol.
pub(crate) const O2_G_PER_MOL: f64 = 31.998;
/// Grams of CO2 in one volume: a litre of the real gas at 0 degC and 1 atm.
pub(crate) const CO2_G_PER_VOLUME: f64 = 1.977;
/// Partial molar volume of dissolved CO2 in L/mol (near 34 mL/mol in water at 20 degC).
pub(crate) const CO2_SWELLING_L_PER_MOL: f64 = 0.034;

/// Which published constant gives the solubility of CO2.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Solubility {
    /// Weiss 1974, Marine Chemistry 2, 203: the fugacity-based constant K0 in fresh water.
    #[default]
    Weiss,
    /// Carroll, Slupsky and Mather 1991, J. Phys. Chem. Ref. Data 20, 1201.
    Carroll,
}

impl Solubility {
    /// Moles of CO2 per litre of water and pascal of fugacity.
    pub(crate) fn mol_per_l_pa(self, t: Kelvin) -> f64 {
        match self {
            Self::Weiss => {
                let hundreds = t.0 / 100.0;
                (-58.0931 + 90.5069 / hundreds + 22.2940 * hundreds.ln()).exp() / ATMOSPHERE_PA
            }
            Self::Carroll => {
                let inverse = 1.0 / t.0;
                let ln_mpa = -6.8346 + inverse * (1.2817e4 + inverse * (-3.7668e6 + inverse * 2.997e8));
                // Mole fraction to litres: 55.51 mol of water weigh a kilogram.
                55.508 * water_kg_per_l(t) / (ln_mpa.exp() * 1.0e6)
            }
        }
    }
}

/// Factor on the solubility under pressure (Poynting): partial volume 32.3 mL/mol as Weiss takes it.
pub(crate) fn poynting(total: Pascal, t: Kelvin) -> f64 {
    (32.3e-6 * (ATMOSPHERE_PA - total.0) / (GAS_CONSTANT * t.0)).exp()
}

/// Moles of nitrogen per litre of water and pascal. Sander 2015 (henrys-law.org): 6.4e-6 mol/(m3 Pa) at
/// 25 degC, temperature coefficient 1300 K.
pub(crate) fn nitrogen_mol_per_l_pa(t: Kelvin) -> f64 {
    6.4e-9 * (1300.0 * (1.0 / t.0 - 1.0 / 298.15)).exp()
}

/// Moles of oxygen per litre of water and pascal. Sander 2015: 1.3e-5 mol/(m3 Pa), 1500 K.
pub(crate) fn oxygen_mol_per_l_pa(t: Kelvin) -> f64 {
    1.3e-8 * (1500.0 * (1.0 / t.0 - 1.0 / 298.15)).exp()
}

/// Pressure of water vapour over water: Buck 1981 (J. Appl. Meteorol. 20, 1527), constants of the 1996
/// manual. Within 0.1 % of IAPWS-95 at 0 to 40 degC. `water_fraction` is Raoult's mole fraction.
pub(crate) fn water_vapour(t: Kelvin, water_fraction: f64) -> Pascal {
    let c = t.celsius();
    Pascal(611.21 * ((18.678 - c / 234.5) * (c / (257.14 + c))).exp() * water_fraction)
}

/// Density of air-free water in kg/L: Kell 1975 (J. Chem. Eng. Data 20, 97), coefficients from memory.
pub(crate) fn water_kg_per_l(t: Kelvin) -> f64 {
    let c = t.celsius();
    let top = 999.839_52
        + c * (16.945_176
            + c * (-7.987_040_1e-3 + c * (-46.170_461e-6 + c * (105.563_02e-9 - c * 280.542_53e-12))));
    top / (1.0 + 16.879_850e-3 * c) / 1000.0
}

/// Second virial coefficient of CO2 in m3/mol: Weiss 1974, equation 6.
pub(crate) fn co2_virial(t: Kelvin) -> f64 {
    (-1636.75 + t.0 * (12.0408 + t.0 * (-3.27957e-2 + t.0 * 3.16528e-5))) * 1.0e-6
}

/// Second virial coefficient of nitrogen near room temperature in m3/mol (from memory: -5 cm3/mol).
const NITROGEN_VIRIAL: f64 = -5.0e-6;

/// Amounts of gas in the headspace in moles. Water vapour is added by [`Headspace::over`].
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Amounts {
    pub(crate) co2: f64,
    pub(crate) nitrogen: f64,
    pub(crate) oxygen: f64,
}

impl Amounts {
    pub(crate) fn total(self) -> f64 {
        self.co2 + self.nitrogen + self.oxygen
    }
}

/// The state of the gas in a closed space.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Headspace {
    /// Total pressure, water vapour included.
    pub(crate) total: Pascal,
    /// Partial pressure of CO2.
    pub(crate) co2: Pascal,
    /// What drives CO2 into solution.
    pub(crate) co2_fugacity: Pascal,
}

impl Headspace {
    /// Pressure of the mixture: virial equation cut after the second term, with Weiss's cross term
    /// 57.7 - 0.118 T cm3/mol between CO2 and air.
    pub(crate) fn over(gas: Amounts, volume_l: f64, t: Kelvin, vapour: Pascal) -> Self {
        let moles = gas.total().max(1.0e-12);
        let x = gas.co2 / moles;
        let own = co2_virial(t);
        let cross = (57.7 - 0.118 * t.0) * 1.0e-6 + 0.5 * (own + NITROGEN_VIRIAL);
        let rest = 1.0 - x;
        let mixed = x * x * own + 2.0 * x * rest * cross + rest * rest * NITROGEN_VIRIAL;
        let rt = GAS_CONSTANT * t.0;
        // p V = n (R T + B p), solved for p.
        let dry = moles * rt / (volume_l * 1.0e-3 - moles * mixed).max(1.0e-9);
        let ln_phi = (2.0 * (x * own + rest * cross) - mixed) * dry / rt;
        Self {
            total: Pascal(dry + vapour.0),
            co2: Pascal(x * dry),
            co2_fugacity: Pascal(x * dry * ln_phi.exp()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weiss_gives_its_own_table() {
        // Weiss 1974, table II, S = 0: K0 = 7.758e-2 mol/(L atm) at 0 degC, 3.916e-2 at 20 degC (printed
        // values from memory); the equation is the source.
        for (celsius, printed) in [(0.0, 7.758e-2), (20.0, 3.916e-2)] {
            let k0 = Solubility::Weiss.mol_per_l_pa(Kelvin::from_celsius(celsius)) * ATMOSPHERE_PA;
            assert!((k0 / printed - 1.0).abs() < 2e-3, "{celsius}: {k0}");
        }
    }

    #[test]
    fn carroll_lies_where_the_literature_puts_it() {
        // Computed comparison of the published equations: Carroll is 2.5 % below Weiss at 0 degC and 2 %
        // above from 25 degC.
        let ratio = |c: f64| {
            let t = Kelvin::from_celsius(c);
            Solubility::Carroll.mol_per_l_pa(t) / Solubility::Weiss.mol_per_l_pa(t)
        };
        assert!((ratio(0.0) - 0.975).abs() < 0.006, "{}", ratio(0.0));
        assert!((ratio(25.0) - 1.02).abs() < 0.008, "{}", ratio(25.0));
    }

    #[test]
    fn water_vapour_agrees_with_the_steam_tables() {
        // IAPWS-95 saturation pressures.
        for (celsius, pascal) in [(4.0, 813.5), (20.0, 2339.3), (30.0, 4247.0)] {
            let p = water_vapour(Kelvin::from_celsius(celsius), 1.0);
            assert!((p.0 / pascal - 1.0).abs() < 2e-3, "{celsius}: {}", p.0);
        }
    }

    #[test]
    fn water_is_densest_near_four_degrees() {
        // CIPM 2001 (Tanaka et al.): 999.975 kg/m3 at 4 degC, 998.207 at 20, 995.649 at 30.
        for (celsius, density) in [(4.0, 0.999_975), (20.0, 0.998_207), (30.0, 0.995_649)] {
            let d = water_kg_per_l(Kelvin::from_celsius(celsius));
            assert!((d - density).abs() < 2e-5, "{celsius}: {d}");
        }
    }

    #[test]
    fn a_litre_of_co2_at_the_standard_state_weighs_one_volume() {
        let t = Kelvin(273.15);
        let gas = Amounts {
            co2: CO2_G_PER_VOLUME / CO2_G_PER_MOL,
            ..Amounts::default()
        };
        let p = Headspace::over(gas, 1.0, t, Pascal(0.0)).total;
        assert!((p.0 / ATMOSPHERE_PA - 1.0).abs() < 1e-3, "{}", p.0);
    }

    #[test]
    fn four_volumes_in_water_press_as_the_trade_says() {
        // Computed anchor with CoolProp and PHREEQC: 4 volumes at 20 degC near 3.8 bar gauge, no air.
        let t = Kelvin::from_celsius(20.0);
        let wanted = 4.0 * CO2_G_PER_VOLUME / CO2_G_PER_MOL;
        let (mut low, mut high) = (0.01, 1.0);
        let mut found = Pascal(0.0);
        for _ in 0..60 {
            let moles = 0.5 * (low + high);
            let gas = Amounts {
                co2: moles,
                ..Amounts::default()
            };
            let head = Headspace::over(gas, 1.0, t, water_vapour(t, 1.0));
            let dissolved = Solubility::Weiss.mol_per_l_pa(t) * head.co2_fugacity.0 * poynting(head.total, t);
            if dissolved < wanted {
                low = moles;
            } else {
                high = moles;
            }
            found = head.total;
        }
        assert!((found.bar() - 1.013 - 3.8).abs() < 0.1, "{}", found.bar());
    }
}
