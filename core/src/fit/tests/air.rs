//! The air around: a barometer, an altitude, and gauges that count from vacuum.

use fobwatch_simulator::{Played, Quantity, Scenario, Simulation};

use super::{hours, observed};
use crate::{
    batch::Batch,
    fit::{Evidence, Observed, Surroundings, fit},
    forecast::Forecast,
    quantity::AbsolutePressure,
};

/// Some 900 m up, a gauge in the bottle that counts from vacuum, and a barometer in the kitchen.
fn high_up(seed: u64) -> Played {
    let mut scenario = Scenario::drawn(seed);
    scenario.air.mean_bar = 0.91;
    let gauge = scenario
        .sensors
        .iter_mut()
        .find(|sensor| sensor.quantity == Quantity::Pressure);
    let gauge = gauge.expect("drawn with a gauge");
    gauge.quantity = Quantity::AbsolutePressure;
    let mut barometer = gauge.clone();
    barometer.source = "barometer".to_owned();
    barometer.quantity = Quantity::AmbientPressure;
    (barometer.offset_spread, barometer.gain_spread, barometer.noise) = (0.001, 0.0, 0.000_3);
    (barometer.step, barometer.outlier_chance) = (0.000_1, 0.0);
    scenario.sensors.push(barometer);
    Simulation::run(&scenario, seed)
}

/// The forecast at the target, and by how much it is off.
fn at_target(played: &Played, usual_bar: f64, barometer: bool) -> (Forecast, f64) {
    let (batch, _) =
        Batch::from_toml(&played.batch_toml, "played").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::from_bar(usual_bar).expect("in range");
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    let ripe = played.truth.target_at().expect("drawn to reach it");
    let at = hours(played, ripe.duration_since(hours(played, 0)).as_hours());
    for (taken, row) in observed(played, at) {
        if barometer || !matches!(row, Observed::Ambient(_)) {
            evidence.observe(taken, row);
        }
    }
    let forecast = fit(&evidence, at, None).answers(&evidence, at).0;
    let truth = played.truth.at(at).expect("within the play").co2_volumes;
    let off = forecast.co2.p50.volumes() - truth;
    (forecast, off)
}

#[test]
fn a_barometer_stands_in_for_an_altitude_that_nobody_entered() {
    let mut errors = [0.0, 0.0, 0.0];
    for seed in [11, 15, 19] {
        let played = high_up(seed);
        let (_, by_altitude) = at_target(&played, 0.91, false);
        let (_, by_barometer) = at_target(&played, 1.013, true);
        let (_, by_neither) = at_target(&played, 1.013, false);
        for (sum, error) in errors.iter_mut().zip([by_altitude, by_barometer, by_neither]) {
            *sum += error.abs() / 3.0;
        }
    }
    let [by_altitude, by_barometer, by_neither] = errors;
    assert!(by_altitude < 0.12 && by_barometer < 0.12, "{errors:?}");
    assert!(by_barometer < by_neither, "{errors:?}");
}
