//! The move to the fridge: announced, advised, noted, seen, and bottles left behind.

use jiff::SignedDuration;

use super::fixture::*;
use crate::{
    alert::{AlertName, Transition},
    engine::{Action, Bottles, Event, Monitor, Place, drive},
    forecast::Quantiles,
    note::NoteKind,
    reading::Quantity,
};

#[test]
fn a_batch_that_ripens_is_announced_and_then_moved() {
    let life = Life::default();
    let mut monitor = monitor();
    // 2.8 volumes are reached at 93.3 h: the first whole hour is 94.
    let actions = live(&mut monitor, &life, 0.0, 100.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!(
        told(&actions),
        [
            (AlertName::FridgeSoon, RAISED),
            (AlertName::MoveToFridge, RAISED),
            (AlertName::FridgeSoon, Transition::Suppressed)
        ]
    );
    // Twelve hours before, and once more.
    assert_eq!(record_of(&actions, AlertName::FridgeSoon, RAISED).at, hour(82.5));
    // The content passes at 93.3 h; the first evaluation may come three quarters of an hour before, the second is at 93.5 h.
    assert_eq!(
        record_of(&actions, AlertName::MoveToFridge, RAISED).at,
        hour(93.5)
    );
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 100.0) / 1.5).exp();
    let after = live(&mut monitor, &life, 100.0, 110.0, |_| 2.5, cooling);
    for alert in [AlertName::MoveToFridge, AlertName::FridgeSoon] {
        let cleared = record_of(&after, alert, CLEARED);
        assert!(cleared.message.contains("in the fridge"), "{}", cleared.message);
    }
    assert_eq!(told_of(&after, AlertName::FridgeSoon), [CLEARED]);
    assert_eq!(monitor.view().place, Place::Fridge);
}

#[test]
fn a_noted_move_clears_nothing_until_cooling_is_seen() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let noted = feed(&mut monitor, &life, note(96.0, NoteKind::MovedToFridge, None));
    let warm = live(&mut monitor, &life, 96.2, 99.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!((told(&noted), told(&warm)), (vec![], vec![]));
    assert!(monitor.view().apart.unwrap().why.contains("has not cooled yet"));
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 99.0) / 1.5).exp();
    let cold = live(&mut monitor, &life, 99.0, 104.0, |_| 2.5, cooling);
    assert!(told(&cold).contains(&(AlertName::MoveToFridge, CLEARED)));
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn a_noted_move_after_which_the_drink_stays_warm_is_not_believed() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 50.0, |h| 0.03 * h, |_| 21.0);
    feed(&mut monitor, &life, note(50.0, NoteKind::MovedToFridge, None));
    live(&mut monitor, &life, 50.2, 60.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!(monitor.view().place, Place::Room);
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn bottles_left_behind_keep_their_alerts() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let some = note(96.0, NoteKind::MovedToFridge, Some(vec![1, 2, 3]));
    feed(&mut monitor, &life, some);
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 96.0) / 1.5).exp();
    let cold = live(&mut monitor, &life, 96.2, 104.0, |h| 3.0 - 0.01 * h, cooling);
    assert_eq!(told(&cold), []);
    let apart = monitor.view().apart.unwrap();
    assert_eq!(
        (apart.count, apart.why.as_str()),
        (5, "5 of 8 bottles are still in the room.")
    );
    let rest = note(104.0, NoteKind::MovedToFridge, Some((4..=8).collect()));
    let mut after = feed(&mut monitor, &life, rest);
    after.extend(live(
        &mut monitor,
        &life,
        104.2,
        106.0,
        |h| 3.0 - 0.01 * h,
        |_| 4.0,
    ));
    assert!(told(&after).contains(&(AlertName::MoveToFridge, CLEARED)));
}

