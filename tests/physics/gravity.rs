//! Gravity of the drink.

use fobwatch_core::physics::{gravity, solubility::Solutes};
use fobwatch_core::quantity::{AlcoholByVolume, Co2Volumes, MassConcentration};

use crate::reference::{near, rows};

fn drink(sucrose: f64, hexose: f64, abv: f64) -> Solutes {
    Solutes {
        sucrose: MassConcentration::from_grams_per_litre(sucrose).unwrap(),
        hexose: MassConcentration::from_grams_per_litre(hexose).unwrap(),
        alcohol: AlcoholByVolume::from_percent(abv).unwrap(),
        ..Solutes::WATER
    }
}

fn density(solutes: &Solutes, co2_g_per_l: f64) -> f64 {
    let co2 = Co2Volumes::from_grams_per_litre(co2_g_per_l).unwrap();
    gravity::of_drink(solutes, co2).unwrap().specific() * gravity::WATER_AT_20_C
}

#[test]
fn sucrose_follows_the_printed_table() {
    // CRC Handbook, concentrative properties of aqueous solutions, sucrose at 20 degC (from memory, four decimals in
    // g/mL): 5 % 1.0178, 10 % 1.0381, 15 % 1.0592, 20 % 1.0810. Tolerance 0.15 kg/m3.
    for (percent, wanted) in [(5.0, 1_017.8), (10.0, 1_038.1), (15.0, 1_059.2), (20.0, 1_081.0)] {
        let got = density(&drink(percent * 0.01 * wanted, 0.0, 0.0), 0.0);
        assert!((got - wanted).abs() < 0.15, "{percent} %: {got}");
    }
}

#[test]
fn glucose_weighs_a_little_less_than_sucrose_and_stays_within_the_tolerance() {
    // CRC Handbook, same table, D-glucose at 20 degC (from memory): 5 % 1.0175, 10 % 1.0375. Tolerance 0.7 kg/m3.
    for (percent, wanted) in [(5.0, 1_017.5), (10.0, 1_037.5)] {
        let got = density(&drink(0.0, percent * 0.01 * wanted, 0.0), 0.0);
        assert!((got - wanted).abs() < 0.7, "{percent} %: {got}");
    }
}

#[test]
fn ethanol_follows_another_fit_of_the_tables() {
    // ethanol_coolprop.csv (CoolProp 8.0.0, Melinder 2010). Tolerance 0.35 kg/m3: that fit is made for 11 % and more and
    // lies 0.3 low near 3 %, where the CRC Handbook prints 0.9927 g/mL (from memory) as OIML R 22 does. 789.24 kg/m3 of ethanol: OIML R 22.
    for row in rows("ethanol_coolprop.csv") {
        let (percent, wanted) = (row["ethanol_mass_percent"], row["density_kg_per_m3"]);
        let abv = percent * wanted / 789.24;
        let got = density(&drink(0.0, 0.0, abv), 0.0);
        assert!((got - wanted).abs() < 0.35, "{percent} %: {got} {wanted}");
    }
}

#[test]
fn dissolved_co2_weighs_as_phreeqc_has_it() {
    // co2_phreeqc.csv: density of the solution with and without CO2 at 18 to 22 degC; about 0.23 kg/m3 per g/L.
    // The pressure on the water adds 0.05 kg/m3 per bar there (compressibility 4.6e-10 1/Pa), taken off. Tolerance 8 %.
    for row in rows("co2_phreeqc.csv").iter().filter(|row| row["co2_bar"] >= 3.0) {
        let t = row["celsius"];
        if !(18.0..=22.0).contains(&t) {
            continue;
        }
        let water = fobwatch_core::physics::water::density(crate::reference::celsius(t)).unwrap();
        let pressed = water.grams_per_litre() * (1.0 + 4.6e-5 * (row["co2_bar"] - 1.013));
        let per_gram = (1_000.0 * row["density_kg_per_l"] - pressed) / row["co2_g_per_l"];
        near(
            &format!("{t} degC {} bar", row["co2_bar"]),
            gravity::CO2_DENSITY_PER_G_PER_L,
            per_gram,
            0.08,
        );
    }
    let gained = density(&Solutes::WATER, 8.0) - density(&Solutes::WATER, 0.0);
    near("8 g/L", gained, 8.0 * 0.23, 1e-6);
}

#[test]
fn fermentation_drops_the_gravity_as_excise_reckons() {
    // United Kingdom excise practice for weak drinks (from memory): 0.125 to 0.129 % vol per degree (0.001) of gravity
    // lost. Sugar and ethanol by stoichiometry of 20 g/L of sucrose; the strict equation gives a little more alcohol.
    let before = density(&drink(80.0, 0.0, 0.0), 0.0);
    let after = density(&drink(60.0, 0.0, 20.0 * 0.538_3 / 7.892_4), 0.0);
    let degrees = (before - after) / 0.998_203;
    let abv = 20.0 * 0.538_3 / 7.892_4;
    crate::reference::between("% vol per degree", abv / degrees, 0.12, 0.145);
}
