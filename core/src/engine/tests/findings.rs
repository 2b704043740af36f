//! Notes that tell the fit something, and notes that do not.

use super::fixture::*;
use crate::{
    engine::{Event, Monitor},
    fit::Evidence,
    forecast::Odd,
    note::{Note, NoteKind},
    reading::Quantity,
};

fn finding(h: f64, kind: NoteKind, bottles: &[u32], number: Option<(f64, &str)>, text: &str) -> Event {
    Event::Noted(Note {
        at: hour(h),
        kind,
        bottles: (!bottles.is_empty()).then(|| bottles.to_vec()),
        value: number.map(|(value, _)| value),
        unit: number.map(|(_, unit)| unit.to_owned()),
        text: (!text.is_empty()).then(|| text.to_owned()),
        takes_back: None,
    })
}

fn evidence(monitor: &Monitor) -> Evidence {
    Evidence::clone(&monitor.forecast_request(monitor.clock()).evidence)
}

/// Whether the fit learns anything from a note.
fn counts(event: Event) -> bool {
    let mut monitor = monitor();
    let life = Life::default();
    live(&mut monitor, &life, 0.0, 1.0, |_| 0.1, |_| 21.0);
    let before = evidence(&monitor);
    feed(&mut monitor, &life, event);
    evidence(&monitor) != before
}

#[test]
fn each_kind_of_finding_reaches_the_fit() {
    use NoteKind::{Gauge, Gravity, Opened, Squeezed, Tasted};
    assert!(counts(finding(
        2.0,
        Gravity,
        &[],
        Some((1.026, "SG")),
        "degassed"
    )));
    assert!(counts(finding(2.0, Gravity, &[], Some((6.5, "degP")), "")));
    assert!(counts(finding(2.0, Gauge, &[], Some((0.4, "bar")), "")));
    assert!(counts(finding(2.0, Squeezed, &[], None, "still soft")));
    assert!(counts(finding(2.0, Opened, &[3], None, "Flat, as it should be")));
    assert!(counts(finding(2.0, Tasted, &[3], None, "right")));
}

#[test]
fn words_that_the_fit_does_not_know_are_kept_by_people_alone() {
    use NoteKind::{Opened, Other, Squeezed, Tasted};
    assert!(!counts(finding(2.0, Opened, &[3], None, "a good hiss")));
    assert!(!counts(finding(2.0, Opened, &[3], None, "not flat")));
    assert!(!counts(finding(2.0, Tasted, &[3], None, "sweet, a little sour")));
    assert!(!counts(finding(2.0, Squeezed, &[], None, "")));
    assert!(!counts(finding(2.0, Other, &[], None, "flat")));
}

#[test]
fn an_opened_bottle_leaves_the_others_as_they_were() {
    let mut monitor = monitor();
    let life = Life::default();
    live(&mut monitor, &life, 0.0, 20.0, |h| 0.05 * h, |_| 21.0);
    feed(
        &mut monitor,
        &life,
        finding(20.0, NoteKind::Opened, &[3], None, "light"),
    );
    let noted = evidence(&monitor);
    live(&mut monitor, &life, 20.1, 21.0, |h| 0.05 * h, |_| 21.0);
    // The gauge goes on to count; a bottle whose number nobody said would have been all of them.
    assert_ne!(evidence(&monitor), noted);
    assert!(
        monitor.hears_a_gauge(monitor.clock()),
        "the gauge is on another bottle"
    );
}

#[test]
fn a_bottle_in_the_fridge_says_nothing_of_those_in_the_room() {
    let mut monitor = monitor();
    let life = Life::default();
    live(&mut monitor, &life, 0.0, 20.0, |h| 0.05 * h, |_| 21.0);
    feed(
        &mut monitor,
        &life,
        note(20.0, NoteKind::MovedToFridge, Some(vec![3])),
    );
    let before = evidence(&monitor);
    feed(
        &mut monitor,
        &life,
        finding(40.0, NoteKind::Opened, &[3], None, "light"),
    );
    assert_eq!(evidence(&monitor), before);
    feed(
        &mut monitor,
        &life,
        finding(40.0, NoteKind::Opened, &[4], None, "light"),
    );
    assert_ne!(evidence(&monitor), before);
}

#[test]
fn a_dial_read_by_eye_is_no_reading_of_the_sensor() {
    let mut monitor = monitor();
    let life = Life::default();
    live(&mut monitor, &life, 0.0, 2.0, |_| 0.1, |_| 21.0);
    feed(
        &mut monitor,
        &life,
        finding(2.0, NoteKind::Gauge, &[], Some((0.4, "bar")), ""),
    );
    let seen = evidence(&monitor);
    let mut twin = seen.clone();
    // Said again by a wire it is something else.
    let crate::engine::Event::Measured(row) = row(2.0, Quantity::Pressure, 0.4) else {
        panic!("a row")
    };
    twin.observe(row.at, row.measured.into());
    assert_ne!(twin, seen);
}

#[test]
fn a_bottle_that_was_drunk_is_not_left_behind_in_the_room() {
    let others_left = |drunk: bool| {
        let mut monitor = monitor();
        let life = Life::default();
        live(&mut monitor, &life, 0.0, 20.0, |h| 0.05 * h, |_| 21.0);
        if drunk {
            feed(
                &mut monitor,
                &life,
                finding(20.0, NoteKind::Opened, &[8], None, "light"),
            );
        }
        let moved = Some((1..=7).collect());
        feed(&mut monitor, &life, note(20.1, NoteKind::MovedToFridge, moved));
        let cooling = |h: f64| 4.0 + 17.0 * (-(h - 20.2) / 1.5).exp();
        live(&mut monitor, &life, 20.2, 30.0, |_| 0.8, cooling);
        monitor.view().apart.map(|apart| apart.count)
    };
    assert_eq!(others_left(false), Some(1));
    assert_eq!(others_left(true), None);
}

#[test]
fn a_question_rests_once_a_person_says_that_the_entry_is_right() {
    let mut monitor = monitor();
    let life = Life::default();
    live(&mut monitor, &life, 0.0, 3.0, |h| 0.05 * h, |_| 21.0);
    let asked = |monitor: &mut Monitor| {
        if let Some(fitted) = &mut monitor.state.fitted {
            fitted.outlook.odd = vec![Odd::Sugar, Odd::Fill];
        }
        let view = monitor.view();
        assert_eq!(view.questions.len(), view.asked.len());
        view.asked
    };
    assert_eq!(asked(&mut monitor), [Odd::Sugar, Odd::Fill]);
    let confirmed = |text: &str| finding(3.0, NoteKind::Confirmed, &[], None, text);
    feed(
        &mut monitor,
        &life,
        confirmed("the sugar is right: weighed twice"),
    );
    assert_eq!(asked(&mut monitor), [Odd::Fill]);
    // Over a restart, too.
    let bytes = monitor.snapshot();
    let mut again = Monitor::restore(&bytes, monitor.batch().clone(), monitor.settings.clone()).unwrap();
    assert_eq!(asked(&mut again), [Odd::Fill]);
    feed(&mut again, &life, confirmed(""));
    assert_eq!(asked(&mut again), []);

    // What was corrected is in the batch file: the note of it changes nothing.
    let before = again.snapshot();
    feed(
        &mut again,
        &life,
        finding(9.0, NoteKind::Corrected, &[], None, "Ada corrected: sugar"),
    );
    assert_eq!(again.snapshot(), before);
}
