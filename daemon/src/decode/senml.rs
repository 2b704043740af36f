//! Readings as SenML JSON (RFC 8428): the native message on MQTT and serial lines.
//!
//! `n`, behind `bn`, is `source/quantity`. Units are the registered ones, and ours. Base fields hold from their record
//! on. A `t` below 2^28 counts from the arrival; no `t` and no `bt` is the arrival itself.

use fobwatch_core::{
    quantity::Unit,
    reading::{Quantity, Reading},
};
use jiff::Timestamp;
use serde_json::{Map, Value};

use super::{
    BadRow, Calibrations, Decoded, MAX_MESSAGE, Place, Wrong, shown,
    value::{self, refused},
};

/// The version of the format that we read: RFC 8428, section 4.4.
const VERSION: f64 = 10.0;

/// The most records of a pack.
const MAX_RECORDS: usize = 10_000;

/// Times that are read back as they were written, in microseconds since 1970: a number below 2^28 s counts from the arrival, and
/// up to 2^33 s the numbers that JSON can count on (RFC 8259, section 6: doubles) lie less than a microsecond apart.
const TIMES: std::ops::Range<i64> = (1 << 28) * 1_000_000..(1 << 33) * 1_000_000;

/// Why a reading cannot be written as SenML.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotSenml {
    /// Its source is no name there.
    #[error(
        "`{0}` is no name in SenML; allowed: letters, digits and - : . _, beginning with a letter or digit (RFC 8428, 4.5.1)"
    )]
    Name(String),
    /// Its time would be taken for one before or after the arrival, or would not come back to the microsecond.
    #[error(
        "`{0}` is no time that SenML can tell; allowed: from 1978-07-04T21:24:16Z (RFC 8428, 4.5.3) to the year 2241"
    )]
    Time(Timestamp),
}

/// Fields that hold from their record on.
#[derive(Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: f64,
}

/// The readings of a pack. A record that is none is told, and the others are read; a pack that is no SenML, of a later
/// version, or with an extension that must be understood (a name ending in `_`) is refused whole.
#[must_use]
pub fn read(bytes: &[u8], arrival: Timestamp, calibrations: &Calibrations) -> Decoded {
    let records = match pack(bytes) {
        Ok(records) => records,
        Err(bad) => {
            return Decoded {
                readings: Vec::new(),
                refused: vec![bad],
            };
        }
    };
    let mut base = Base::default();
    let mut decoded = Decoded::default();
    for (record, number) in records.iter().zip(1..) {
        match base.resolve(record, arrival, calibrations) {
            Ok(None) => {}
            Ok(Some(reading)) => decoded.readings.push(reading),
            Err(wrong) => decoded.refused.push(BadRow {
                place: Place::Record(number),
                wrong,
            }),
        }
    }
    decoded
}

/// One reading as a pack of one record with registered units only: Pa, K, and `/` for a gravity.
///
/// # Errors
/// The source has characters that SenML does not allow in a name, or the time cannot be told.
pub fn write(reading: &Reading) -> Result<String, NotSenml> {
    let quantity = reading.measured.quantity();
    let name = format!("{}/{}", reading.source, quantity);
    let allowed = |c: char| c.is_ascii_alphanumeric() || "-:._/".contains(c);
    if !name.chars().all(allowed) || !name.starts_with(|c: char| c.is_ascii_alphanumeric()) {
        return Err(NotSenml::Name(reading.source.to_string()));
    }
    let unit = match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => "Pa",
        Quantity::LiquidTemperature | Quantity::RoomTemperature => "K",
        Quantity::Gravity => "/",
    };
    let micros = reading.at.as_microsecond();
    if !TIMES.contains(&micros) {
        return Err(NotSenml::Time(reading.at));
    }
    let (seconds, rest) = (micros.div_euclid(1_000_000), micros.rem_euclid(1_000_000));
    let time = if rest == 0 {
        seconds.to_string()
    } else {
        format!("{seconds}.{rest:06}")
    };
    let value = Value::from(reading.measured.stored_value());
    Ok(format!(
        r#"[{{"n":"{name}","u":"{unit}","v":{value},"t":{time}}}]"#
    ))
}

