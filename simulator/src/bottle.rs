//! One sealed bottle: gas exchange between drink and headspace, heat, walls, leaks.

use crate::brew::Brew;
use crate::culture::{Culture, Warmth};
use crate::gas::{
    Amounts, CO2_G_PER_MOL, CO2_G_PER_VOLUME, CO2_SWELLING_L_PER_MOL, GAS_CONSTANT, Headspace, O2_G_PER_MOL,
    Solubility, nitrogen_mol_per_l_pa, oxygen_mol_per_l_pa, poynting, water_kg_per_l, water_vapour,
};
use crate::quantity::{Kelvin, Pascal};
use serde::{Deserialize, Serialize};

/// What a bottle is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Material {
    /// Soda-lime glass.
    Glass,
    /// Stretches under pressure and lets CO2 through its wall.
    Pet,
    /// Stainless steel.
    Steel,
}

impl Material {
    /// Change of volume per kelvin. Three times the linear expansion of handbooks.
    fn expansion(self) -> f64 {
        match self {
            Self::Glass => 2.6e-5,
            Self::Pet => 2.0e-4,
            Self::Steel => 5.0e-5,
        }
    }

    /// Change of volume per bar; PET bottles grow by 1 to 2 % at 4 bar (common practice, no source).
    fn stretch_per_bar(self) -> f64 {
        match self {
            Self::Glass => 2.0e-5,
            Self::Pet => 3.0e-3,
            Self::Steel => 5.0e-6,
        }
    }

    /// Moles of CO2 lost per hour, bar and litre of capacity: half-litre PET soda bottles lose some 1.5 %
    /// of it in a week (common practice, no source).
    fn permeance(self) -> f64 {
        if self == Self::Pet { 4.0e-6 } else { 0.0 }
    }

    /// Heat capacity of the wall in J/K per litre of capacity: 0.7 kg/L of glass, 0.05 of PET, 0.5 of steel.
    fn wall_j_per_k_l(self) -> f64 {
        match self {
            Self::Glass => 560.0,
            Self::Pet => 60.0,
            Self::Steel => 240.0,
        }
    }
}

/// How the bottle was closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cap {
    /// Capped over air.
    #[default]
    Air,
    /// The air was driven out with CO2.
    Purged,
    /// Capped on rising foam: a tenth of the air stays.
    Foam,
}

/// What is fixed when the bottle is closed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Build {
    pub(crate) material: Material,
    pub(crate) capacity_l: f64,
    pub(crate) dead_l: f64,
    pub(crate) fill_l: f64,
    pub(crate) warmer_c: f64,
    pub(crate) exchange_per_h: f64,
    pub(crate) henry_factor: f64,
    pub(crate) solubility: Solubility,
    pub(crate) sugar_effect_per_g_l: f64,
    pub(crate) cooling_h: f64,
}

/// The bottle's surroundings during one step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surroundings {
    pub(crate) temperature: Kelvin,
    pub(crate) air: Pascal,
    /// Hours in which the bottle follows by 63 %.
    pub(crate) follows_h: f64,
}

/// A bottle and its drink.
#[derive(Clone, Debug)]
pub(crate) struct Bottle {
    pub(crate) build: Build,
    pub(crate) brew: Brew,
    gas: Amounts,
    /// Moles of nitrogen in the drink.
    nitrogen_in_drink: f64,
    wall: Kelvin,
    pub(crate) liquid: Kelvin,
    pub(crate) head: Headspace,
    pub(crate) leak_mol_per_h_bar: f64,
    pub(crate) open: bool,
}

impl Bottle {
    pub(crate) fn sealed(build: Build, mut brew: Brew, cap: Cap, t: Kelvin, air: Pascal) -> Self {
        let vapour = water_vapour(t, 1.0);
        let dry = Pascal(air.0 - vapour.0);
        let (co2, rest) = match cap {
            Cap::Air => (0.0005, 0.9995),
            Cap::Purged => (0.99, 0.01),
            Cap::Foam => (0.9, 0.1),
        };
        // A drink that already works has driven the air out of itself.
        let aerated = (1.0 - brew.co2 / 2.0).max(0.0);
        brew.oxygen = aerated * oxygen_mol_per_l_pa(t) * 0.21 * dry.0 * O2_G_PER_MOL;
        let mut bottle = Self {
            build,
            brew,
            gas: Amounts::default(),
            nitrogen_in_drink: aerated * nitrogen_mol_per_l_pa(t) * 0.79 * dry.0 * build.fill_l,
            wall: t,
            liquid: t,
            head: Headspace {
                total: air,
                co2: Pascal(0.0),
                co2_fugacity: Pascal(0.0),
            },
            leak_mol_per_h_bar: 0.0,
            open: false,
        };
        let moles = dry.0 * bottle.headspace_l() * 1.0e-3 / (GAS_CONSTANT * t.0);
        bottle.gas = Amounts {
            co2: co2 * moles,
            nitrogen: rest * 0.79 * moles,
            oxygen: rest * 0.21 * moles,
        };
        bottle.head = bottle.look(bottle.gas, bottle.headspace_l());
        bottle
    }

