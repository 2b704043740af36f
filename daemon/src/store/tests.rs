//! What the store promises.

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Priority, Transition},
    batch::{Batch, BatchName},
    engine::{Command, Deed, SetAside, SetAsideReason},
    note::{Note, NoteKind},
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;

use super::*;
use crate::config::Picks;

mod arrival;
mod earlier;
mod fresh;
mod outbox;
mod rollups;
mod stretch;

const BATCH: &str = r#"
name = "plum 1"
bottled_at = "2026-03-02T07:00:00Z"
drink.sucrose_g_per_l = 60
bottle = { material = "pet", capacity_ml = 500, fill_ml = 475, pressure_limit_bar = 6 }
target = { co2_volumes = 2.8, fridge_c = 4 }
"#;

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_second(1_772_434_800 + seconds).unwrap()
}

fn bar(source: &str, seconds: i64, bar: f64) -> Reading {
    Reading {
        at: at(seconds),
        source: Source::new(source).unwrap(),
        measured: Measured::new(Quantity::Pressure, bar, Unit::Bar).unwrap(),
    }
}

fn batch() -> Batch {
    Batch::from_toml(BATCH, "plum.toml").unwrap().0
}

fn raised(seconds: i64) -> AlertRecord {
    AlertRecord {
        batch: BatchName::new("plum 1").unwrap(),
        alert: AlertName::MoveToFridge,
        state: Transition::Raised,
        priority: Priority::Medium,
        at: at(seconds),
        message: "Move plum 1 to the fridge.".to_owned(),
        who: None,
        source: None,
        quantity: None,
    }
}

fn outcome(batch: BatchId, alerts: Vec<AlertRecord>) -> Outcome {
    let broker = Destination {
        name: "kitchen broker".to_owned(),
        picks: Picks::all(),
        zone: jiff::tz::TimeZone::UTC,
        keeps_states: true,
    };
    Outcome {
        alerts,
        ..Outcome::empty(batch, vec![broker], at(0))
    }
}

/// The store with its readings as a row each.
fn unpacked(writer: &Writer) -> &Connection {
    simulated::unpack(writer.connection()).unwrap();
    writer.connection()
}

fn waiting(writer: &Writer, destination: &str, now: Timestamp) -> Vec<OutboxRow> {
    writer.reader().outbox(destination, Lane::Rest, now, 10).unwrap()
}

#[test]
fn what_was_stored_is_there_after_reopening_in_the_order_of_arrival() {
    let folder = tempfile::tempdir().unwrap();
    let note = Note {
        at: at(30),
        kind: NoteKind::Vented,
        bottles: Some(vec![1, 2]),
        value: None,
        unit: None,
        text: Some("hissed".to_owned()),
        takes_back: None,
    };
    let command = Command {
        at: at(50),
        alert: AlertName::MoveToFridge,
        who: "me".to_owned(),
        deed: Deed::Acknowledge,
    };
    let (early, late) = (bar("pilot", 10, 0.5), bar("pilot", 40, 0.7));
    let plum;
    {
        let mut writer = Writer::open(folder.path()).unwrap();
        plum = writer.add_batch(&batch(), BATCH, at(0)).unwrap();
        writer
            .append_readings(std::slice::from_ref(&late), at(41))
            .unwrap();
        writer.append_note(plum, &note, at(42)).unwrap();
        writer.append_clock(at(45)).unwrap();
        writer
            .append_readings(std::slice::from_ref(&early), at(46))
            .unwrap();
        writer.append_command(plum, &command, at(50)).unwrap();
    }
    let writer = Writer::open(folder.path()).unwrap();
    let events = writer.reader().events_after(Sequence(0), 100).unwrap();
    let what: Vec<_> = events.iter().map(|event| event.what.clone()).collect();
    assert_eq!(
        what,
        [
            StoredWhat::Reading(late),
            StoredWhat::Note(plum, note),
            StoredWhat::Clock(at(45)),
            StoredWhat::Reading(early),
            StoredWhat::Command(plum, command),
        ]
    );
    assert!(events.windows(2).all(|pair| pair[0].sequence < pair[1].sequence));
    assert_eq!(events[0].received_at, at(41));
    assert_eq!(writer.reader().last_sequence().unwrap(), events[4].sequence);
}

#[test]
fn events_come_in_pages_without_gap_or_repeat() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    for minute in 0..20 {
        writer
            .append_readings(
                &[bar("pilot", minute * 60, 0.1), bar("other", minute * 60, 0.2)],
                at(minute * 60),
            )
            .unwrap();
        writer.append_clock(at(minute * 60)).unwrap();
    }
    let (mut after, mut seen) = (Sequence(0), Vec::new());
    loop {
        let page = writer.reader().events_after(after, 7).unwrap();
        let Some(last) = page.last() else { break };
        after = last.sequence;
        seen.extend(page.iter().map(|event| event.sequence.0));
    }
    assert_eq!(seen, (1..=60).collect::<Vec<_>>());
}