fn pack(bytes: &[u8]) -> Result<Vec<Map<String, Value>>, BadRow> {
    let whole = |wrong| BadRow {
        place: Place::Message,
        wrong,
    };
    if bytes.len() > MAX_MESSAGE {
        return Err(whole(Wrong::TooLong { most: MAX_MESSAGE }));
    }
    let value: Value = serde_json::from_slice(bytes).map_err(|error| whole(Wrong::json(&error)))?;
    let records = match value {
        Value::Array(records) if records.len() <= MAX_RECORDS => records,
        // One record without its array: what many small devices send.
        record @ Value::Object(_) => vec![record],
        other => {
            let allowed = "an array of 1 to 10000 SenML records";
            return Err(whole(refused("the pack", &kind(&other), allowed)));
        }
    };
    let mut out = Vec::with_capacity(records.len());
    for (record, number) in records.into_iter().zip(1..) {
        let at = |wrong| BadRow {
            place: Place::Record(number),
            wrong,
        };
        let Value::Object(record) = record else {
            return Err(at(refused("the record", &kind(&record), "a JSON object")));
        };
        if let Some(version) = record.get("bver") {
            let known = version.as_f64().is_some_and(|version| version <= VERSION);
            if !known {
                return Err(at(refused("`bver`", &version.to_string(), "up to 10")));
            }
        }
        if let Some(name) = record.keys().find(|name| name.ends_with('_')) {
            let hint = "it ends in `_`, so the pack may not be used without understanding it".to_owned();
            let given = shown(name);
            return Err(at(Wrong::UnknownKey { given, hint }));
        }
        out.push(record);
    }
    Ok(out)
}

impl Base {
    /// Takes the base fields of a record, then reads it; `None`: it has base fields only.
    fn resolve(
        &mut self,
        record: &Map<String, Value>,
        arrival: Timestamp,
        calibrations: &Calibrations,
    ) -> Result<Option<Reading>, Wrong> {
        // All base fields are taken before anything is refused, so that one bad record does not move the next.
        let base_name = text(record, "bn").map(|name| self.name = name.unwrap_or(&self.name).to_owned());
        let base_unit =
            text(record, "bu").map(|unit| self.unit = unit.map(str::to_owned).or(self.unit.take()));
        let base_time = number(record, "bt").map(|time| self.time = time.unwrap_or(self.time));
        let base_value = number(record, "bv").map(|value| self.value = value.unwrap_or(self.value));
        base_name?;
        base_unit?;
        base_time?;
        base_value?;
        let is_base = |name: &String| matches!(name.as_str(), "bn" | "bt" | "bu" | "bv" | "bs" | "bver");
        if record.keys().all(is_base) {
            return Ok(None);
        }
        let name = format!("{}{}", self.name, text(record, "n")?.unwrap_or_default());
        let Some((source, quantity)) = name.rsplit_once('/') else {
            return Err(refused("`n`", &name, "source/quantity, as pilot/pressure"));
        };
        let Some(value) = number(record, "v")? else {
            let given = ["vs", "vb", "vd", "s"]
                .into_iter()
                .find(|key| record.contains_key(*key));
            let given = given.map_or_else(|| "missing".to_owned(), |key| format!("missing, `{key}` instead"));
            return Err(Wrong::Value {
                what: "`v`".to_owned(),
                given,
                allowed: "a number",
            });
        };
        let at = match (number(record, "t")?, self.time) {
            (None, base) if base.abs() < f64::EPSILON => value::whole_microseconds(arrival),
            (time, base) => value::senml_time("`t`", base + time.unwrap_or(0.0), arrival)?,
        };
        let Some(unit) = text(record, "u")?.or(self.unit.as_deref()) else {
            return Err(refused("`u`", "", "a unit, here or as `bu`"));
        };
        // The registered unit of a bare ratio (RFC 8428, section 12.1) is how a relative density is sent.
        let unit = if unit == "/" && quantity == Quantity::Gravity.name() {
            Unit::SpecificGravity.to_string()
        } else {
            unit.to_owned()
        };
        value::reading(at, source, quantity, self.value + value, &unit, calibrations).map(Some)
    }
}

fn text<'r>(record: &'r Map<String, Value>, key: &str) -> Result<Option<&'r str>, Wrong> {
    match record.get(key) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(other) => Err(refused(&format!("`{key}`"), &kind(other), "a text")),
    }
}

fn number(record: &Map<String, Value>, key: &str) -> Result<Option<f64>, Wrong> {
    match record.get(key) {
        None => Ok(None),
        Some(value) => match value.as_f64().filter(|number| number.is_finite()) {
            Some(number) => Ok(Some(number)),
            None => Err(refused(&format!("`{key}`"), &kind(value), "a finite number")),
        },
    }
}

