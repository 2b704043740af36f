//! Stores of every layout that was ever in use, as text: each has to open, with all that is in it.
//!
//! A new layout gets a new file, dumped from a store of the program that made it, and its counts here; no file is ever changed.

use std::path::Path;

use fobwatch_core::{alert::AlertName, note::NoteKind, reading::Quantity};

use super::*;

const ALL: &[&str] = &[
    include_str!("layouts/1.sql"),
    include_str!("layouts/2.sql"),
    include_str!("layouts/3.sql"),
    include_str!("layouts/4.sql"),
    include_str!("layouts/5.sql"),
    include_str!("layouts/6.sql"),
    include_str!("layouts/7.sql"),
    include_str!("layouts/8.sql"),
    include_str!("layouts/9.sql"),
    include_str!("layouts/10.sql"),
    include_str!("layouts/11.sql"),
];

fn lay(text: &str, folder: &Path) {
    let connection = Connection::open(folder.join(FILE)).unwrap();
    connection.execute_batch(text).unwrap();
}

/// The tables and indexes, however they are spaced.
fn shape(folder: &Path) -> Vec<String> {
    let connection = Connection::open(folder.join(FILE)).unwrap();
    let mut query = connection
        .prepare(
            "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%' ORDER BY name",
        )
        .unwrap();
    let rows = query.query_map([], |row| row.get::<_, String>(0)).unwrap();
    rows.map(|sql| sql.unwrap().split_whitespace().collect::<Vec<_>>().join(" "))
        .collect()
}

#[test]
fn there_is_a_store_of_every_layout() {
    assert_eq!(i64::try_from(ALL.len()), Ok(layout::latest()));
    for (text, number) in ALL.iter().zip(1..) {
        assert!(
            text.contains(&format!("PRAGMA user_version = {number};")),
            "{number}"
        );
    }
}

#[test]
fn a_store_of_every_layout_opens_with_all_that_is_in_it_and_has_the_shape_of_a_new_one() {
    for text in ALL {
        let folder = tempfile::tempdir().unwrap();
        lay(text, folder.path());
        let mut writer = Writer::open(folder.path()).unwrap();
        let reader = writer.reader();
        let batches = reader.batches().unwrap();
        assert_eq!(batches.len(), 1);
        let plum = batches[0].id;
        assert_eq!(batches[0].name.as_str(), "plum 1");
        let events = reader.events_after(Sequence(0), 1_000).unwrap();
        assert_eq!(events.len(), 32, "28 readings, a note, two commands, a tick");
        assert_eq!(reader.last_sequence().unwrap(), Sequence(32));
        let gauge = reader
            .series()
            .unwrap()
            .into_iter()
            .find(|series| series.quantity == Quantity::Pressure)
            .unwrap();
        assert_eq!(gauge.source.as_str(), "pilot");
        assert!((gauge.last.stored_value() - 105_000.0).abs() < 1e-6, "{gauge:?}");
        assert_eq!(gauge.last_at.to_string(), "2026-03-02T09:10:14.5Z");
        assert_eq!(reader.notes(plum).unwrap()[0].kind, NoteKind::Squeezed);
        assert_eq!(reader.alerts(plum).unwrap().len(), 4);
        assert!(
            reader
                .alerts(plum)
                .unwrap()
                .iter()
                .any(|alert| alert.alert == AlertName::OverLimit)
        );
        assert_eq!(reader.forecasts(plum).unwrap().len(), 2);
        assert_eq!(
            reader
                .outbox("kitchen broker", Lane::Rest, batches[0].added_at, 10)
                .unwrap()
                .len(),
            1
        );
        assert_eq!(reader.set_aside(plum).unwrap()[0].count, 3);
        assert_eq!(writer.append_clock(batches[0].added_at).unwrap(), Sequence(33));
        writer.close().unwrap();

        let new = tempfile::tempdir().unwrap();
        Writer::open(new.path()).unwrap().close().unwrap();
        assert_eq!(shape(folder.path()), shape(new.path()));
    }
}

