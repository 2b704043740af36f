//! One source that falls silent is one alert, and a gauge's silence is never hidden.

use super::fixture::*;
use crate::{
    alert::{AlarmState, AlertName, AlertRecord, Transition},
    engine::{Action, Deed, Event, Monitor},
    reading::Quantity,
};

type Said = (Option<Quantity>, Transition);

fn records(actions: &[Action]) -> Vec<AlertRecord> {
    let all = actions.iter().filter_map(|action| match action {
        Action::Alert(record) if record.alert == AlertName::SensorSilent => Some(record.clone()),
        _ => None,
    });
    all.collect()
}

fn said(actions: &[Action]) -> Vec<Said> {
    let all = records(actions);
    all.iter().map(|record| (record.quantity, record.state)).collect()
}

const PRESSURE: Option<Quantity> = Some(Quantity::Pressure);
const LIQUID: Option<Quantity> = Some(Quantity::LiquidTemperature);

fn told_together() -> (Monitor, Vec<Action>) {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 10.0, |h| 0.03 * h, |_| 21.0);
    let told = feed(&mut monitor, &life, Event::Tick { at: hour(20.0) });
    (monitor, told)
}

#[test]
fn one_sentence_names_all_that_a_silent_source_sent() {
    let (mut monitor, told) = told_together();
    assert_eq!(said(&told), [(PRESSURE, RAISED)]);
    let message = &records(&told)[0].message;
    for part in [
        "hibiscus 12: nothing heard of gauge pressure and drink temperature from pilot since Mon 2 Mar 16:50 UTC",
        "nobody can vouch for the pressure",
        "the temperature of the room stands for the drink",
    ] {
        assert!(message.contains(part), "{part}: {message}");
    }
    // A pack of readings brings them back one after the other: that is one end.
    let life = Life::default();
    let back = live(&mut monitor, &life, 20.0, 21.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!(said(&back), [(PRESSURE, CLEARED)]);
    let left = monitor.view().alerts;
    assert!(left.iter().all(|alert| !alert.present), "{left:?}");
}

#[test]
fn what_stays_silent_when_the_gauge_is_back_is_told_for_itself() {
    let (mut monitor, _) = told_together();
    let life = Life::default();
    let mut out = Vec::new();
    for step in 0..6 {
        let h = 20.0 + f64::from(step) / 6.0;
        out.extend(feed(&mut monitor, &life, row(h, Quantity::Pressure, 0.6)));
    }
    assert_eq!(said(&out), [(PRESSURE, CLEARED), (LIQUID, RAISED)]);
    let message = &records(&out)[1].message;
    assert!(
        message.contains("nothing heard of drink temperature from pilot"),
        "{message}"
    );
}

#[test]
fn a_gauge_that_falls_silent_after_the_thermometer_of_its_board_is_raised_all_the_same() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 10.0, |h| 0.03 * h, |_| 21.0);
    let mut out = Vec::new();
    for step in 0..30 {
        let h = 10.0 + f64::from(step) / 6.0;
        out.extend(feed(&mut monitor, &life, row(h, Quantity::Pressure, 0.3)));
    }
    assert_eq!(said(&out), [(LIQUID, RAISED)]);
    let more = feed(&mut monitor, &life, Event::Tick { at: hour(20.0) });
    assert_eq!(
        said(&more),
        [(PRESSURE, RAISED), (LIQUID, Transition::Suppressed)]
    );
    let seen = records(&more);
    assert!(
        seen[0]
            .message
            .contains("gauge pressure and drink temperature from pilot")
    );
    assert_eq!(seen[0].priority, AlertName::SensorSilent.priority());
}

#[test]
fn a_silence_that_a_person_set_aside_stays_one() {
    let (mut monitor, _) = told_together();
    let life = Life::default();
    let shelve = command(
        20.0,
        AlertName::SensorSilent,
        Deed::Shelve {
            until: hour(30.0),
            reason: "a new battery is on its way".to_owned(),
        },
    );
    let out = feed(&mut monitor, &life, Event::Commanded(shelve));
    assert_eq!(said(&out), [(PRESSURE, Transition::Shelved)]);
    let out = feed(&mut monitor, &life, Event::Tick { at: hour(29.0) });
    assert_eq!(said(&out), []);
    let states: Vec<AlarmState> = monitor
        .view()
        .alerts
        .iter()
        .filter(|alert| alert.alert == AlertName::SensorSilent)
        .map(|alert| alert.state)
        .collect();
    assert_eq!(states, [AlarmState::Shelved, AlarmState::SuppressedByDesign]);
}

#[test]
fn nobody_waits_for_a_gauge_that_there_is_not() {
    let life = Life::default();
    let nobody = source(crate::reading::Source::NOBODY);
    let batch = crate::batch::Batch {
        sensors: [Quantity::Pressure, Quantity::LiquidTemperature]
            .map(|quantity| (quantity, nobody.clone()))
            .into(),
        ..batch()
    };
    let mut monitor = Monitor::new(batch, settings(crate::engine::ClockSource::Ticks));
    let out = feed(&mut monitor, &life, Event::Tick { at: hour(20.0) });
    assert_eq!(said(&out), []);
    // A gauge that is heard is another bottle's, and so is one of that name.
    for h in [20.0, 20.2] {
        let said = feed(&mut monitor, &life, row(h, Quantity::Pressure, 4.5));
        assert!(told_of(&said, AlertName::OverLimit).is_empty(), "{said:?}");
    }
    let mut named = reading("2026-03-03T04:00:00Z", "none", Quantity::Pressure, 4.5);
    named.at = hour(20.4);
    let said = feed(&mut monitor, &life, Event::Measured(named));
    assert!(told_of(&said, AlertName::OverLimit).is_empty(), "{said:?}");
    assert!(monitor.view().sensors.is_empty(), "{:?}", monitor.view().sensors);
}
