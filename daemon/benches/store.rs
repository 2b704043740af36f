//! What does the store cost beside a bare insert of the same rows? Budget: no more than three times as long.
//!
//! `cargo bench -p fobwatch --bench store`: 10 000 readings of two sensors in batches of 100 and one by one, each
//! batch a transaction that ends on the disk (write-ahead log, `synchronous = FULL`) on both sides.

use divan::{Bencher, counter::ItemsCount};
use fobwatch::store::{Appended, Sequence, Writer};
use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, params};
use tempfile::TempDir;

/// Readings in one run.
const MANY: usize = 10_000;
/// Where a commit each costs a turn of the disk, fewer have to do.
const FEW: usize = 500;

fn main() {
    divan::main();
}

fn readings(count: usize) -> Vec<Reading> {
    let pilot = Source::new("pilot").expect("a name");
    (0_u32..)
        .take(count)
        .map(|index| {
            let seconds = 1_772_434_800 + i64::from(index / 2) * 5;
            let (quantity, value, unit) = if index % 2 == 0 {
                (Quantity::Pressure, f64::from(index) * 1.0e-4, Unit::Bar)
            } else {
                (
                    Quantity::LiquidTemperature,
                    20.0 + f64::from(index % 16) / 16.0,
                    Unit::Celsius,
                )
            };
            Reading {
                at: Timestamp::from_second(seconds).expect("in the calendar"),
                source: pilot.clone(),
                measured: Measured::new(quantity, value, unit).expect("possible"),
            }
        })
        .collect()
}

fn store(bencher: Bencher<'_, '_>, count: usize, batch: usize) {
    let readings = readings(count);
    let now = readings[0].at;
    bencher
        .counter(ItemsCount::new(count))
        .with_inputs(|| {
            let folder = TempDir::new().expect("a folder");
            let writer = Writer::open(folder.path()).expect("a store");
            (folder, writer)
        })
        .bench_values(|(folder, mut writer)| {
            for rows in readings.chunks(batch) {
                let appended = writer.append_readings(rows, now).expect("stored");
                assert!(appended.iter().all(|answer| *answer != Appended::Duplicate));
            }
            let last = writer.reader().last_sequence().expect("read");
            assert_eq!(last, Sequence(i64::try_from(count).expect("few")));
            (folder, writer)
        });
}

fn bare(bencher: Bencher<'_, '_>, count: usize, batch: usize) {
    let rows: Vec<(i64, i64, f64)> = readings(count)
        .iter()
        .map(|reading| {
            let series = i64::from(reading.measured.quantity() == Quantity::Pressure);
            (
                series,
                reading.at.as_microsecond(),
                reading.measured.stored_value(),
            )
        })
        .collect();
    bencher
        .counter(ItemsCount::new(count))
        .with_inputs(|| {
            let folder = TempDir::new().expect("a folder");
            let connection = Connection::open(folder.path().join("bare.sqlite")).expect("a file");
            connection
                .execute_batch(
                    "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
                     CREATE TABLE reading (series INTEGER, at_us INTEGER, value REAL);",
                )
                .expect("a table");
            (folder, connection)
        })
        .bench_values(|(folder, mut connection)| {
            for rows in rows.chunks(batch) {
                let transaction = connection.transaction().expect("a transaction");
                {
                    let mut insert = transaction
                        .prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3)")
                        .expect("a statement");
                    for (series, at_us, value) in rows {
                        insert.execute(params![series, at_us, value]).expect("inserted");
                    }
                }
                transaction.commit().expect("committed");
            }
            (folder, connection)
        });
}

#[divan::bench]
fn store_in_batches_of_100(bencher: Bencher<'_, '_>) {
    store(bencher, MANY, 100);
}

#[divan::bench]
fn bare_in_batches_of_100(bencher: Bencher<'_, '_>) {
    bare(bencher, MANY, 100);
}

#[divan::bench]
fn store_one_by_one(bencher: Bencher<'_, '_>) {
    store(bencher, FEW, 1);
}

#[divan::bench]
fn bare_one_by_one(bencher: Bencher<'_, '_>) {
    bare(bencher, FEW, 1);
}