#[test]
fn bottles_left_behind_do_not_inherit_the_cold_of_the_sensors() {
    let life = Life::default();
    // Recognised by the drink alone, noted before, noted as all and corrected later: what stayed is as full as before.
    let some = || note(96.0, NoteKind::MovedToFridge, Some(vec![1, 2, 3]));
    let all = || note(96.0, NoteKind::MovedToFridge, None);
    let corrected = || note(101.5, NoteKind::MovedToFridge, Some(vec![1, 2, 3]));
    let ways = [
        (Some(some()), None),
        (None, Some(corrected())),
        (Some(all()), Some(corrected())),
    ];
    for (way, (first, then)) in ways.into_iter().enumerate() {
        let mut monitor = monitor();
        live(&mut monitor, &life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
        let before = monitor
            .forecast_request(hour(96.0))
            .run()
            .outlook
            .worst_bottle_now;
        if let Some(first) = first {
            feed(&mut monitor, &life, first);
        }
        let colder = |h: f64| (-(h - 96.2) / 1.5).exp();
        let gauge = |h: f64| 1.3 + 1.58 * colder(h);
        live(&mut monitor, &life, 96.2, 101.5, gauge, |h| {
            4.5 + 16.5 * colder(h)
        });
        if let Some(then) = then {
            feed(&mut monitor, &life, then);
        }
        let mut theirs = None;
        let _ = drive(&mut monitor, Event::Tick { at: hour(102.1) }, &mut |request| {
            if request.of == Bottles::LeftBehind {
                theirs = Some(request.clone());
            }
            life.answer(request)
        });
        let after = theirs
            .expect("they are reckoned apart")
            .run()
            .outlook
            .worst_bottle_now;
        assert!(
            after.p50.bar() >= before.p50.bar() - 0.05,
            "way {way}: {} before, {} after",
            before.p50.bar(),
            after.p50.bar()
        );
    }
}

#[test]
fn the_fullest_bottle_may_be_one_of_those_left_behind() {
    let chilled = Life {
        worst: |_| 0.5,
        content: |_| 2.8,
        ..Life::default()
    };
    let warm = Life {
        worst: |_| 3.0,
        content: |_| 2.8,
        ..Life::default()
    };
    let mut monitor = monitor();
    let cooling = |h: f64| 4.0 + 17.0 * (-h / 1.5).exp();
    live(&mut monitor, &chilled, 0.0, 8.0, |_| 0.5, cooling);
    feed(
        &mut monitor,
        &chilled,
        note(8.0, NoteKind::MovedToFridge, Some(vec![1, 2, 3])),
    );
    let _ = drive(
        &mut monitor,
        row(9.0, Quantity::LiquidTemperature, 4.0),
        &mut |request| match request.of {
            Bottles::WithSensors => chilled.answer(request),
            Bottles::LeftBehind => warm.answer(request),
        },
    );
    let view = monitor.view();
    assert_eq!(view.outlook.as_ref().unwrap().worst_bottle_now.p50, bar(0.5));
    assert_eq!(view.fullest().unwrap().now.p50, bar(3.0));
    assert!(
        view.pressure.starts_with(
            "The fullest bottle is at about 3.00 bar of your 4.00 bar; in the next 24 hours it may reach 3.40 bar."
        ),
        "{}",
        view.pressure
    );
    assert!(
        !view.headline.contains("not expected to reach"),
        "{}",
        view.headline
    );
}

/// Answers a forecast whose move lies `away` hours ahead.
fn with_move(monitor: &mut Monitor, hours: impl Iterator<Item = (f64, f64)>) -> Vec<Action> {
    let mut out = Vec::new();
    for (h, away) in hours {
        let event = row(h, Quantity::Pressure, 0.5 + 0.01 * h);
        out.extend(drive(monitor, event, &mut |request| {
            let mut fitted = Life {
                content: |_| 1.0,
                worst: |_| 1.0,
                ..Life::default()
            }
            .answer(request);
            let at = Some(hour(h + away));
            fitted.forecast.move_at = Some(Quantiles {
                p05: at,
                p50: at,
                p95: at,
            });
            fitted
        }));
    }
    out
}

#[test]
fn a_forecast_that_wavers_round_the_notice_announces_the_move_once() {
    let mut monitor = monitor();
    // Half-hour by half-hour: one glitch, then to and fro between 9 and 16 h.
    let away = |i: i32| match i {
        10 => -30.0,
        0..40 => 20.0,
        _ if i % 3 == 0 => 16.0,
        _ if i % 7 == 0 => 19.0,
        _ => 9.0,
    };
    let actions = with_move(
        &mut monitor,
        (0..140).map(|i| (f64::from(i) * 0.5 + 0.1, away(i))),
    );
    assert_eq!(told_of(&actions, AlertName::FridgeSoon), [RAISED]);
}

#[test]
fn a_move_that_goes_far_away_again_ends_its_announcement() {
    let mut monitor = monitor();
    let away = |i: i32| if i < 10 { 10.0 } else { 30.0 };
    let actions = with_move(&mut monitor, (0..20).map(|i| (f64::from(i) * 0.5 + 0.1, away(i))));
    assert_eq!(told_of(&actions, AlertName::FridgeSoon), [RAISED, CLEARED]);
    let cleared = record_of(&actions, AlertName::FridgeSoon, CLEARED);
    assert!(
        cleared
            .message
            .starts_with("hibiscus 12: the move is further away again, most likely"),
        "{}",
        cleared.message
    );
    let taken = record_of(&actions, AlertName::FridgeSoon, RAISED).at;
    assert!(cleared.at.duration_since(taken) >= SignedDuration::from_hours(3));
}

#[test]
fn noise_round_a_threshold_does_not_chatter() {
    let life = Life {
        // 2.77 and 2.83 in turn, after 10 h.
        content: |h| {
            if h < 10.0 {
                1.0
            } else if ((h * 2.0) as i64) % 2 == 0 {
                2.83
            } else {
                2.775
            }
        },
        worst: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 60.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let moves = told_of(&actions, AlertName::MoveToFridge);
    assert!(moves.len() <= 1, "{moves:?}");
}

/// The same life with these waking hours: when the move is asked for, and how.
fn asked_awake(from: i8, until: (i8, i8)) -> (f64, String) {
    let mut settings = settings(crate::engine::ClockSource::Readings);
    settings.rules.waking_hours = Some(crate::engine::WakingHours {
        from: jiff::civil::time(from, 0, 0, 0),
        until: jiff::civil::time(until.0, until.1, 0, 0),
    });
    let mut monitor = Monitor::new(batch(), settings);
    let life = Life::default();
    let actions = live(&mut monitor, &life, 0.0, 104.0, |h| 0.03 * h, |_| 21.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert_eq!(told_of(&actions, AlertName::MoveToFridge), [RAISED]);
    let hours = raised.at.duration_since(hour(0.0)).as_secs_f64() / 3_600.0;
    (hours, raised.message)
}

#[test]
fn a_target_that_is_reached_at_night_waits_for_the_morning_if_that_is_nearer() {
    // Sealed Monday 07:00; 2.8 volumes come at 93.3 h, Friday 04:20. At 22:30 a move ends at 2.625, at 07:00 (96 h) at 2.88.
    let (hours, message) = asked_awake(7, (22, 30));
    assert!((96.0..=96.5).contains(&hours), "{hours}");
    assert!(message.contains("With your waking hours"), "{message}");
}

#[test]
fn it_comes_before_the_night_if_that_is_nearer_and_says_what_waiting_would_give() {
    // Awake from 11:00 (100 h) only: 3.0 volumes then, 2.625 at 22:30 (87.5 h).
    let (hours, message) = asked_awake(11, (22, 30));
    assert!((86.0..87.5).contains(&hours), "{hours}");
    for told in [
        "moved Thu 5 Mar 22:30 UTC it ends at about 2.62",
        "Fri 6 Mar 11:00 UTC it ends at about 3.00",
    ] {
        assert!(message.contains(told), "{told}: {message}");
    }
}

#[test]
fn no_one_is_told_to_wait_for_a_morning_that_may_be_past_the_limit() {
    let life = Life {
        worst: |h| 0.0425 * h,
        ..Life::default()
    };
    let mut settings = settings(crate::engine::ClockSource::Readings);
    settings.rules.waking_hours = Some(crate::engine::WakingHours {
        from: jiff::civil::time(7, 0, 0, 0),
        until: jiff::civil::time(22, 30, 0, 0),
    });
    let mut monitor = Monitor::new(batch(), settings);
    // The limit of 4 bar is within the doubt at 89.4 h, before the morning at 96 h.
    let actions = live(&mut monitor, &life, 0.0, 88.0, |h| 0.03 * h, |_| 21.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert!(raised.at < hour(87.5), "{raised:?}");
    assert!(
        raised.message.contains("do not wait so long"),
        "{}",
        raised.message
    );
}

#[test]
fn while_the_limit_is_near_the_move_is_asked_for_before_the_danger() {
    let life = Life {
        chance: |h| if h > 70.0 { 0.4 } else { 0.0 },
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 93.0, |h| 0.03 * h, |_| 21.0);
    assert!(record_of(&actions, AlertName::LimitNear, RAISED).at < hour(90.0));
    assert_eq!(told_of(&actions, AlertName::OverLimit), []);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    // The content passes at 93.3 h; the first evaluation may come two hours before, the second is half an hour later.
    assert_eq!(raised.at, hour(92.0));
    assert!(raised.message.contains("ahead of time"), "{}", raised.message);
}
