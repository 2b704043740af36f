//! CO2 as a real gas.

use fobwatch_core::physics::{air, gas};
use fobwatch_core::quantity::{AbsolutePressure, GRAMS_PER_LITRE_PER_VOLUME};

use crate::reference::{celsius, near, partial_bar, rows};

#[test]
fn density_follows_span_wagner() {
    // co2_gas_coolprop.csv (CoolProp 8.0.0). Tolerance 0.3 %: the third virial coefficient is left out.
    for row in rows("co2_gas_coolprop.csv") {
        let got = gas::co2_density(celsius(row["celsius"]), partial_bar(row["co2_bar"])).unwrap();
        near(
            &format!("density at {} degC and {} bar", row["celsius"], row["co2_bar"]),
            got.grams_per_litre(),
            row["density_kg_per_m3"],
            3e-3,
        );
    }
}

#[test]
fn fugacity_follows_span_wagner() {
    // co2_gas_coolprop.csv (CoolProp 8.0.0). Tolerance 0.15 %.
    for row in rows("co2_gas_coolprop.csv") {
        let got = gas::co2_fugacity(celsius(row["celsius"]), partial_bar(row["co2_bar"])).unwrap();
        let wanted = row["fugacity_coefficient"] * row["co2_bar"];
        near(
            &format!("fugacity at {}", row["celsius"]),
            got.bar(),
            wanted,
            1.5e-3,
        );
    }
}

#[test]
fn trapped_nitrogen_does_not_disturb_the_fugacity() {
    // co2_n2_coolprop.csv (CoolProp 8.0.0, real mixture): what is left of the total once ideal nitrogen is taken off
    // has the fugacity of CO2 alone. Tolerance 0.15 %.
    for row in rows("co2_n2_coolprop.csv") {
        let t = celsius(row["celsius"]);
        let total = AbsolutePressure::from_bar(row["total_bar"]).unwrap();
        let co2 = gas::co2_share(total, partial_bar(0.0), partial_bar(row["nitrogen_bar"])).unwrap();
        let got = gas::co2_fugacity(t, co2).unwrap().bar();
        near(
            &format!("fugacity at {}", row["celsius"]),
            got,
            row["co2_fugacity_bar"],
            1.5e-3,
        );
    }
}

#[test]
fn one_volume_is_one_litre_of_real_gas() {
    // Span-Wagner density at 0 degC and 1 atm: 1.9768 kg/m3 (header of co2_gas_coolprop.csv).
    near("volume", GRAMS_PER_LITRE_PER_VOLUME, 1.976_813, 2e-4);
    let got = gas::co2_density(celsius(0.0), partial_bar(1.013_25)).unwrap();
    near("density", got.grams_per_litre(), 1.976_813, 3e-4);
}

#[test]
fn nitrogen_of_a_bottle_closed_at_20_degrees() {
    // Dry air holds 78.08 % nitrogen and 0.93 % argon (US Standard Atmosphere 1976); ideal gas law by hand:
    // 0.79 (1013.25 - 23.39) hPa = 781.99 hPa, times 277.15/293.15 in the fridge = 739.31 hPa.
    let ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let warm = air::nitrogen_left(celsius(20.0), ambient, celsius(20.0)).unwrap();
    near("warm", warm.pascal(), 78_199.0, 1e-4);
    let cold = air::nitrogen_left(celsius(20.0), ambient, celsius(4.0)).unwrap();
    near("cold", cold.pascal(), 73_931.0, 1e-4);
}

#[test]
fn dissolved_nitrogen_follows_phreeqc() {
    // n2_phreeqc.csv (PHREEQC through phreeqpython 1.6.2, phreeqc.dat). Tolerance 4 %: it shifts the pressure of trapped
    // nitrogen by a tenth of that.
    for row in rows("n2_phreeqc.csv") {
        let got = air::nitrogen_dissolved(celsius(row["celsius"]), partial_bar(1.0)).unwrap();
        let wanted = row["mol_per_m3_pa"] * 1e5 * 28.014e-3;
        near(
            &format!("nitrogen at {}", row["celsius"]),
            got.grams_per_litre(),
            wanted,
            0.04,
        );
    }
}