    /// Litres of gas space: the bottle as it has grown, less the drink as it has swollen.
    fn headspace_l(&self) -> f64 {
        self.headspace_with(self.liquid, self.brew.co2, self.head.total)
    }

    fn headspace_with(&self, t: Kelvin, co2_g_per_l: f64, total: Pascal) -> f64 {
        let b = &self.build;
        let vessel = b.capacity_l
            * (1.0 + b.material.expansion() * (t.celsius() - 20.0))
            * (1.0 + b.material.stretch_per_bar() * (total.bar() - 1.0));
        let drink = b.fill_l
            * (water_kg_per_l(Kelvin::from_celsius(20.0)) / water_kg_per_l(t)
                + CO2_SWELLING_L_PER_MOL * co2_g_per_l / CO2_G_PER_MOL);
        (vessel + b.dead_l - drink).max(0.002 * b.capacity_l)
    }

    fn look(&self, gas: Amounts, volume_l: f64) -> Headspace {
        let t = Kelvin(0.5 * (self.liquid.0 + self.wall.0));
        Headspace::over(gas, volume_l, t, water_vapour(self.liquid, 0.99))
    }

    /// Moles of CO2 a litre of this drink takes per pascal of fugacity, Poynting term apart.
    fn affinity(&self, t: Kelvin) -> f64 {
        let b = &self.build;
        let sugar = self.brew.sugar() + self.brew.mannitol + self.brew.lactic;
        b.henry_factor
            * b.solubility.mol_per_l_pa(t)
            * (1.0 - b.sugar_effect_per_g_l * sugar)
            * (1.0 - 0.012 * self.brew.abv_percent())
    }

    pub(crate) fn step(&mut self, culture: &Culture, around: Surroundings, hours: f64) {
        self.exchange_heat(around, hours);
        let affinity = self.affinity(self.liquid);
        let felt = Pascal(self.brew.co2 / CO2_G_PER_MOL / affinity);
        self.brew = match culture.published {
            Some(kinetics) => kinetics.step(&self.brew, self.liquid, hours),
            None => culture.step(&self.brew, Warmth::at(self.liquid), felt, hours),
        };
        let volume = self.headspace_l();
        self.exchange_gas(affinity, volume, hours);
        self.lose_gas(around, volume, hours);
        self.head = self.look(self.gas, volume);
    }

    /// Wall and drink as two lumps, implicit in time: the wall answers within minutes.
    fn exchange_heat(&mut self, around: Surroundings, hours: f64) {
        let outside = around.temperature.0 + self.build.warmer_c;
        let drink = 4000.0 * self.build.fill_l;
        let wall = self.build.material.wall_j_per_k_l() * self.build.capacity_l;
        let outer = (drink + wall) / (around.follows_h * self.build.cooling_h);
        let inner = 10.0 * outer;
        let (a, b) = (outer * hours / wall, inner * hours / wall);
        let c = inner * hours / drink;
        // (1+a+b) W - b L = W0 + a out;  -c W + (1+c) L = L0.
        let determinant = (1.0 + a + b) * (1.0 + c) - b * c;
        let (w0, l0) = (self.wall.0 + a * outside, self.liquid.0);
        self.wall = Kelvin((w0 * (1.0 + c) + b * l0) / determinant);
        self.liquid = Kelvin(((1.0 + a + b) * l0 + c * w0) / determinant);
    }

