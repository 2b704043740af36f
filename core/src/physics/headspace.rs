//! The mass balance of a sealed bottle, both ways: gauge pressure <-> all its CO2 <-> content in the target's sense.
//!
//! CO2 is `c` (mol per m3 of drink before swelling) times the drink, plus real gas in what room the drink leaves. The
//! headspace shrinks as the drink warms (0.4 % of the drink from 4 to 30 degC) and as CO2 swells it (0.6 % at four
//! volumes): out of 25 mL above 475 mL that is a tenth each, and the trapped nitrogen feels it.
//!
//! For a loop over time: build [`Sealed`] when the temperature changes (30 ns); in each step take [`Sealed::ratio`], let
//! the headspace run to `all / (1 + ratio)` by [`super::exchange::towards_balance`], and read [`Sealed::total`] (2 ns).
//! `in_gas`, `dissolved` and `all` are mol per m3 of drink as filled ([`MOL_PER_M3_PER_G_PER_L`] times g/L).

use super::{
    air::SealedAir,
    chart::{Chart, Warmed},
    isotherm::{CO2_PARTIAL_MOLAR_VOLUME, Isotherm},
    liquid,
    molar::CO2_MOLAR_MASS_G,
    solubility::{finished_g_per_l, unswollen_mol_per_m3},
};
use crate::{
    abreast::{Real, abreast},
    batch::Pilot,
};

/// Smallest headspace that is reckoned with, as a share of the capacity: a bottle this full is a burst in waiting and
/// its pressure only has to come out high.
const LEAST_HEADSPACE: f64 = 1e-3;

/// Mol per m3 of drink as filled, from grams per litre of it.
pub(crate) const MOL_PER_M3_PER_G_PER_L: f64 = 1e3 / CO2_MOLAR_MASS_G;

/// Room in one bottle, in m3.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Vessel<F = f64> {
    /// Brimful, with the gas space of a sensor head.
    pub(crate) capacity: F,
    /// Drink as filled, at 20 degC and before CO2 swells it.
    pub(crate) drink: F,
}

abreast!(Vessel { capacity, drink });

impl Vessel {
    /// Of the bottle that `shape` describes.
    pub(crate) fn of(shape: &Pilot) -> Self {
        Self {
            capacity: shape.capacity.cubic_metres() + shape.dead_volume.cubic_metres(),
            drink: shape.fill.cubic_metres(),
        }
    }

    /// The same bottle filled by `more` m3 more, never past 99 % of its brim.
    pub(crate) fn filled_by(self, more: f64) -> Self {
        Self {
            drink: (self.drink + more).min(self.drink.max(0.99 * self.capacity)),
            ..self
        }
    }

    /// The air shut in when it was closed at `t_k` and `ambient` Pa; `air_share`: what of its gas was air, 0 to 1.
    pub(crate) fn air_shut_in(&self, t_k: f64, ambient: f64, air_share: f64) -> SealedAir {
        SealedAir::new(
            self.gas(liquid::expansion(t_k), 0.0),
            self.drink,
            t_k,
            ambient,
            air_share,
        )
    }

    /// The same for each of some lives.
    pub(crate) fn for_all<F: Real>(&self) -> Vessel<F> {
        Vessel {
            capacity: F::of(self.capacity),
            drink: F::of(self.drink),
        }
    }
}

impl<F: Real> Vessel<F> {
    /// Headspace in m3 over drink that holds `c` mol per m3.
    #[inline(always)]
    pub(crate) fn gas(&self, expansion: F, c: F) -> F {
        let liquid = self.drink * expansion * (c * CO2_PARTIAL_MOLAR_VOLUME + 1.0);
        (self.capacity - liquid).larger(self.capacity * LEAST_HEADSPACE)
    }
}

/// All that depends on temperature, drink and bottle alone; a loop over time rebuilds it only when those change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sealed<F = f64> {
    vessel: Vessel<F>,
    air: SealedAir<F>,
    isotherm: Isotherm<F>,
    expansion: F,
    vapour: F,
    nitrogen: F,
}

/// A bottle whose CO2 is at equilibrium.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Balance<F = f64> {
    /// CO2 pressure in Pa.
    pub(crate) co2: F,
    /// Pressure of trapped air in Pa.
    pub(crate) air: F,
    /// Dissolved CO2 in mol per m3 of drink as filled.
    pub(crate) dissolved: F,
    /// CO2 in the headspace, in mol per m3 of drink as filled.
    pub(crate) in_gas: F,
}

