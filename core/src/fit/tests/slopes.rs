//! The derivative that is carried along a course beside differences of whole courses.

use fobwatch_simulator::{Scenario, Simulation};
use jiff::SignedDuration;
use nalgebra::DVector;

use super::{evidence, heard, hours, observed, unheard};
use crate::{
    fit::{Evidence, Handling, Told, course::Problem, draws::Draws},
    forecast::NeverTight,
    note::Liveliness,
    quantity::{Co2Volumes, Gravity},
};

/// Furthest entry from its difference, as a share of the largest of its column.
fn worst(problem: &Problem, member: usize) -> (f64, usize) {
    const STEP: f64 = 2e-4;
    let z = Draws::new(problem, 7).of(member) * 0.5;
    let at = |z: &DVector<f64>| {
        let course = problem.course(z.as_slice(), None);
        let residuals = DVector::from_vec(problem.residuals(z.as_slice(), &course));
        (course, residuals)
    };
    let (course, residuals) = at(&z);
    let jacobian = problem.jacobian(&z, &course, &residuals);
    let mut worst = (0.0, 0);
    for index in (0..z.len()).filter(|index| !problem.idle(*index)) {
        let shifted = |by: f64| {
            let mut moved = z.clone();
            moved[index] += by;
            at(&moved).1
        };
        let difference = (shifted(STEP) - shifted(-STEP)) / (2.0 * STEP);
        let size = difference.amax().max(0.05);
        let off = (difference - jacobian.column(index)).amax() / size;
        if off > worst.0 {
            worst = (off, index);
        }
    }
    worst
}

fn holds(evidence: &Evidence, now_h: f64) {
    let problem = Problem::new(evidence, now_h);
    assert!(!problem.data.is_empty());
    for member in 0..6 {
        let (off, index) = worst(&problem, member);
        assert!(off < 0.01, "member {member}: number {index} is {off} off");
    }
}

#[test]
fn a_gauge_with_a_venting_and_a_taste() {
    let played = Simulation::run(&Scenario::shipped("plain").expect("shipped"), 1);
    let mut evidence = evidence(&played);
    for (at, row) in observed(&played, hours(&played, 60)) {
        evidence.observe(at, row);
    }
    holds(&evidence, 60.0);
    evidence.handle(hours(&played, 31), Handling::Vented);
    evidence.tell(hours(&played, 40), Told::Tasted(Liveliness::Light));
    holds(&evidence, 60.0);
}

#[test]
fn a_gauge_on_a_vessel_that_was_never_tight() {
    let played = Simulation::run(&Scenario::shipped("plain").expect("shipped"), 1);
    let mut evidence = heard(&played, hours(&played, 60));
    evidence.hold_never_tight(Some(NeverTight {
        at: hours(&played, 54),
        co2: Co2Volumes::from_volumes(2.0).expect("in range"),
        spread: 0.3,
    }));
    holds(&evidence, 60.0);
}

#[test]
fn a_float_in_a_plastic_bottle() {
    let (mut evidence, sealed) = unheard("[pilot]\nmaterial = \"pet\"\ncapacity_ml = 500\nfill_ml = 470\n");
    for hour in 1..90 {
        let at = sealed + SignedDuration::from_hours(hour);
        let gravity = Gravity::from_specific(1.03 - 1e-4 * f64::from(u8::try_from(hour).expect("small")));
        evidence.observe(at, crate::fit::Observed::Gravity(gravity.expect("in range")));
        let bar =
            crate::quantity::GaugePressure::from_bar(0.02 * f64::from(u8::try_from(hour).expect("small")));
        evidence.observe(at, crate::fit::Observed::Gauge(bar.expect("in range")));
    }
    holds(&evidence, 90.0);
}

#[test]
fn a_gauge_whose_thermometers_died() {
    let played = Simulation::run(&Scenario::shipped("plain").expect("shipped"), 1);
    let mut evidence = evidence(&played);
    for (at, row) in observed(&played, hours(&played, 60)) {
        let gauge = matches!(row, crate::fit::Observed::Gauge(_));
        if gauge || at < hours(&played, 20) {
            evidence.observe(at, row);
        }
    }
    holds(&evidence, 60.0);
}
