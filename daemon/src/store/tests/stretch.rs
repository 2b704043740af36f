//! Readings of a sensor in rows that never overlap, in whatever order they come.

use std::collections::BTreeMap;

use super::{
    super::stretch::{self, Entry, Rows, TOGETHER},
    *,
};

fn entry(at_us: i64, place: i64) -> Entry {
    Entry {
        at_us,
        place,
        received_us: 7 * place,
        value: 0.25 * f64::from(i32::try_from(place % 1_000).unwrap()),
    }
}

/// All that the store has of the first sensor; its rows are in order.
fn stored(connection: &Connection) -> Vec<Entry> {
    stretch::check_order(connection, 1).unwrap();
    let mut all = Vec::new();
    Reader::new(connection)
        .settled(1, i64::MIN, i64::MAX, |entry| {
            all.push(*entry);
            Ok(())
        })
        .unwrap();
    all
}

fn rows(connection: &Connection) -> usize {
    let count: i64 = connection
        .query_row("SELECT count(*) FROM stretch", [], |row| row.get(0))
        .unwrap();
    usize::try_from(count).unwrap()
}

fn prepared() -> Connection {
    let mut connection = Connection::open_in_memory().unwrap();
    migration::migrate(&mut connection).unwrap();
    connection
        .execute_batch("INSERT INTO series (source, quantity) VALUES ('pilot', 'pressure')")
        .unwrap();
    connection
}

fn add(connection: &mut Connection, mut new: Vec<Entry>) {
    new.sort_by_key(|entry| entry.at_us);
    let transaction = connection.transaction().unwrap();
    Rows::of(&transaction).unwrap().add(1, &new).unwrap();
    transaction.commit().unwrap();
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]
    #[test]
    fn lots_in_any_order_end_as_one_in_time_and_the_first_of_a_time_stays(
        lots in proptest::collection::vec((0_i64..2_000, 1_i64..40, 1_i64..300), 1..30)
    ) {
        let mut connection = prepared();
        let mut wanted: BTreeMap<i64, Entry> = BTreeMap::new();
        let mut place = 0;
        for (from, step, count) in lots {
            let mut lot = BTreeMap::new();
            for at_us in (from..).step_by(usize::try_from(step).unwrap()).take(usize::try_from(count).unwrap()) {
                place += 1;
                lot.entry(at_us).or_insert(entry(at_us, place));
                wanted.entry(at_us).or_insert(entry(at_us, place));
            }
            add(&mut connection, lot.into_values().collect());
            proptest::prop_assert_eq!(stored(&connection), wanted.values().copied().collect::<Vec<_>>());
        }
        let transaction = connection.transaction().unwrap();
        let gone = stretch::thin(&transaction, 1, 1_500, 700, |entry| entry.place % 3 != 0).unwrap();
        transaction.commit().unwrap();
        let may_go = |entry: &&Entry| entry.at_us < 1_500 && entry.place % 3 != 0;
        let to_go: Vec<Entry> = wanted.values().filter(may_go).take(700).copied().collect();
        proptest::prop_assert_eq!(&gone, &to_go);
        wanted.retain(|_, entry| !to_go.contains(entry));
        proptest::prop_assert_eq!(stored(&connection), wanted.into_values().collect::<Vec<_>>());
    }
}

#[test]
fn what_comes_in_order_fills_rows_and_what_comes_late_parts_them() {
    let mut connection = prepared();
    let together = i64::try_from(TOGETHER).unwrap();
    for index in 0..10 * together {
        add(&mut connection, vec![entry(10 * index, index)]);
    }
    assert_eq!(rows(&connection), 10);
    // Many at once leave a row alone that is half full, and none less than that.
    for lot in 0..6 {
        let from = 10 * together + lot * 100;
        add(
            &mut connection,
            (from..from + 100).map(|index| entry(10 * index, index)).collect(),
        );
    }
    assert_eq!(rows(&connection), 16);
    for late in 0..10 * together {
        add(&mut connection, vec![entry(10 * late + 5, 100_000 + late)]);
    }
    let twice = rows(&connection);
    assert!((26..40).contains(&twice), "{twice}");
    // Before all that are there, the last first.
    for early in 1..=200 {
        add(&mut connection, vec![entry(-early, 200_000 + early)]);
    }
    assert!(rows(&connection) <= twice + 4);
    // In a gap between full rows, the last first.
    let before = rows(&connection);
    add(
        &mut connection,
        (0..together)
            .map(|index| entry(1_000_000 + index, 300_000 + index))
            .collect(),
    );
    for back in 1..=100 {
        add(&mut connection, vec![entry(900_000 - back, 400_000 + back)]);
    }
    assert!(rows(&connection) <= before + 3, "{before} {}", rows(&connection));
    assert_eq!(stored(&connection).len(), 21 * TOGETHER + 600 + 200 + 100);
}

