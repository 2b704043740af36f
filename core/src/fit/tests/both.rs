//! Gauge and float in one bottle.

use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::Timestamp;

use super::{fit, hours, observed};
use crate::{
    batch::Batch,
    fit::{Crosscheck, Evidence, Observed, Surroundings},
    forecast::Forecast,
    quantity::AbsolutePressure,
};

fn asked(
    played: &Played,
    file: &str,
    at: Timestamp,
    wanted: impl Fn(&Observed) -> bool,
) -> (Forecast, Crosscheck) {
    let (batch, _) = Batch::from_toml(file, "played").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    for (taken, row) in observed(played, at) {
        if wanted(&row) {
            evidence.observe(taken, row);
        }
    }
    let posterior = fit(&evidence, at, None);
    (
        posterior.answers(&evidence, at).0,
        posterior.crosscheck(&evidence),
    )
}

fn ripe(played: &Played) -> Timestamp {
    let target = played.truth.target_at().expect("drawn to reach it");
    hours(played, target.duration_since(hours(played, 0)).as_hours())
}

#[test]
fn a_float_beside_the_gauge_does_no_harm_and_agrees_with_it() {
    let mut errors = [0.0, 0.0];
    for seed in [4, 11, 15, 26] {
        let played = Simulation::run(&Scenario::drawn_with_both(seed), seed);
        let at = ripe(&played);
        let truth = played.truth.at(at).expect("within the play").co2_volumes;
        let (with, check) = asked(&played, &played.batch_toml, at, |_| true);
        let (without, _) = asked(&played, &played.batch_toml, at, |row| {
            !matches!(row, Observed::Gravity(_))
        });
        errors[0] += (with.co2.p50.volumes() - truth).abs() / 4.0;
        errors[1] += (without.co2.p50.volumes() - truth).abs() / 4.0;
        assert!(
            check.gauge.expect("heard").bar().abs() < 0.05,
            "{seed}: {check:?}"
        );
        assert!(check.gravity.expect("heard").abs() < 0.000_6, "{seed}: {check:?}");
        let recipe = check.recipe.expect("heard");
        assert!(recipe.p05 < 0.002 && recipe.p95 > -0.002, "{seed}: {recipe:?}");
    }
    assert!(errors[0] < errors[1] + 0.03, "{errors:?}");
}

#[test]
fn sugar_that_nobody_entered_shows_beside_the_recipe() {
    let scenario = Scenario::drawn_with_both(11);
    let played = Simulation::run(&scenario, 11);
    let sucrose = scenario.drink.sucrose_g_per_l;
    let entry = |g: f64| format!("sucrose_g_per_l = {g:?}");
    let wrong = played.batch_toml.replace(&entry(sucrose), &entry(sucrose - 20.0));
    assert_ne!(wrong, played.batch_toml);
    let (_, check) = asked(&played, &wrong, hours(&played, 24), |_| true);
    // 20 g/L of sucrose weigh 0.0077.
    let recipe = check.recipe.expect("heard");
    assert!(recipe.p05 > 0.005 && recipe.p95 < 0.011, "{recipe:?}");
}

#[test]
fn a_leak_pulls_the_gauge_away_from_the_float() {
    let apart = |leaking: bool| {
        let mut scenario = Scenario::drawn_with_both(11);
        if leaking {
            scenario.leak = Scenario::drawn_leaking(11).leak;
            assert!(scenario.leak.is_some());
        }
        let played = Simulation::run(&scenario, 11);
        let at = hours(&played, 110);
        let (forecast, check) = asked(&played, &played.batch_toml, at, |_| true);
        let bar = check.gauge.expect("heard").bar();
        (bar, check.gravity.expect("heard"), forecast)
    };
    let (sound_bar, sound_gravity, _) = apart(false);
    let (bar, gravity, _) = apart(true);
    // The life between them: the gauge below it, the float, which knows of more CO2 made, below it too.
    assert!(
        bar < sound_bar && gravity < sound_gravity,
        "{bar} {sound_bar} {gravity} {sound_gravity}"
    );
}
