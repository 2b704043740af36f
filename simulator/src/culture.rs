//! The living part: a yeast and a heterolactic bacterium, each with its own growth law.
//!
//! Amounts are grams per litre of drink, times hours.

use crate::brew::{ACETIC, BIOMASS_CARBON, Brew, CO2, ETHANOL, HEXOSE, LACTIC, MANNITOL, SUCROSE};
use crate::gas::O2_G_PER_MOL;
use crate::published::Kinetics;
use crate::quantity::{Kelvin, Pascal};

/// Grams of hexose whose carbon makes a gram of biomass.
const HEXOSE_PER_BIOMASS: f64 = BIOMASS_CARBON * HEXOSE / (6.0 * 12.011);
/// Grams of assimilable nitrogen in a gram of new biomass of a starved wild yeast (5 to 8 % in the literature).
const NITROGEN_PER_BIOMASS: f64 = 0.07;
const R: f64 = crate::gas::GAS_CONSTANT;

/// How a culture lives; rates are those at 25 degC.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Culture {
    /// Kinetics of the literature that take its place.
    pub(crate) published: Option<Kinetics>,
    pub(crate) yeast_growth_per_h: f64,
    pub(crate) yeast_uptake_g_per_g_h: f64,
    pub(crate) yeast_lag_h: f64,
    pub(crate) yeast_decay_per_h: f64,
    pub(crate) bacteria_growth_per_h: f64,
    pub(crate) bacteria_lag_h: f64,
    pub(crate) ceiling_percent: Option<f64>,
    pub(crate) ferments_lactose: bool,
}

/// Temperature factors, 1 at 25 degC, found once per step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Warmth {
    yeast_growth: f64,
    yeast_uptake: f64,
    bacteria: f64,
}

impl Warmth {
    pub(crate) fn at(t: Kelvin) -> Self {
        let c = t.celsius();
        Self {
            yeast_growth: ratkowsky(c) / ratkowsky(25.0),
            yeast_uptake: schoolfield(t) / schoolfield(Kelvin::from_celsius(25.0)),
            bacteria: cardinal(c) / cardinal(25.0),
        }
    }
}

/// Growth of the yeast: square-root law over the whole range, Ratkowsky et al. 1983 (J. Bacteriol. 154,
/// 1222), limits 2 and 42 degC.
fn ratkowsky(c: f64) -> f64 {
    if c <= 2.0 || c >= 42.0 {
        return 0.0;
    }
    ((c - 2.0) * (1.0 - (0.25 * (c - 42.0)).exp())).powi(2)
}

/// Fermentation by the yeast: Schoolfield, Sharpe and Magnuson 1981 (J. Theor. Biol. 88, 719), 55 kJ/mol
/// with low-temperature inactivation half done at 8 degC and high-temperature inactivation at 40 degC.
fn schoolfield(t: Kelvin) -> f64 {
    let inverse = 1.0 / t.0;
    let arrhenius = (55.0e3 / R * (1.0 / 298.15 - inverse)).exp();
    let cold = (-300.0e3 / R * (1.0 / 281.15 - inverse)).exp();
    let hot = (350.0e3 / R * (1.0 / 313.15 - inverse)).exp();
    arrhenius / (1.0 + cold + hot)
}

/// The bacterium: cardinal temperatures of Rosso et al. 1993 with 4, 30 and 40 degC, between those
/// published for leuconostocs and for L. plantarum.
fn cardinal(c: f64) -> f64 {
    let (low, best, high) = (4.0, 30.0, 40.0);
    if c <= low || c >= high {
        return 0.0;
    }
    let top = (c - high) * (c - low).powi(2);
    let bottom = (best - low) * ((best - low) * (c - best) - (best - high) * (best + low - 2.0 * c));
    top / bottom
}