#[test]
fn the_same_source_quantity_and_time_is_one_reading_and_the_first_value_stays() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let first = bar("pilot", 10, 0.5);
    let answers = writer
        .append_readings(
            &[first.clone(), bar("pilot", 10, 0.9), bar("other", 10, 0.9)],
            at(11),
        )
        .unwrap();
    assert_eq!(
        answers,
        [
            Appended::New(Sequence(1)),
            Appended::Duplicate,
            Appended::New(Sequence(2))
        ]
    );
    let again = writer
        .append_readings(std::slice::from_ref(&first), at(12))
        .unwrap();
    assert_eq!(again, [Appended::Duplicate]);
    let stored = writer
        .reader()
        .readings(&first.source, Quantity::Pressure, at(0), at(60))
        .unwrap();
    assert_eq!(stored, [first]);
}

#[test]
fn there_is_an_end_to_new_sources_but_not_to_those_that_are_known_or_named() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let many: Vec<Reading> = (0..MOST_SERIES)
        .map(|number| bar(&format!("n{number}"), 0, 1.0))
        .collect();
    let appended = writer.append_readings(&many, at(0)).unwrap();
    assert!(appended.iter().all(|one| matches!(one, Appended::New(_))));
    let mixed = |seconds| {
        [
            bar("one more", seconds, 1.0),
            bar("n7", seconds, 1.0),
            bar("pilot", seconds, 1.0),
        ]
    };
    let answers = writer.append_readings(&mixed(1), at(1)).unwrap();
    assert_eq!(answers[0], Appended::TurnedAway);
    assert!(matches!(answers[1], Appended::New(_)));
    assert_eq!(answers[2], Appended::TurnedAway);
    writer.names([Source::new("pilot").unwrap()]);
    let answers = writer.append_readings(&mixed(2), at(2)).unwrap();
    assert!(matches!(answers[2], Appended::New(_)), "{answers:?}");
    // A restart knows them all, and counts no more.
    drop(writer);
    let mut writer = Writer::open(folder.path()).unwrap();
    let answers = writer.append_readings(&mixed(3), at(3)).unwrap();
    assert_eq!(answers[0], Appended::TurnedAway);
    assert!(matches!(answers[1], Appended::New(_)) && matches!(answers[2], Appended::New(_)));
}

#[test]
fn a_second_daemon_refuses_the_folder_and_names_the_first() {
    let folder = tempfile::tempdir().unwrap();
    let first = Writer::open(folder.path()).unwrap();
    let refused = Writer::open(folder.path()).unwrap_err();
    assert!(matches!(refused, StoreError::Locked { .. }), "{refused}");
    assert!(
        refused.to_string().contains(&std::process::id().to_string()),
        "{refused}"
    );
    drop(first);
    Writer::open(folder.path()).unwrap();
}

#[test]
fn a_store_of_a_later_layout_is_refused_untouched() {
    let folder = tempfile::tempdir().unwrap();
    let writer = Writer::open(folder.path()).unwrap();
    writer
        .connection()
        .pragma_update(None, "user_version", 999)
        .unwrap();
    drop(writer);
    let refused = Writer::open(folder.path()).unwrap_err();
    assert!(
        matches!(refused, StoreError::LaterLayout { found: 999, .. }),
        "{refused}"
    );
}

#[test]
fn an_alert_stored_twice_goes_out_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let plum = writer.add_batch(&batch(), BATCH, at(0)).unwrap();
    let fresh = writer.record(&outcome(plum, vec![raised(100)])).unwrap();
    assert_eq!(fresh, [raised(100)]);
    let fresh = writer
        .record(&outcome(plum, vec![raised(100), raised(200)]))
        .unwrap();
    assert_eq!(fresh, [raised(200)]);

    let rows = waiting(&writer, "kitchen broker", at(400));
    assert_eq!(
        rows.iter().map(|row| row.alert.at).collect::<Vec<_>>(),
        [at(100), at(200)]
    );
    writer.outbox_retry(&[rows[0].id], at(500), "no broker").unwrap();
    writer
        .outbox_done(&[rows[1].id], at(300), &Delivered::Taken, &[])
        .unwrap();
    let rows = waiting(&writer, "kitchen broker", at(400));
    assert_eq!(rows.len(), 1);
    assert_eq!((rows[0].attempts, rows[0].due_at), (1, at(500)));
    assert!(waiting(&writer, "elsewhere", at(400)).is_empty());
    assert_eq!(writer.reader().alerts(plum).unwrap().len(), 2);
    assert_eq!(writer.reader().last_alerts(plum).unwrap(), [raised(200)]);
}