    fn exchange_gas(&mut self, affinity: f64, volume_l: f64, hours: f64) {
        let fill = self.build.fill_l;
        let rt = GAS_CONSTANT * self.liquid.0;
        let per_pascal = volume_l * 1.0e-3 / rt;
        let due = affinity * self.head.co2_fugacity.0 * poynting(self.head.total, self.liquid);
        let dissolved = self.brew.co2 / CO2_G_PER_MOL;
        // Bubbles help a drink that holds much more than the gas above it would keep there.
        let excess = (dissolved - due - 0.01).max(0.0);
        let k = self.build.exchange_per_h * (1.0 + 40.0 * excess);
        let moved = relax(k, fill, affinity * fill / per_pascal, due - dissolved, hours).min(self.gas.co2);
        self.gas.co2 -= moved;
        self.brew.co2 = (self.brew.co2 + moved / fill * CO2_G_PER_MOL).max(0.0);

        let k_oxygen = oxygen_mol_per_l_pa(self.liquid);
        let lack = k_oxygen * self.gas.oxygen / per_pascal - self.brew.oxygen / O2_G_PER_MOL;
        let moved = relax(k, fill, k_oxygen * fill / per_pascal, lack, hours).min(self.gas.oxygen);
        self.gas.oxygen -= moved;
        self.brew.oxygen = (self.brew.oxygen + moved / fill * O2_G_PER_MOL).max(0.0);

        let k_nitrogen = nitrogen_mol_per_l_pa(self.liquid);
        let lack = k_nitrogen * self.gas.nitrogen / per_pascal - self.nitrogen_in_drink / fill;
        let moved = relax(k, fill, k_nitrogen * fill / per_pascal, lack, hours).min(self.gas.nitrogen);
        self.gas.nitrogen -= moved;
        self.nitrogen_in_drink = (self.nitrogen_in_drink + moved).max(0.0);
    }

    fn lose_gas(&mut self, around: Surroundings, volume_l: f64, hours: f64) {
        self.gas.co2 -= self
            .gas
            .co2
            .min(self.build.material.permeance() * self.build.capacity_l * self.head.co2.bar() * hours);
        if self.open {
            self.keep_only(around.air, volume_l);
        } else if self.leak_mol_per_h_bar > 0.0 {
            let over = (self.head.total.bar() - around.air.bar()).max(0.0);
            let total = self.gas.total();
            let lost = (self.leak_mol_per_h_bar * over * hours / total.max(1.0e-12)).min(0.5);
            self.scale(1.0 - lost);
        }
    }

    fn scale(&mut self, part: f64) {
        self.gas.co2 *= part;
        self.gas.nitrogen *= part;
        self.gas.oxygen *= part;
    }

    /// Lets gas off down to the pressure outside.
    fn keep_only(&mut self, air: Pascal, volume_l: f64) {
        let dry = (air.0 - water_vapour(self.liquid, 0.99).0).max(1.0);
        let moles = dry * volume_l * 1.0e-3 / (GAS_CONSTANT * self.liquid.0);
        let total = self.gas.total();
        if total > moles {
            self.scale(moles / total);
        } else {
            // Room air comes in when the bottle has cooled below it.
            self.gas.nitrogen += 0.79 * (moles - total);
            self.gas.oxygen += 0.21 * (moles - total);
        }
    }

    /// Opened for a moment and closed again.
    pub(crate) fn vent(&mut self, air: Pascal) {
        let volume = self.headspace_l();
        self.keep_only(air, volume);
        // Some foam: a twentieth of what is dissolved goes with the hiss.
        self.brew.co2 *= 0.95;
        self.head = self.look(self.gas, volume);
    }

    /// Grams of CO2 in the bottle per litre of drink, dissolved and headspace.
    pub(crate) fn all_co2_g_per_l(&self) -> f64 {
        self.brew.co2 + self.gas.co2 * CO2_G_PER_MOL / self.build.fill_l
    }

    /// Partial pressure of the air left in the headspace: oxygen and nitrogen.
    #[cfg(test)]
    pub(crate) fn air_left(&self) -> (Pascal, Pascal) {
        let dry = self.head.total.0 - water_vapour(self.liquid, 0.99).0;
        let total = self.gas.total();
        (
            Pascal(dry * self.gas.oxygen / total),
            Pascal(dry * self.gas.nitrogen / total),
        )
    }

