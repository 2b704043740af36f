//! Notes that come late, go back and forth, or explain too much; advice that danger overtakes.

use jiff::SignedDuration;

use super::fixture::*;
use crate::{
    alert::{AlarmState, AlertName, Refused, Transition},
    batch::Pilot,
    engine::{Action, Deed, Monitor, Place},
    note::NoteKind,
    reading::Quantity,
};

/// Nothing in it says that the drink cools: only notes carry it.
fn unheard() -> Monitor {
    let mut batch = batch();
    batch.sensors.remove(&Quantity::LiquidTemperature);
    Monitor::new(batch, settings(crate::engine::ClockSource::Readings))
}

fn gauge_alone(monitor: &mut Monitor, life: &Life, from: i32, to: i32) -> Vec<Action> {
    let mut out = Vec::new();
    for half in 2 * from..2 * to {
        let h = f64::from(half) / 2.0;
        out.extend(feed(monitor, life, row(h, Quantity::Pressure, 0.5 + 0.01 * h)));
    }
    out
}

#[test]
fn a_move_that_is_noted_after_a_later_journey_is_of_the_past() {
    let life = Life::default();
    let mut monitor = unheard();
    gauge_alone(&mut monitor, &life, 0, 60);
    feed(&mut monitor, &life, note(50.0, NoteKind::TakenOut, None));
    assert_eq!(monitor.view().place, Place::Room, "it never left it");
    feed(&mut monitor, &life, note(40.0, NoteKind::MovedToFridge, None));
    assert_eq!(
        monitor.view().place,
        Place::Fridge,
        "nothing is known to have been carried since"
    );
    // It came out at 55 h; that it went in at 45 h is written down last.
    feed(&mut monitor, &life, note(55.0, NoteKind::TakenOut, None));
    let before = monitor.state.evidence.clone();
    feed(&mut monitor, &life, note(45.0, NoteKind::MovedToFridge, None));
    assert_eq!(monitor.view().place, Place::Room);
    assert_eq!(
        monitor.state.evidence, before,
        "it stood in the fridge then as it is"
    );
    // The advice for bottles in the room stands.
    let actions = gauge_alone(&mut monitor, &life, 60, 100);
    assert_eq!(told_of(&actions, AlertName::MoveToFridge), [RAISED]);
}

#[test]
fn the_same_late_note_again_and_again_changes_nothing_more() {
    let life = Life::default();
    let mut monitor = unheard();
    gauge_alone(&mut monitor, &life, 0, 60);
    feed(&mut monitor, &life, note(40.0, NoteKind::MovedToFridge, None));
    feed(&mut monitor, &life, note(50.0, NoteKind::TakenOut, None));
    feed(&mut monitor, &life, note(20.0, NoteKind::MovedToFridge, None));
    let once = monitor.state.evidence.clone();
    for _ in 0..50 {
        feed(&mut monitor, &life, note(20.0, NoteKind::MovedToFridge, None));
        feed(&mut monitor, &life, note(45.0, NoteKind::MovedToFridge, None));
    }
    assert_eq!(monitor.state.evidence, once);
    assert_eq!(monitor.view().place, Place::Room);
}

