//! How many readings a second does the store take, beside bare SQLite on the same disk? Budget: at least half as many.
//!
//! `cargo bench -p fobwatch --bench storing`: the same readings of 1, 10 and 100 sensors in transactions of 1, 100 and 10,000, each of which ends
//! on the disk (write-ahead log, `synchronous = FULL`) on all sides. In each round the three take turns, one after the other, so that what else
//! the machine does meets all of them; told are the median and the range of what comes of each round. *Bare* is an insert into a table without any key: it
//! cannot tell a reading that comes twice, nor find one. *With a key* is the least that can: a table by sensor and time. Of the store all work
//! counts, until every reading has its place by sensor and time, by arrival, and in its rollup.

use std::time::{Duration, Instant};

use fobwatch::store::{Appended, Sequence, Writer};
use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, params};
use tempfile::TempDir;

const ROUNDS: usize = 9;
const SENSORS: [usize; 3] = [1, 10, 100];
/// Readings in a transaction, and in a round: where a commit each costs a turn of the disk, fewer have to do.
const LOTS: [(usize, usize); 3] = [(1, 300), (100, 20_000), (10_000, 200_000)];
const BEGIN: i64 = 1_772_434_800;

fn main() {
    println!(
        "| sensors | in a transaction | stored in a second | bare | with a key | of bare | of bare with a key |"
    );
    println!("{}|", "| --- ".repeat(7));
    for sensors in SENSORS {
        for (lot, count) in LOTS {
            println!("{}", side_by_side(sensors, lot, count));
        }
    }
}

/// How long a round of each took.
struct Round {
    store: Duration,
    bare: Duration,
    keyed: Duration,
}

fn side_by_side(sensors: usize, lot: usize, count: usize) -> String {
    let readings = readings(sensors, count);
    let rows = rows(&readings, sensors);
    let round = |number: usize| {
        let mut round = Round {
            store: Duration::ZERO,
            bare: Duration::ZERO,
            keyed: Duration::ZERO,
        };
        for turn in 0..3 {
            match (number + turn) % 3 {
                0 => round.store = store(&readings, lot),
                1 => round.bare = bare(&rows, lot, ""),
                _ => round.keyed = bare(&rows, lot, ", PRIMARY KEY (series, at_us)) WITHOUT ROWID"),
            }
        }
        round
    };
    let rounds: Vec<Round> = (0..ROUNDS).map(round).collect();
    let many = f64::from(u32::try_from(count).expect("few"));
    let told = |digits: usize, of: fn(&Round) -> f64, times: f64| {
        let mut all: Vec<f64> = rounds.iter().map(|round| times * of(round)).collect();
        all.sort_by(f64::total_cmp);
        let (least, most) = (all[0], all[ROUNDS - 1]);
        format!(
            "{:.digits$} ({least:.digits$} to {most:.digits$})",
            all[ROUNDS / 2]
        )
    };
    let a_second = |of| told(0, of, many);
    let ratio = |of| told(2, of, 1.0);
    format!(
        "| {sensors} | {lot} | {} | {} | {} | {} | {} |",
        a_second(|round| 1.0 / round.store.as_secs_f64()),
        a_second(|round| 1.0 / round.bare.as_secs_f64()),
        a_second(|round| 1.0 / round.keyed.as_secs_f64()),
        ratio(|round| round.bare.as_secs_f64() / round.store.as_secs_f64()),
        ratio(|round| round.keyed.as_secs_f64() / round.store.as_secs_f64()),
    )
}

/// Readings of so many sensors in turn, every five seconds.
fn readings(sensors: usize, count: usize) -> Vec<Reading> {
    let sources: Vec<Source> = (0..sensors)
        .map(|sensor| Source::new(&format!("gauge-{sensor:03}")).expect("a name"))
        .collect();
    (0_u32..)
        .zip(sources.iter().cycle())
        .take(count)
        .map(|(index, source)| {
            let seconds = BEGIN + i64::from(index) / i64::try_from(sensors).expect("few") * 5;
            Reading {
                at: Timestamp::from_second(seconds).expect("in the calendar"),
                source: source.clone(),
                measured: Measured::new(Quantity::Pressure, f64::from(index) * 1.0e-5, Unit::Bar)
                    .expect("possible"),
            }
        })
        .collect()
}

fn rows(readings: &[Reading], sensors: usize) -> Vec<(i64, i64, f64)> {
    let numbers = (1..=sensors).map(|sensor| i64::try_from(sensor).expect("few"));
    readings
        .iter()
        .zip(numbers.cycle())
        .map(|(reading, sensor)| {
            (
                sensor,
                reading.at.as_microsecond(),
                reading.measured.stored_value(),
            )
        })
        .collect()
}

fn store(readings: &[Reading], lot: usize) -> Duration {
    let folder = TempDir::new().expect("a folder");
    let mut writer = Writer::open(folder.path()).expect("a store");
    let began = Instant::now();
    for rows in readings.chunks(lot) {
        let appended = writer.append_readings(rows, readings[0].at).expect("stored");
        assert!(appended.iter().all(|answer| *answer != Appended::Duplicate));
    }
    writer.settle().expect("stored");
    let took = began.elapsed();
    let last = writer.reader().last_sequence().expect("read");
    assert_eq!(last, Sequence(i64::try_from(readings.len()).expect("few")));
    took
}

fn bare(rows: &[(i64, i64, f64)], lot: usize, key: &str) -> Duration {
    let folder = TempDir::new().expect("a folder");
    let mut connection = Connection::open(folder.path().join("bare.sqlite")).expect("a file");
    let end = if key.is_empty() { ")" } else { key };
    connection
        .execute_batch(&format!(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
             CREATE TABLE reading (series INTEGER, at_us INTEGER, value REAL{end};"
        ))
        .expect("a table");
    let began = Instant::now();
    for rows in rows.chunks(lot) {
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
    began.elapsed()
}
