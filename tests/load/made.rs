//! Live batches in a store, without living through their days: some are played through the engine, and the state of each is given
//! to as many copies as are wanted, under names of the same length.

use std::{path::Path, thread};

use fobwatch_core::{
    batch::Batch,
    engine::{ClockSource, Event, FitRequest, Monitor, Rules, Settings, drive},
    fit::Surroundings,
    quantity::AbsolutePressure,
    reading::{Measured, Reading, Source},
};
use fobwatch_simulator::{Scenario, Simulation};
use fobwatch_tests::packed::{self, Row};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use rusqlite::{Connection, params};

/// Ages of the batches that are played, hours.
const AGES_H: [i64; 6] = [12, 36, 60, 96, 132, 168];
/// The same where every batch is a week old.
const WEEK_H: i64 = 168;

/// Readings in a row of the store.
const TOGETHER: usize = 128;

/// A batch that was played up to a moment.
pub(crate) struct Model {
    number: usize,
    text: String,
    state: Vec<u8>,
    /// When it was fitted last.
    pub(crate) fitted_at: Timestamp,
    /// What its sensors tell after that moment.
    pub(crate) to_come: Vec<Reading>,
}

fn batch_name(number: usize) -> String {
    format!("load {number:05}")
}

pub(crate) fn source_name(number: usize) -> String {
    format!("gauge-{number:05}")
}

/// Numbers that no copy has.
fn number_of(model: usize) -> usize {
    99_990 + model
}

/// Which batches are played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ages {
    /// From half a day to a week, with a reading in five minutes.
    Mixed,
    /// A week each, with a reading in so many seconds.
    Weeks(u32),
}

/// Plays the models up to `now`, with every fit.
pub(crate) fn models(now: Timestamp, ages: Ages) -> Vec<Model> {
    let played: Vec<_> = (0..AGES_H.len())
        .map(|index| thread::spawn(move || model(index, now, ages)))
        .collect();
    played
        .into_iter()
        .map(|model| model.join().expect("a model is played"))
        .collect()
}

fn model(index: usize, now: Timestamp, ages: Ages) -> Model {
    let number = number_of(index);
    let (age_h, every_s) = match ages {
        Ages::Weeks(every_s) => (WEEK_H, every_s),
        Ages::Mixed => (AGES_H.get(index).copied().unwrap_or(WEEK_H), 300),
    };
    // Their fits come five minutes after each other.
    let minutes = 60 * age_h + 5 * i64::try_from(index).expect("few");
    let mut scenario = Scenario::shipped("plain").expect("a shipped scenario");
    scenario.name = batch_name(number);
    scenario.bottled_at = now - SignedDuration::from_mins(minutes);
    scenario.lasts_h = 4.0 + f64::from(i32::try_from(minutes).expect("few")) / 60.0;
    scenario.sensors.truncate(2);
    for sensor in &mut scenario.sensors {
        sensor.source = source_name(number);
        sensor.interval_s = f64::from(every_s);
    }
    let played = Simulation::run(&scenario, 1 + u64::try_from(index).expect("few"));
    let (batch, _) = Batch::from_toml(&played.batch_toml, "model").expect("the simulator writes batch files");
    let settings = Settings {
        zone: TimeZone::UTC,
        units: fobwatch_core::alert::Units::default(),
        surroundings: Surroundings {
            usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
        },
        clock: ClockSource::Ticks,
        rules: Rules::default(),
    };
    let mut monitor = Monitor::new(batch, settings);
    let mut fitted_at = scenario.bottled_at;
    let mut fit = |request: &FitRequest| {
        fitted_at = fitted_at.max(request.at);
        request.run()
    };
    let mut to_come = Vec::new();
    for row in &played.readings {
        let reading = Reading {
            at: row.at,
            source: Source::new(&row.source).expect("a name"),
            measured: Measured::new(
                row.quantity.name().parse().expect("a quantity"),
                row.value,
                row.unit.symbol().parse().expect("a unit"),
            )
            .expect("possible"),
        };
        if row.at > now {
            to_come.push(reading);
            continue;
        }
        for event in [Event::Tick { at: row.at }, Event::Measured(reading)] {
            drop(drive(&mut monitor, event, &mut fit));
        }
    }
    drop(drive(&mut monitor, Event::Tick { at: now }, &mut fit));
    Model {
        number,
        text: played.batch_toml,
        state: monitor.snapshot(),
        fitted_at,
        to_come,
    }
}

/// Writes `count` live batches into the store that a daemon has made in `folder`, each with the state of a model.
pub(crate) fn fill(folder: &Path, models: &[Model], count: usize, now: Timestamp) {
    let mut store = Connection::open(folder.join("fobwatch.sqlite")).expect("the store opens");
    let last: i64 = store
        .query_row("SELECT coalesce(max(last), 0) FROM arrival", [], |row| row.get(0))
        .expect("the store is read");
    let transaction = store.transaction().expect("a transaction");
    for (number, model) in (0..count).zip(models.iter().cycle()) {
        let (old, new) = (batch_name(model.number), batch_name(number));
        let (old_source, new_source) = (source_name(model.number), source_name(number));
        let text = model.text.replace(&old, &new).replace(&old_source, &new_source);
        let state = renamed(&model.state, old.as_bytes(), new.as_bytes());
        let state = summed(renamed(&state, old_source.as_bytes(), new_source.as_bytes()));
        transaction
            .execute(
                "INSERT INTO batch (name, slug, text, added_us) VALUES (?1, ?2, ?3, ?4)",
                params![new, new.replace(' ', "-"), text, now.as_microsecond()],
            )
            .expect("a batch is written");
        transaction
            .execute(
                "INSERT INTO snapshot (batch, seq, taken_us, body) VALUES (?1, ?2, ?3, ?4)",
                params![transaction.last_insert_rowid(), last, now.as_microsecond(), state],
            )
            .expect("a state is written");
    }
    transaction.commit().expect("all is written");
}

