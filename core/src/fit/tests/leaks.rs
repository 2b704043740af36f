//! Leaks of the sensor vessel: told from cultures that slow down, also while the pressure goes on rising.

use fobwatch_simulator::{Scenario, Simulation};

use super::{super::change, heard, hours};
use crate::{
    fit::{climb, course::Problem},
    forecast::Suspicion,
};

fn suspected(scenario: &Scenario, seed: u64, at_h: i64) -> Option<(Suspicion, f64)> {
    let played = Simulation::run(scenario, seed);
    let at = hours(&played, at_h);
    let evidence = heard(&played, at);
    let problem = Problem::new(&evidence, evidence.hours(at));
    let best = climb::maximum(&problem, None, true);
    change::suspected(&problem, best.z.as_slice())
}

#[test]
fn a_leak_is_found_while_the_pressure_still_rises() {
    let seed = 16;
    let leaking = Scenario::drawn_leaking(seed);
    let begins = leaking.leak.as_ref().unwrap().from_h;
    let played = Simulation::run(&leaking, seed);
    let pressure_at = |h: i64| played.truth.at(hours(&played, h)).unwrap().pilot_bar;
    assert!(
        (57.0..59.0).contains(&begins) && pressure_at(63) > pressure_at(58),
        "{begins}"
    );
    let (what, since) = suspected(&leaking, seed, 63).expect("a leak");
    assert_eq!(what, Suspicion::Leak);
    assert!((since - begins).abs() < 3.0, "{since} {begins}");
    assert_eq!(suspected(&Scenario::drawn(seed), seed, 63), None);
}

#[test]
fn a_culture_that_gives_up_is_no_leak() {
    for (seed, at_h) in [
        (5, 107),
        (8, 78),
        (9, 46),
        (11, 71),
        (15, 125),
        (22, 117),
        (28, 131),
        (40, 64),
    ] {
        let found = suspected(&Scenario::drawn_stalling(seed), seed, at_h);
        assert_eq!(found, None, "{seed}");
    }
}

#[test]
fn a_sound_bottle_that_goes_to_the_fridge_is_no_leak() {
    let seed = 4;
    let mut moved = Scenario::drawn(seed);
    moved.events.push(fobwatch_simulator::scenario::Happening {
        at_h: 76.0,
        kind: fobwatch_simulator::Deed::MovedToFridge,
        noted: true,
    });
    for at_h in [78, 80, 81, 84, 90] {
        assert_eq!(suspected(&moved, seed, at_h), None, "{at_h}");
    }
}
