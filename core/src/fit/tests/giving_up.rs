//! Cultures that give up short of the target, at alcohols that nobody would expect: the simulator's own, which knows of no tail and no valley.

use std::sync::Arc;

use fobwatch_simulator::{Played, Scenario, Simulation};

use super::{heard, hours};
use crate::{
    fit::{Posterior, climb, course::Problem, fit_and_answers, giving_up, prior::Parameters},
    forecast::{Forecast, Outlook},
};

/// Follows a batch in steps of three hours.
fn followed(scenario: &Scenario, seed: u64, until_h: i64) -> (Played, Forecast, Outlook) {
    let played = Simulation::run(scenario, seed);
    let mut warm: Option<Arc<Posterior>> = None;
    let mut told = None;
    for hour in (3..=until_h).step_by(3) {
        let at = hours(&played, hour);
        let evidence = heard(&played, at);
        let (posterior, forecast, outlook) = fit_and_answers(&evidence, at, warm.as_ref());
        (warm, told) = (Some(Arc::new(posterior)), Some((forecast, outlook)));
    }
    let (forecast, outlook) = told.expect("three hours at least");
    (played, forecast, outlook)
}

#[test]
fn a_culture_that_gave_up_is_told_to_stand_still_with_what_it_made() {
    // The maximum without a ceiling told 0.1 volumes and more in the last 36 h of each, and a content a tenth too high.
    for (seed, at_h) in [(26, 102), (65, 144)] {
        let (played, forecast, outlook) = followed(&Scenario::drawn_stalling(seed), seed, at_h);
        let truth = |h: i64| played.truth.at(hours(&played, h)).unwrap().co2_volumes;
        let gained = truth(at_h) - truth(at_h - 36);
        assert!((0.0..0.03).contains(&gained), "{gained}");
        assert!(outlook.gained.p50 < 0.05, "{:?} {gained}", outlook.gained);
        let content = &forecast.co2;
        assert!(
            (content.p05.volumes()..content.p95.volumes()).contains(&truth(at_h)),
            "{content:?} {}",
            truth(at_h)
        );
        let target = forecast.target_at.as_ref().and_then(|when| when.p50);
        assert_eq!(target, None, "it never reaches the target");
        // No ceiling is leaned on for a worst case, but nor does it go on at once as if there were none.
        assert!(outlook.limit_within_24h.share() < 0.05, "{outlook:?}");
    }
}

#[test]
fn a_culture_that_goes_on_is_not_held_to_give_up() {
    for (seed, at_h) in [(3, 96), (7, 96), (26, 96)] {
        let played = Simulation::run(&Scenario::drawn(seed), seed);
        let at = hours(&played, at_h);
        let evidence = heard(&played, at);
        let problem = Problem::new(&evidence, evidence.hours(at));
        let best = climb::maximum(&problem, None, true);
        let found = giving_up::gives_up(&problem, &best).expect("no ceiling in the file");
        let gives_up_early = Parameters::of(found.z.as_slice(), &problem.frame.known).gives_up_early();
        assert!(
            found.cost > best.cost || !gives_up_early,
            "{seed}: {} {}",
            found.cost,
            best.cost
        );
    }
}

#[test]
fn the_way_to_a_culture_that_gives_up_leads_over_ceilings_that_it_has_nearly_reached() {
    let seed = 26;
    let played = Simulation::run(&Scenario::drawn_stalling(seed), seed);
    let ceiling = Scenario::drawn_stalling(seed).culture.ceiling_percent.unwrap();
    let at = hours(&played, 84);
    let evidence = heard(&played, at);
    let problem = Problem::new(&evidence, evidence.hours(at));
    let best = climb::maximum(&problem, None, true);
    let found = giving_up::or_gives_up(&problem, best.clone());
    let of = |z: &[f64]| Parameters::of(z, &problem.frame.known).ceiling;
    assert!(of(best.z.as_slice()) > 1.5, "it does not find the way by itself");
    assert!(found.cost < best.cost - 50.0, "{} {}", found.cost, best.cost);
    let told = of(found.z.as_slice());
    assert!((0.7..1.4).contains(&(told / ceiling)), "{told} {ceiling}");
}