#[test]
fn a_crash_at_any_place_of_a_migration_loses_nothing() {
    let whole = ALL.len() - 1;
    for text in &ALL[..whole] {
        let folder = tempfile::tempdir().unwrap();
        lay(text, folder.path());
        let mut migrating = Connection::open(folder.path().join(FILE)).unwrap();
        migration::prepare(&mut migrating).unwrap();
        // Nothing is copied into the file yet: what a crash leaves is the file and the beginning of the log.
        let file = std::fs::read(folder.path().join(FILE)).unwrap();
        let log = std::fs::read(folder.path().join(format!("{FILE}-wal"))).unwrap();
        let mut cuts: Vec<usize> = (0..log.len()).step_by(1 + log.len() / 12).collect();
        cuts.push(log.len());
        for cut in cuts {
            let left = tempfile::tempdir().unwrap();
            std::fs::write(left.path().join(FILE), &file).unwrap();
            std::fs::write(left.path().join(format!("{FILE}-wal")), &log[..cut]).unwrap();
            let mut writer = Writer::open(left.path()).unwrap();
            let events = writer.reader().events_after(Sequence(0), 1_000).unwrap();
            assert_eq!(events.len(), 32, "{cut} of {}", log.len());
            writer.settle().unwrap();
            let rolled: i64 = writer
                .connection()
                .query_row("SELECT sum(count) FROM rollup", [], |row| row.get(0))
                .unwrap();
            assert_eq!(rolled, 28, "{cut} of {}", log.len());
            let alerts: i64 = writer
                .connection()
                .query_row(
                    "SELECT count(*) FROM outbox JOIN alert ON alert.id = outbox.alert",
                    [],
                    |row| row.get(0),
                )
                .unwrap();
            assert!(alerts > 0);
            writer.close().unwrap();
        }
        drop(migrating);
    }
}

#[test]
fn a_store_of_a_later_layout_is_refused_with_what_to_do_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    lay(ALL[0], folder.path());
    let later = layout::latest() + 1;
    lay(&format!("PRAGMA user_version = {later};"), folder.path());
    let before = std::fs::read(folder.path().join(FILE)).unwrap();
    let writing = Writer::open(folder.path()).unwrap_err().to_string();
    let reading = Store::read_folder(folder.path(), |reader| reader.batches())
        .unwrap_err()
        .to_string();
    let copying = Store::back_up(folder.path(), &folder.path().join("copy"))
        .unwrap_err()
        .to_string();
    for told in [writing, reading, copying] {
        assert_eq!(
            told,
            format!(
                "the store has layout {later}; this fobwatch knows layouts up to {}: use the later one",
                later - 1
            )
        );
    }
    assert!(std::fs::read(folder.path().join(FILE)).unwrap() == before);
}

#[test]
fn a_backup_of_an_earlier_store_brings_the_zeros_along_and_leaves_that_store_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    lay(ALL[0], folder.path());
    std::fs::write(folder.path().join("zeros.toml"), "# what stands here").unwrap();
    let before = std::fs::read(folder.path().join(FILE)).unwrap();
    let other = tempfile::tempdir().unwrap();
    Store::back_up(folder.path(), &other.path().join(FILE)).unwrap();
    assert!(std::fs::read(folder.path().join(FILE)).unwrap() == before);

    let there = || std::fs::read_to_string(other.path().join("zeros.toml"));
    assert!(there().is_err());
    let writer = Writer::open(other.path()).unwrap();
    assert_eq!(there().unwrap(), "# what stands here");
    assert_eq!(writer.reader().last_sequence().unwrap(), Sequence(32));
    writer.close().unwrap();
    // Once: who throws them away later does not get them back.
    std::fs::remove_file(other.path().join("zeros.toml")).unwrap();
    Writer::open(other.path()).unwrap().close().unwrap();
    assert!(there().is_err());
}
