//! Sugar, CO2 and alcohol.

use fobwatch_core::physics::sugar::{self, INVERSION, Yield, alcohol_with, as_hexose, co2_from, hexose_for};
use fobwatch_core::quantity::{Co2Volumes, MassConcentration};

use crate::reference::{between, near};

fn grams(value: f64) -> MassConcentration {
    MassConcentration::from_grams_per_litre(value).unwrap()
}

#[test]
fn masses_follow_the_equation() {
    // Molar masses 342.30, 180.16, 46.07, 44.01 g/mol (any table of atomic weights); sucrose + water -> 2 hexoses,
    // hexose -> 2 ethanol + 2 CO2.
    near("inversion", INVERSION, 2.0 * 180.16 / 342.30, 1e-4);
    near("inversion as the trade rounds it", INVERSION, 1.053, 5e-4);
    near("CO2", sugar::CO2_PER_HEXOSE, 2.0 * 44.01 / 180.16, 1e-4);
    near("ethanol", sugar::ETHANOL_PER_HEXOSE, 2.0 * 46.07 / 180.16, 1e-4);
    near(
        "sum",
        sugar::CO2_PER_HEXOSE + sugar::ETHANOL_PER_HEXOSE,
        1.0,
        1e-4,
    );
}

#[test]
fn balling_gives_his_own_figures_back() {
    // Balling: 2.0665 g of extract -> 1 g of ethanol + 0.9565 g of CO2 + 0.11 g of yeast (Nielsen et al., Scandinavian
    // School of Brewing; Kvasny Prum. 61, 120, 2015). Extract weighs as disaccharide. His ethanol agrees to 0.2 %.
    let hexose = as_hexose(grams(20.665), MassConcentration::ZERO).unwrap();
    let co2 = co2_from(hexose, Yield::Balling).unwrap();
    near("CO2", co2.grams_per_litre(), 9.565, 1e-6);
    near(
        "ethanol",
        co2.grams_per_litre() * sugar::ETHANOL_PER_CO2,
        10.0,
        2e-3,
    );
}

#[test]
fn a_volume_takes_about_four_grams_of_sucrose() {
    // Practice: 3.7 to 4.3 g/L of sucrose for each added volume (trade literature, without the headspace's part).
    let volume = Co2Volumes::from_volumes(1.0).unwrap();
    for yields in [Yield::Stoichiometric, Yield::Balling] {
        let sucrose = hexose_for(volume, yields).unwrap().grams_per_litre() / INVERSION;
        between(&format!("{yields:?}"), sucrose, 3.7, 4.3);
    }
}

#[test]
fn a_volume_brings_a_quarter_per_cent_of_alcohol() {
    // 0.26 % vol per volume, so 0.5 % vol near 1.9 volumes (molar masses and 789.24 kg/m3, OIML R 22).
    let volumes = |v| {
        alcohol_with(Co2Volumes::from_volumes(v).unwrap())
            .unwrap()
            .percent()
    };
    near("one volume", volumes(1.0), 0.26, 0.02);
    near("1.9 volumes", volumes(1.9), 0.5, 0.01);
}

#[test]
fn sparkling_wine_dosage_gives_its_alcohol() {
    // Practice of sparkling wine (Oxford Companion to Wine; French oenology teaching pages): 24 g/L of sugar give 1.2
    // to 1.3 % vol. Yeast growth and glycerol take their part there, so the equation has to lie above and Balling
    // within the 0.3 % vol by which a label may err (Regulation (EU) 1169/2011, annex XII).
    let hexose = as_hexose(grams(24.0), MassConcentration::ZERO).unwrap();
    let abv = |yields| alcohol_with(co2_from(hexose, yields).unwrap()).unwrap().percent();
    between("Balling", abv(Yield::Balling), 1.2, 1.6);
    between("equation", abv(Yield::Stoichiometric), 1.3, 1.7);
}

#[test]
fn what_is_asked_for_is_what_comes_out() {
    for yields in [Yield::Stoichiometric, Yield::Balling] {
        let co2 = Co2Volumes::from_volumes(2.8).unwrap();
        let back = co2_from(hexose_for(co2, yields).unwrap(), yields).unwrap();
        near("round trip", back.volumes(), 2.8, 1e-12);
    }
}
