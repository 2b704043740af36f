//! What a message or line that nobody maps yet may be, and the block that would map it. Guesses, and told as such.

use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Source},
};
use jiff::Timestamp;
use serde_json::Value;

use crate::{
    basic_string::quoted,
    decode::{Calibrations, senml},
};

/// How deep a JSON document is looked into, and how many of its numbers are mapped.
const DEEP: usize = 6;
const MANY: usize = 12;

/// Names of topics and keys that say nothing about who sends.
const PLAIN: [&str; 9] = [
    "state",
    "status",
    "data",
    "json",
    "senml",
    "sensor",
    "telemetry",
    "value",
    "attributes",
];

/// A block for the configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Offer {
    /// For the `senml` list of its broker.
    Senml(String),
    /// A table of its broker or port.
    Table(String),
}

/// What could map messages like `payload` on `topic`; an empty topic is a line of a serial port.
pub(crate) fn offer(topic: &str, payload: &[u8]) -> Option<Offer> {
    let text = std::str::from_utf8(payload).ok()?.trim();
    let none = Calibrations::default();
    if !senml::read(payload, Timestamp::UNIX_EPOCH, &none)
        .readings
        .is_empty()
    {
        return Some(if topic.is_empty() {
            Offer::Table("format = \"senml\"\n".to_owned())
        } else {
            Offer::Senml(topic.to_owned())
        });
    }
    if topic.is_empty() {
        return columns(text).map(Offer::Table);
    }
    // A block could not name it: there a brace begins a name.
    if topic.contains(['{', '}']) {
        return None;
    }
    if let Some(number) = finite(text) {
        let (quantity, unit) = quantity(topic, number)?;
        Measured::new(quantity, number, unit).ok()?;
        let block = format!(
            "[[mqtt.number]]   # last: {number}\ntopic = {}\n{}",
            quoted(topic),
            channel(&source(topic), quantity, unit)
        );
        return Some(Offer::Table(block));
    }
    json(topic, &serde_json::from_str(text).ok()?).map(Offer::Table)
}

fn finite(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}

fn channel(source: &str, quantity: Quantity, unit: Unit) -> String {
    format!(
        "source = {}\nquantity = \"{quantity}\"\nunit = \"{unit}\"\n",
        quoted(source)
    )
}

/// Who may be sending: the level before the one that says what.
fn source(topic: &str) -> String {
    let levels: Vec<_> = topic.split('/').filter(|level| !level.is_empty()).collect();
    let telling = |level: &&&str| !PLAIN.contains(level) && quantity(level, 20.0).is_none();
    let found = levels.iter().rev().find(telling).or(levels.first());
    found
        .and_then(|level| Source::new(level).ok())
        .map_or_else(|| "sensor".to_owned(), |source| source.as_str().to_owned())
}

/// What a number under these words may be.
fn quantity(words: &str, number: f64) -> Option<(Quantity, Unit)> {
    let words = words.to_lowercase();
    let say = |any: &[&str]| any.iter().any(|word| words.contains(word));
    let is = |any: &[&str]| {
        words
            .split(|c: char| !c.is_alphanumeric())
            .any(|word| any.contains(&word))
    };
    if say(&["baro", "ambient", "atmos"]) || (say(&["press"]) && (800.0..1_100.0).contains(&number)) {
        let unit = if number < 2.0 {
            Unit::Bar
        } else {
            Unit::Hectopascal
        };
        return Some((Quantity::AmbientPressure, unit));
    }
    if say(&["press"]) || is(&["p", "bar", "psi", "kpa"]) {
        let unit = match number.abs() {
            _ if is(&["psi"]) => Unit::Psi,
            _ if is(&["kpa"]) => Unit::Kilopascal,
            size if size <= 12.0 => Unit::Bar,
            _ => Unit::Millibar,
        };
        return Some((Quantity::Pressure, unit));
    }
    if say(&["temp"]) || is(&["t", "celsius"]) {
        let liquid = say(&["liquid", "drink", "pilot", "bottle", "probe", "vessel"]);
        let unit = match number {
            _ if number > 200.0 => Unit::Kelvin,
            _ if number > 45.0 => Unit::Fahrenheit,
            _ => Unit::Celsius,
        };
        let quantity = if liquid {
            Quantity::LiquidTemperature
        } else {
            Quantity::RoomTemperature
        };
        return Some((quantity, unit));
    }
    if say(&["gravity", "plato", "density"]) || is(&["sg"]) {
        let unit = if (0.9..1.3).contains(&number) {
            Unit::SpecificGravity
        } else {
            Unit::Plato
        };
        return Some((Quantity::Gravity, unit));
    }
    None
}

