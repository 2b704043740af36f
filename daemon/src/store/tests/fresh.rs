//! Readings that have no place by time yet are found like all others, and are as durable.

use super::{
    super::fresh::{SETTLE_AT, STRAIGHT_FROM, STRAIGHT_OF_EACH},
    *,
};

fn pilot() -> Source {
    Source::new("pilot").unwrap()
}

fn counted(writer: &Writer, table: &str) -> usize {
    let query = format!("SELECT count(*) FROM {table}");
    let count: i64 = unpacked(writer).query_row(&query, [], |row| row.get(0)).unwrap();
    usize::try_from(count).unwrap()
}

/// Some of two sensors, in an order that is not that of time: the first half settled and old enough to be thinned.
pub(super) fn half_settled(folder: &Path) -> Writer {
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
    asked_of(&writer.reader())
}

pub(super) fn asked_of(reader: &Reader<'_>) -> Vec<String> {
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

/// The files of a store as a crash leaves them: nothing was closed.
fn as_after_a_crash(folder: &Path) -> tempfile::TempDir {
    let crashed = tempfile::tempdir().unwrap();
    for ending in ["", "-wal"] {
        let name = format!("{FILE}{ending}");
        std::fs::copy(folder.join(&name), crashed.path().join(&name)).unwrap();
    }
    crashed
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
    let crashed = as_after_a_crash(folder.path());
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
    for rows in rows.chunks(SETTLE_AT / 80) {
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
    // None like the one before, or all of them would fit into the pages that are there.
    let value = |index: i64| 1.0 / f64::from(i32::try_from(index + 3).unwrap());
    let rows: Vec<Reading> = (0..many).map(|index| bar("pilot", index, value(index))).collect();
    for rows in rows.chunks(STRAIGHT_FROM - 1) {
        writer.append_readings(rows, at(0)).unwrap();
    }
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

/// Rows of two sensors, some late, some twice in one lot, some twice over all.
fn muddled(lots: i64) -> Vec<Vec<Reading>> {
    let lot = |lot: i64| {
        let row = |index: i64| {
            let when = lot * 500 + index * 7 % 600;
            let value = 1.0 + 0.001 * f64::from(i32::try_from((lot + index) % 97).unwrap());
            [bar("pilot", when, value), bar("kitchen", when, 2.0 * value)]
        };
        (0..150).chain([3, 149, 0]).flat_map(row).collect()
    };
    (0..lots).map(lot).collect()
}

/// Every place in the order that waits is behind all that have theirs by time.
fn in_order(writer: &Writer) -> bool {
    let query = "SELECT coalesce((SELECT min(seq) FROM fresh) > (SELECT max(seq) FROM reading), true)";
    unpacked(writer).query_row(query, [], |row| row.get(0)).unwrap()
}

#[test]
fn many_of_few_sensors_go_straight_to_their_places_and_the_answers_are_the_same() {
    let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let [mut straight, mut waited] = folders
        .each_ref()
        .map(|folder| Writer::open(folder.path()).unwrap());
    for (number, lot) in muddled(6).iter().enumerate() {
        let found = straight.append_readings(lot, at(1_000)).unwrap();
        assert_eq!(counted(&straight, "fresh"), 0);
        let by_few: Vec<Appended> = lot
            .chunks(STRAIGHT_FROM / 2)
            .flat_map(|rows| waited.append_readings(rows, at(1_000)).unwrap())
            .collect();
        assert_eq!(found, by_few, "lot {number}");
        let twice = found
            .iter()
            .filter(|answer| **answer == Appended::Duplicate)
            .count();
        assert!(twice >= 6, "{twice}");
        // A few between the lots wait, and are not passed by.
        let few = [
            bar("pilot", 10_000, 1.0),
            bar("cellar", 20_000 - i64::try_from(number).unwrap(), 1.0),
        ];
        for writer in [&mut straight, &mut waited] {
            let found = writer.append_readings(&few, at(1_000)).unwrap();
            assert_eq!(found[0] == Appended::Duplicate, number > 0);
            assert!(in_order(writer));
        }
        assert_eq!(counted(&straight, "fresh"), if number == 0 { 2 } else { 1 });
    }
    assert!(counted(&waited, "fresh") > 1_000);
    assert_eq!(asked(&straight), asked(&waited));
    let thinned = [&mut straight, &mut waited].map(|writer| writer.thin(at(2_000), &[], 10_000).unwrap());
    assert!(thinned[0] > 500 && thinned[0] == thinned[1], "{thinned:?}");
    let again = muddled(6).concat();
    let found = straight.append_readings(&again, at(1_001)).unwrap();
    let by_few: Vec<Appended> = again
        .chunks(STRAIGHT_FROM / 2)
        .flat_map(|rows| waited.append_readings(rows, at(1_001)).unwrap())
        .collect();
    assert_eq!(found, by_few);
    assert_eq!(asked(&straight), asked(&waited));
}

#[test]
fn few_of_each_sensor_wait_however_many_they_are() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let each = i64::try_from(STRAIGHT_OF_EACH).unwrap();
    let rows = |of_each: i64| -> Vec<Reading> {
        (0..of_each)
            .flat_map(|index| (0..10).map(move |sensor| bar(&format!("gauge {sensor}"), index, 1.0)))
            .collect()
    };
    let waiting = rows(each - 1);
    writer.append_readings(&waiting, at(0)).unwrap();
    assert_eq!(counted(&writer, "fresh"), waiting.len());
    // All of these but the last ten are there.
    writer.append_readings(&rows(each), at(0)).unwrap();
    assert_eq!(counted(&writer, "fresh"), waiting.len() + 10);
    let few: Vec<Reading> = (0..99).map(|second| bar("pilot", second, 1.0)).collect();
    writer.append_readings(&few, at(0)).unwrap();
    assert_eq!(counted(&writer, "reading"), 0);
    let many: Vec<Reading> = (99..199).map(|second| bar("pilot", second, 1.0)).collect();
    writer.append_readings(&many, at(0)).unwrap();
    assert_eq!(counted(&writer, "reading"), waiting.len() + 10 + 199);
}

#[test]
fn many_that_do_not_fit_on_the_disk_change_nothing_and_those_of_a_crash_are_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let few = [bar("pilot", 100_000, 1.0), bar("kitchen", 100_000, 1.0)];
    writer.append_readings(&few, at(0)).unwrap();
    let lots = muddled(2);
    writer.append_readings(&lots[0], at(90_000)).unwrap();
    writer
        .append_readings(&[bar("pilot", 100_001, 1.0)], at(90_000))
        .unwrap();
    let before = asked(&writer);
    writer.fill_up(true);
    let much: Vec<Reading> = (0..20_000)
        .map(|second| bar("pilot", 200_000 + second, 1.0))
        .collect();
    assert!(writer.append_readings(&much, at(90_000)).is_err());
    writer.fill_up(false);
    assert_eq!(asked(&writer), before);
    assert_eq!(counted(&writer, "fresh"), 1);
    let first = writer.append_readings(&lots[1], at(90_000)).unwrap();
    let crashed = as_after_a_crash(folder.path());
    let mut after = Writer::open(crashed.path()).unwrap();
    assert_eq!(asked(&after), asked(&writer));
    let again = after.append_readings(&lots[1], at(90_000)).unwrap();
    assert_eq!(again, vec![Appended::Duplicate; first.len()]);
    let next = after
        .append_readings(&[bar("pilot", 100_002, 1.0)], at(90_000))
        .unwrap();
    let last = first.iter().filter_map(|answer| match answer {
        Appended::New(place) => Some(place.0),
        _ => None,
    });
    assert_eq!(next, [Appended::New(Sequence(last.max().unwrap() + 1))]);
}

#[test]
fn a_crash_at_any_write_leaves_all_of_a_lot_or_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::open(folder.path()).unwrap();
    let few = [bar("pilot", 3, 1.0), bar("kitchen", 9_000, 1.0)];
    writer.append_readings(&few, at(0)).unwrap();
    let before = asked(&writer);
    let lot = muddled(5).concat();
    let found = writer.append_readings(&lot, at(90_000)).unwrap();
    assert_eq!(counted(&writer, "fresh"), 0);
    let after = asked(&writer);
    let log = std::fs::read(folder.path().join(format!("{FILE}-wal"))).unwrap();
    // A page with its head (SQLite, file format of the write-ahead log); once more in the middle of one.
    let frames = (32..log.len()).step_by(4_096 + 24);
    let mut seen = [0, 0];
    for cut in frames.flat_map(|frame| [frame, frame + 2_000]).chain([log.len()]) {
        let crashed = tempfile::tempdir().unwrap();
        std::fs::copy(folder.path().join(FILE), crashed.path().join(FILE)).unwrap();
        std::fs::write(
            crashed.path().join(format!("{FILE}-wal")),
            &log[..cut.min(log.len())],
        )
        .unwrap();
        let Ok(mut writer) = Writer::open(crashed.path()) else {
            panic!("cut at {cut}");
        };
        if counted(&writer, "arrived") < few.len() {
            // From before the few were answered.
            continue;
        }
        let stood = asked(&writer);
        let whole = stood == after;
        assert!(whole || stood == before, "cut at {cut}");
        seen[usize::from(whole)] += 1;
        let again = writer.append_readings(&lot, at(90_000)).unwrap();
        match whole {
            true => assert!(again.iter().all(|answer| *answer == Appended::Duplicate)),
            false => assert_eq!(again, found),
        }
        assert_eq!(asked(&writer), after, "cut at {cut}");
    }
    assert!(seen[0] > 10 && seen[1] > 0, "{seen:?}");
}
