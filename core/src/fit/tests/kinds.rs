//! Every kind of evidence alone: what it tells, and how sure it is of it.

use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::Timestamp;

use super::{fit, heard, hours};
use crate::forecast::Forecast;

fn forecast(played: &Played, at: Timestamp) -> Forecast {
    let evidence = heard(played, at);
    fit(&evidence, at, None).answers(&evidence, at).0
}

/// The target's time on the half hour.
fn at_target(played: &Played) -> Timestamp {
    let sealed = hours(played, 0);
    let target = played.truth.target_at().expect("drawn to reach it");
    let half_hours = target.duration_since(sealed).as_secs() / 1_800;
    sealed + jiff::SignedDuration::from_secs(half_hours * 1_800)
}

/// A float alone: its offset is told by the first hours, the sugar that is split is not taken for sugar that stays.
#[test]
fn gravity_alone_tells_the_content_to_a_third_of_a_volume() {
    let mut errors = Vec::new();
    let mut held = 0;
    for seed in [1, 4, 11, 15, 20, 23, 26] {
        let played = Simulation::run(&Scenario::drawn_with_float(seed), seed);
        let at = at_target(&played);
        let co2 = forecast(&played, at).co2;
        let truth = played.truth.at(at).expect("within the play").co2_volumes;
        held += i32::from(truth >= co2.p05.volumes() && truth <= co2.p95.volumes());
        errors.push((co2.p50.volumes() - truth).abs());
        // Coarser than a gauge, and it says so.
        assert!(co2.p95.volumes() - co2.p05.volumes() > 0.2, "{seed}: {co2:?}");
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors[3] < 0.35, "{errors:?}");
    // Seven at 90 %: five or more in 97 of 100 such trials.
    assert!(held >= 5, "{held} of 7");
}
