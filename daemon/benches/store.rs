//! What does a picture of a month at five seconds cost? Budget: 50 ms.
//!
//! `cargo bench -p fobwatch --bench store`

use std::sync::OnceLock;

use divan::Bencher;
use fobwatch::store::{Store, Writer};
use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;

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

/// A month of the gauge and its thermometer, every five seconds.
fn month() -> &'static TempDir {
    static MONTH: OnceLock<TempDir> = OnceLock::new();
    MONTH.get_or_init(|| {
        let folder = TempDir::new().expect("a folder");
        let mut writer = Writer::open(folder.path()).expect("a store");
        let every = usize::try_from(30 * 86_400 / 5 * 2).expect("some");
        let begin = Timestamp::from_second(1_772_434_800).expect("in the calendar");
        let bars = Measured::new(Quantity::Pressure, 1.5, Unit::Bar).expect("possible");
        let some = readings(4_000);
        for chunk in 0..every.div_ceil(some.len()) {
            let later = SignedDuration::from_secs(5 * i64::try_from(chunk * some.len() / 2).expect("few"));
            let rows: Vec<Reading> = some
                .iter()
                .map(|reading| Reading {
                    at: reading.at + later,
                    measured: if reading.measured.quantity() == Quantity::Pressure {
                        bars
                    } else {
                        reading.measured
                    },
                    ..reading.clone()
                })
                .collect();
            writer.append_readings(&rows, begin).expect("stored");
        }
        writer.close().expect("closed");
        folder
    })
}

fn picture(bencher: Bencher<'_, '_>, hours: i64, parts: u32) {
    let folder = month();
    let pilot = Source::new("pilot").expect("a name");
    let until = Timestamp::from_second(1_772_434_800 + 30 * 86_400).expect("in the calendar");
    let from = until - SignedDuration::from_hours(hours);
    Store::read_folder(folder.path(), |reader| {
        bencher.bench_local(|| {
            let parts = reader
                .rolled(&pilot, Quantity::Pressure, from, until, parts)
                .expect("read");
            let count: u64 = parts.iter().map(|part| part.count).sum();
            assert_eq!(count, u64::try_from(hours * 720).expect("some"));
            parts
        });
        Ok(())
    })
    .expect("read");
}

#[divan::bench]
fn picture_of_a_month_in_600_parts(bencher: Bencher<'_, '_>) {
    picture(bencher, 30 * 24, 600);
}

/// The longest stretch that is still drawn from raw readings.
#[divan::bench]
fn picture_of_two_days_in_600_parts(bencher: Bencher<'_, '_>) {
    picture(bencher, 50, 600);
}
