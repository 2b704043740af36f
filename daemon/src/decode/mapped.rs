//! What existing sensors send: a bare number, or numbers inside a JSON document.

use fobwatch_core::{
    quantity::Unit,
    reading::{Quantity, Reading, Source},
};
use jiff::Timestamp;
use serde_json::Value;

use super::{
    BadRow, Calibrations, Decoded, MAX_MESSAGE, Place, TimeForm, Wrong,
    value::{self, refused},
};

/// What a number stands for.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Which sensor.
    pub source: Source,
    /// What it measures.
    pub quantity: Quantity,
    /// In which unit it says so; a raw one needs a calibration.
    pub unit: Unit,
}

/// Where the numbers of a JSON document are: JSON Pointers after RFC 6901.
#[derive(Clone, Debug, PartialEq)]
pub struct Pointers {
    /// Where the time stands; `None`: the time is that of the arrival.
    pub time: Option<(String, TimeForm)>,
    /// Where the readings stand.
    pub values: Vec<(String, Channel)>,
}

impl Channel {
    /// The reading of a number of this channel.
    pub(super) fn reading(
        &self,
        at: Timestamp,
        number: f64,
        calibrations: &Calibrations,
    ) -> Result<Reading, Wrong> {
        let measured = calibrations.measure(&self.source, self.quantity, number, self.unit)?;
        Ok(Reading {
            at,
            source: self.source.clone(),
            measured,
        })
    }
}

/// The reading of a payload that is a number and nothing else.
#[must_use]
pub fn read_number(
    bytes: &[u8],
    channel: &Channel,
    arrival: Timestamp,
    calibrations: &Calibrations,
) -> Decoded {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return Decoded::refused(Wrong::NotText);
    };
    let at = value::whole_microseconds(arrival);
    let reading =
        value::number("the value", text).and_then(|number| channel.reading(at, number, calibrations));
    let mut decoded = Decoded::default();
    decoded.take(Place::Message, reading);
    decoded
}

/// The readings of a JSON document. A pointer that leads to no number is told, and the others are read.
#[must_use]
pub fn read_json(
    bytes: &[u8],
    pointers: &Pointers,
    arrival: Timestamp,
    calibrations: &Calibrations,
) -> Decoded {
    if bytes.len() > MAX_MESSAGE {
        return Decoded::refused(Wrong::TooLong { most: MAX_MESSAGE });
    }
    let document: Value = match serde_json::from_slice(bytes) {
        Ok(document) => document,
        Err(error) => return Decoded::refused(Wrong::json(&error)),
    };
    let at = match &pointers.time {
        None => value::whole_microseconds(arrival),
        Some((pointer, form)) => match text(&document, pointer).and_then(|text| form.read(&text)) {
            Ok(at) => at,
            Err(wrong) => {
                let place = Place::Pointer(pointer.clone());
                return Decoded {
                    readings: Vec::new(),
                    refused: vec![BadRow { place, wrong }],
                };
            }
        },
    };
    let mut decoded = Decoded::default();
    for (pointer, channel) in &pointers.values {
        let reading = text(&document, pointer)
            .and_then(|text| value::number("the value", &text))
            .and_then(|number| channel.reading(at, number, calibrations));
        decoded.take(Place::Pointer(pointer.clone()), reading);
    }
    decoded
}

/// A number or text of the document as it is written there.
fn text(document: &Value, pointer: &str) -> Result<String, Wrong> {
    match document.pointer(pointer) {
        Some(Value::Number(number)) => Ok(number.to_string()),
        Some(Value::String(text)) => Ok(text.clone()),
        Some(Value::Null) | None => Err(refused("the value", "", "a number at this place of the document")),
        Some(other) => Err(refused(
            "the value",
            &other.to_string(),
            "a number, or a text that is one",
        )),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn arrival() -> Timestamp {
        "2026-03-02T07:00:00Z".parse().unwrap()
    }

    fn room() -> Channel {
        Channel {
            source: Source::new("kitchen").unwrap(),
            quantity: Quantity::RoomTemperature,
            unit: Unit::Celsius,
        }
    }

    #[test]
    fn a_bare_number_is_a_reading_at_its_arrival() {
        let none = Calibrations::default();
        let decoded = read_number(b" 21.5\r\n", &room(), arrival(), &none);
        assert_eq!(decoded.readings[0].at, arrival());
        assert!((decoded.readings[0].measured.stored_value() - 294.65).abs() < 1e-9);
        for bad in [&b"unavailable"[..], b"", b"inf", b"\xff"] {
            let decoded = read_number(bad, &room(), arrival(), &none);
            assert!(decoded.readings.is_empty() && decoded.refused.len() == 1);
        }
    }

    #[test]
    fn pointers_find_numbers_by_the_examples_of_rfc_6901() {
        // RFC 6901, section 5: "/foo/0", "/a~1b" and "/m~0n".
        let document = br#"{"foo": [21, "22.5"], "a/b": 23, "m~n": 24, "t": 1772434800, "flag": true}"#;
        let pointers = Pointers {
            time: Some(("/t".to_owned(), TimeForm::UnixSeconds)),
            values: ["/foo/0", "/foo/1", "/a~1b", "/m~0n", "/flag", "/none"]
                .map(|pointer| (pointer.to_owned(), room()))
                .into(),
        };
        let decoded = read_json(document, &pointers, arrival(), &Calibrations::default());
        let celsius: Vec<_> = decoded
            .readings
            .iter()
            .map(|r| format!("{:.1}", r.measured.stored_value() - 273.15))
            .collect();
        assert_eq!(celsius, ["21.0", "22.5", "23.0", "24.0"]);
        let refused: Vec<_> = decoded.refused.iter().map(ToString::to_string).collect();
        assert!(
            refused[0].starts_with("`/flag`: the value is `true`; allowed: a number"),
            "{refused:?}"
        );
        assert!(
            refused[1].starts_with("`/none`: the value is empty"),
            "{refused:?}"
        );
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), pointer in "\\PC{0,12}") {
            let none = Calibrations::default();
            let _ = read_number(&bytes, &room(), arrival(), &none);
            let pointers = Pointers { time: Some((pointer.clone(), TimeForm::Rfc3339)), values: vec![(pointer, room())] };
            let _ = read_json(&bytes, &pointers, arrival(), &none);
        }
    }
}
