//! Any sequence of events, in any order.

use proptest::prelude::*;

use super::fixture::*;
use crate::{
    alert::AlertName,
    engine::{Action, ClockSource, Deed, Event, Monitor},
    note::NoteKind,
    reading::Quantity,
};

fn events() -> impl Strategy<Value = Vec<Event>> {
    let quantity = prop::sample::select(&Quantity::ALL[..]);
    let source_name = prop::sample::select(&["pilot", "kitchen", "other"][..]);
    // Now and then from the far future, and from before the sealing.
    let when = prop_oneof![20 => -2.0..200.0, 1 => 600_000.0..640_000.0, 1 => -9_000.0..-10.0];
    let measured = (when, quantity, source_name, 0.0..1.0).prop_map(
        |(h, quantity, from, share): (f64, Quantity, &str, f64)| {
            let value = match quantity {
                Quantity::Pressure => -1.0 + 6.0 * share,
                Quantity::AbsolutePressure => 7.0 * share,
                Quantity::AmbientPressure => 0.4 + 0.8 * share,
                Quantity::LiquidTemperature | Quantity::RoomTemperature => -10.0 + 45.0 * share,
                Quantity::Gravity => 0.9 + 0.4 * share,
            };
            let mut row = reading("2026-03-02T07:00:00Z", from, quantity, value);
            row.at = hour(h);
            Event::Measured(row)
        },
    );
    let kinds = prop::sample::select(&NoteKind::ALL[..]);
    let noted = (
        0.0..200.0,
        kinds,
        prop::option::of(prop::collection::vec(0..10u32, 0..9)),
    )
        .prop_map(|(h, kind, bottles)| note(h, kind, bottles));
    let alerts = prop::sample::select(&AlertName::ALL[..]);
    let commanded = (0.0..200.0, alerts, 0..6u8).prop_map(|(h, alert, deed)| {
        let reason = "because".to_owned();
        let deed = match deed {
            0 => Deed::Acknowledge,
            1 => Deed::Shelve {
                until: hour(h + 8.0),
                reason,
            },
            2 => Deed::Unshelve,
            3 => Deed::TakeOut { reason },
            4 => Deed::PutBack,
            _ => Deed::Reset { reason },
        };
        Event::Commanded(command(h, alert, deed))
    });
    let ticks = (-10.0..300.0).prop_map(|h| Event::Tick { at: hour(h) });
    prop::collection::vec(
        prop_oneof![6 => measured, 1 => noted, 1 => commanded, 1 => ticks],
        0..80,
    )
}

fn life() -> Life {
    Life {
        content: |h| 1.0 + 2.5 * (h / 7.0).sin().abs(),
        worst: |h| 1.5 + 3.0 * (h / 11.0).sin().abs(),
        chance: |h| (h / 13.0).sin().abs(),
        ..Life::default()
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn restored_and_gone_on_it_is_as_if_never_stopped(events in events(), cut in 0.0..1.0, ticks: bool) {
        let clock = if ticks { ClockSource::Ticks } else { ClockSource::Readings };
        let life = life();
        let mut whole = Monitor::new(batch(), settings(clock));
        let mut stopped = whole.clone();
        let at = (cut * events.len() as f64) as usize;
        for (i, event) in events.into_iter().enumerate() {
            if i == at {
                stopped = Monitor::restore(&stopped.snapshot(), batch(), settings(clock)).unwrap();
            }
            let a = feed(&mut whole, &life, event.clone());
            let b = feed(&mut stopped, &life, event);
            prop_assert_eq!(format!("{a:?}"), format!("{b:?}"));
        }
        prop_assert_eq!(whole.snapshot(), stopped.snapshot());
    }

    #[test]
    fn every_row_is_used_held_or_set_aside_and_the_clock_never_goes_back(events in events()) {
        let life = life();
        let mut monitor = monitor();
        let mut clock = monitor.clock();
        for event in events {
            feed(&mut monitor, &life, event);
            prop_assert!(monitor.clock() >= clock);
            clock = monitor.clock();
            let view = monitor.view();
            prop_assert!(!view.headline.is_empty() && !view.pressure.is_empty() && !view.next.is_empty());
        }
    }

    #[test]
    fn danger_stands_until_a_person_clears_it(events in events()) {
        let life = life();
        let mut monitor = monitor();
        let mut danger = false;
        for event in events {
            for action in feed(&mut monitor, &life, event) {
                let Action::Alert(record) = action else { continue };
                match (record.alert, record.state) {
                    (AlertName::OverLimit, RAISED) => danger = true,
                    (AlertName::OverLimit, CLEARED) => {
                        prop_assert!(record.who.is_some());
                        danger = false;
                    }
                    (AlertName::MoveToFridge | AlertName::FridgeSoon, RAISED) => prop_assert!(!danger),
                    _ => {}
                }
            }
            let stands = monitor.view().alerts.iter().any(|alert| alert.alert == AlertName::OverLimit);
            prop_assert_eq!(stands, danger);
        }
    }
}
