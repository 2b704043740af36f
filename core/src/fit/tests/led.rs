//! Data that come all at once tell as much, and as surely, as those that came in time.

use std::sync::Arc;

use fobwatch_simulator::{Scenario, Simulation};

use super::{evidence, heard, hours};
use crate::{
    fit::{Posterior, fit, fit_led, led},
    forecast::Forecast,
};

/// Logarithm of how many times the highest of the interval of vigour is the lowest.
fn width(forecast: &Forecast) -> f64 {
    (forecast.vigour.p95.ratio() / forecast.vigour.p05.ratio()).ln()
}

#[test]
fn four_days_of_rows_at_once_do_not_make_the_vigour_sure() {
    for seed in [3, 7] {
        let played = Simulation::run(&Scenario::drawn(seed), seed);
        let at = hours(&played, 96);
        let all = heard(&played, at);
        let told = |posterior: &Posterior| posterior.answers(&all, at).0;
        let in_time = told(&led::along(&all, at, 4.0, |age_h| age_h + 4.0));
        // Watched since the sealing, and not a row came.
        let silent = evidence(&played);
        let waiting = Arc::new(fit(&silent, hours(&played, 95), None));
        let late = told(&fit_led(&all, at, Some(&waiting)));
        let cold = told(&fit_led(&all, at, None));
        for at_once in [late, cold] {
            assert!(
                width(&at_once) > 0.6 * width(&in_time),
                "seed {seed}: {:?} at once, {:?} in time",
                at_once.vigour,
                in_time.vigour
            );
        }
    }
}

#[test]
fn what_came_in_time_is_gone_on_from() {
    let played = Simulation::run(&Scenario::drawn(3), 3);
    let (before, at) = (hours(&played, 47), hours(&played, 48));
    let all = heard(&played, at);
    let known = Arc::new(fit(&heard(&played, before), before, None));
    assert_eq!(fit_led(&all, at, Some(&known)), fit(&all, at, Some(&known)));
}
