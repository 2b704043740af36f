//! Any life of the alerts: conditions, people and times in any order, times that go back included.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use proptest::prelude::*;

use super::fixture::*;
use crate::{
    alert::{AlarmState, AlertName, AlertRecord, Refused, Transition},
    engine::{
        Action, Deed, Rules,
        board::{Board, Key, Slot},
    },
};

#[derive(Clone, Debug)]
enum Step {
    Begins(AlertName),
    Ends(AlertName),
    Suppress(AlertName),
    Unsuppress(AlertName),
    Tick,
    Done(AlertName, Deed),
}

/// Each with its hour: now and then one from long before.
fn steps() -> impl Strategy<Value = Vec<(f64, Step)>> {
    let alert = || prop::sample::select(&AlertName::ALL[..]);
    let because = || "because".to_owned();
    let deeds = (0..6u8, 1.0..300.0).prop_map(move |(which, until)| match which {
        0 => Deed::Acknowledge,
        1 => Deed::Shelve {
            until: hour(until),
            reason: because(),
        },
        2 => Deed::Unshelve,
        3 => Deed::TakeOut { reason: because() },
        4 => Deed::PutBack,
        _ => Deed::Reset { reason: because() },
    });
    let step = prop_oneof![
        4 => alert().prop_map(Step::Begins),
        3 => alert().prop_map(Step::Ends),
        1 => alert().prop_map(Step::Suppress),
        1 => alert().prop_map(Step::Unsuppress),
        3 => Just(Step::Tick),
        4 => (alert(), deeds).prop_map(|(alert, deed)| Step::Done(alert, deed)),
    ];
    prop::collection::vec((0.0..200.0, step), 0..120)
}

struct Played {
    board: Board,
    now: Timestamp,
}

impl Played {
    fn new() -> Self {
        Self {
            board: Board::new(batch().name),
            now: hour(0.0),
        }
    }

    fn slot(&self, alert: AlertName) -> Option<&Slot> {
        let key = Key::from(alert);
        self.board
            .slots()
            .find(|(other, _)| **other == key)
            .map(|(_, slot)| slot)
    }

    /// What one step says; reminders with their records.
    fn take(&mut self, at: Timestamp, step: &Step) -> (Vec<AlertRecord>, Vec<AlertRecord>) {
        self.now = at;
        let mut out = Vec::new();
        let said = || "said".to_owned();
        match step {
            Step::Begins(alert) => self.board.begins((*alert).into(), at, said(), &mut out),
            Step::Ends(alert) => self.board.ends(&(*alert).into(), at, said(), &mut out),
            Step::Suppress(alert) => self.board.suppress(&(*alert).into(), at, said(), &mut out),
            Step::Unsuppress(alert) => self.board.unsuppress(&(*alert).into(), at, &mut out),
            Step::Tick => self.board.tick(at, &Rules::default(), &mut out),
            Step::Done(alert, deed) => {
                let mut command = command(0.0, *alert, deed.clone());
                command.at = at;
                if self.board.permits(&command, at).is_ok() {
                    self.board.obey(&command, at, &TimeZone::UTC, &mut out);
                }
            }
        }
        let (mut records, mut reminders) = (Vec::new(), Vec::new());
        for action in out {
            match action {
                Action::Alert(record) => records.push(record),
                Action::Remind(record) => reminders.push(record),
                other => panic!("{other:?}"),
            }
        }
        (records, reminders)
    }
}

