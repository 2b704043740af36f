//! Readings that have no place by time yet are found like all others, and are as durable.

use super::{super::fresh::SETTLE_AT, *};

fn pilot() -> Source {
    Source::new("pilot").unwrap()
}

fn counted(writer: &Writer, table: &str) -> usize {
    let query = format!("SELECT count(*) FROM {table}");
    let count: i64 = writer
        .connection()
        .query_row(&query, [], |row| row.get(0))
        .unwrap();
    usize::try_from(count).unwrap()
}

/// Some of two sensors, in an order that is not that of time: the first half settled and old enough to be thinned.
fn half_settled(folder: &Path) -> Writer {
    let mut writer = Writer::open(folder).unwrap();
    let some = |from: i64, until: i64| -> Vec<Reading> {
        (from..until)
            .map(|index| from + (index - from) * 11 % (until - from))
            .flat_map(|index| {
                let value = 1.0 + 0.001 * f64::from(i32::try_from(index * 37 % 101).unwrap());
                [
                    bar("pilot", index * 10, value),
                    bar("kitchen", index * 10, 2.0 * value),
                ]
            })
            .collect()
    };
    writer.append_readings(&some(0, 360), at(3_600)).unwrap();
    writer.settle().unwrap();
    for rows in some(300, 720).chunks(50) {
        writer.append_readings(rows, at(90_000)).unwrap();
    }
    writer
}

/// All that a reader can be asked of readings.
fn asked(writer: &Writer) -> Vec<String> {
    let reader = writer.reader();
    let mut all = Vec::new();
    for after in [0, 1, 399, 719, 720, 721, 1_000, 1_439, 1_440] {
        for limit in [1, 30, 5_000] {
            all.push(format!(
                "{:?}",
                reader.events_after(Sequence(after), limit).unwrap()
            ));
        }
    }
    for (from, until) in [(0, 7_200), (3_500, 3_700), (3_595, 3_605), (7_000, 9_000)] {
        all.push(format!(
            "{:?}",
            reader
                .readings(&pilot(), Quantity::Pressure, at(from), at(until))
                .unwrap()
        ));
        for parts in [1, 7, 12, 600] {
            let parts = reader.rolled(&pilot(), Quantity::Pressure, at(from), at(until), parts);
            // The sum of the same values in another order may differ in its last digit.
            let parts: Vec<_> = parts
                .unwrap()
                .into_iter()
                .map(|part| {
                    let mean = part.mean.stored_value();
                    (part.from, part.count, part.least, format!("{mean:.6}"), part.most)
                })
                .collect();
            all.push(format!("{parts:?}"));
        }
    }
    all.push(format!("{:?}", reader.series().unwrap()));
    all.push(format!("{:?}", reader.last_sequence().unwrap()));
    all.push(format!("{:?}", reader.thinned(at(0), at(90_000)).unwrap()));
    for since in [0, 3_000, 3_600, 7_000, 8_000] {
        all.push(format!(
            "{:?}",
            reader.sequence_before(BatchId(1), at(since)).unwrap()
        ));
    }
    all
}

#[test]
fn whatever_is_asked_the_answer_is_that_of_settled_readings() {
    for thinned in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = half_settled(folder.path());
        if thinned {
            // What is late then lies among thinned ones.
            let late = counted(&writer, "fresh");
            assert_eq!(writer.thin(at(4_000), &[], 10_000).unwrap(), 720);
            assert_eq!((late, counted(&writer, "fresh")), (720, 0));
            let again = [
                bar("pilot", 100, 1.0),
                bar("pilot", 297, 3.0),
                bar("pilot", 8_000, 1.0),
            ];
            writer.append_readings(&again, at(90_001)).unwrap();
        }
        assert!(counted(&writer, "fresh") > 0);
        let before = asked(&writer);
        writer.settle().unwrap();
        assert_eq!(counted(&writer, "fresh"), 0);
        assert_eq!(asked(&writer), before, "thinned: {thinned}");
    }
}

#[test]
fn what_comes_twice_is_one_reading_settled_or_not() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = half_settled(folder.path());
    let twice = [
        bar("pilot", 100, 9.0),
        bar("pilot", 7_100, 9.0),
        bar("pilot", 7_200, 9.0),
        bar("pilot", 7_200, 9.5),
    ];
    let found = writer.append_readings(&twice, at(90_000)).unwrap();
    let new = Appended::New(Sequence(1_441));
    assert_eq!(
        found,
        [Appended::Duplicate, Appended::Duplicate, new, Appended::Duplicate]
    );
    // As after a crash: nothing was closed.
    let crashed = tempfile::tempdir().unwrap();
    for ending in ["", "-wal"] {
        let name = format!("{FILE}{ending}");
        std::fs::copy(folder.path().join(&name), crashed.path().join(&name)).unwrap();
    }
    let mut after = Writer::open(crashed.path()).unwrap();
    assert_eq!(asked(&after), asked(&writer));
    let found = after.append_readings(&twice, at(90_000)).unwrap();
    assert_eq!(found, [Appended::Duplicate; 4]);
    let next = after
        .append_readings(&[bar("pilot", 7_210, 1.0)], at(90_000))
        .unwrap();
    assert_eq!(next, [Appended::New(Sequence(1_442))]);
}

#[test]
fn many_are_settled_by_themselves_and_the_rest_at_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let many = i64::try_from(SETTLE_AT).unwrap() * 5 / 2;
    let rows: Vec<Reading> = (0..many).map(|index| bar("pilot", index, 1.0)).collect();
    for rows in rows.chunks(SETTLE_AT / 8) {
        writer.append_readings(rows, at(0)).unwrap();
        assert!(counted(&writer, "fresh") < SETTLE_AT);
    }
    assert_eq!(counted(&writer, "reading"), 2 * SETTLE_AT);
    assert_eq!(counted(&writer, "arrived"), SETTLE_AT * 5 / 2);
    writer.close().unwrap();
    let writer = Writer::open(folder.path()).unwrap();
    assert_eq!(counted(&writer, "fresh"), 0);
    let rolled: i64 = writer
        .connection()
        .query_row("SELECT sum(count) FROM rollup", [], |row| row.get(0))
        .unwrap();
    assert_eq!(rolled, many);
}

#[test]
fn a_disk_that_is_full_or_takes_nothing_keeps_what_is_there_and_all_goes_on_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let many = i64::try_from(SETTLE_AT).unwrap() - 1;
    let rows: Vec<Reading> = (0..many).map(|index| bar("pilot", index, 1.0)).collect();
    writer.append_readings(&rows, at(0)).unwrap();
    let last = [bar("pilot", many, 1.0), bar("pilot", many + 1, 1.0)];
    writer.fill_up(true);
    assert!(writer.append_readings(&last, at(0)).is_err());
    writer.fill_up(false);
    writer.read_only(true);
    assert!(writer.append_readings(&last, at(0)).is_err());
    writer.read_only(false);
    assert_eq!(counted(&writer, "arrived"), SETTLE_AT - 1);
    assert_eq!(
        writer.append_readings(&last, at(0)).unwrap(),
        [many + 1, many + 2].map(|place| Appended::New(Sequence(place)))
    );
    assert_eq!(counted(&writer, "reading"), SETTLE_AT + 1);
}
