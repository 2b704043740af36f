//! Each fault does what it says, and nothing else.

use fobwatch_simulator::{Emitted, Quantity, Scenario, Simulation};

const QUIET: &str = "
    lasts_h = 60
    [bottle]
    pressure_limit_bar = 6
    [[sensor]]
    source = \"pilot\"
    quantity = \"pressure\"
    [[sensor]]
    source = \"pilot\"
    quantity = \"liquid_temperature\"
    [[sensor]]
    source = \"kitchen\"
    quantity = \"room_temperature\"
";

fn played(fault: &str) -> Vec<Emitted> {
    let mut scenario = Scenario::from_toml(QUIET).expect("a scenario");
    if !fault.is_empty() {
        scenario = scenario.with_fault(fault).expect("a fault");
    }
    Simulation::run(&scenario, 3).readings
}

/// Hours and values of one sensor, by arrival.
fn series(readings: &[Emitted], source: &str, quantity: Quantity) -> Vec<(f64, f64)> {
    let sealed = Scenario::from_toml(QUIET).expect("a scenario").bottled_at;
    readings
        .iter()
        .filter(|reading| reading.source == source && reading.quantity == quantity)
        .map(|reading| {
            let hours = reading.at.duration_since(sealed).as_secs_f64() / 3600.0;
            (hours, reading.unit.to_usual(reading.value))
        })
        .collect()
}

fn between(series: &[(f64, f64)], from: f64, to: f64) -> Vec<f64> {
    series
        .iter()
        .filter(|(hour, _)| (from..to).contains(hour))
        .map(|(_, value)| *value)
        .collect()
}

#[test]
fn a_stuck_sensor_says_the_same_and_then_the_truth_again() {
    let sound = series(&played(""), "pilot", Quantity::Pressure);
    let faulty =
        played("kind = \"stuck\", source = \"pilot\", quantity = \"pressure\", from_h = 40, for_h = 10");
    let stuck = series(&faulty, "pilot", Quantity::Pressure);
    assert_eq!(stuck.len(), sound.len());
    let within = between(&stuck, 40.0, 50.0);
    assert!(within.len() > 100 && within.windows(2).all(|pair| pair[0].total_cmp(&pair[1]).is_eq()));
    for (from, to) in [(0.0, 40.0), (50.0, 60.0)] {
        assert_eq!(between(&stuck, from, to), between(&sound, from, to));
    }
    for (source, quantity) in [
        ("pilot", Quantity::LiquidTemperature),
        ("kitchen", Quantity::RoomTemperature),
    ] {
        assert_eq!(
            series(&faulty, source, quantity),
            series(&played(""), source, quantity)
        );
    }
}

#[test]
fn a_creeping_gauge_is_off_by_its_size_each_day() {
    let sound = series(&played(""), "pilot", Quantity::Pressure);
    let faulty = played(
        "kind = \"drift\", source = \"pilot\", quantity = \"pressure\", from_h = 12, for_h = 24, size = 0.1",
    );
    for ((hour, value), (_, truth)) in series(&faulty, "pilot", Quantity::Pressure).iter().zip(&sound) {
        let wanted = 0.1 * (hour - 12.0).clamp(0.0, 24.0) / 24.0;
        assert!(
            (value - truth - wanted).abs() < 2e-6,
            "{hour} h: {value} and {truth}"
        );
    }
}

#[test]
fn a_dying_battery_is_rarer_then_sags_and_then_is_silent() {
    let sound = series(&played(""), "kitchen", Quantity::RoomTemperature);
    let faulty = played("kind = \"dying\", source = \"kitchen\", from_h = 24, for_h = 24, size = 3");
    let dying = series(&faulty, "kitchen", Quantity::RoomTemperature);
    assert_eq!(between(&dying, 0.0, 24.0), between(&sound, 0.0, 24.0));
    let counts: Vec<usize> = [24.0, 32.0, 40.0]
        .iter()
        .map(|from| between(&dying, *from, from + 8.0).len())
        .collect();
    assert!(
        counts[0] > counts[1] && counts[1] > counts[2] && counts[2] > 3,
        "{counts:?}"
    );
    assert!(between(&dying, 48.0, 60.0).is_empty());
    // Rarer at first, but true.
    for (hour, value) in dying.iter().filter(|(hour, _)| *hour < 32.0) {
        let truth = sound
            .iter()
            .find(|(at, _)| at.total_cmp(hour).is_eq())
            .expect("there")
            .1;
        assert!((value - truth).abs() < 2e-6);
    }
    let error = |from: f64| {
        let off: Vec<f64> = dying
            .iter()
            .filter(|(hour, _)| (from..from + 4.0).contains(hour))
            .map(|(hour, value)| {
                value
                    - sound
                        .iter()
                        .find(|(at, _)| at.total_cmp(hour).is_eq())
                        .expect("there")
                        .1
            })
            .collect();
        #[expect(clippy::cast_precision_loss, reason = "a handful")]
        let count = off.len() as f64;
        off.iter().sum::<f64>() / count
    };
    assert!(
        error(44.0) < -1.5 && error(44.0) < error(36.0),
        "{} {}",
        error(36.0),
        error(44.0)
    );
}