#[test]
fn alerts_and_snapshot_stand_or_fall_together() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let plum = writer.add_batch(&batch(), BATCH, at(0)).unwrap();
    let snapshot = Snapshot {
        sequence: Sequence(7),
        taken_at: at(60),
        body: vec![0, 255, 3],
    };
    let mut whole = outcome(plum, vec![raised(100)]);
    whole.snapshot = Some(snapshot.clone());
    whole.set_aside = vec![SetAside {
        reading: bar("pilot", -5, 0.1),
        reason: SetAsideReason::BeforeSealing,
    }];
    // No such batch: the foreign key refuses the rows, and nothing of the outcome stays.
    let mut homeless = outcome(BatchId(99), vec![raised(50)]);
    homeless.snapshot = Some(snapshot.clone());
    assert!(writer.record(&homeless).is_err());
    assert!(waiting(&writer, "kitchen broker", at(400)).is_empty());

    writer.record(&whole).unwrap();
    writer.record(&whole).unwrap();
    assert_eq!(writer.reader().snapshot(plum).unwrap(), Some(snapshot));
    let counts = writer.reader().set_aside(plum).unwrap();
    assert_eq!(
        (counts[0].reason.as_str(), counts[0].count),
        ("before_sealing", 2)
    );
}

#[test]
fn a_name_is_free_again_once_its_batch_has_ended() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let first = writer.add_batch(&batch(), BATCH, at(0)).unwrap();
    let refused = writer.add_batch(&batch(), BATCH, at(1)).unwrap_err();
    assert!(matches!(refused, StoreError::NameTaken { .. }), "{refused}");
    assert_eq!(writer.end_batch("plum 1", at(2)).unwrap(), first);
    assert!(matches!(
        writer.end_batch("plum 1", at(3)).unwrap_err(),
        StoreError::NoSuchBatch { .. }
    ));
    let second = writer.add_batch(&batch(), BATCH, at(4)).unwrap();
    assert_ne!(first, second);
    let all = writer.reader().batches().unwrap();
    assert_eq!(all[0].ended_at, Some(at(2)));
    assert_eq!(
        (all[1].id, all[1].ended_at, all[1].text.as_str()),
        (second, None, BATCH)
    );
}

#[test]
fn buckets_keep_the_extremes_and_leave_out_what_is_empty() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let readings: Vec<_> = [(0, 0.1), (10, 0.5), (20, 0.3), (70, 0.9), (99, 0.7)]
        .map(|(seconds, value)| bar("pilot", seconds, value))
        .into();
    writer.append_readings(&readings, at(100)).unwrap();
    let pilot = Source::new("pilot").unwrap();
    let buckets = writer
        .reader()
        .rolled(&pilot, Quantity::Pressure, at(0), at(100), 2)
        .unwrap();
    let pascal: Vec<_> = buckets
        .iter()
        .map(|b| {
            let ends = [b.least, b.mean, b.most].map(|m| m.stored_value().round());
            (b.count, ends)
        })
        .collect();
    assert_eq!(
        pascal,
        [
            (3, [10_000.0, 30_000.0, 50_000.0]),
            (2, [70_000.0, 80_000.0, 90_000.0])
        ]
    );
    assert_eq!(buckets[0].from, at(0));
}

#[test]
fn a_batch_added_late_begins_before_the_first_reading_it_may_use() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    assert_eq!(
        writer.reader().sequence_before(BatchId(1), at(0)).unwrap(),
        Sequence(0)
    );
    let readings: Vec<_> = [0, 10, 20, 30].map(|seconds| bar("pilot", seconds, 0.1)).into();
    writer.append_readings(&readings, at(40)).unwrap();
    assert_eq!(
        writer.reader().sequence_before(BatchId(1), at(15)).unwrap(),
        Sequence(2)
    );
    assert_eq!(
        writer.reader().sequence_before(BatchId(1), at(99)).unwrap(),
        Sequence(4)
    );
}

