//! Back from the cold: the lag makes a forecast later, and never earlier.

use super::*;
use crate::fit::Handling;

#[test]
fn a_culture_back_from_the_cold_makes_it_later_and_never_earlier() {
    let played = Simulation::run(&Scenario::drawn(2), 2);
    let (chilled, out) = (hours(&played, 36), hours(&played, 84));
    let mut evidence = heard(&played, chilled);
    evidence.handle(chilled, Handling::Fridge);
    evidence.handle(out, Handling::Room);
    let posterior = fit(&evidence, out, None);
    let awake = posterior.answers(&evidence, out);

    // No time in the cold is no sleep, to the last bit.
    let (forecast, outlook, asleep) = posterior.answers_asleep(&evidence, out, 0.0);
    assert_eq!((forecast, outlook), awake);
    assert!(asleep.p95.0.abs() < f64::EPSILON, "{asleep:?}");

    let mut before = awake.0;
    let (mut slept, asked) = (0.0, [12.0, 48.0, 240.0]);
    for cold_h in asked {
        let (forecast, outlook, asleep) = posterior.answers_asleep(&evidence, out, cold_h);
        assert_in_order(&forecast);
        assert!(
            asleep.p05.0 < asleep.p50.0 && asleep.p50.0 < asleep.p95.0,
            "{asleep:?}"
        );
        assert!(asleep.p50.0 > slept, "{asleep:?} after {cold_h} h");
        slept = asleep.p50.0;
        let (now, then) = (
            forecast.move_at.expect("reached"),
            before.move_at.expect("reached"),
        );
        assert!(now.p05 >= then.p05, "{now:?} {then:?}");
        for (now, then) in [(now.p50, then.p50), (now.p95, then.p95)] {
            assert!(
                now.is_none_or(|now| then.is_some_and(|then| now > then)),
                "{now:?} {then:?}"
            );
        }
        // What is in the bottles is there, asleep or not.
        assert_eq!(outlook.worst_bottle_now, awake.1.worst_bottle_now);
        assert_eq!(forecast.vigour, before.vigour);
        before = forecast;
    }
    // Work of 0.85 at some 0.1 an hour (21 degC) is some eight hours; nobody has measured it for such a culture.
    assert!((3.0..16.0).contains(&slept), "{slept} h");
}
