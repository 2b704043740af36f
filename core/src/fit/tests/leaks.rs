//! Leaks of the sensor vessel: told from cultures that slow down, also while the pressure goes on rising.

use std::sync::Arc;

use fobwatch_simulator::{Played, Scenario, Simulation};

use super::{super::change, heard, hours};
use crate::{
    fit::{Posterior, climb, course::Problem, fit, fit_and_answers},
    forecast::{NeverTight, Suspicion},
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
        // A break of a course: told as leaks before a culture that gives up was set beside.
        (6, 55),
        (55, 107),
        (93, 35),
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

/// Follows a batch in steps of three hours, and tells when it was first held never to have been tight, and the evidence then.
fn never_tight(scenario: &Scenario, seed: u64, until_h: i64) -> (Option<(i64, NeverTight)>, Played) {
    let played = Simulation::run(scenario, seed);
    let mut warm: Option<Arc<Posterior>> = None;
    for hour in (3..=until_h).step_by(3) {
        let at = hours(&played, hour);
        let evidence = heard(&played, at);
        let (posterior, _, outlook) = fit_and_answers(&evidence, at, warm.as_ref());
        if let Some(found) = outlook.never_tight {
            return (Some((hour, found)), played);
        }
        warm = Some(Arc::new(posterior));
    }
    (None, played)
}

#[test]
fn a_vessel_that_was_never_tight_is_told_and_what_the_others_hold() {
    let seed = 39;
    let mut leaking = Scenario::drawn_leaking(seed);
    leaking.leak.as_mut().unwrap().from_h = 0.0;
    let (told, played) = never_tight(&leaking, seed, 96);
    let (hour, found) = told.expect("it leaks from the start");
    assert!((36..=96).contains(&hour), "{hour}");
    let at = hours(&played, hour);
    let truth = played.truth.at(at).unwrap();
    let off = (found.co2.volumes() / truth.co2_volumes).ln();
    assert!(off.abs() < 2.0 * found.spread, "{found:?} {}", truth.co2_volumes);

    // Told so, the forecast holds the truth; the gauge at its word is far below it.
    let mut evidence = heard(&played, at);
    let at_its_word = fit(&evidence, at, None).answers(&evidence, at).0.co2;
    assert!(
        at_its_word.p95.volumes() < 0.7 * truth.co2_volumes,
        "{at_its_word:?}"
    );
    evidence.hold_never_tight(Some(found));
    let told = fit(&evidence, at, None).answers(&evidence, at).0.co2;
    assert!(
        (told.p05.volumes()..told.p95.volumes()).contains(&truth.co2_volumes),
        "{told:?} {}",
        truth.co2_volumes
    );

    assert_eq!(never_tight(&Scenario::drawn(seed), seed, 96).0, None);
}