fn kind(value: &Value) -> String {
    match value {
        Value::Array(list) => format!("a list of {}", list.len()),
        Value::Object(_) => "an object".to_owned(),
        other => shown(&other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::reading::{Measured, Source};
    use proptest::prelude::*;

    use super::*;

    fn arrival() -> Timestamp {
        "2026-03-02T07:00:00.123456789Z".parse().unwrap()
    }

    fn decode(text: &str) -> Decoded {
        read(text.as_bytes(), arrival(), &Calibrations::default())
    }

    fn complaints(text: &str) -> Vec<String> {
        decode(text).refused.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn base_fields_hold_from_their_record_on() {
        // In the form of RFC 8428, section 5.1.3 (its names and times, our quantities): base name, time and unit,
        // times before the base time.
        let decoded = decode(
            r#"[{"bn":"urn:dev:ow:10e2073a01080063/","bt":1.320067464e+09,"bu":"Cel","bver":5,
                 "n":"liquid_temperature","v":20.1},
                {"n":"room_temperature","t":-5,"v":21.2},
                {"n":"pressure","u":"Pa","t":-4,"v":1200},
                {"bn":"other/","bv":1},
                {"n":"pressure","u":"bar","v":0.5}]"#,
        );
        assert!(decoded.refused.is_empty(), "{:?}", decoded.refused);
        let shown: Vec<_> = decoded
            .readings
            .iter()
            .map(|r| {
                format!(
                    "{} {} {} {:.2}",
                    r.at,
                    r.source,
                    r.measured.quantity(),
                    r.measured.stored_value()
                )
            })
            .collect();
        assert_eq!(
            shown,
            [
                "2011-10-31T13:24:24Z urn:dev:ow:10e2073a01080063 liquid_temperature 293.25",
                "2011-10-31T13:24:19Z urn:dev:ow:10e2073a01080063 room_temperature 294.35",
                "2011-10-31T13:24:20Z urn:dev:ow:10e2073a01080063 pressure 1200.00",
                "2011-10-31T13:24:24Z other pressure 150000.00",
            ]
        );
    }

    #[test]
    fn small_times_count_from_the_arrival_and_none_is_the_arrival() {
        let decoded = decode(
            r#"[{"n":"pilot/pressure","u":"bar","v":1},
                {"n":"pilot/pressure","u":"bar","v":1,"t":-60},
                {"n":"pilot/pressure","u":"bar","v":1,"t":268435455},
                {"n":"pilot/pressure","u":"bar","v":1,"t":268435456}]"#,
        );
        let times: Vec<_> = decoded.readings.iter().map(|r| r.at.to_string()).collect();
        assert_eq!(
            times,
            [
                "2026-03-02T07:00:00.123456Z",
                "2026-03-02T06:59:00.123456Z",
                "2034-09-03T04:24:15.123456Z",
                "1978-07-04T21:24:16Z", // RFC 8428, 4.5.3: at 2^28 and above it is absolute
            ]
        );
    }

    #[test]
    fn a_time_that_would_be_read_as_another_is_not_written() {
        let at = |at: &str| Reading {
            at: at.parse().unwrap(),
            source: Source::new("pilot").unwrap(),
            measured: Measured::new(Quantity::Pressure, 1.0, Unit::Bar).unwrap(),
        };
        for (time, why) in [
            ("1969-12-31T23:59:59.75Z", "`1969-12-31T23:59:59.75Z` is no time"),
            (
                "1978-07-04T21:24:15.999999Z",
                "`1978-07-04T21:24:15.999999Z` is no time",
            ),
            (
                "2999-01-01T00:00:00.000001Z",
                "`2999-01-01T00:00:00.000001Z` is no time",
            ),
        ] {
            let said = write(&at(time)).unwrap_err().to_string();
            assert!(said.starts_with(why), "{said}");
        }
        for time in ["1978-07-04T21:24:16Z", "2241-12-31T23:59:59.999999Z"] {
            let reading = at(time);
            assert_eq!(decode(&write(&reading).unwrap()).readings, [reading]);
        }
    }

    #[test]
    fn a_bad_record_is_told_and_its_neighbours_are_read() {
        let text = r#"[{"bn":"pilot/","bu":"bar"},
            {"n":"pressure","v":1},
            {"n":"pressure","v":"1"},
            {"n":"pressure","vs":"high"},
            {"n":"pressure","v":1,"u":"furlong"},
            {"n":"pressure","v":1,"t":1e300},
            {"n":"colour","v":1},
            {"n":"liquid_temperature","v":1},
            {"n":"pressure","v":1e9},
            {"n":7,"v":1},
            {"bn":"","n":"pressure","v":1},
            {"bn":"pilot/","n":"pressure","v":2}]"#;
        assert_eq!(decode(text).readings.len(), 2);
        let expected = [
            "record 3: `v` is `\"1\"`; allowed: a finite number",
            "record 4: `v` is missing, `vs` instead; allowed: a number",
            "record 5: unit `furlong` is not known; allowed: bar,",
            "record 6: `t` is `1000",
            "record 7: quantity `colour` is not known; allowed: pressure,",
            "record 8: unit bar does not measure liquid_temperature; allowed: degC",
            "record 9: 1000000000 bar is no gauge pressure; allowed: -1.2 to 100 bar",
            "record 10: `n` is `7`; allowed: a text",
            "record 11: `n` is `pressure`; allowed: source/quantity",
        ];
        let complaints = complaints(text);
        assert_eq!(complaints.len(), expected.len(), "{complaints:#?}");
        for (complaint, expected) in complaints.iter().zip(expected) {
            assert!(complaint.starts_with(expected), "{complaint}\n{expected}");
        }
    }

    #[test]
    fn what_must_be_understood_and_is_not_refuses_the_pack() {
        for (text, expected) in [
            (
                r#"[{"n":"pilot/pressure","u":"bar","v":1},{"bver":11}]"#,
                "record 2: `bver` is `11`",
            ),
            (
                r#"[{"n":"pilot/pressure","u":"bar","v":1,"gate_":1}]"#,
                "record 1: key `gate_` is not known",
            ),
            ("[1]", "record 1: the record is `1`"),
            ("3", "message: the pack is `3`; allowed: an array"),
            ("[{", "message: is not JSON"),
        ] {
            let decoded = decode(text);
            assert!(decoded.readings.is_empty());
            let complaints = complaints(text);
            assert!(complaints[0].starts_with(expected), "{complaints:?}");
        }
        let long = vec![b' '; MAX_MESSAGE + 1];
        let decoded = read(&long, arrival(), &Calibrations::default());
        assert_eq!(decoded.refused[0].wrong, Wrong::TooLong { most: MAX_MESSAGE });
    }

    #[test]
    fn a_gravity_is_written_as_a_bare_ratio_and_a_name_with_a_blank_not_at_all() {
        let reading = |source: &str| Reading {
            at: "2026-03-02T07:00:00.5Z".parse().unwrap(),
            source: Source::new(source).unwrap(),
            measured: Measured::new(Quantity::Gravity, 1.0125, Unit::SpecificGravity).unwrap(),
        };
        assert_eq!(
            write(&reading("float")).unwrap(),
            r#"[{"n":"float/gravity","u":"/","v":1.0125,"t":1772434800.500000}]"#
        );
        assert!(write(&reading("my float")).is_err());
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = read(&bytes, arrival(), &Calibrations::default());
        }

        #[test]
        fn no_record_makes_it_panic(
            records in proptest::collection::vec(
                proptest::collection::btree_map("bn|bt|bu|bv|bver|n|u|v|t|vs", "-?[0-9]{1,3}(e[0-9]{1,3})?|\"[a-z/]{0,9}\"|null|\\[\\]", 0..6),
                0..6,
            )
        ) {
            let records: Vec<_> = records
                .into_iter()
                .map(|r| format!("{{{}}}", r.into_iter().map(|(k, v)| format!("\"{k}\":{v}")).collect::<Vec<_>>().join(",")))
                .collect();
            let _ = decode(&format!("[{}]", records.join(",")));
        }

        #[test]
        fn what_is_written_reads_back_bit_for_bit(
            which in 0_usize..6, value in -1.0e5_f64..1.0e6, micros in 268_435_456_000_000_i64..4_000_000_000_000_000,
        ) {
            let quantity = Quantity::ALL[which];
            if let Ok(measured) = Measured::new(quantity, value, quantity.stored_unit()) {
                let at = Timestamp::from_microsecond(micros).unwrap();
                let reading = Reading { at, source: Source::new("pilot").unwrap(), measured };
                let decoded = decode(&write(&reading).unwrap());
                prop_assert_eq!(decoded.readings, vec![reading]);
            }
        }
    }
}
