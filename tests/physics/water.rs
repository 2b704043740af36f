//! Vapour pressure and density of water.

use fobwatch_core::physics::water;

use crate::reference::{celsius, near, rows};

#[test]
fn vapour_pressure_follows_iapws_95() {
    // water_iapws.csv (iapws 1.5.5). Tolerance 0.05 %: the auxiliary equation against the full formulation.
    for row in rows("water_iapws.csv") {
        let got = water::vapour_pressure(celsius(row["celsius"])).unwrap().pascal();
        near(
            &format!("vapour at {}", row["celsius"]),
            got,
            row["vapour_pa"],
            5e-4,
        );
    }
}

#[test]
fn density_follows_iapws_95() {
    // water_iapws.csv (iapws 1.5.5). Tolerance 0.02 kg/m3.
    for row in rows("water_iapws.csv") {
        let got = water::density(celsius(row["celsius"])).unwrap().grams_per_litre();
        let wanted = row["density_kg_per_m3"];
        assert!(
            (got - wanted).abs() < 0.02,
            "{} degC: {got} {wanted}",
            row["celsius"]
        );
    }
}

#[test]
fn vapour_is_8_hectopascal_in_the_fridge_and_42_on_a_hot_day() {
    // Any steam table (rounded): 8 hPa at 4 degC, 23 at 20, 42 at 30.
    for (t, hectopascal) in [(4.0, 8.0), (20.0, 23.0), (30.0, 42.0)] {
        let got = water::vapour_pressure(celsius(t)).unwrap().pascal() / 100.0;
        assert!((got - hectopascal).abs() < 0.5, "{t}: {got}");
    }
}