#[test]
fn swapped_probes_tell_of_each_other() {
    let (sound, faulty) = (
        played(""),
        played(
            "kind = \"swapped\", source = \"pilot\", quantity = \"liquid_temperature\", with_source = \"kitchen\", \
             with_quantity = \"room_temperature\", from_h = 20, for_h = 10",
        ),
    );
    let liquid = |readings: &[Emitted], from, to| {
        between(&series(readings, "pilot", Quantity::LiquidTemperature), from, to)
    };
    let room = |readings: &[Emitted], from, to| {
        between(&series(readings, "kitchen", Quantity::RoomTemperature), from, to)
    };
    assert_eq!(liquid(&faulty, 20.0, 30.0), room(&sound, 20.0, 30.0));
    assert_eq!(room(&faulty, 20.0, 30.0), liquid(&sound, 20.0, 30.0));
    assert_ne!(liquid(&sound, 20.0, 30.0), room(&sound, 20.0, 30.0));
    for (from, to) in [(0.0, 20.0), (30.0, 60.0)] {
        assert_eq!(liquid(&faulty, from, to), liquid(&sound, from, to));
        assert_eq!(room(&faulty, from, to), room(&sound, from, to));
    }
}

#[test]
fn a_brown_out_leaves_a_gap_a_reset_value_and_times_from_1970() {
    let faulty = played("kind = \"brownout\", source = \"pilot\", from_h = 10, for_h = 0.5, every_h = 20");
    for (quantity, reset) in [(Quantity::Pressure, 0.0), (Quantity::LiquidTemperature, 85.0)] {
        let pilot = series(&faulty, "pilot", quantity);
        for failed in [10.0, 30.0, 50.0] {
            // Ten minutes without a clock follow the half hour of silence.
            assert!(between(&pilot, failed, failed + 0.66).is_empty(), "{failed}");
            assert!(between(&pilot, failed + 0.66, failed + 1.0).len() > 2, "{failed}");
        }
        let lost: Vec<&Emitted> = faulty
            .iter()
            .filter(|reading| reading.quantity == quantity && reading.at.as_second() < 601)
            .collect();
        assert!((3..=9).contains(&lost.len()), "{}", lost.len());
        assert!(lost.iter().all(|reading| reading.at.as_millisecond() >= 0));
        let resets = lost
            .iter()
            .filter(|reading| (reading.unit.to_usual(reading.value) - reset).abs() < 1e-9)
            .count();
        assert_eq!(resets, 3, "one after each failure");
    }
    // The other board has its own power.
    assert_eq!(
        series(&faulty, "kitchen", Quantity::RoomTemperature),
        series(&played(""), "kitchen", Quantity::RoomTemperature)
    );
}

#[test]
fn a_fault_that_makes_no_sense_is_refused_by_its_key() {
    for (fault, key) in [
        ("kind = \"stuk\", source = \"pilot\"", "fault[0].kind"),
        ("source = \"pilot\"", "fault[0].kind"),
        ("kind = \"stuck\", source = \"nobody\"", "fault[0].source"),
        ("kind = \"stuck\", source = \"pilot\", size = 3", "fault[0].size"),
        (
            "kind = \"stuck\", source = \"pilot\", form_h = 3",
            "fault[0].form_h",
        ),
        (
            "kind = \"brownout\", source = \"pilot\", for_h = 2, every_h = 1",
            "fault[0].every_h",
        ),
        (
            "kind = \"swapped\", source = \"pilot\", quantity = \"pressure\", with_source = \"kitchen\", \
             with_quantity = \"room_temperature\"",
            "fault[0].quantity",
        ),
        ("kind = ", "fault"),
    ] {
        let scenario = Scenario::from_toml(QUIET).expect("a scenario");
        let problems = scenario.with_fault(fault).expect_err(fault).0;
        assert!(
            problems.iter().any(|problem| problem.key == key),
            "{fault}: {problems:?}"
        );
    }
}
