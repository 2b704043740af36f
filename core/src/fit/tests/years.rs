//! Batches that nobody ended, and clocks that are off by years.

use fobwatch_simulator::{Scenario, Simulation};

use super::{evidence, hours, observed};
use crate::fit::course::Problem;

#[test]
fn three_years_take_no_more_steps_than_a_few_months_did() {
    let played = Simulation::run(&Scenario::drawn(3), 3);
    let evidence = evidence(&played);
    let months = Problem::new(&evidence, 2_800.0);
    let years = Problem::new(&evidence, 26_352.0);
    let [few, many] = [&months, &years].map(|problem| problem.frame.nodes.len());
    assert!(
        many < 4 * few,
        "{many} nodes for three years, {few} for four months"
    );
    let [few, many] = [&months, &years].map(Problem::size);
    assert!(
        many < 3 * few,
        "{many} unknowns for three years, {few} for four months"
    );
}

#[test]
fn coarse_steps_of_a_ripe_drink_tell_the_same_content() {
    let played = Simulation::run(&Scenario::drawn(3), 3);
    let mut evidence = evidence(&played);
    for (at, row) in observed(&played, hours(&played, 96)) {
        evidence.observe(at, row);
    }
    let content = |now_h: f64| {
        let problem = Problem::new(&evidence, now_h);
        let z = vec![0.0; problem.size()];
        let course = problem.course(&z, None);
        let life = problem.life(&z);
        let state = course.states.last().copied().expect("begins");
        life.content(&problem.frame, &state) / crate::quantity::GRAMS_PER_LITRE_PER_VOLUME
    };
    // The last hour before the steps of a ripe drink grow, and weeks on.
    let [before, after] = [content(2_879.0), content(3_700.0)];
    assert!(before > 1.0, "{before} volumes");
    assert!((after - before).abs() < 0.05, "{before} volumes, then {after}");
}