/// The CO2 of such a bottle, and the room over its drink in m3.
#[derive(Clone, Copy, Debug)]
struct Held<F> {
    co2: F,
    gas: F,
    dissolved: F,
    in_gas: F,
}

impl<F: Real> Held<F> {
    #[inline(always)]
    fn all(&self) -> F {
        self.dissolved + self.in_gas
    }

    /// The same with the air in that room.
    #[inline(always)]
    fn balance(self, sealed: &Sealed<F>, oxygen_eaten: F) -> Balance<F> {
        let Self {
            co2,
            gas,
            dissolved,
            in_gas,
        } = self;
        Balance {
            co2,
            air: sealed
                .air
                .pressure(gas, sealed.isotherm.rt, sealed.nitrogen, oxygen_eaten),
            dissolved,
            in_gas,
        }
    }
}

impl Sealed {
    /// At `t_k`; `solute_factor` as in [`super::solubility::solute_factor`], times the Henry factor of a fit.
    pub(crate) fn new(vessel: Vessel, air: SealedAir, t_k: f64, solute_factor: f64) -> Self {
        Self::warmed(vessel, air, t_k, solute_factor, Warmed::at(t_k))
    }

    /// All CO2 in mol per m3 as filled of a bottle whose finished drink holds `g_per_l` at equilibrium.
    pub(crate) fn all_at_content(&self, g_per_l: f64, oxygen_eaten: f64) -> f64 {
        let c = unswollen_mol_per_m3(g_per_l);
        let mut co2 = c / self.isotherm.henry;
        for _ in 0..3 {
            let other = self.vapour + self.air(self.isotherm.henry * co2, oxygen_eaten);
            co2 = self.isotherm.pressure_of_dissolved(c, other);
        }
        self.at_co2(co2, oxygen_eaten).all()
    }

    /// Equilibrium at absolute pressure `total` in Pa; CO2 below zero counts as none.
    pub(crate) fn at_pressure(&self, total: f64, oxygen_eaten: f64) -> Balance {
        // The air depends on the dissolved CO2 by a few per cent of itself: a fixed point contracts tenfold a turn.
        let mut co2 = (total - self.vapour - self.air(0.0, oxygen_eaten)).max(0.0);
        let mut balance = self.at_co2(co2, oxygen_eaten);
        for _ in 0..40 {
            let next = (total - self.vapour - balance.air).max(0.0);
            let moved = (next - co2).abs();
            co2 = next;
            balance = self.at_co2(co2, oxygen_eaten);
            if moved <= 1e-6 {
                break;
            }
        }
        balance
    }

    /// What is left once the cap was lifted at `ambient` Pa: CO2 in the headspace in mol per m3 of drink as filled, and
    /// the air. All gases leave in the same share; what is dissolved stays. Nothing enters a bottle below `ambient`.
    pub(crate) fn vented(
        &self,
        in_gas: f64,
        dissolved: f64,
        oxygen_eaten: f64,
        ambient: f64,
    ) -> (f64, SealedAir) {
        let total = self.total(in_gas, dissolved, oxygen_eaten);
        let kept = (ambient / total).min(1.0);
        (in_gas * kept, self.air.vented(kept))
    }
}

impl<F: Real> Sealed<F> {
    /// The same with what depends on the temperature alone read from a chart: for the hot loop.
    #[inline(always)]
    pub(crate) fn charted(
        vessel: Vessel<F>,
        air: SealedAir<F>,
        t_k: F,
        solute_factor: F,
        chart: &Chart,
    ) -> Self {
        Self::warmed(vessel, air, t_k, solute_factor, chart.at(t_k))
    }

    #[inline(always)]
    fn warmed(vessel: Vessel<F>, air: SealedAir<F>, t_k: F, solute_factor: F, warmed: Warmed<F>) -> Self {
        Self {
            vessel,
            air,
            isotherm: Isotherm::warmed(t_k, solute_factor, &warmed),
            expansion: warmed.expansion,
            vapour: warmed.vapour,
            nitrogen: warmed.nitrogen,
        }
    }

    /// Vapour pressure of water in Pa.
    pub(crate) fn vapour(&self) -> F {
        self.vapour
    }

    /// Pressure of trapped air in Pa over drink that holds `dissolved` mol per m3.
    #[inline(always)]
    pub(crate) fn air(&self, dissolved: F, oxygen_eaten: F) -> F {
        let gas = self.vessel.gas(self.expansion, dissolved);
        self.air
            .pressure(gas, self.isotherm.rt, self.nitrogen, oxygen_eaten)
    }