fn json(topic: &str, document: &Value) -> Option<String> {
    let mut numbers = Vec::new();
    walk(document, "", 0, &mut numbers);
    let who = source(topic);
    let time = numbers.iter().find_map(|(pointer, value)| time(pointer, value));
    let mut block = format!("[[mqtt.json]]\ntopic = {}\n", quoted(topic));
    if let Some((pointer, form)) = &time {
        block += &format!("time = {}\ntime_form = \"{form}\"\n", quoted(pointer));
    }
    let mut any = false;
    for (pointer, value) in &numbers {
        let number = match value {
            Value::Number(number) => number.as_f64(),
            Value::String(text) => finite(text),
            _ => None,
        };
        let Some(number) = number else { continue };
        // The topic may say what its one number is.
        let words = format!("{pointer} {}", if numbers.len() == 1 { topic } else { "" });
        if let Some((quantity, mut unit)) = quantity(&words, number) {
            if quantity == Quantity::Pressure && unit == Unit::Bar && number.abs() > 12.0 {
                unit = Unit::Millibar;
            }
            if Measured::new(quantity, number, unit).is_err() {
                continue;
            }
            any = true;
            block += &format!(
                "[[mqtt.json.values]]   # last: {number}\npointer = {}\n{}",
                quoted(pointer),
                channel(&who, quantity, unit)
            );
        }
    }
    any.then_some(block)
}

/// The leaves of a document with their JSON Pointers (RFC 6901).
fn walk<'d>(value: &'d Value, pointer: &str, depth: usize, found: &mut Vec<(String, &'d Value)>) {
    if depth > DEEP || found.len() >= MANY {
        return;
    }
    match value {
        Value::Object(entries) => {
            for (key, value) in entries {
                let key = key.replace('~', "~0").replace('/', "~1");
                walk(value, &format!("{pointer}/{key}"), depth + 1, found);
            }
        }
        Value::Array(entries) => {
            for (index, value) in entries.iter().enumerate() {
                walk(value, &format!("{pointer}/{index}"), depth + 1, found);
            }
        }
        Value::Number(_) | Value::String(_) => found.push((pointer.to_owned(), value)),
        Value::Null | Value::Bool(_) => {}
    }
}

fn time(pointer: &str, value: &Value) -> Option<(String, &'static str)> {
    let form = match value {
        Value::String(text) => moment(text)?,
        // Any number this large under such a name; the year 2001 and later.
        Value::Number(number) if pointer.to_lowercase().contains("time") || pointer.ends_with("/ts") => {
            since_1970(number.as_f64()?)?
        }
        _ => return None,
    };
    Some((pointer.to_owned(), form))
}

fn moment(text: &str) -> Option<&'static str> {
    text.parse::<Timestamp>().ok().map(|_| "rfc3339")
}

fn since_1970(number: f64) -> Option<&'static str> {
    match number {
        _ if (1e9..1e10).contains(&number) => Some("unix_s"),
        _ if (1e12..1e13).contains(&number) => Some("unix_ms"),
        _ => None,
    }
}

/// The columns of a line without names: only their size can tell what they are.
fn columns(line: &str) -> Option<String> {
    // The comma last: between other delimiters it stands in the numbers, as in `1,23;20,7`.
    let (name, fields): (&str, Vec<&str>) = [";", "\t", "|", ","]
        .into_iter()
        .find(|delimiter| line.contains(delimiter))
        .map_or(("blanks", line.split_whitespace().collect()), |delimiter| {
            let name = if delimiter == "\t" { "tab" } else { delimiter };
            (name, line.split(delimiter).map(str::trim).collect())
        });
    let mut block = format!("format = \"delimited\"\ndelimiter = \"{name}\"\n");
    let mut rest = String::new();
    let mut timed = false;
    for (field, column) in fields.iter().zip(1_u32..) {
        let number = finite(field);
        if !timed && let Some(form) = moment(field).or_else(|| since_1970(number?)) {
            timed = true;
            block += &format!("time_column = {column}\ntime_form = \"{form}\"\n");
            continue;
        }
        let Some(number) = number else { continue };
        let (quantity, unit, or) = match number {
            _ if (-1.0..=12.0).contains(&number) => (
                Quantity::Pressure,
                Unit::Bar,
                "; of a raw transducer: V, with a [[calibration]]",
            ),
            _ if (12.0..=45.0).contains(&number) => (Quantity::LiquidTemperature, Unit::Celsius, ""),
            _ if (800.0..=1_100.0).contains(&number) => (Quantity::AmbientPressure, Unit::Hectopascal, ""),
            _ => continue,
        };
        rest += &format!(
            "[[serial.columns]]   # last: {number}{or}\ncolumn = {column}\n{}",
            channel("pilot", quantity, unit)
        );
    }
    (!rest.is_empty()).then(|| block + &rest)
}