#[test]
fn a_bottle_that_was_taken_out_is_not_put_back_by_an_older_note() {
    let life = Life::default();
    let mut monitor = unheard();
    gauge_alone(&mut monitor, &life, 0, 60);
    feed(&mut monitor, &life, note(40.0, NoteKind::MovedToFridge, None));
    feed(
        &mut monitor,
        &life,
        note(50.0, NoteKind::TakenOut, Some(vec![3, 4])),
    );
    assert_eq!(monitor.view().apart.unwrap().count, 2);
    feed(
        &mut monitor,
        &life,
        note(45.0, NoteKind::MovedToFridge, Some(vec![3, 4])),
    );
    assert_eq!(monitor.view().apart.unwrap().count, 2);
    feed(
        &mut monitor,
        &life,
        note(55.0, NoteKind::MovedToFridge, Some(vec![3])),
    );
    assert_eq!(monitor.view().apart.unwrap().count, 1);
    feed(&mut monitor, &life, note(56.0, NoteKind::Broken, Some(vec![4])));
    feed(
        &mut monitor,
        &life,
        note(56.5, NoteKind::MovedToFridge, Some(vec![3])),
    );
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn back_and_forth_by_the_drink_and_by_notes_it_ends_where_it_is() {
    let life = Life::default();
    let mut monitor = monitor();
    let liquid = |h: f64| {
        let phase = h % 24.0;
        if phase < 12.0 {
            21.0 - (phase / 2.0).min(1.0) * 0.1
        } else {
            4.5 + 16.0 * (-(phase - 12.0) / 2.0).exp()
        }
    };
    for day in 0..4 {
        let from = 24.0 * f64::from(day);
        live(&mut monitor, &life, from, from + 12.0, |_| 1.0, liquid);
        assert_eq!(monitor.view().place, Place::Room, "day {day}");
        live(&mut monitor, &life, from + 12.0, from + 24.0, |_| 1.0, liquid);
        assert_eq!(monitor.view().place, Place::Fridge, "day {day}");
    }
    assert!(
        monitor.state.whereabouts.stays.len() <= 8,
        "{:?}",
        monitor.state.whereabouts.stays
    );
}

#[test]
fn an_opening_explains_a_loss_only_of_a_bottle_that_may_carry_the_gauge_and_only_near_it() {
    let life = Life::default();
    let fall = |monitor: &mut Monitor, at: f64| {
        let mut out = live(monitor, &life, at - 2.0, at, |_| 1.0, |_| 21.0);
        for minute in 1..4 {
            out.extend(feed(
                monitor,
                &life,
                row(at + f64::from(minute) / 60.0, Quantity::Pressure, 0.0),
            ));
        }
        told_of(&out, AlertName::SuddenLoss)
    };
    let with_pilot = || {
        let mut batch = batch();
        batch.pilot = Some(Pilot {
            material: crate::batch::Material::Pet,
            capacity: batch.bottle.capacity,
            fill: batch.bottle.fill,
            dead_volume: crate::quantity::LiquidVolume::from_ml(10.0).unwrap(),
        });
        Monitor::new(batch, settings(crate::engine::ClockSource::Readings))
    };
    // A glass bottle was opened; the pilot has no number.
    for kind in [NoteKind::Opened, NoteKind::Broken, NoteKind::Vented] {
        let mut monitor = with_pilot();
        feed(&mut monitor, &life, note(10.0, kind, Some(vec![3])));
        assert_eq!(fall(&mut monitor, 12.5), [RAISED], "{kind}");
    }
    let mut monitor = with_pilot();
    feed(&mut monitor, &life, note(10.0, NoteKind::Vented, None));
    assert_eq!(fall(&mut monitor, 12.5), []);
    // A gateway hands in the morning's readings in the evening; what was noted meanwhile is no reason for what happened before.
    let mut monitor = super::fixture::monitor();
    live(&mut monitor, &life, 0.0, 10.0, |_| 1.0, |_| 21.0);
    feed(&mut monitor, &life, note(22.0, NoteKind::Vented, None));
    let mut out = Vec::new();
    for minute in 1..4 {
        out.extend(feed(
            &mut monitor,
            &life,
            row(10.0 + f64::from(minute) / 60.0, Quantity::Pressure, 0.0),
        ));
    }
    assert_eq!(told_of(&out, AlertName::SuddenLoss), [RAISED]);
}

/// Ripe at 93 h; the fullest bottle may be at its limit from 100 h to 110 h.
fn overtaken() -> Life {
    Life {
        worst: |h| if (100.0..110.0).contains(&h) { 4.0 } else { 1.0 },
        ..Life::default()
    }
}

#[test]
fn advice_that_comes_back_into_service_in_danger_is_not_given() {
    let life = overtaken();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 1.0, |_| 1.0, |_| 21.0);
    let moves = |h, deed| crate::engine::Event::Commanded(command(h, AlertName::MoveToFridge, deed));
    let reason = "the fridge is full".to_owned();
    feed(&mut monitor, &life, moves(1.0, Deed::TakeOut { reason }));
    let out = live(&mut monitor, &life, 1.0, 104.0, |_| 1.0, |_| 21.0);
    assert_eq!(told_of(&out, AlertName::OverLimit), [RAISED]);
    assert_eq!(told_of(&out, AlertName::MoveToFridge), []);
    let out = feed(&mut monitor, &life, moves(104.0, Deed::PutBack));
    let back = record_of(&out, AlertName::MoveToFridge, Transition::Suppressed);
    assert_eq!(back.who.as_deref(), Some("Ada"));
    assert!(back.message.contains("is withdrawn"), "{}", back.message);
    // Once the danger is over and a person has said so, it is given for the first time.
    let out = live(&mut monitor, &life, 104.0, 112.0, |_| 1.0, |_| 21.0);
    assert_eq!(told_of(&out, AlertName::MoveToFridge), []);
    let reason = "all bottles were looked at".to_owned();
    let clear = command(112.0, AlertName::OverLimit, Deed::Reset { reason });
    let out = feed(&mut monitor, &life, crate::engine::Event::Commanded(clear));
    assert_eq!(told_of(&out, AlertName::MoveToFridge), [RAISED]);
}