proptest! {
    #[test]
    fn no_sequence_loses_a_condition(steps in steps()) {
        let mut played = Played::new();
        let (mut present, mut latched) = (BTreeSet::new(), BTreeSet::new());
        for (h, step) in steps {
            let (records, _) = played.take(hour(h), &step);
            match &step {
                Step::Begins(alert) => {
                    present.insert(*alert);
                    if alert.latches() {
                        latched.insert(*alert);
                    }
                }
                Step::Ends(alert) => {
                    present.remove(alert);
                }
                Step::Done(alert, Deed::Reset { .. }) if !present.contains(alert) => {
                    latched.remove(alert);
                }
                _ => {}
            }
            for alert in AlertName::ALL {
                let slot = played.slot(alert);
                let stands = present.contains(&alert) || latched.contains(&alert);
                prop_assert_eq!(slot.is_some_and(|slot| slot.standing.stands()), stands);
                // Who stands is in sight, or it is stored who set it aside or what explains it.
                let state = slot.map_or(AlarmState::Normal, |slot| slot.standing.state);
                prop_assert!(!stands || !matches!(state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged));
                let shelf = slot.is_some_and(|slot| slot.shelved_until.is_some());
                prop_assert_eq!(state == AlarmState::Shelved, shelf);
                let out = slot.is_some_and(|slot| slot.taken_out.is_some());
                prop_assert_eq!(state == AlarmState::OutOfService, out);
            }
            for record in records {
                let by_a_person = matches!(step, Step::Done(..));
                prop_assert_eq!(record.who.is_some(), by_a_person);
                prop_assert_eq!(record.at, hour(h));
            }
        }
    }

    #[test]
    fn time_alone_clears_nothing_wherever_it_goes(steps in steps(), times in prop::collection::vec(-500.0..500.0, 1..20)) {
        let mut played = Played::new();
        for (h, step) in steps {
            played.take(hour(h), &step);
        }
        let standing = |played: &Played| -> BTreeMap<AlertName, bool> {
            AlertName::ALL
                .into_iter()
                .map(|alert| (alert, played.slot(alert).is_some_and(|slot| slot.standing.stands())))
                .collect()
        };
        let before = standing(&played);
        for h in times {
            let (records, _) = played.take(hour(h), &Step::Tick);
            for record in records {
                prop_assert!(matches!(record.state, Transition::Unshelved | Transition::Raised | Transition::Suppressed));
            }
            prop_assert_eq!(&standing(&played), &before);
        }
    }

    #[test]
    fn what_is_shelved_comes_back_at_its_time_and_not_before(steps in steps(), later in 0.0..100.0) {
        let mut played = Played::new();
        for (h, step) in steps {
            played.take(hour(h), &step);
        }
        for alert in AlertName::ALL {
            let Some(until) = played.slot(alert).and_then(|slot| slot.shelved_until) else { continue };
            let mut early = Played { board: played.board.clone(), ..played };
            early.take(until - SignedDuration::from_secs(1), &Step::Tick);
            prop_assert_eq!(early.slot(alert).map(|slot| slot.standing.state), Some(AlarmState::Shelved));
            let mut due = Played { board: played.board.clone(), ..played };
            due.take(until + SignedDuration::from_secs((later * 3_600.0) as i64), &Step::Tick);
            let slot = due.slot(alert).unwrap();
            let state = match slot.standing {
                standing if standing.withheld => AlarmState::SuppressedByDesign,
                standing if standing.stands() => AlarmState::Unacknowledged,
                _ => AlarmState::Normal,
            };
            prop_assert_eq!(slot.standing.state, state);
        }
    }

    #[test]
    fn nobody_silences_pressure(steps in steps()) {
        let mut played = Played::new();
        for (h, step) in steps {
            played.take(hour(h), &step);
        }
        for alert in AlertName::ALL.into_iter().filter(|alert| alert.is_of_pressure()) {
            let mut out = command(200.0, alert, Deed::TakeOut { reason: "because".to_owned() });
            out.at = played.now;
            prop_assert_eq!(played.board.permits(&out, played.now), Err(Refused::NeverTakenOut { alert }));
            let Some(slot) = played.slot(alert) else { continue };
            let (state, stands) = (slot.standing.state, slot.standing.stands());
            prop_assert!(state != AlarmState::OutOfService);
            prop_assert!(alert != AlertName::OverLimit || state != AlarmState::Shelved);
            if stands && state != AlarmState::SuppressedByDesign {
                // After the longest shelf and the longest patience it is told again.
                let mut after = Played { board: played.board.clone(), ..played };
                let mut told = Vec::new();
                for h in [600.0, 620.0] {
                    let (records, reminders) = after.take(hour(h), &Step::Tick);
                    told.extend(records.into_iter().chain(reminders).map(|record| record.alert));
                }
                prop_assert!(told.contains(&alert), "{alert} {state:?}");
            }
        }
    }
}

#[test]
fn a_sensor_heard_of_later_is_out_of_service_with_the_others_and_comes_back_with_them() {
    use crate::{engine::intake::Sensor, reading::Quantity};
    let silent = |from: &str| Key {
        alert: AlertName::SensorSilent,
        sensor: Some(Sensor {
            source: source(from),
            quantity: Quantity::Pressure,
        }),
    };
    let mut board = Board::new(batch().name);
    let mut out = Vec::new();
    let done = |board: &mut Board, h, deed| {
        let mut out = Vec::new();
        let command = command(h, AlertName::SensorSilent, deed);
        board.permits(&command, hour(h)).unwrap();
        board.obey(&command, hour(h), &TimeZone::UTC, &mut out);
        out
    };
    let reason = "the shelf is being painted".to_owned();
    let told = done(&mut board, 1.0, Deed::TakeOut { reason });
    let [Action::Alert(record)] = told.as_slice() else {
        panic!("{told:?}")
    };
    assert_eq!(record.state, Transition::OutOfService);
    assert_eq!(record.who.as_deref(), Some("Ada"));
    for said in ["Mon 2 Mar 08:00 UTC", "Ada", "the shelf is being painted"] {
        assert!(record.message.contains(said), "{said}: {}", record.message);
    }
    board.begins(
        silent("pilot"),
        hour(2.0),
        "Nothing is heard.".to_owned(),
        &mut out,
    );
    assert!(out.is_empty(), "{out:?}");
    assert!(board.stands(&silent("pilot")));
    let told = done(&mut board, 3.0, Deed::PutBack);
    let raised = told.iter().any(|action| {
        matches!(action, Action::Alert(record) if record.state == Transition::Raised
            && record.source == Some(source("pilot")) && record.who.is_some())
    });
    assert!(raised, "{told:?}");
    let again = command(4.0, AlertName::SensorSilent, Deed::PutBack);
    assert_eq!(
        board.permits(&again, hour(4.0)),
        Err(Refused::InService {
            alert: AlertName::SensorSilent
        })
    );
}
