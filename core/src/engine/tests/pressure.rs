//! The pressure alerts: by the estimate, by the raw gauge, and what a person may do to them.

use jiff::tz::TimeZone;

use super::fixture::*;
use crate::{
    alert::{AlertName, Refused, Transition, Units},
    engine::{Action, ClockSource, Deed, Event, Monitor, Settings},
    note::NoteKind,
    quantity::Unit,
    reading::Quantity,
};

#[test]
fn the_estimate_at_the_limit_is_danger_and_withdraws_the_move() {
    let life = Life {
        chance: |h| if h > 100.0 { 0.5 } else { 0.0 },
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 140.0, |_| 1.0, |_| 21.0);
    // p95 is 0.2 bar above 0.03 h: 4 bar at 126.67 h.
    let danger = record_of(&actions, AlertName::OverLimit, RAISED);
    assert_eq!(danger.at, hour(127.0));
    assert!(danger.message.starts_with(
        "Danger. Hibiscus 12 may be at your limit of 4.00 bar. Keep people and animals out of the room. Do not touch, \
         open, move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls."
    ));
    let withdrawn = record_of(&actions, AlertName::MoveToFridge, Transition::Suppressed);
    assert_eq!(withdrawn.at, hour(127.0));
    assert!(withdrawn.message.contains("withdrawn"));
    assert!(record_of(&actions, AlertName::LimitNear, RAISED).at < danger.at);
}

