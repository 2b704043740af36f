//! Time: gaps, leaps, steps back, and rows whose own time cannot be right.

use jiff::SignedDuration;

use super::fixture::*;
use crate::{
    alert::AlertName,
    engine::{Action, ClockSource, Event, Monitor, SetAsideReason, Work, drive, drive_some},
    reading::Quantity,
};

#[test]
fn a_gap_raises_silence_at_its_time_and_the_next_row_ends_it() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 10.0, |h| 0.03 * h, |_| 21.0);
    let actions = live(&mut monitor, &life, 20.0, 20.5, |h| 0.03 * h, |_| 21.0);
    let silent = record_of(&actions, AlertName::SensorSilent, RAISED);
    // The last row came at 9 h 50 min; six intervals of ten minutes later is 10 h 50 min, the next tick 10 h 55 min.
    assert_eq!(silent.at, hour(10.0) + SignedDuration::from_mins(55));
    assert_eq!(silent.source, Some(source("pilot")));
    assert_eq!(
        record_of(&actions, AlertName::SensorSilent, CLEARED).at,
        hour(20.0)
    );
}

#[test]
fn time_going_back_clears_nothing() {
    let life = Life {
        worst: |_| 4.5,
        content: |_| 3.5,
        ..Life::default()
    };
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    let ahead = Event::Tick { at: hour(10.0) };
    feed(&mut monitor, &life, ahead);
    let before = monitor.view();
    let well = Life {
        worst: |_| 0.1,
        content: |_| 0.1,
        ..Life::default()
    };
    for h in [9.0, 1.0, -400.0] {
        let actions = feed(&mut monitor, &well, Event::Tick { at: hour(h) });
        assert!(actions.is_empty());
    }
    assert_eq!(monitor.view(), before);
}

#[test]
fn weeks_of_absence_cost_a_bounded_number_of_fits() {
    let life = Life::default();
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    let (mut fits, mut carried) = (0, 0);
    let late = Event::Tick {
        at: hour(24.0 * 365.0 * 5.0),
    };
    let actions = drive(&mut monitor, late, &mut |request| {
        match request.work {
            Work::Fit => fits += 1,
            Work::CarryOn => carried += 1,
        }
        life.answer(request)
    });
    assert_eq!(fits, 1);
    assert!(carried < 500, "{carried}");
    // Two evaluations after 93.3 h; after 48 h of quiet they come every hour and a half or so.
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED).at;
    assert!(raised >= hour(94.0) && raised <= hour(97.0), "{raised}");
}

#[test]
fn a_past_without_answers_is_judged_from_the_first_answer_on() {
    let ripe = Life {
        content: |_| 3.5,
        ..Life::default()
    };
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    let tick = |h| Event::Tick { at: hour(h) };
    let past = drive_some(&mut monitor, tick(20.0), &mut |_| None);
    let told = past
        .iter()
        .all(|action| matches!(action, Action::Alert(alert) if alert.alert == AlertName::SensorSilent));
    assert!(
        told && !past.is_empty(),
        "sensors are looked after all the same: {past:?}"
    );
    let mut asked = Vec::new();
    let actions = drive_some(&mut monitor, tick(22.0), &mut |request| {
        asked.push((request.at, request.work));
        Some(ripe.answer(request))
    });
    assert_eq!(asked.first(), Some(&(hour(20.5), Work::Fit)));
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED).at;
    assert_eq!(raised, hour(21.0), "two evaluations in a row");
}

#[test]
fn a_row_ahead_of_the_daemons_clock_counts_as_of_the_clock() {
    let life = Life::default();
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    feed(&mut monitor, &life, Event::Tick { at: hour(1.0) });
    feed(&mut monitor, &life, row(5.0, Quantity::Pressure, 0.2));
    assert_eq!(monitor.clock(), hour(1.0));
    let view = monitor.view();
    let gauge = view
        .sensors
        .iter()
        .find(|s| s.quantity == Quantity::Pressure)
        .unwrap();
    assert_eq!(gauge.at, Some(hour(1.0)));
}

#[test]
fn a_row_from_2099_makes_its_sensor_suspect_and_the_rest_goes_on() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 2.0, |h| 0.03 * h, |_| 21.0);
    let mut far = reading("2099-01-01T00:00:00Z", "pilot", Quantity::Pressure, 1.0);
    far.at = "2099-01-01T00:00:00Z".parse().unwrap();
    let mut actions = feed(&mut monitor, &life, Event::Measured(far));
    assert!(actions.is_empty());
    actions.extend(live(&mut monitor, &life, 2.0, 4.0, |h| 0.03 * h, |_| 21.0));
    let suspect = record_of(&actions, AlertName::SensorSuspect, RAISED);
    assert!(
        suspect.message.contains("ahead of the clock"),
        "{}",
        suspect.message
    );
    record_of(&actions, AlertName::SensorSuspect, CLEARED);
    assert!(monitor.clock() < hour(4.0));
    assert_eq!(
        monitor.view().set_aside.get(&SetAsideReason::FromTheFuture),
        Some(&1)
    );
}