impl Culture {
    /// One midpoint step.
    pub(crate) fn step(&self, brew: &Brew, warmth: Warmth, co2: Pascal, hours: f64) -> Brew {
        let middle = brew.along(&self.rates(brew, warmth, co2), 0.5 * hours);
        brew.along(&self.rates(&middle, warmth, co2), hours)
    }

    /// Change per hour. `co2` is the pressure with which the dissolved CO2 is at equilibrium.
    fn rates(&self, b: &Brew, warmth: Warmth, co2: Pascal) -> Brew {
        // What holds both back.
        let given_up = self.ceiling_percent.map_or(1.0, |ceiling| {
            (1.0 - (b.abv_percent() / ceiling).powi(4)).max(0.0)
        });
        let alcohol = (1.0 - b.ethanol / 95.0).max(0.0) * given_up;
        let acid = b.lactic + b.acetic;
        let yeast_acid = 1.0 / (1.0 + (acid / 15.0).powi(2));
        let bacteria_acid = (1.0 - acid / 9.0).max(0.0);
        // Jackson, Wine Science: growth stops near 6 to 7 atm of CO2, fermentation only near 30.
        let bar = co2.bar();
        let crowding = bar / 7.0;
        let growing = (1.0 - crowding * crowding.sqrt()).max(0.0);
        let fermenting = (1.0 - bar / 30.0).max(0.0);

        // Glucose and fructose compete for one transport: half-saturation 0.6 and 2 g/L.
        let (glu, fru) = (b.glucose / 0.6, b.fructose / 2.0);
        let fed = 1.0 + glu + fru;
        let sated = (glu + fru) / fed;
        let uptake = self.yeast_uptake_g_per_g_h
            * warmth.yeast_uptake
            * sated
            * alcohol
            * fermenting
            * yeast_acid
            * b.yeast;
        let growth = self.yeast_growth_per_h
            * warmth.yeast_growth
            * (b.nitrogen / (b.nitrogen + 0.004))
            * sated
            * growing
            * alcohol
            * yeast_acid
            * b.yeast;
        let waking = 2.0 / self.yeast_lag_h * warmth.yeast_growth;
        let decay = self.yeast_decay_per_h * warmth.yeast_uptake * (1.0 + b.ethanol / 20.0) * b.yeast;

        // Invertase sits outside the cell and needs no living yeast.
        let cells = b.yeast + 0.5 * (b.asleep + b.waking) + 0.5 * b.spent + 0.2 * b.bacteria;
        let inversion = 2.5 * warmth.yeast_uptake * cells * b.sucrose / (b.sucrose + 8.0);
        let lactase = if self.ferments_lactose {
            0.6 * warmth.yeast_uptake * b.yeast * b.lactose / (b.lactose + 10.0) / (1.0 + b.glucose / 5.0)
        } else {
            0.0
        };
        // Half of each disaccharide is glucose; galactose is carried as glucose.
        let halves = HEXOSE / SUCROSE;

        // Haldane on hexose, logistic crowding at 1.2 g/L.
        let hexose = b.glucose + b.fructose;
        let haldane = hexose / (hexose + 1.0 + hexose * hexose / 150.0);
        let lively = warmth.bacteria * haldane * b.enzyme * alcohol * (1.0 - bar / 25.0).max(0.0);
        let nitrogen = b.nitrogen / (b.nitrogen + 0.004);
        let multiply = self.bacteria_growth_per_h
            * lively
            * nitrogen
            * bacteria_acid
            * (1.0 - b.bacteria / 1.2).max(0.0)
            * b.bacteria;
        let upkeep = 0.12 * lively * bacteria_acid.sqrt() * b.bacteria;
        let lactic_hexose = 5.0 * multiply + upkeep;
        // Up to half goes with fructose as acceptor: glucose + 2 fructose -> lactate + acetate + CO2 + 2 mannitol.
        let fructose_part = if hexose > 0.0 { b.fructose / hexose } else { 0.0 };
        let acceptor = 0.5 * fructose_part * lactic_hexose;
        let plain = lactic_hexose - acceptor;

        // Oxygen: C6H12O6 + 6 O2 -> 6 CO2 + 6 H2O.
        let breath = 0.04
            * (warmth.yeast_uptake * (b.yeast + 0.5 * b.waking) + 0.3 * warmth.bacteria * b.bacteria)
            * b.oxygen
            / (b.oxygen + 0.000_3);
        let burnt = breath / O2_G_PER_MOL / 6.0 * HEXOSE;

        let yeast_glucose = if glu + fru > 0.0 { glu / (glu + fru) } else { 0.0 };
        let yeast_hexose = uptake + growth * HEXOSE_PER_BIOMASS + burnt;
        let bacteria_hexose = plain + multiply * HEXOSE_PER_BIOMASS;
        let moles = |grams: f64| grams / HEXOSE;

        Brew {
            sucrose: -inversion,
            lactose: -lactase,
            glucose: halves * (inversion + 2.0 * lactase)
                - yeast_hexose * yeast_glucose
                - bacteria_hexose * (1.0 - fructose_part)
                - acceptor / 3.0,
            fructose: halves * inversion
                - yeast_hexose * (1.0 - yeast_glucose)
                - bacteria_hexose * fructose_part
                - acceptor * 2.0 / 3.0,
            ethanol: ETHANOL * (2.0 * moles(uptake) + moles(plain)),
            lactic: LACTIC * (moles(plain) + moles(acceptor) / 3.0),
            acetic: ACETIC * moles(acceptor) / 3.0,
            mannitol: MANNITOL * moles(acceptor) * 2.0 / 3.0,
            asleep: -waking * b.asleep,
            waking: waking * (b.asleep - b.waking),
            yeast: waking * b.waking + growth - decay,
            spent: decay,
            bacteria: multiply,
            enzyme: warmth.bacteria * (1.0 - b.enzyme) / self.bacteria_lag_h,
            nitrogen: -NITROGEN_PER_BIOMASS * (growth + multiply),
            co2: CO2 * (2.0 * moles(uptake) + moles(plain) + moles(acceptor) / 3.0 + 6.0 * moles(burnt)),
            oxygen: -breath,
            age_h: 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn culture() -> Culture {
        Culture {
            yeast_growth_per_h: 0.12,
            yeast_uptake_g_per_g_h: 0.9,
            yeast_lag_h: 10.0,
            yeast_decay_per_h: 0.004,
            bacteria_growth_per_h: 0.15,
            bacteria_lag_h: 8.0,
            ceiling_percent: None,
            ferments_lactose: true,
            published: None,
        }
    }

    #[test]
    fn carbon_is_neither_made_nor_lost() {
        let mut brew = Brew {
            sucrose: 60.0,
            fructose: 10.0,
            lactose: 10.0,
            asleep: 0.05,
            bacteria: 0.01,
            nitrogen: 0.04,
            oxygen: 0.008,
            ..Brew::default()
        };
        let before = brew.carbon();
        for _ in 0..10_000 {
            brew = culture().step(
                &brew,
                Warmth::at(Kelvin::from_celsius(22.0)),
                Pascal(1.0e5),
                1.0 / 60.0,
            );
        }
        assert!(
            brew.co2 > 5.0 && brew.lactic > 0.1 && brew.mannitol > 0.01,
            "{brew:?}"
        );
        assert!(
            (brew.carbon() / before - 1.0).abs() < 1e-6,
            "{} {before}",
            brew.carbon()
        );
    }

    #[test]
    fn cold_slows_and_does_not_stop() {
        // University of California Bulletin 827: below 10 degC very slow, not nil.
        let cold = Warmth::at(Kelvin::from_celsius(4.0)).yeast_uptake;
        assert!(cold > 0.01 && cold < 0.10, "{cold}");
        let warm = Warmth::at(Kelvin::from_celsius(21.0)).yeast_uptake;
        assert!(warm > 0.6 && warm < 0.9, "{warm}");
    }
}