    /// Volumes in the target's sense: what is dissolved once everything in the sealed bottle is at
    /// equilibrium at the fridge temperature.
    pub(crate) fn volumes_at(&self, fridge: Kelvin) -> f64 {
        let all = self.all_co2_g_per_l() / CO2_G_PER_MOL;
        let mut cold = self.clone();
        cold.liquid = fridge;
        cold.wall = fridge;
        let affinity = cold.affinity(fridge);
        let fill = self.build.fill_l;
        let mut dissolved = 0.9 * all;
        let mut total = self.head.total;
        for _ in 0..40 {
            let volume = self.headspace_with(fridge, dissolved * CO2_G_PER_MOL, total);
            let gas = Amounts {
                co2: (all - dissolved).max(0.0) * fill,
                ..self.gas
            };
            let head = cold.look(gas, volume);
            total = head.total;
            // Newton on the balance, the headspace's own pressure as slope.
            let holds = affinity * poynting(head.total, fridge) * head.co2_fugacity.0;
            let slope = affinity * GAS_CONSTANT * fridge.0 * fill / (volume * 1.0e-3);
            let change = (holds - dissolved) / (1.0 + slope);
            dissolved = (dissolved + change).clamp(0.0, all);
            if change.abs() < 1.0e-9 {
                break;
            }
        }
        dissolved * CO2_G_PER_MOL / CO2_G_PER_VOLUME
    }

    /// Specific gravity 20/20 degC that a float in the gassy drink shows: 0.23 kg/m3 per g/L of dissolved CO2.
    pub(crate) fn gravity(&self) -> f64 {
        1.0 + (self.brew.excess_density() + 0.23 * self.brew.co2) / 998.203
    }
}

/// Moles that pass into the drink in a step while both sides approach each other: exact for constant `k`.
/// `ratio` is what the drink holds to what the headspace holds at equilibrium.
fn relax(k: f64, fill_l: f64, ratio: f64, lack_mol_per_l: f64, hours: f64) -> f64 {
    let speed = k * (1.0 + ratio);
    k * fill_l * lack_mol_per_l * -(-speed * hours).exp_m1() / speed
}

#[cfg(test)]
mod tests {
    use crate::scenario::Scenario;
    use crate::world::World;

    fn world() -> World {
        World::new(&Scenario::shipped("plain").expect("shipped"), 4).left_alone()
    }

    /// About 0.2 bar of oxygen in the trapped air is eaten while nitrogen stays (common practice, no source).
    #[test]
    fn oxygen_is_eaten_and_nitrogen_stays() {
        let mut world = world();
        let (oxygen, nitrogen) = world.labelled.air_left();
        assert!((oxygen.bar() - 0.21).abs() < 0.01, "{}", oxygen.bar());
        world.run_until(60 * 3600);
        let (left, stayed) = world.labelled.air_left();
        assert!(left.bar() < 0.04, "{}", left.bar());
        // Dissolved CO2 swells the drink and so presses on the nitrogen.
        assert!(
            (stayed.bar() / nitrogen.bar() - 1.0).abs() < 0.06,
            "{} {}",
            stayed.bar(),
            nitrogen.bar()
        );
    }

    #[test]
    fn a_sealed_glass_bottle_keeps_its_carbon() {
        let mut world = world();
        let carbon = |world: &World| {
            let bottle = &world.labelled;
            bottle.brew.carbon() + (bottle.all_co2_g_per_l() - bottle.brew.co2) * 12.011 / 44.009
        };
        let before = carbon(&world);
        world.run_until(10 * 86_400);
        assert!(
            (carbon(&world) / before - 1.0).abs() < 1e-6,
            "{} {before}",
            carbon(&world)
        );
    }

    /// At rest at the fridge temperature the dissolved CO2 is the content in the target's sense.
    #[test]
    fn the_content_in_the_targets_sense_is_what_the_fridge_shows() {
        let mut world = world();
        world.run_until(96 * 3600);
        world.perform(crate::scenario::Deed::MovedToFridge);
        world.run_until(20 * 86_400);
        let bottle = &world.labelled;
        let promised = bottle.volumes_at(bottle.liquid);
        let found = bottle.brew.co2 / crate::gas::CO2_G_PER_VOLUME;
        assert!((promised / found - 1.0).abs() < 0.005, "{promised} {found}");
    }

    /// Headspace volume enters twice: a bottle without room for gas still has a finite pressure.
    #[test]
    fn a_fuller_bottle_presses_harder() {
        let mut world = world();
        world.run_until(100 * 3600);
        assert!(world.worst.head.total.bar() > world.labelled.head.total.bar());
        assert!(world.worst.head.total.bar().is_finite());
    }
}
