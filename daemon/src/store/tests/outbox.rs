//! The outbox: who is told again, together, from now on, or no longer.

use jiff::{SignedDuration, tz::TimeZone};

use super::*;

fn destination(name: &str) -> Destination {
    Destination {
        name: name.to_owned(),
        picks: Picks::all(),
        zone: TimeZone::UTC,
        keeps_states: false,
    }
}

fn state(seconds: i64, state: Transition) -> AlertRecord {
    AlertRecord {
        state,
        ..raised(seconds)
    }
}

fn began() -> (tempfile::TempDir, Writer, BatchId) {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let plum = writer.add_batch(&batch(), BATCH, at(0)).unwrap();
    (folder, writer, plum)
}

fn again(plum: BatchId, seconds: i64) -> Outcome {
    Outcome {
        reminders: vec![AlertRecord {
            message: format!("as of {seconds}"),
            ..raised(seconds)
        }],
        ..outcome(plum, Vec::new())
    }
}

#[test]
fn a_reminder_of_the_engine_is_kept_once_and_an_older_one_gives_way() {
    let (_folder, mut writer, plum) = began();
    writer.record(&outcome(plum, vec![raised(100)])).unwrap();
    for _ in 0..2 {
        writer.record(&again(plum, 200)).unwrap();
    }
    writer.record(&again(plum, 300)).unwrap();
    let rows = waiting(&writer, "kitchen broker", at(400));
    let told: Vec<_> = rows.iter().map(|row| row.alert.message.as_str()).collect();
    assert_eq!(told.len(), 3, "{told:?}");
    assert_eq!(told[1..], ["as of 200", "as of 300"]);
    let outdated = |writer: &Writer| -> Vec<bool> {
        let reader = writer.reader();
        rows.iter()
            .map(|row| reader.is_outdated(row.id).unwrap())
            .collect()
    };
    assert_eq!(outdated(&writer)[1..], [true, false]);
    // Somebody has seen it: nobody needs to be reminded.
    let seen = state(350, Transition::Acknowledged);
    writer.record(&outcome(plum, vec![seen])).unwrap();
    assert_eq!(outdated(&writer)[1..], [true, true]);
    // One from before that is not even put there; one after it is.
    writer.record(&again(plum, 320)).unwrap();
    assert_eq!(waiting(&writer, "kitchen broker", at(400)).len(), 4);
    writer.record(&again(plum, 900)).unwrap();
    assert_eq!(waiting(&writer, "kitchen broker", at(400)).len(), 5);
    // It is over.
    let over = state(950, Transition::Cleared);
    writer.record(&outcome(plum, vec![over])).unwrap();
    writer.record(&again(plum, 960)).unwrap();
    assert_eq!(waiting(&writer, "kitchen broker", at(400)).len(), 6);
}

#[test]
fn the_next_reminder_is_put_there_with_what_was_delivered_and_outlives_a_stop() {
    let (folder, mut writer, plum) = began();
    writer.record(&outcome(plum, vec![raised(100)])).unwrap();
    let row = waiting(&writer, "kitchen broker", at(0))[0].id;
    let next = |row| Next {
        row,
        due: Due {
            at: at(21_600),
            gathered: false,
        },
    };
    writer
        .outbox_done(&[row], at(1), &Delivered::Taken, &[next(row)])
        .unwrap();
    writer.close().unwrap();
    let writer = Writer::open(folder.path()).unwrap();
    assert!(waiting(&writer, "kitchen broker", at(2)).is_empty());
    assert_eq!(
        writer.reader().next_due("kitchen broker", at(2)).unwrap(),
        Some(at(21_600))
    );
    let due = waiting(&writer, "kitchen broker", at(21_600));
    assert_eq!((due[0].again, &due[0].alert), (1, &raised(100)));
    // A clock that was set back to before all this delivers rather than waits for itself.
    assert_eq!(waiting(&writer, "kitchen broker", at(-9_000)).len(), 1);
}

