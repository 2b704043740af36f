//! Without a gauge the worst case is told from sugar and temperature alone. The simulator, whose kinetics are its own, plays lively
//! batches whose limit lies where they pass it; the engine hears their thermometers and nothing else.

mod row;

use fobwatch_core::{
    alert::{AlertName, Transition, Units},
    batch::Batch,
    engine::{Action, ClockSource, Event, Monitor, Rules, Settings, drive_some},
    fit::Surroundings,
    quantity::AbsolutePressure,
};
use fobwatch_simulator::{Quantity, Scenario, Simulation};
use jiff::{SignedDuration, tz::TimeZone};

#[test]
fn the_limit_is_told_before_it_is_passed_though_nobody_measures_the_pressure() {
    for seed in 1..=3 {
        let mut scenario = Scenario::shipped("lively_culture").expect("a shipped name");
        scenario
            .sensors
            .retain(|sensor| sensor.quantity != Quantity::Pressure);
        let mut played = Simulation::run(&scenario, seed);
        let peak = played
            .truth
            .moments
            .iter()
            .map(|m| m.worst_bar)
            .fold(0.0, f64::max);
        scenario.bottle.pressure_limit_bar = 0.5 * peak;
        played = Simulation::run(&scenario, seed);
        let crosses = played.truth.limit_at().expect("it passes its limit");
        let (batch, _) =
            Batch::from_toml(&played.batch_toml, "batch.toml").expect("the simulator's batch file");
        let mut monitor = Monitor::new(
            batch,
            Settings {
                zone: TimeZone::UTC,
                units: Units::default(),
                surroundings: Surroundings {
                    usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
                },
                clock: ClockSource::Readings,
                rules: Rules::default(),
            },
        );
        let from = crosses - SignedDuration::from_hours(13);
        let mut warned = None;
        for row in played.readings.iter().filter(|row| row.at <= crosses) {
            let Some(reading) = row::reading(row) else {
                continue;
            };
            let actions = drive_some(&mut monitor, Event::Measured(reading), &mut |request| {
                (request.at >= from).then(|| request.run())
            });
            warned = warned.or(actions.into_iter().find_map(|action| match action {
                Action::Alert(record) if record.state == Transition::Raised => {
                    let of_pressure = matches!(record.alert, AlertName::LimitNear | AlertName::OverLimit);
                    of_pressure.then_some(record)
                }
                _ => None,
            }));
            if warned.is_some() {
                break;
            }
        }
        let warned = warned.unwrap_or_else(|| panic!("seed {seed}: nobody was warned"));
        let ahead = crosses.duration_since(warned.at);
        assert!(
            ahead >= SignedDuration::from_hours(6),
            "seed {seed}: {ahead:?} before"
        );
        let said = warned.message.contains("No trustworthy gauge") || warned.alert == AlertName::OverLimit;
        assert!(said, "{}", warned.message);
        let end = monitor.forecast_request(crosses).run().forecast;
        assert!(end.limit_at.is_some_and(|when| when.p05.is_some()), "seed {seed}");
    }
}