/// Names of the same length change places; nothing else moves.
fn renamed(bytes: &[u8], old: &[u8], new: &[u8]) -> Vec<u8> {
    assert_eq!(old.len(), new.len(), "names of one length");
    let mut bytes = bytes.to_vec();
    let mut from = 0;
    // A few names among a hundred thousand bytes: looked for by their first one.
    while let Some(found) = bytes
        .get(from..)
        .and_then(|rest| rest.iter().position(|byte| byte == &old[0]))
    {
        let start = from + found;
        from = start + 1;
        if let Some(place) = bytes.get_mut(start..start + old.len())
            && place == old
        {
            place.copy_from_slice(new);
            from = start + old.len();
        }
    }
    bytes
}

/// With the sum that a state carries behind its version: FNV-1a of 64 bits (RFC 9923).
fn summed(mut state: Vec<u8>) -> Vec<u8> {
    let (head, body) = state.split_at_mut(12);
    let sum = body.iter().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    });
    if let Some(place) = head.get_mut(4..) {
        place.copy_from_slice(&sum.to_le_bytes());
    }
    state
}

/// Writes `readings` of the past, of as many sensors as `batches` have, with their rollups.
pub(crate) fn past_readings(folder: &Path, batches: usize, readings: u64, now: Timestamp) {
    let mut store = Connection::open(folder.join("fobwatch.sqlite")).expect("the store opens");
    let transaction = store.transaction().expect("a transaction");
    let sensors = 2 * batches.max(1);
    for number in 0..sensors {
        let quantity = if number % 2 == 0 {
            "pressure"
        } else {
            "liquid_temperature"
        };
        transaction
            .execute(
                "INSERT OR IGNORE INTO series (source, quantity) VALUES (?1, ?2)",
                params![source_name(number / 2), quantity],
            )
            .expect("a sensor is written");
    }
    let sensors = i64::try_from(sensors).expect("few");
    let readings = i64::try_from(readings).expect("few");
    // Two hours and more ago: what the batches were fitted with is newer.
    let end = now.as_microsecond() - 7_200_000_000;
    let at_of = |index: i64| end - (readings - index) / sensors * 5_000_000;
    let value_of = |series: i64| 2e5 * f64::from(i32::try_from(series % 2).unwrap_or(0)) + 293.0;
    {
        let mut stretch = transaction
            .prepare(
                "INSERT INTO stretch (series, first_us, last_us, count, body) VALUES (?1, ?2, ?3, ?4, ?5)",
            )
            .expect("a statement");
        let mut rollup = transaction
            .prepare("INSERT INTO rollup VALUES (?1, ?2, ?3, ?4, ?3 * ?4, ?4, ?5, ?4, ?6, ?4, 0)")
            .expect("a statement");
        for sensor in 0..sensors.min(readings) {
            let series = 1 + sensor;
            let step = usize::try_from(sensors).expect("few");
            let rows: Vec<Row> = (sensor..readings)
                .step_by(step)
                .map(|index| Row {
                    at_us: at_of(index),
                    place: index + 1,
                    received_us: at_of(index),
                    value: value_of(series),
                })
                .collect();
            for rows in rows.chunks(TOGETHER) {
                let (first, last) = (rows[0].at_us, rows[rows.len() - 1].at_us);
                let count = i64::try_from(rows.len()).expect("few");
                stretch
                    .execute(params![series, first, last, count, packed::stretch(rows)])
                    .expect("readings are written");
            }
            let five_minutes = |row: &Row| row.at_us - row.at_us % 300_000_000;
            for rows in rows.chunk_by(|one, other| five_minutes(one) == five_minutes(other)) {
                let (first, last) = (rows[0].at_us, rows[rows.len() - 1].at_us);
                let count = i64::try_from(rows.len()).expect("few");
                rollup
                    .execute(params![
                        series,
                        five_minutes(&rows[0]),
                        count,
                        value_of(series),
                        first,
                        last
                    ])
                    .expect("a rollup is written");
            }
        }
        let mut arrival = transaction
            .prepare("INSERT INTO arrival (last, body) VALUES (?1, ?2)")
            .expect("a statement");
        let mut order: Vec<[i64; 3]> = Vec::new();
        for index in 0..readings {
            order.push([index + 1, 1 + index % sensors, at_of(index) / 60_000_000]);
            if order.len() == TOGETHER || index + 1 == readings {
                arrival
                    .execute(params![index + 1, packed::arrivals(&order)])
                    .expect("the order is written");
                order.clear();
            }
        }
    }
    transaction.commit().expect("all is written");
}
