//! A gauge that creeps beside a float, told; a sound one, and a float that creeps, not.

use fobwatch_simulator::{Scenario, Simulation};

use super::{super::change, evidence, hours, observed};
use crate::{
    fit::{Observed, climb, course::Problem},
    forecast::Suspicion,
    quantity::{GaugePressure, Gravity},
};

/// What creeps, from when on, bar or gravity an hour.
#[derive(Clone, Copy)]
enum Creep {
    Nothing,
    Gauge(f64, f64),
    Float(f64, f64),
}

fn suspected(scenario: &Scenario, seed: u64, at_h: i64, creep: Creep) -> Option<(Suspicion, f64)> {
    let played = Simulation::run(scenario, seed);
    let at = hours(&played, at_h);
    let mut evidence = evidence(&played);
    for (taken, row) in observed(&played, at) {
        let by = |from_h: f64, per_h: f64| per_h * (evidence.hours(taken) - from_h).max(0.0);
        let row = match (row, creep) {
            (Observed::Gauge(p), Creep::Gauge(from_h, per_h)) => {
                Observed::Gauge(GaugePressure::from_bar(p.bar() + by(from_h, per_h)).expect("in range"))
            }
            (Observed::Gravity(g), Creep::Float(from_h, per_h)) => {
                Observed::Gravity(Gravity::from_specific(g.specific() + by(from_h, per_h)).expect("in range"))
            }
            (row, _) => row,
        };
        evidence.observe(taken, row);
    }
    let problem = Problem::new(&evidence, evidence.hours(at));
    let best = climb::maximum(&problem, None, true);
    change::suspected(&problem, best.z.as_slice())
}

#[test]
fn a_gauge_that_creeps_upwards_is_told_by_the_float_beside_it_and_by_nothing_else() {
    for (seed, begins_h, bar_per_h, at_h) in [(22, 75, 0.015, 121), (30, 43, 0.016, 88), (34, 92, 0.016, 120)]
    {
        let creep = Creep::Gauge(f64::from(begins_h), bar_per_h);
        let both = Scenario::drawn_with_both(seed);
        let (what, since) = suspected(&both, seed, at_h, creep).expect("told");
        assert_eq!(what, Suspicion::Creeping, "{seed}");
        assert!((since - f64::from(begins_h)).abs() < 6.0, "{seed}: {since}");
        assert_eq!(
            suspected(&Scenario::drawn(seed), seed, at_h, creep),
            None,
            "{seed}"
        );
    }
}

#[test]
fn a_sound_gauge_beside_a_float_is_not_suspected() {
    for (seed, at_h) in [
        (22, 110),
        (30, 80),
        (34, 120),
        (18, 138),
        (19, 90),
        (23, 96),
        (26, 87),
    ] {
        let found = suspected(&Scenario::drawn_with_both(seed), seed, at_h, Creep::Nothing);
        assert_eq!(found, None, "{seed}");
    }
}

#[test]
fn a_float_that_creeps_is_not_taken_for_the_gauge() {
    for (seed, begins_h, at_h) in [(22, 75, 121), (34, 92, 120)] {
        // As much as a creep of 15 mbar an hour would look like.
        let creep = Creep::Float(f64::from(begins_h), 0.015 * 1.8e-3);
        let found = suspected(&Scenario::drawn_with_both(seed), seed, at_h, creep);
        assert_eq!(found, None, "{seed}");
    }
}