#[test]
fn a_batch_begins_before_its_own_notes_and_a_note_handed_in_twice_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let (plum, mut lime) = (batch(), batch());
    lime.name = BatchName::new("lime and mint 4").unwrap();
    let plum = writer.add_batch(&plum, "", at(0)).unwrap();
    let lime = writer.add_batch(&lime, "", at(0)).unwrap();
    writer.append_clock(at(1)).unwrap();
    let note = Note {
        at: at(5),
        kind: NoteKind::Opened,
        bottles: Some(vec![3]),
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    };
    let first = writer.append_note(plum, &note, at(6)).unwrap();
    assert_eq!(first, Sequence(2));
    writer.append_readings(&[bar("pilot", 30, 0.1)], at(40)).unwrap();
    let starts = |batch| writer.reader().sequence_before(batch, at(20)).unwrap();
    assert_eq!((starts(plum), starts(lime)), (Sequence(1), Sequence(2)));

    assert_eq!(writer.append_note(plum, &note, at(50)).unwrap(), first);
    assert_ne!(writer.append_note(lime, &note, at(50)).unwrap(), first);
    let other = Note { at: at(7), ..note };
    writer.append_note(plum, &other, at(50)).unwrap();
    assert_eq!(writer.reader().notes(plum).unwrap().len(), 2);
}

#[test]
fn the_holder_of_a_folder_says_where_it_can_be_asked() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(Store::address_of_holder(folder.path()), None);
    assert!(!Store::is_in(folder.path()));
    let mut writer = Writer::open(folder.path()).unwrap();
    assert_eq!(Store::address_of_holder(folder.path()), None);
    let address = "127.0.0.1:8740".parse().unwrap();
    writer.serves(address).unwrap();
    assert_eq!(Store::address_of_holder(folder.path()), Some(address));
    assert!(Store::is_in(folder.path()));
    let refused = Writer::open(folder.path()).unwrap_err().to_string();
    let process = format!("process {})", std::process::id());
    assert!(refused.contains(&process), "{refused}");
}

#[test]
fn a_full_disk_is_told_as_such_and_nothing_of_the_batch_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let pages: i64 = writer
        .connection()
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .unwrap();
    // SQLite answers "full" alike for a full disk and for its own ceiling of pages.
    writer
        .connection()
        .pragma_update_and_check(None, "max_page_count", pages + 2, |_| Ok(()))
        .unwrap();
    let many: Vec<_> = (0..60_000).map(|second| bar("pilot", second, 0.1)).collect();
    let refused = writer.append_readings(&many, at(60_000)).unwrap_err();
    assert!(
        matches!(refused, StoreError::Full) && refused.is_transient(),
        "{refused}"
    );
    assert!(writer.reader().events_after(Sequence(0), 10).unwrap().is_empty());

    writer
        .connection()
        .pragma_update_and_check(None, "max_page_count", pages + 1_000, |_| Ok(()))
        .unwrap();
    let answers = writer.append_readings(&many, at(60_000)).unwrap();
    assert_eq!(answers[0], Appended::New(Sequence(1)));
    assert_eq!(answers.len(), 60_000);
}

#[tokio::test]
async fn readers_see_what_was_committed_and_a_closed_store_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let clone = store.clone();
    let reading = bar("pilot", 0, 0.4);
    let kept = reading.clone();
    store
        .write(move |writer| writer.append_readings(&[kept], at(1)))
        .await
        .unwrap();
    let series = clone.read(|reader| reader.series()).await.unwrap();
    assert_eq!(
        (series[0].last, series[0].last_at),
        (reading.measured, reading.at)
    );
    let beside = Store::read_folder(folder.path(), |reader| reader.last_sequence()).unwrap();
    assert_eq!(beside, Sequence(1));

    store.close().await.unwrap();
    let refused = clone
        .write(|writer| writer.append_clock(at(9)))
        .await
        .unwrap_err();
    assert!(matches!(refused, StoreError::Closed), "{refused}");
    Writer::open(folder.path()).unwrap();
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(32))] // each makes a store of its own
    #[test]
    fn every_reading_comes_back_bit_for_bit(
        rows in proptest::collection::vec((0_usize..6, -1.0e3_f64..2.0e3, 0_i64..4_000_000_000_000_000), 1..40)
    ) {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = Writer::open(folder.path()).unwrap();
        let readings: Vec<Reading> = rows
            .into_iter()
            .filter_map(|(which, value, micros)| {
                let quantity = Quantity::ALL[which];
                Some(Reading {
                    at: Timestamp::from_microsecond(micros).ok()?,
                    source: Source::new("pilot").ok()?,
                    measured: Measured::new(quantity, value, quantity.stored_unit()).ok()?,
                })
            })
            .collect();
        let answers = writer.append_readings(&readings, at(0)).unwrap();
        let stored = writer.reader().events_after(Sequence(0), 1_000).unwrap();
        let fresh: Vec<_> = readings
            .into_iter()
            .zip(answers)
            .filter(|(_, answer)| *answer != Appended::Duplicate)
            .map(|(reading, _)| StoredWhat::Reading(reading))
            .collect();
        let stored: Vec<_> = stored.into_iter().map(|event| event.what).collect();
        proptest::prop_assert_eq!(stored, fresh);
    }
}
