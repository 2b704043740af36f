//! The order of arrival stands beside the readings, and knows the same.

use super::*;

fn number(writer: &Writer, query: &str) -> i64 {
    unpacked(writer).query_row(query, [], |row| row.get(0)).unwrap()
}

/// Places of the readings behind `after`, as the order of arrival has them.
fn places(writer: &Writer, after: i64, limit: u32) -> Vec<i64> {
    let events = writer.reader().readings_after(Sequence(after), limit).unwrap();
    events.iter().map(|event| event.sequence.0).collect()
}

/// The readings themselves have the same.
fn agree(writer: &Writer) {
    let last = writer.reader().last_sequence().unwrap().0;
    let mut query = unpacked(writer)
        .prepare("SELECT seq FROM arrived ORDER BY seq")
        .unwrap();
    let rows = query.query_map([], |row| row.get(0)).unwrap();
    let stored: Vec<i64> = rows.map(Result::unwrap).collect();
    for after in (0..=last + 1).step_by(37) {
        for limit in [0, 1, 2, 200, 5_000] {
            let from = stored.partition_point(|place| *place <= after);
            let until = stored
                .len()
                .min(from.saturating_add(usize::try_from(limit).unwrap()));
            assert_eq!(places(writer, after, limit), stored[from..until], "{after}");
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
fn readings_that_somebody_deleted_by_hand_hide_no_others() {
    let folder = tempfile::tempdir().unwrap();
    let writer = filled(folder.path());
    writer
        .connection()
        .execute("DELETE FROM stretch WHERE id % 3 = 1", [])
        .unwrap();
    agree(&writer);
    let left = places(&writer, 0, u32::MAX).len();
    assert!((1_000..2_000).contains(&left), "{left}");
}