    /// Absolute pressure in Pa, away from equilibrium too; `in_gas` and `dissolved` in mol per m3 of drink as filled.
    #[inline(always)]
    pub(crate) fn total(&self, in_gas: F, dissolved: F, oxygen_eaten: F) -> F {
        let gas = self.vessel.gas(self.expansion, dissolved);
        self.isotherm.pressure_of_gas(in_gas * self.vessel.drink / gas)
            + self
                .air
                .pressure(gas, self.isotherm.rt, self.nitrogen, oxygen_eaten)
            + self.vapour
    }

    /// Capacity ratio at the present state: what the drink would hold under the headspace's CO2, over that CO2. Arguments
    /// as in [`Self::total`]; finite for an empty headspace too. For the hot loop: a tenth of the cost of
    /// [`Self::at_total`], and the headspace's balance is `all/(1 + ratio)`.
    #[inline(always)]
    pub(crate) fn ratio(&self, in_gas: F, dissolved: F, oxygen_eaten: F) -> F {
        let gas = self.vessel.gas(self.expansion, dissolved);
        let co2 = self.isotherm.pressure_of_gas(in_gas * self.vessel.drink / gas);
        let other = self.vapour
            + self
                .air
                .pressure(gas, self.isotherm.rt, self.nitrogen, oxygen_eaten);
        self.isotherm.ratio(co2, other) * self.expansion * self.vessel.drink / gas
    }

    /// Equilibrium at CO2 pressure `co2` in Pa.
    #[inline(always)]
    pub(crate) fn at_co2(&self, co2: F, oxygen_eaten: F) -> Balance<F> {
        self.held(co2, oxygen_eaten).balance(self, oxygen_eaten)
    }

    /// The CO2 alone of [`Self::at_co2`]: what a search asks for again and again.
    #[inline(always)]
    fn held(&self, co2: F, oxygen_eaten: F) -> Held<F> {
        // The air only enters the pressure correction (0.1 %): its value over still drink is near enough there.
        let other = self.vapour + self.air(self.isotherm.henry * co2, oxygen_eaten);
        let dissolved = self.isotherm.dissolved_mol_per_m3(co2, other);
        let gas = self.vessel.gas(self.expansion, dissolved);
        Held {
            co2,
            gas,
            // Counted per m3 at 20 degC, so that nothing is lost when the drink is warmed.
            dissolved: dissolved * self.expansion,
            in_gas: self.isotherm.gas_mol_per_m3(co2) * gas / self.vessel.drink,
        }
    }

    /// Equilibrium when the bottle holds `all` mol of CO2 per m3 of drink as filled, to 1e-10 of its value.
    pub(crate) fn at_total(&self, all: F, oxygen_eaten: F) -> Balance<F> {
        let empty = all.holds(F::of(0.0), |all, none| all <= none);
        if F::everywhere(empty) {
            return self.at_co2(F::of(0.0), oxygen_eaten);
        }
        // Secant on a nearly straight, rising curve; the start is the ideal bottle, the second point its correction.
        let room = self.vessel.gas(self.expansion, all) / (self.vessel.drink * self.isotherm.rt);
        let mut before = all / (self.isotherm.henry * self.expansion + room);
        let mut held = self.held(before, oxygen_eaten);
        let mut miss_before = held.all() - all;
        let mut co2 = F::pick(empty, F::of(0.0), before * all / held.all());
        for _ in 0..12 {
            // Where it has been found nothing moves any more.
            held = self.held(co2, oxygen_eaten);
            let miss = held.all() - all;
            let slope = (miss - miss_before) / (co2 - before);
            let near = miss.holds(all, |miss, all| miss.abs() <= 1e-10 * all);
            let lost = slope.holds(F::of(0.0), |slope, none| !slope.is_finite() || slope <= none);
            let found = F::either(empty, F::either(near, lost));
            if F::everywhere(found) {
                break;
            }
            let next = (co2 - miss / slope).no_less(0.0);
            before = F::pick(found, before, co2);
            miss_before = F::pick(found, miss_before, miss);
            co2 = F::pick(found, co2, next);
        }
        held.balance(self, oxygen_eaten)
    }

    /// Absolute pressure in Pa of a balance at this temperature.
    pub(crate) fn pressure_of(&self, balance: &Balance<F>) -> F {
        balance.co2 + balance.air + self.vapour
    }

    /// Headspace in m3 of a balance at this temperature.
    pub(crate) fn headspace(&self, balance: &Balance<F>) -> F {
        self.vessel
            .gas(self.expansion, balance.dissolved / self.expansion)
    }

    /// Content per litre of finished drink, in g/L, of a balance at this temperature.
    pub(crate) fn content_g_per_l(&self, balance: &Balance<F>) -> F {
        finished_g_per_l(balance.dissolved / self.expansion)
    }
}