#[test]
fn a_part_of_the_time_is_found_from_wherever_it_begins() {
    let mut connection = prepared();
    add(
        &mut connection,
        (0..1_000).map(|index| entry(10 * index, 1_000 - index)).collect(),
    );
    let reader = Reader::new(&connection);
    let last = i64::try_from(TOGETHER).unwrap() * 10;
    for from in [-50, 0, 1, 10, last - 10, last - 5, last, 5_005, 9_990, 9_991] {
        for until in [from, from + 1, from + 10, from + 3_000, i64::MAX] {
            let mut found = Vec::new();
            reader
                .settled(1, from, until, |entry| {
                    found.push(entry.at_us);
                    Ok(())
                })
                .unwrap();
            let wanted: Vec<i64> = (0..1_000)
                .map(|index| 10 * index)
                .filter(|at| (from..until).contains(at))
                .collect();
            assert_eq!(found, wanted, "{from} {until}");
        }
        assert_eq!(reader.is_settled_since(1, from).unwrap(), from <= 9_990);
        // The last to be measured came first.
        let first = reader.first_settled_since(1, from).unwrap();
        assert_eq!(first, (from <= 9_990).then_some(1));
        assert_eq!(reader.newest_settled(1).unwrap().unwrap().at_us, 9_990);
    }
}

#[test]
fn a_damaged_row_is_told_and_hides_no_other_sensor() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let many: Vec<Reading> = (0..400)
        .flat_map(|second| [bar("pilot", second, 1.0), bar("kitchen", second, 2.0)])
        .collect();
    writer.append_readings(&many, at(500)).unwrap();
    writer
        .connection()
        .execute("UPDATE stretch SET body = substr(body, 1, 20) WHERE series = 1 AND first_us = (SELECT min(first_us) FROM stretch)", [])
        .unwrap();
    let reader = writer.reader();
    let (pilot, kitchen) = (Source::new("pilot").unwrap(), Source::new("kitchen").unwrap());
    let asked = [
        reader
            .readings(&pilot, Quantity::Pressure, at(0), at(400))
            .map(drop),
        reader.events_after(Sequence(0), 10).map(drop),
        reader
            .rolled(&pilot, Quantity::Pressure, at(0), at(50), 50)
            .map(drop),
        reader.sequence_before(BatchId(1), at(1)).map(drop),
    ];
    for answer in asked {
        assert!(matches!(answer, Err(StoreError::Unreadable { .. })), "{answer:?}");
    }
    let found = reader
        .readings(&kitchen, Quantity::Pressure, at(0), at(400))
        .unwrap();
    assert_eq!(found.len(), 400);
    let late = reader
        .readings(&pilot, Quantity::Pressure, at(200), at(400))
        .unwrap();
    assert_eq!(late.len(), 200);
}

#[test]
fn a_damaged_row_keeps_no_new_reading_from_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let of = |from: i64, until: i64| -> Vec<Reading> {
        (from..until)
            .flat_map(|second| [bar("pilot", second, 1.0), bar("kitchen", second, 2.0)])
            .collect()
    };
    writer.append_readings(&of(1_000, 1_100), at(2_000)).unwrap();
    writer
        .connection()
        .execute(
            "UPDATE stretch SET body = substr(body, 1, 20) WHERE series = 1",
            [],
        )
        .unwrap();
    let rows = [of(900, 910), of(1_050, 1_051), of(1_100, 1_300), of(800, 950)].concat();
    let found = writer.append_readings(&rows, at(2_001)).unwrap();
    // Ten of each sensor come twice; one of each may be among those that cannot be read.
    let twice = found
        .iter()
        .filter(|answer| **answer == Appended::Duplicate)
        .count();
    assert_eq!(twice, 22);
    for few in of(1_300, 1_320).chunks(8) {
        writer.append_readings(few, at(2_001)).unwrap();
    }
    writer.settle().unwrap();
    assert_eq!(writer.thin(at(100_000), &[], 60).unwrap(), 60);
    let reader = writer.reader();
    for source in ["pilot", "kitchen"] {
        let source = Source::new(source).unwrap();
        let count = |from, until| {
            let found = reader.readings(&source, Quantity::Pressure, at(from), at(until));
            found.map(|readings| readings.len()).ok()
        };
        assert_eq!(count(1_100, 1_400), Some(220));
        assert_eq!(count(860, 1_000), Some(90));
    }
}