#[test]
fn a_raw_gauge_at_the_limit_is_danger_at_once_whatever_the_model_says() {
    let life = Life {
        worst: |_| 0.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let creeping = |h: f64| 0.5 + 0.4 * h;
    let actions = live(&mut monitor, &life, 0.0, 9.5, creeping, |_| 21.0);
    let danger = record_of(&actions, AlertName::OverLimit, RAISED);
    assert!(
        danger.at >= hour(8.75) && danger.at <= hour(8.84),
        "{}",
        danger.at
    );
    assert!(
        danger.message.contains("The gauge pilot read 4.0"),
        "{}",
        danger.message
    );
}

#[test]
fn over_limit_cannot_be_shelved_and_only_a_person_clears_it_once_it_is_gone() {
    let mut monitor = monitor();
    let high = Life {
        worst: |_| 4.5,
        ..Life::default()
    };
    live(&mut monitor, &high, 0.0, 2.0, |_| 1.0, |_| 21.0);
    let alert = AlertName::OverLimit;
    let shelve = Deed::Shelve {
        until: hour(10.0),
        reason: "busy".to_owned(),
    };
    assert_eq!(
        monitor.permits(&command(2.0, alert, shelve.clone())),
        Err(Refused::NeverShelved { alert })
    );
    let refused = feed(&mut monitor, &high, Event::Commanded(command(2.0, alert, shelve)));
    assert!(matches!(refused.last(), Some(Action::Refused { .. })));
    let reset = Deed::Reset {
        reason: "all moved to the yard".to_owned(),
    };
    assert_eq!(
        monitor.permits(&command(2.0, alert, reset.clone())),
        Err(Refused::StillPresent { alert })
    );
    let low = Life {
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let shown = |monitor: &Monitor| monitor.view().alerts[0].message.clone();
    assert!(
        shown(&monitor).contains("As of Mon 2 Mar 08:30 UTC the fullest bottle is estimated at 4.50 bar"),
        "{}",
        shown(&monitor)
    );
    assert!(!shown(&monitor).contains("reckoned anew"), "{}", shown(&monitor));
    let mut gone = live(&mut monitor, &low, 2.0, 2.4, |_| 1.0, |_| 21.0);
    let once = shown(&monitor);
    assert!(
        once.contains("as of Mon 2 Mar 09:00 UTC it is estimated at 1.00 bar, and may be at 1.20 bar")
            && once.contains("If what is reckoned at Mon 2 Mar 09:30 UTC agrees, the alert can be cleared"),
        "{once}"
    );
    gone.extend(live(&mut monitor, &low, 2.4, 5.0, |_| 1.0, |_| 21.0));
    let twice = shown(&monitor);
    assert!(
        twice.contains("reckoned anew") && !twice.contains("agrees"),
        "{twice}"
    );
    assert!(!told(&gone).contains(&(alert, CLEARED)), "it is latched");
    assert_eq!(monitor.permits(&command(5.0, alert, reset.clone())), Ok(()));
    let cleared = feed(&mut monitor, &low, Event::Commanded(command(5.0, alert, reset)));
    let record = record_of(&cleared, alert, CLEARED);
    assert_eq!(record.who.as_deref(), Some("Ada"));
}

/// Twelve hours with a thermometer alone.
fn unheard(life: &Life) -> Vec<Action> {
    let mut monitor = monitor();
    let rows = (0..12).map(|h| row(f64::from(h), Quantity::LiquidTemperature, 21.0));
    rows.flat_map(|event| feed(&mut monitor, life, event)).collect()
}

#[test]
fn limit_near_needs_two_evaluations_with_a_gauge_and_one_without() {
    let life = Life {
        chance: |h| {
            if h >= 10.0 {
                0.3
            } else if h >= 5.0 {
                0.1
            } else {
                0.0
            }
        },
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut with_gauge = monitor();
    let actions = live(&mut with_gauge, &life, 0.0, 12.0, |h| 0.9 + 0.01 * h, |_| 21.0);
    assert_eq!(record_of(&actions, AlertName::LimitNear, RAISED).at, hour(10.5));
    let near = record_of(&unheard(&life), AlertName::LimitNear, RAISED);
    assert_eq!(near.at, hour(5.0));
    assert!(
        near.message.contains("No trustworthy gauge is heard"),
        "{}",
        near.message
    );
}

#[test]
fn in_the_blind_a_chance_counts_that_is_not_ruled_out() {
    let life = Life {
        chance: |_| 0.02,
        not_ruled_out: |h| if h >= 5.0 { 0.07 } else { 0.04 },
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut with_gauge = monitor();
    let actions = live(&mut with_gauge, &life, 0.0, 12.0, |h| 0.9 + 0.01 * h, |_| 21.0);
    assert_eq!(told_of(&actions, AlertName::LimitNear), []);
    let near = record_of(&unheard(&life), AlertName::LimitNear, RAISED);
    assert_eq!(near.at, hour(5.0));
    assert!(
        near.message
            .contains("the chance is 2 %, and 7 % is not ruled out."),
        "{}",
        near.message
    );
}

#[test]
fn a_limit_that_comes_before_the_move_is_told_once_the_forecast_insists() {
    let life = Life {
        content: |h| 0.01 * h,
        worst: |h| 0.03 * h,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 6.0, |h| 0.1 + 0.001 * h, |_| 21.0);
    let near = record_of(&actions, AlertName::LimitNear, RAISED);
    // Six evaluations in a row, the first at sealing.
    assert_eq!(near.at, hour(2.5));
    assert!(
        near.message.starts_with(
            "The target of hibiscus 12 lies above its limit: in the room the fullest bottle passes"
        ),
        "{}",
        near.message
    );
    assert_eq!(told_of(&actions, AlertName::LimitNear), [RAISED]);
}

#[test]
fn a_first_forecast_that_leaps_is_no_target_above_the_limit() {
    let early = Life {
        content: |h| 0.01 * h,
        worst: |h| 0.03 * h,
        ..Life::default()
    };
    let mut monitor = monitor();
    let mut actions = live(&mut monitor, &early, 0.0, 2.0, |h| 0.1 + 0.001 * h, |_| 21.0);
    let later = Life::default();
    actions.extend(live(
        &mut monitor,
        &later,
        2.0,
        30.0,
        |h| 0.1 + 0.03 * h,
        |_| 21.0,
    ));
    assert_eq!(told_of(&actions, AlertName::LimitNear), []);
}

#[test]
fn a_target_that_passes_the_limit_even_in_the_fridge_is_told_at_sealing() {
    // Weiss 1974 gives 2.8 volumes in water at 4 degC about 0.9 bar of gauge pressure (from memory); the nitrogen of
    // the air shut in and the sugar come on top: between 1.4 and 1.9 bar in all.
    let life = Life {
        content: |h| 0.001 * h,
        worst: |h| 0.001 * h,
        ..Life::default()
    };
    for (limit, above) in [(1.4, true), (1.9, false)] {
        let mut low = batch();
        low.bottle.pressure_limit = bar(limit);
        let mut monitor = Monitor::new(low, settings(ClockSource::Readings));
        let actions = live(&mut monitor, &life, 0.0, 1.0, |h| 0.1 + 0.001 * h, |_| 21.0);
        assert_eq!(
            told_of(&actions, AlertName::LimitNear) == [RAISED],
            above,
            "{limit}"
        );
        if above {
            let near = record_of(&actions, AlertName::LimitNear, RAISED);
            assert_eq!(near.at, hour(0.0));
            assert!(
                near.message.contains("even in the fridge at 4.0"),
                "{}",
                near.message
            );
        }
    }
}

#[test]
fn a_gauge_that_has_not_spoken_yet_is_awaited_before_the_batch_counts_as_without_one() {
    let life = Life {
        chance: |_| 0.12,
        worst: |_| 0.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut heard = monitor();
    let actions = live(&mut heard, &life, 0.0, 6.0, |h| 0.1 + 0.001 * h, |_| 21.0);
    assert_eq!(told_of(&actions, AlertName::LimitNear), []);
    let mut never = monitor();
    let tick = Event::Tick { at: hour(6.0) };
    let actions = feed(&mut never, &life, tick);
    // It is silent after three hours.
    assert_eq!(record_of(&actions, AlertName::LimitNear, RAISED).at, hour(3.5));
}

#[test]
fn limit_near_outlasts_half_a_day_of_wavering_and_ends_soon_in_the_fridge() {
    let wavering = Life {
        chance: |h| if (20.0..31.0).contains(&h) { 0.02 } else { 0.25 },
        worst: |_| 2.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let gauge = |h: f64| 1.0 + 0.001 * h;
    let actions = live(&mut monitor, &wavering, 0.0, 40.0, gauge, |_| 21.0);
    assert_eq!(told_of(&actions, AlertName::LimitNear), [RAISED]);
    let calm = Life {
        chance: |_| 0.0,
        ..wavering
    };
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 40.0) / 1.5).exp();
    let actions = live(&mut monitor, &calm, 40.0, 46.0, gauge, cooling);
    assert_eq!(told_of(&actions, AlertName::LimitNear), [CLEARED]);
}

#[test]
fn a_loss_of_pressure_withdraws_the_advice_to_carry_until_a_person_has_looked() {
    let life = Life {
        content: |_| 3.0,
        worst: |_| 2.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let burst = |h: f64| if h < 5.0 { 2.0 + 0.001 * h } else { 0.01 };
    let actions = live(&mut monitor, &life, 0.0, 8.0, burst, |_| 21.0);
    let withdrawn = record_of(&actions, AlertName::MoveToFridge, Transition::Suppressed);
    assert!(withdrawn.message.ends_with("Stay out."), "{}", withdrawn.message);
    let reset = Deed::Reset {
        reason: "looked through the window: a stopper lifted".to_owned(),
    };
    let after = feed(
        &mut monitor,
        &life,
        Event::Commanded(command(8.0, AlertName::SuddenLoss, reset)),
    );
    assert_eq!(told_of(&after, AlertName::MoveToFridge), [RAISED]);
}

#[test]
fn a_fall_to_zero_that_nobody_noted_is_danger_and_a_noted_opening_is_none() {
    let life = Life {
        worst: |_| 2.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let burst = |h: f64| {
        if h < 10.0 {
            2.0 + 0.001 * h
        } else {
            0.01 + 0.0001 * h
        }
    };
    let mut unnoted = monitor();
    let actions = live(&mut unnoted, &life, 0.0, 12.0, burst, |_| 21.0);
    let loss = record_of(&actions, AlertName::SuddenLoss, RAISED);
    assert!(
        loss.message.contains("nobody noted an opening"),
        "{}",
        loss.message
    );
    assert!(!unnoted.hears_a_gauge(hour(12.0)));
    let mut noted = monitor();
    live(&mut noted, &life, 0.0, 9.5, burst, |_| 21.0);
    feed(&mut noted, &life, note(9.8, NoteKind::Opened, None));
    let actions = live(&mut noted, &life, 10.0, 12.0, burst, |_| 21.0);
    assert_eq!(told(&actions), []);
}

#[test]
fn an_unresolved_pressure_alert_comes_back_without_a_second_raise() {
    let life = Life {
        worst: |_| 4.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 20.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let raised = told(&actions)
        .iter()
        .filter(|told| **told == (AlertName::OverLimit, RAISED))
        .count();
    let reminded = actions
        .iter()
        .filter(|action| matches!(action, Action::Remind(record) if record.alert == AlertName::OverLimit))
        .count();
    assert_eq!((raised, reminded), (1, 3));
}

#[test]
fn an_acknowledged_alert_comes_back_later_and_a_shelved_one_at_its_time() {
    let life = Life {
        chance: |_| 0.5,
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 2.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let shelve = Deed::Shelve {
        until: hour(6.0),
        reason: "at work".to_owned(),
    };
    let shelved = feed(
        &mut monitor,
        &life,
        Event::Commanded(command(2.0, AlertName::LimitNear, shelve)),
    );
    record_of(&shelved, AlertName::LimitNear, Transition::Shelved);
    let after = live(&mut monitor, &life, 2.1, 7.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    assert_eq!(
        record_of(&after, AlertName::LimitNear, Transition::Unshelved).at,
        hour(6.0)
    );
}

#[test]
fn sentences_speak_in_the_units_and_the_zone_of_the_user() {
    let life = Life {
        chance: |_| 0.5,
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let american = Settings {
        zone: TimeZone::fixed(jiff::tz::offset(-5)),
        units: Units {
            pressure: Unit::Psi,
            temperature: Unit::Fahrenheit,
        },
        ..settings(ClockSource::Readings)
    };
    let mut monitor = Monitor::new(batch(), american);
    let actions = live(&mut monitor, &life, 0.0, 2.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    // NIST SP 811 (2008), B.8: 1 psi = 6.894 757 kPa.
    let near = record_of(&actions, AlertName::LimitNear, RAISED).message;
    assert!(near.contains("your limit of 58.0 psi"), "{near}");
    assert!(!near.contains("bar"), "{near}");
    let shelve = Deed::Shelve {
        until: hour(6.0),
        reason: "at work".to_owned(),
    };
    let deed = Event::Commanded(command(2.0, AlertName::LimitNear, shelve));
    let shelved = record_of(
        &feed(&mut monitor, &life, deed),
        AlertName::LimitNear,
        Transition::Shelved,
    );
    // 13:00 UTC.
    assert!(
        shelved
            .message
            .starts_with("Shelved until Mon 2 Mar 08:00 UTC-05: at work. "),
        "{}",
        shelved.message
    );
    let view = monitor.view();
    assert!(
        view.pressure.contains("14.5 psi of your 58.0 psi"),
        "{}",
        view.pressure
    );
    let words: Vec<&str> = view.sensors.iter().map(|sensor| sensor.words.as_str()).collect();
    assert!(words.iter().any(|words| words.contains("69.8 °F")), "{words:?}");
}

#[test]
fn a_loss_that_the_gauge_takes_back_stands_but_withholds_no_advice() {
    let life = Life {
        content: |_| 3.0,
        worst: |_| 2.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let loose_wire = |h: f64| {
        if (5.0..5.6).contains(&h) {
            0.0
        } else {
            2.0 + 0.001 * h
        }
    };
    let actions = live(&mut monitor, &life, 0.0, 8.0, loose_wire, |_| 21.0);
    assert_eq!(told_of(&actions, AlertName::SuddenLoss), [RAISED]);
    assert_eq!(
        told_of(&actions, AlertName::MoveToFridge),
        [RAISED, Transition::Suppressed, RAISED]
    );
}