impl<F: Real> Balance<F> {
    /// All CO2, in mol per m3 of drink as filled.
    #[inline(always)]
    pub(crate) fn all(&self) -> F {
        self.dissolved + self.in_gas
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::abreast::{ABREAST, Row};

    fn bottle(celsius: f64) -> Sealed {
        let vessel = Vessel {
            capacity: 500e-6,
            drink: 475e-6,
        };
        let air = SealedAir::new(25e-6, 475e-6, 293.15, 101_325.0, 1.0);
        Sealed::new(vessel, air, celsius + 273.15, 0.9)
    }

    #[test]
    fn a_vented_bottle_stands_at_the_pressure_of_the_room() {
        let mut sealed = bottle(20.0);
        let balance = sealed.at_co2(3e5, 0.9);
        let dissolved = balance.dissolved / sealed.expansion;
        let air_before = sealed.air(dissolved, 0.9);
        let (in_gas, air) = sealed.vented(balance.in_gas, dissolved, 0.9, 1.0e5);
        sealed.air = air;
        // The vapour alone is made up again by the drink.
        let after = sealed.total(in_gas, dissolved, 0.9);
        assert!((after - 1.0e5 - sealed.vapour).abs() < 0.02e5, "{after}");
        assert!(sealed.air(dissolved, 0.9) < 0.5 * air_before);
        let (again, _) = sealed.vented(in_gas, dissolved, 0.9, 1.0e5);
        assert!(again > 0.96 * in_gas && again <= in_gas, "{again} {in_gas}");
    }

    /// Whatever stands beside it: nothing, drinks at rest, one at a pressure where the series for `exp` is left.
    #[test]
    fn a_bottle_in_a_row_holds_bit_for_bit_what_it_holds_alone() {
        let alone = [0.0, 1e-9, 3.0, 40.0, 111.1, 250.0, 700.0, 4_000.0];
        let sealed = bottle(22.7);
        let one_row = Sealed {
            vessel: sealed.vessel.for_all(),
            air: sealed.air.for_all(),
            ..Sealed::<Row>::charted(
                sealed.vessel.for_all(),
                sealed.air.for_all(),
                Row::of(22.7 + 273.15),
                Row::of(0.9),
                &Chart::new(),
            )
        };
        let charted = Sealed::charted(sealed.vessel, sealed.air, 22.7 + 273.15, 0.9, &Chart::new());
        for shift in 0..alone.len() {
            let all = Row::by_place(|place| alone[(place + shift) % alone.len()]);
            let row = one_row.at_total(all, Row::of(0.8));
            for place in 0..ABREAST {
                let expected = charted.at_total(all.0[place], 0.8);
                assert_eq!(
                    row.co2.0[place].to_bits(),
                    expected.co2.to_bits(),
                    "{} of {all:?}",
                    all.0[place]
                );
                assert_eq!(row.dissolved.0[place].to_bits(), expected.dissolved.to_bits());
                assert_eq!(row.air.0[place].to_bits(), expected.air.to_bits());
            }
        }
    }

    #[test]
    fn the_three_ways_into_a_balance_agree() {
        for celsius in [0.0, 4.0, 20.0, 35.0] {
            let sealed = bottle(celsius);
            for co2 in [1e3, 1e5, 4e5, 9e5] {
                let balance = sealed.at_co2(co2, 0.8);
                let by_total = sealed.at_total(balance.all(), 0.8);
                assert!(
                    (by_total.co2 / co2 - 1.0).abs() < 1e-8,
                    "{celsius} {co2} {by_total:?}"
                );
                let by_pressure = sealed.at_pressure(sealed.pressure_of(&balance), 0.8);
                assert!(
                    (by_pressure.co2 / co2 - 1.0).abs() < 1e-6,
                    "{celsius} {co2} {by_pressure:?}"
                );
                let all = sealed.all_at_content(sealed.content_g_per_l(&balance), 0.8);
                assert!((all / balance.all() - 1.0).abs() < 1e-5, "{celsius} {co2} {all}");
                let ratio = sealed.ratio(balance.in_gas, balance.dissolved / sealed.expansion, 0.8);
                assert!(
                    (ratio * balance.in_gas / balance.dissolved - 1.0).abs() < 1e-4,
                    "{ratio} {balance:?}"
                );
                let away = sealed.total(balance.in_gas, balance.dissolved / sealed.expansion, 0.8);
                assert!((away / sealed.pressure_of(&balance) - 1.0).abs() < 1e-9);
            }
        }
    }
}
