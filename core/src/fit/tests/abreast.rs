//! Members that are reckoned abreast are what they are alone, bit for bit.

use fobwatch_simulator::{Scenario, Simulation};
use jiff::SignedDuration;
use nalgebra::DVector;

use super::{evidence, hours, observed, unheard};
use crate::{
    abreast::ABREAST,
    fit::{Evidence, Handling, course::Problem, draws::Draws},
    quantity::GaugePressure,
};

/// A whole row, and one with places left over.
fn agree(evidence: &Evidence, now_h: f64) {
    let problem = Problem::new(evidence, now_h);
    let draws = Draws::new(&problem, 7);
    let points: Vec<DVector<f64>> = (0..2 * ABREAST - 1).map(|member| draws.of(member)).collect();
    let abreast = problem.shown_at_each(&points);
    assert_eq!(abreast.len(), points.len());
    for (z, (course, residuals)) in points.iter().zip(&abreast) {
        let (alone, residuals_alone) = problem.shown_at(z);
        assert_eq!(course.states, alone.states);
        assert!(course.states.iter().all(|state| state.bar.is_finite()));
        assert_eq!(*residuals, residuals_alone);
    }
}

#[test]
fn in_glass_with_a_venting() {
    let played = Simulation::run(&Scenario::shipped("plain").expect("shipped"), 1);
    let mut evidence = evidence(&played);
    for (at, row) in observed(&played, hours(&played, 60)) {
        evidence.observe(at, row);
    }
    evidence.handle(hours(&played, 31), Handling::Vented);
    agree(&evidence, 60.0);
}

#[test]
fn in_a_plastic_bottle() {
    let (mut evidence, sealed) = unheard("[pilot]\nmaterial = \"pet\"\ncapacity_ml = 500\nfill_ml = 470\n");
    for hour in 1..90_i32 {
        let at = sealed + SignedDuration::from_hours(i64::from(hour));
        let bar = GaugePressure::from_bar(0.02 * f64::from(hour)).expect("in range");
        evidence.observe(at, crate::fit::Observed::Gauge(bar));
    }
    agree(&evidence, 90.0);
}