#[test]
fn advice_that_comes_back_from_the_shelf_in_danger_says_that_it_is_withdrawn() {
    let life = overtaken();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 98.0, |_| 1.0, |_| 21.0);
    let shelve = command(
        98.0,
        AlertName::MoveToFridge,
        Deed::Shelve {
            until: hour(102.1),
            reason: "at work".to_owned(),
        },
    );
    feed(&mut monitor, &life, crate::engine::Event::Commanded(shelve));
    let out = live(&mut monitor, &life, 98.0, 104.0, |_| 1.0, |_| 21.0);
    assert_eq!(told_of(&out, AlertName::OverLimit), [RAISED]);
    // In the list of what is shelved, too.
    let records: Vec<_> = out
        .iter()
        .filter_map(|action| match action {
            Action::Alert(record) if record.alert == AlertName::MoveToFridge => Some(record),
            _ => None,
        })
        .collect();
    assert_eq!(
        records.iter().map(|record| record.state).collect::<Vec<_>>(),
        [Transition::Suppressed]
    );
    for record in records {
        assert!(record.message.contains("is withdrawn"), "{}", record.message);
        assert!(
            !record.message.contains("to the fridge now"),
            "{}",
            record.message
        );
    }
    let view = monitor.view();
    let told = format!("{view:?}");
    assert!(!told.contains("to the fridge now"), "{told}");
    assert!(!view.headline.contains("fridge"), "{}", view.headline);
    let standing = view
        .alerts
        .iter()
        .find(|alert| alert.alert == AlertName::MoveToFridge);
    assert_eq!(standing.unwrap().state, AlarmState::SuppressedByDesign);
    assert!(view.moments.is_empty());
    // Only when a person has cleared the danger and the estimate is below, it is given again.
    let out = live(&mut monitor, &life, 104.0, 112.0, |_| 1.0, |_| 21.0);
    assert_eq!(told_of(&out, AlertName::MoveToFridge), []);
    let reset = command(
        112.0,
        AlertName::OverLimit,
        Deed::Reset {
            reason: "the crate is cold".to_owned(),
        },
    );
    let out = feed(&mut monitor, &life, crate::engine::Event::Commanded(reset));
    let again = record_of(&out, AlertName::MoveToFridge, RAISED);
    assert!(again.message.contains("to the fridge now"), "{}", again.message);
}

#[test]
fn a_warning_of_pressure_is_shelved_for_a_day_at_most() {
    let life = Life {
        chance: |_| 0.9,
        ..Life::default()
    };
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 4.0, |_| 0.1, |_| 21.0);
    let shelve = |hours| {
        command(
            4.0,
            AlertName::LimitNear,
            Deed::Shelve {
                until: hour(4.0) + SignedDuration::from_hours(hours),
                reason: "seen".to_owned(),
            },
        )
    };
    assert!(matches!(
        monitor.permits(&shelve(25)),
        Err(Refused::ShelvedTooLong { .. })
    ));
    assert_eq!(monitor.permits(&shelve(23)), Ok(()));
}

#[test]
fn bottles_left_in_the_room_are_warned_of_as_if_no_gauge_were_heard() {
    // The gauge went to the fridge with the others and is heard there; a chance of 10 % is enough for those without one.
    let life = Life {
        content: |_| 1.0,
        worst: |_| 1.0,
        chance: |h| if h > 40.0 { 0.1 } else { 0.0 },
        ..Life::default()
    };
    let mut monitor = monitor();
    let liquid = |h: f64| {
        if h < 30.0 {
            21.0
        } else {
            4.5 + 16.5 * (-(h - 30.0) / 2.0).exp()
        }
    };
    live(&mut monitor, &life, 0.0, 30.0, |_| 1.0, |_| 21.0);
    feed(
        &mut monitor,
        &life,
        note(30.0, NoteKind::MovedToFridge, Some(vec![1, 2, 3])),
    );
    live(&mut monitor, &life, 30.0, 39.0, |_| 1.0, liquid);
    assert_eq!(monitor.view().apart.unwrap().count, 5);
    let out = live(&mut monitor, &life, 39.0, 44.0, |_| 1.0, liquid);
    let near = record_of(&out, AlertName::LimitNear, RAISED);
    assert!(near.message.contains("No trustworthy gauge"), "{}", near.message);
    // All of them in the room with a gauge that is heard: 10 % is below 20 %.
    let mut together = super::fixture::monitor();
    let out = live(&mut together, &life, 0.0, 44.0, |_| 1.0, |_| 21.0);
    assert_eq!(told_of(&out, AlertName::LimitNear), []);
}

#[test]
fn a_float_alone_tells_of_a_stall() {
    use crate::forecast::Quantiles;
    let mut batch = batch();
    batch.sensors = [(Quantity::Gravity, source("pilot"))].into();
    let mut monitor = Monitor::new(batch, settings(crate::engine::ClockSource::Readings));
    let life = Life {
        content: |h| (0.02 * h).min(1.0),
        worst: |_| 1.0,
        gained: |h| {
            let p50 = if h < 80.0 { 0.6 } else { 0.03 };
            Quantiles {
                p05: 0.0,
                p50,
                p95: p50 + 0.25,
            }
        },
        ..Life::default()
    };
    let mut out = Vec::new();
    for half in 0..200 {
        let h = f64::from(half) / 2.0;
        out.extend(feed(
            &mut monitor,
            &life,
            row(h, Quantity::Gravity, 1.030 - 1e-5 * h),
        ));
    }
    let stalled = record_of(&out, AlertName::Stalled, RAISED);
    assert!((81.0..84.0).contains(&(stalled.at.duration_since(hour(0.0)).as_secs_f64() / 3600.0)));
    assert!(
        stalled.message.contains("The float shows no gain"),
        "{}",
        stalled.message
    );
}