#[test]
fn a_late_row_counts_from_when_it_arrives_and_moves_nothing_back() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 10.0, |h| 0.03 * h, |_| 21.0);
    let clock = monitor.clock();
    let newest = monitor.view().sensors;
    let actions = feed(&mut monitor, &life, row(4.05, Quantity::Pressure, 0.12));
    assert!(actions.is_empty(), "{actions:?}");
    assert_eq!((monitor.clock(), monitor.view().sensors), (clock, newest));
    assert_eq!(monitor.view().set_aside.values().sum::<u64>(), 0);
    // It is news: the next fit is a fit, though nothing else came in.
    let mut works = Vec::new();
    let _ = drive(&mut monitor, Event::Tick { at: hour(10.6) }, &mut |request| {
        works.push(request.work);
        life.answer(request)
    });
    assert_eq!(works.first(), Some(&Work::Fit));
}

#[test]
fn a_late_row_at_the_limit_is_danger_all_the_same() {
    let life = Life {
        worst: |_| 0.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 5.0, |h| 3.7 + 0.01 * h, |_| 21.0);
    let actions = feed(&mut monitor, &life, row(4.05, Quantity::Pressure, 4.01));
    assert_eq!(told_of(&actions, AlertName::OverLimit), [RAISED]);
}

#[test]
fn the_same_rows_again_change_nothing_but_their_count() {
    let life = Life::default();
    let (mut once, mut twice) = (monitor(), monitor());
    for i in 0..60 {
        let h = f64::from(i) / 6.0;
        let event = row(h, Quantity::Pressure, 0.03 * h);
        let a = feed(&mut once, &life, event.clone());
        let b = feed(&mut twice, &life, event.clone());
        assert_eq!(format!("{a:?}"), format!("{b:?}"));
        let again = feed(&mut twice, &life, event);
        assert!(
            matches!(again.as_slice(), [Action::SetAside(aside)] if aside.reason == SetAsideReason::Duplicate)
        );
    }
    assert_eq!(twice.view().set_aside.get(&SetAsideReason::Duplicate), Some(&60));
    assert_eq!(once.view().forecast, twice.view().forecast);
    assert_eq!(once.view().sensors, twice.view().sensors);
}

#[test]
fn a_first_row_weeks_after_sealing_counts_once_another_confirms_it() {
    let life = Life::default();
    let mut monitor = monitor();
    let weeks = 24.0 * 20.0;
    let first = feed(&mut monitor, &life, row(weeks, Quantity::Pressure, 2.0));
    assert!(first.is_empty());
    assert_eq!(monitor.clock(), hour(0.0));
    feed(&mut monitor, &life, row(weeks + 0.1, Quantity::Pressure, 2.0));
    assert_eq!(monitor.clock(), hour(weeks + 0.1));
    assert_eq!(monitor.view().set_aside.values().sum::<u64>(), 0);
    // At the end of the rows what nobody confirmed is set aside.
    feed(&mut monitor, &life, row(9.0 * weeks, Quantity::Pressure, 2.0));
    assert!(matches!(
        monitor.close().as_slice(),
        [.., Action::SetAside(aside)] if aside.reason == SetAsideReason::FromTheFuture
    ));
}

#[test]
fn a_daemons_clock_that_leaps_a_year_and_comes_back_loses_nothing() {
    let life = Life::default();
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    feed(&mut monitor, &life, Event::Tick { at: hour(2.0) });
    feed(&mut monitor, &life, row(2.0, Quantity::Pressure, 0.06));
    let leapt = hour(24.0 * 365.0);
    feed(&mut monitor, &life, Event::Tick { at: leapt });
    feed(&mut monitor, &life, Event::Tick { at: hour(2.1) });
    assert_eq!(monitor.clock(), leapt);
    // Rows of the true time are late rows: used, not refused, and the limit is still watched.
    let actions = feed(&mut monitor, &life, row(2.1, Quantity::Pressure, 4.2));
    let again = feed(&mut monitor, &life, row(2.2, Quantity::Pressure, 4.2));
    assert_eq!(monitor.view().set_aside.values().sum::<u64>(), 0);
    let all: Vec<Action> = actions.into_iter().chain(again).collect();
    assert!(
        monitor
            .view()
            .alerts
            .iter()
            .any(|alert| alert.alert == AlertName::OverLimit),
        "{:?}",
        told(&all)
    );
}
