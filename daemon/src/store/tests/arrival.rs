//! The order of arrival stands beside the readings, and knows the same.

use super::*;

fn number(writer: &Writer, query: &str) -> i64 {
    writer
        .connection()
        .query_row(query, [], |row| row.get(0))
        .unwrap()
}

/// Places of the readings behind `after`, as the order of arrival has them.
fn places(writer: &Writer, after: i64, limit: u32) -> Vec<i64> {
    let events = writer.reader().readings_after(Sequence(after), limit).unwrap();
    events.iter().map(|event| event.sequence.0).collect()
}

/// The same as the readings themselves have them.
fn stored(writer: &Writer, after: i64, limit: u32) -> Vec<i64> {
    let mut query = writer
        .connection()
        .prepare("SELECT seq FROM arrived WHERE seq > ?1 ORDER BY seq LIMIT ?2")
        .unwrap();
    let rows = query
        .query_map(rusqlite::params![after, limit], |row| row.get(0))
        .unwrap();
    rows.map(Result::unwrap).collect()
}

fn agree(writer: &Writer) {
    let last = writer.reader().last_sequence().unwrap().0;
    for after in (0..=last + 1).step_by(37) {
        for limit in [0, 1, 2, 200, 5_000] {
            assert_eq!(
                places(writer, after, limit),
                stored(writer, after, limit),
                "{after}"
            );
        }
    }
}

/// Three sensors in turn, none in the order of its time, with ticks of the clock between them.
fn filled(folder: &Path) -> Writer {
    let mut writer = Writer::open(folder).unwrap();
    let rows: Vec<Reading> = (0..900)
        .map(|index| 900 + index * 7 % 900)
        .flat_map(|second| ["pilot", "kitchen", "cellar"].map(|source| bar(source, second, 1.0)))
        .collect();
    for lot in rows.chunks(450) {
        writer.append_readings(lot, at(2_000)).unwrap();
        writer.append_clock(at(2_000)).unwrap();
    }
    for lot in (0..60)
        .map(|index| bar("late", 500 - index, 2.0))
        .collect::<Vec<_>>()
        .chunks(7)
    {
        writer.append_readings(lot, at(2_001)).unwrap();
    }
    writer
}

#[test]
fn the_order_is_that_of_the_readings_from_any_place_on_and_after_any_thinning() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    assert_eq!(number(&writer, "SELECT count(*) FROM reading"), 2_700);
    assert_eq!(number(&writer, "SELECT count(*) FROM fresh"), 60);
    agree(&writer);
    let rows = number(&writer, "SELECT count(*) FROM arrival");
    assert!((2_700 / 128..2_700 / 100).contains(&rows), "{rows}");
    let mut left = 2_760;
    // Some of each row, then all of most.
    for limit in [100, 333, 1_000, 5_000] {
        let gone = writer.thin(at(2_100), &[], limit).unwrap();
        left -= i64::try_from(gone).unwrap();
        assert_eq!(number(&writer, "SELECT count(*) FROM arrived"), left);
        agree(&writer);
        let again = bar("pilot", 100 + left, 3.0);
        writer.append_readings(&[again], at(2_002)).unwrap();
        left += 1;
        agree(&writer);
    }
    assert!(left < 20, "{left}");
    // No row is left for those that are gone.
    assert!(number(&writer, "SELECT count(*) FROM arrival") <= left);
    writer.close().unwrap();
    agree(&Writer::open(folder.path()).unwrap());
}

#[test]
fn a_store_of_the_earlier_layout_gets_the_order_that_it_had() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = filled(folder.path());
    writer.thin(at(2_100), &[], 700).unwrap();
    let before = places(&writer, 0, u32::MAX);
    assert_eq!(before.len(), 2_760 - 700);
    writer.close().unwrap();
    let file = Connection::open(folder.path().join(FILE)).unwrap();
    file.execute_batch(
        "DROP TABLE arrival; CREATE UNIQUE INDEX reading_by_seq ON reading (seq); PRAGMA user_version = 9",
    )
    .unwrap();
    drop(file);
    // Who only reads leaves it as it is.
    Store::read_folder(folder.path(), |reader| {
        let events = reader.readings_after(Sequence(0), u32::MAX)?;
        let some = reader.readings_after(Sequence(before[99]), 5)?;
        let places =
            |events: &[StoredEvent]| -> Vec<i64> { events.iter().map(|event| event.sequence.0).collect() };
        assert_eq!(places(&events), before);
        assert_eq!(places(&some), before[100..105]);
        assert_eq!(reader.last_sequence()?.0, 2_766);
        Ok(())
    })
    .unwrap();
    let writer = Writer::open(folder.path()).unwrap();
    assert_eq!(places(&writer, 0, u32::MAX), before);
    assert_eq!(
        number(
            &writer,
            "SELECT count(*) FROM sqlite_schema WHERE name = 'reading_by_seq'"
        ),
        0
    );
    agree(&writer);
}

#[test]
fn readings_that_somebody_deleted_by_hand_hide_no_others() {
    let folder = tempfile::tempdir().unwrap();
    let writer = filled(folder.path());
    writer
        .connection()
        .execute("DELETE FROM reading WHERE seq % 3 = 1", [])
        .unwrap();
    agree(&writer);
    assert!(places(&writer, 0, u32::MAX).len() < 2_000);
}
