//! Readings as JSON, one object a line: `{"time","source","quantity","value","unit"}`, the columns of the CSV.

use std::io::Read;

use fobwatch_core::reading::Reading;
use serde_json::{Map, Value, json};

use super::{
    BadRow, Calibrations, Wrong,
    csv::COLUMNS,
    line::Lines,
    shown,
    value::{self, refused},
};

/// Readings of a file in its order; a bad line is an error with its number, and the next one is read all the same.
#[derive(Debug)]
pub struct Lined<'c, R> {
    lines: Lines<R>,
    line: Vec<u8>,
    calibrations: &'c Calibrations,
}

/// Begins to read a file of readings.
pub fn lines<R: Read>(input: R, calibrations: &Calibrations) -> Lined<'_, R> {
    Lined {
        lines: Lines::new(input),
        line: Vec::new(),
        calibrations,
    }
}

/// One reading as a line without its end, in the stored unit, so that it reads back the same.
#[must_use]
pub fn write(reading: &Reading) -> String {
    let quantity = reading.measured.quantity();
    json!({
        "time": reading.at.to_string(),
        "source": reading.source.as_str(),
        "quantity": quantity.name(),
        "value": reading.measured.stored_value(),
        "unit": quantity.stored_unit().to_string(),
    })
    .to_string()
}

impl<R: Read> Iterator for Lined<'_, R> {
    type Item = Result<Reading, BadRow>;

    fn next(&mut self) -> Option<Self::Item> {
        let calibrations = self.calibrations;
        self.lines
            .next_filled(&mut self.line, |line| read(line, calibrations))
    }
}

fn read(bytes: &[u8], calibrations: &Calibrations) -> Result<Reading, Wrong> {
    let value: Value = serde_json::from_slice(bytes).map_err(|error| Wrong::json(&error))?;
    let Value::Object(row) = value else {
        return Err(refused("the line", &value.to_string(), "a JSON object"));
    };
    if let Some(key) = row.keys().find(|key| !COLUMNS.contains(&key.as_str())) {
        return Err(Wrong::UnknownKey {
            given: shown(key),
            hint: format!("known here: {}", COLUMNS.join(", ")),
        });
    }
    let at = value::time("`time`", text(&row, "time")?)?;
    let given = row.get("value").unwrap_or(&Value::Null);
    let Some(number) = given.as_f64().filter(|number| number.is_finite()) else {
        return Err(refused("`value`", &given.to_string(), "a finite number"));
    };
    let (source, quantity, unit) = (
        text(&row, "source")?,
        text(&row, "quantity")?,
        text(&row, "unit")?,
    );
    value::reading(at, source, quantity, number, unit, calibrations)
}

fn text<'r>(row: &'r Map<String, Value>, key: &str) -> Result<&'r str, Wrong> {
    match row.get(key) {
        Some(Value::String(text)) => Ok(text),
        other => {
            let given = other.map(Value::to_string).unwrap_or_default();
            Err(refused(&format!("`{key}`"), &given, "a text"))
        }
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::reading::{Measured, Quantity, Source};
    use proptest::prelude::*;

    use super::*;

    fn read_all(bytes: &[u8]) -> (Vec<Reading>, Vec<String>) {
        let none = Calibrations::default();
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        for row in lines(bytes, &none) {
            match row {
                Ok(reading) => good.push(reading),
                Err(error) => bad.push(error.to_string()),
            }
        }
        (good, bad)
    }

    #[test]
    fn a_bad_line_is_told_with_its_number_and_the_others_are_read() {
        let good = r#"{"time":"2026-03-02T07:00:14Z","source":"pilot","quantity":"pressure","value":0.5,"unit":"bar"}"#;
        let text = format!(
            "\u{feff}{good}\r\n\n[1]\n{{\"tiem\":1}}\n{}\n{}\nnothing\n{good}",
            good.replace("0.5", "\"0.5\""),
            good.replace("\"pilot\"", "7")
        );
        let (read, bad) = read_all(text.as_bytes());
        assert_eq!(read.len(), 2);
        let expected = [
            "line 3: the line is `[1]`; allowed: a JSON object",
            "line 4: key `tiem` is not known; known here: time, source",
            "line 5: `value` is `\"0.5\"`; allowed: a finite number",
            "line 6: `source` is `7`; allowed: a text",
            "line 7: is not JSON",
        ];
        assert_eq!(bad.len(), expected.len(), "{bad:#?}");
        for (bad, expected) in bad.iter().zip(expected) {
            assert!(bad.starts_with(expected), "{bad}\n{expected}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            name in "[ -.0-~]{1,40}",
            pascal in -1.0e5_f64..1.0e6,
            micros in 0_i64..4_000_000_000_000_000,
        ) {
            prop_assume!(name.trim() == name);
            let quantity = Quantity::Pressure;
            let reading = Reading {
                at: jiff::Timestamp::from_microsecond(micros).unwrap(),
                source: Source::new(&name).unwrap(),
                measured: Measured::new(quantity, pascal, quantity.stored_unit()).unwrap(),
            };
            let (good, bad) = read_all(write(&reading).as_bytes());
            prop_assert!(bad.is_empty(), "{:?}", bad);
            prop_assert_eq!(good, vec![reading]);
        }
    }
}