#[test]
fn danger_has_a_lane_of_its_own() {
    let (_folder, mut writer, plum) = began();
    let danger = AlertRecord {
        alert: AlertName::OverLimit,
        priority: Priority::Critical,
        ..raised(200)
    };
    writer
        .record(&outcome(plum, vec![raised(100), danger.clone()]))
        .unwrap();
    let reader = writer.reader();
    let lane = reader
        .outbox("kitchen broker", Lane::Danger, at(300), 10)
        .unwrap();
    assert_eq!(lane.len(), 1);
    assert_eq!(lane[0].alert, danger);
    assert_eq!(waiting(&writer, "kitchen broker", at(300)).len(), 1);
}

#[test]
fn whoever_is_told_from_now_on_hears_once_of_what_stands() {
    let (_folder, mut writer, plum) = began();
    let seen = AlertRecord {
        alert: AlertName::Stalled,
        ..state(110, Transition::Acknowledged)
    };
    let over = AlertRecord {
        alert: AlertName::FridgeSoon,
        ..state(120, Transition::Cleared)
    };
    writer
        .record(&outcome(plum, vec![raised(100), seen, over]))
        .unwrap();
    assert_eq!(
        writer
            .outbox_begin(&destination("webhook:phone"), at(200))
            .unwrap(),
        1
    );
    assert_eq!(
        writer
            .outbox_begin(&destination("webhook:phone"), at(201))
            .unwrap(),
        0
    );
    assert_eq!(waiting(&writer, "webhook:phone", at(200))[0].alert, raised(100));
    let broker = Destination {
        keeps_states: true,
        ..destination("mqtt:new")
    };
    assert_eq!(writer.outbox_begin(&broker, at(200)).unwrap(), 2);
    // Of a batch that has ended nobody new is told.
    writer.end_batch("plum 1", at(300)).unwrap();
    assert_eq!(
        writer.outbox_begin(&destination("email:home"), at(301)).unwrap(),
        0
    );
}

#[test]
fn what_waits_for_nobody_is_given_up_with_its_age_and_counted() {
    let (_folder, mut writer, plum) = began();
    writer.record(&outcome(plum, vec![raised(100)])).unwrap();
    let known = ["email:home".to_owned()];
    assert_eq!(writer.outbox_forget(&known, at(-1), at(9)).unwrap(), Vec::new());
    let kept = ["kitchen broker".to_owned()];
    assert_eq!(writer.outbox_forget(&kept, at(5), at(9)).unwrap(), Vec::new());
    assert_eq!(
        writer.outbox_forget(&known, at(5), at(9)).unwrap(),
        vec![("kitchen broker".to_owned(), 1)]
    );
    let backlog = writer.reader().backlog().unwrap();
    assert_eq!((backlog[0].waiting, backlog[0].given_up), (0, 1));
    assert_eq!(backlog[0].given_up_at, Some(at(9)));
}

#[test]
fn who_was_told_that_an_alert_stands_hears_what_became_of_it() {
    let (_folder, mut writer, plum) = began();
    let waits = Destination {
        picks: Picks {
            after: SignedDuration::from_mins(15),
            ..Picks::all()
        },
        ..destination("email:next")
    };
    let store = |writer: &mut Writer, alert: AlertRecord| {
        let outcome = Outcome {
            destinations: vec![waits.clone()],
            ..outcome(plum, vec![alert])
        };
        writer.record(&outcome).unwrap();
    };
    store(&mut writer, raised(100));
    store(&mut writer, state(110, Transition::Acknowledged));
    let rows = |writer: &Writer| waiting(writer, "email:next", at(0));
    let seen = rows(&writer)[0].id;
    assert!(!writer.reader().was_told(seen).unwrap());
    let first = waiting(&writer, "email:next", at(900))[0].id;
    writer
        .outbox_done(&[first], at(900), &Delivered::Taken, &[])
        .unwrap();
    assert!(writer.reader().was_told(seen).unwrap());
    // Raised anew, and seen to before anybody there was told of it.
    store(&mut writer, state(120, Transition::Cleared));
    store(&mut writer, raised(200));
    store(&mut writer, state(210, Transition::Acknowledged));
    let last = rows(&writer).last().unwrap().id;
    assert!(!writer.reader().was_told(last).unwrap());
}
