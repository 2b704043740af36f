//! Bottles that were given away: no move is asked of them, and their pressure is not forgotten. Opened and broken ones are gone.

use super::fixture::*;
use crate::{
    alert::AlertName,
    engine::{Action, Event, Monitor, Place},
    note::NoteKind,
};

fn says(monitor: &Monitor, part: &str) {
    let view = monitor.view();
    assert!(view.next.contains(part), "{part}: {}", view.next);
}

/// Warm until hour 96, then the sensors cool, with what `notes` tell first.
fn cooled(notes: &[(NoteKind, Option<Vec<u32>>)], life: &Life) -> (Monitor, Vec<Action>) {
    let mut monitor = monitor();
    live(&mut monitor, life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let mut out = Vec::new();
    for (kind, bottles) in notes {
        out.extend(feed(&mut monitor, life, note(96.0, *kind, bottles.clone())));
    }
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 96.0) / 1.5).exp();
    out.extend(live(&mut monitor, life, 96.2, 106.0, |h| 3.0 - 0.01 * h, cooling));
    (monitor, out)
}

#[test]
fn a_bottle_given_away_is_not_left_behind_in_the_room() {
    let life = Life::default();
    let notes = [
        (NoteKind::GivenAway, Some(vec![7, 8])),
        (NoteKind::MovedToFridge, Some((1..=6).collect())),
    ];
    let (monitor, out) = cooled(&notes, &life);
    assert!(
        told(&out).contains(&(AlertName::MoveToFridge, CLEARED)),
        "{:?}",
        told(&out)
    );
    let view = monitor.view();
    assert_eq!(
        (view.place, &view.apart, view.to_move),
        (Place::Fridge, &None, false)
    );
    assert_eq!(view.move_at(), None);
    assert_eq!(view.headline, "Hibiscus 12 is in the fridge. Nothing to do.");
    says(
        &monitor,
        "2 bottles were given away, still closed: tell whoever has them to keep them in a fridge, since warm the culture goes on",
    );
    says(&monitor, "your limit of 4.00 bar");
}

#[test]
fn the_pressure_of_what_was_given_away_warm_is_told_though_all_else_is_cold() {
    let life = Life {
        chance: |h| if h > 100.0 { 0.3 } else { 0.0 },
        worst: |_| 2.0,
        ..Life::default()
    };
    for all in [None, Some((1..=6).collect())] {
        let notes = [
            (NoteKind::GivenAway, Some(vec![7, 8])),
            (NoteKind::MovedToFridge, all),
        ];
        let (_, out) = cooled(&notes, &life);
        let near = record_of(&out, AlertName::LimitNear, RAISED);
        assert!(
            near.message
                .contains("They were given away: tell whoever has them"),
            "{}",
            near.message
        );
        assert!(!near.message.contains("move the crate"), "{}", near.message);
    }
    // Nobody warns of what was cold when it was given away, but it is told.
    let mut monitor = monitor();
    let cold = Life {
        chance: |_| 0.0,
        worst: |_| 2.0,
        ..Life::default()
    };
    live(&mut monitor, &cold, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 96.0) / 1.5).exp();
    live(&mut monitor, &cold, 96.2, 106.0, |h| 3.0 - 0.01 * h, cooling);
    feed(
        &mut monitor,
        &cold,
        note(106.0, NoteKind::GivenAway, Some(vec![7, 8])),
    );
    let out = live(&mut monitor, &cold, 106.2, 110.0, |_| 1.9, |_| 4.0);
    assert_eq!(told(&out), []);
    assert_eq!(monitor.view().apart, None);
    says(&monitor, "2 bottles were given away, still closed");
}

#[test]
fn no_move_is_asked_for_when_all_were_given_away_and_the_gauge_still_warns() {
    let life = Life {
        worst: |h| if h > 101.0 { 4.1 } else { 2.0 },
        ..Life::default()
    };
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 96.0, |h| 0.02 * h, |_| 21.0);
    assert!(monitor.view().to_move);
    let mut out = feed(&mut monitor, &life, note(96.0, NoteKind::GivenAway, None));
    out.extend(live(&mut monitor, &life, 96.2, 100.0, |h| 0.02 * h, |_| 21.0));
    let ended = record_of(&out, AlertName::MoveToFridge, CLEARED);
    assert!(
        ended.message.contains("no bottle is left here to move"),
        "{}",
        ended.message
    );
    assert!(!monitor.view().to_move);
    let out = live(&mut monitor, &life, 100.0, 103.0, |h| 0.02 * h, |_| 21.0);
    let over = record_of(&out, AlertName::OverLimit, RAISED);
    assert!(
        over.message
            .contains("8 bottles were given away: warn whoever has them."),
        "{}",
        over.message
    );
    assert!(monitor.view().withdrawn.is_some());
}

#[test]
fn what_comes_back_into_the_fridge_here_is_no_longer_elsewhere() {
    let life = Life::default();
    let notes = [
        (NoteKind::GivenAway, Some(vec![7, 8])),
        (NoteKind::MovedToFridge, Some((1..=6).collect())),
    ];
    let (mut monitor, _) = cooled(&notes, &life);
    feed(
        &mut monitor,
        &life,
        note(106.0, NoteKind::MovedToFridge, Some(vec![7, 8])),
    );
    assert_eq!(monitor.view().given_away, None);
    assert!(!monitor.view().next.contains("given away"));
}

#[test]
fn opened_and_broken_bottles_are_gone_wherever_they_stood() {
    let life = Life::default();
    let notes = [
        (NoteKind::GivenAway, Some(vec![8])),
        (NoteKind::Opened, Some(vec![8])),
        (NoteKind::MovedToFridge, Some((1..=5).collect())),
    ];
    let (mut monitor, _) = cooled(&notes, &life);
    assert_eq!(monitor.view().apart.map(|apart| apart.count), Some(2));
    assert_eq!(monitor.view().given_away, None);
    feed(&mut monitor, &life, note(106.0, NoteKind::Opened, Some(vec![6])));
    assert_eq!(monitor.view().apart.map(|apart| apart.count), Some(1));
    feed(&mut monitor, &life, note(106.0, NoteKind::Broken, Some(vec![7])));
    let after: Vec<Action> = feed(&mut monitor, &life, Event::Tick { at: hour(107.0) });
    assert_eq!(monitor.view().apart, None);
    assert!(!told(&after).contains(&(AlertName::MoveToFridge, RAISED)));
}
