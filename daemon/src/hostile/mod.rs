//! What must hold of any bytes from outside: one check for each parser and decoder, built for tests and for the fuzzer
//! (`tests/fuzz`) alone.
//!
//! A check panics where something does not hold. All hold more than that nothing panics: what was read is finite, lies on
//! the store's grid of time and reads back the same once it is written; what was refused is told in a short sentence.

mod files;
mod kept;
mod people;
mod requests;
mod sensors;
#[cfg(test)]
mod tests;

use std::{fmt::Display, sync::LazyLock};

use fobwatch_core::{
    batch::Batch,
    reading::{Measured, Reading},
};
use jiff::Timestamp;

use crate::{
    config::Config,
    decode::{BadRow, Decoded, Wrong},
};

pub use files::{columns, csv, json_lines, packs};
pub use kept::{links, password, rows, snapshot, stretches, zeros};
pub use people::{batch, config, diary, lesson, notes, words};
pub use requests::{command, request};
pub use sensors::{delimited, offer, senml, topic};

/// A check of any bytes.
pub type Check = fn(&[u8]);

/// All checks, by the name of the folder of their examples.
pub const CHECKS: [(&str, Check); 22] = [
    ("senml", senml),
    ("topic", topic),
    ("delimited", delimited),
    ("offer", offer),
    ("csv", csv),
    ("json_lines", json_lines),
    ("packs", packs),
    ("columns", columns),
    ("notes", notes),
    ("diary", diary),
    ("lesson", lesson),
    ("words", words),
    ("batch", batch),
    ("config", config),
    ("zeros", zeros),
    ("links", links),
    ("password", password),
    ("snapshot", snapshot),
    ("rows", rows),
    ("stretches", stretches),
    ("request", request),
    ("command", command),
];

/// How long the sentence of one error may be, in characters: what was given is shortened in it.
const SENTENCE: usize = 1_500;

/// A broker, a port and a raw gauge, as a configuration maps them.
const MAPPED: &str = r#"
[[calibration]]
source = "pilot"
quantity = "pressure"
raw = "V"
unit = "bar"
points = [[0.5, 0.0], [4.5, 10.0]]

[[mqtt]]
host = "broker"
senml = ["sensors/#"]
[[mqtt.number]]
topic = "house/{source}/{quantity}"
[[mqtt.number]]
topic = "raw/pilot"
source = "pilot"
quantity = "pressure"
unit = "V"
[[mqtt.json]]
topic = "cellar/{source}"
time = "/at"
time_form = "unix_ms"
[[mqtt.json.values]]
pointer = "/air/0/p"
quantity = "ambient_pressure"
unit = "hPa"
[[mqtt.json.values]]
pointer = "/t"
quantity = "room_temperature"
unit = "degF"

[[serial]]
port = "/dev/blanks"
format = "delimited"
delimiter = "blanks"
time_column = 1
time_form = "unix_s"
[[serial.columns]]
column = 2
source = "pilot"
quantity = "pressure"
unit = "V"
[[serial.columns]]
column = 3
source = "pilot"
quantity = "gravity"
unit = "degP"

[[serial]]
port = "/dev/commas"
format = "delimited"
delimiter = ","
[[serial.columns]]
column = 1
source = "room"
quantity = "room_temperature"
unit = "K"
"#;

static CONFIG: LazyLock<Config> =
    LazyLock::new(|| Config::from_toml(MAPPED, "mapped").expect("the configuration of the checks is sound"));

/// The batch that checks speak of.
static PLUM: LazyLock<Batch> = LazyLock::new(|| {
    let text = include_str!("../../../config/example-batch.toml");
    Batch::from_toml(text, "example").expect("the example is sound").0
});

/// When messages arrive; it has digits finer than the store keeps.
fn arrival() -> Timestamp {
    Timestamp::new(1_772_434_814, 250_000_123).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// What was refused is told in a sentence that no terminal stumbles over.
fn told(why: &impl Display) {
    let why = why.to_string();
    assert!(!why.trim().is_empty(), "an error says nothing");
    assert!(
        why.chars().count() <= SENTENCE,
        "{} characters: {why}",
        why.chars().count()
    );
    assert!(!why.chars().any(char::is_control), "{why:?}");
}

/// A list of refusals, a line each.
fn told_in_lines(why: &str) {
    assert!(!why.trim().is_empty(), "an error says nothing");
    why.split('\n').for_each(|line| told(&line));
}

/// A reading is one that the store takes and gives back.
fn sound(reading: &Reading) {
    let (quantity, value) = (reading.measured.quantity(), reading.measured.stored_value());
    assert!(value.is_finite(), "{reading:?}");
    assert_eq!(
        reading.at.subsec_nanosecond() % 1_000,
        0,
        "finer than the store keeps: {reading:?}"
    );
    let again = Measured::new(quantity, value, quantity.stored_unit());
    assert_eq!(again.ok(), Some(reading.measured), "{reading:?}");
}

/// The rows of a message are sound or told, and no more than its bytes can hold.
fn decoded(decoded: &Decoded, bytes: &[u8]) {
    decoded.readings.iter().for_each(sound);
    decoded.refused.iter().for_each(refused);
    let rows = decoded.readings.len() + decoded.refused.len();
    assert!(rows <= bytes.len() + 3, "{rows} rows of {} bytes", bytes.len());
}

fn refused(bad: &BadRow) {
    assert!(bad.wrong != Wrong::Fault, "{bad}");
    told(bad);
    assert!(!bad.wrong.reason().is_empty());
}

/// The readings of a file's rows, each sound; the others are told.
fn taken(rows: impl Iterator<Item = Result<Reading, BadRow>>, most: usize) -> Vec<Reading> {
    let (mut taken, mut count) = (Vec::new(), 0);
    for row in rows {
        count += 1;
        assert!(count <= most, "more than {most} rows");
        match row {
            Ok(reading) => {
                sound(&reading);
                taken.push(reading);
            }
            Err(bad) => refused(&bad),
        }
    }
    taken
}
