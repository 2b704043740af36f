//! One line of delimited text, mapped by column: what an existing logger already prints.

use fobwatch_core::reading::Reading;
use jiff::Timestamp;

use super::{BadRow, Calibrations, Decoded, MAX_LINE, Place, TimeForm, Wrong, mapped::Channel, shown, value};

/// What stands between two columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delimiter {
    /// This character.
    Character(char),
    /// Any run of blanks and tabs.
    Blanks,
}

/// How a line is read.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    /// What stands between two columns.
    pub delimiter: Delimiter,
    /// The column of the time, from 1; `None`: the time is that of the arrival.
    pub time: Option<(usize, TimeForm)>,
    /// The columns with readings, from 1; others are ignored.
    pub columns: Vec<(usize, Channel)>,
}

/// The readings of one line. A column that is no number is told, and the others are read.
#[must_use]
pub fn read(line: &[u8], mapping: &Mapping, arrival: Timestamp, calibrations: &Calibrations) -> Decoded {
    if line.len() > MAX_LINE {
        return Decoded::refused(Wrong::TooLong { most: MAX_LINE });
    }
    let Ok(line) = std::str::from_utf8(line) else {
        return Decoded::refused(Wrong::NotText);
    };
    let fields: Vec<&str> = match mapping.delimiter {
        Delimiter::Character(delimiter) => line.split(delimiter).map(str::trim).collect(),
        Delimiter::Blanks => line.split_whitespace().collect(),
    };
    let field = |column: usize| {
        let found = column.checked_sub(1).and_then(|index| fields.get(index));
        found.copied().ok_or_else(|| Wrong::Value {
            what: format!("column {column} of `{}`", shown(line)),
            given: "missing".to_owned(),
            allowed: "as many columns as the configuration maps",
        })
    };
    let at = match &mapping.time {
        None => Ok(value::whole_microseconds(arrival)),
        Some((column, form)) => field(*column).and_then(|text| form.read(text)),
    };
    let at = match at {
        Ok(at) => at,
        Err(wrong) => {
            let column = mapping.time.as_ref().map_or(0, |(column, _)| *column);
            let place = Place::Column(column);
            return Decoded {
                readings: Vec::new(),
                refused: vec![BadRow { place, wrong }],
            };
        }
    };
    let mut decoded = Decoded::default();
    for (column, channel) in &mapping.columns {
        let reading = field(*column)
            .and_then(|text| value::number("the value", text))
            .and_then(|number| -> Result<Reading, Wrong> { channel.reading(at, number, calibrations) });
        decoded.take(Place::Column(*column), reading);
    }
    decoded
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        quantity::Unit,
        reading::{Quantity, Source},
    };
    use proptest::prelude::*;

    use super::*;

    fn channel(source: &str, quantity: Quantity, unit: Unit) -> Channel {
        Channel {
            source: Source::new(source).unwrap(),
            quantity,
            unit,
        }
    }

    fn mapping(delimiter: Delimiter, time: Option<(usize, TimeForm)>) -> Mapping {
        Mapping {
            delimiter,
            time,
            columns: vec![
                (2, channel("pilot", Quantity::Pressure, Unit::Bar)),
                (3, channel("pilot", Quantity::LiquidTemperature, Unit::Celsius)),
            ],
        }
    }

    fn arrival() -> Timestamp {
        "2026-03-02T07:00:00Z".parse().unwrap()
    }

    fn decode(line: &str, mapping: &Mapping) -> Decoded {
        read(line.as_bytes(), mapping, arrival(), &Calibrations::default())
    }

    #[test]
    fn columns_are_mapped_with_or_without_a_time() {
        let decoded = decode(
            "17; 1.25 ;20.5;ignored",
            &mapping(Delimiter::Character(';'), None),
        );
        assert!(decoded.refused.is_empty());
        assert_eq!(decoded.readings.len(), 2);
        assert_eq!(decoded.readings[0].at, arrival());
        assert!((decoded.readings[0].measured.stored_value() - 125_000.0).abs() < 1e-6);

        let timed = mapping(Delimiter::Blanks, Some((1, TimeForm::UnixMilliseconds)));
        let decoded = decode("1772434800250  1.25\t20.5", &timed);
        assert_eq!(decoded.readings[1].at.to_string(), "2026-03-02T07:00:00.25Z");
        let timed = mapping(Delimiter::Character(','), Some((1, TimeForm::Rfc3339)));
        let decoded = decode("2026-03-02T08:00:00+01:00,1.25,20.5", &timed);
        assert_eq!(decoded.readings[1].at, arrival());
    }

    #[test]
    fn a_bad_column_is_told_and_the_other_is_read() {
        let plain = mapping(Delimiter::Character(','), None);
        for (line, expected, good) in [
            (
                "1,nan,20.5",
                "column 2: the value is `nan`; allowed: a finite number",
                1,
            ),
            (
                "1,1.25",
                "column 3: column 3 of `1,1.25` is missing; allowed: as many",
                1,
            ),
            ("", "column 2: column 2 of `` is missing", 0),
            ("1,1.25,ERR", "column 3: the value is `ERR`", 1),
            (
                "1,1.25,900",
                "column 3: 900 degC is no temperature; allowed: -60 to 150 degC",
                1,
            ),
        ] {
            let decoded = decode(line, &plain);
            assert!(
                decoded.refused[0].to_string().starts_with(expected),
                "{:?}",
                decoded.refused
            );
            assert_eq!(decoded.readings.len(), good, "{line}");
        }
        let timed = mapping(Delimiter::Character(','), Some((1, TimeForm::UnixSeconds)));
        let decoded = decode("soon,1.25,20.5", &timed);
        assert!(decoded.readings.is_empty());
        assert!(
            decoded.refused[0]
                .to_string()
                .starts_with("column 1: the time is `soon`")
        );
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            for time in [None, Some((1, TimeForm::UnixSeconds)), Some((9, TimeForm::Rfc3339))] {
                for delimiter in [Delimiter::Blanks, Delimiter::Character(',')] {
                    let _ = read(&bytes, &mapping(delimiter, time), arrival(), &Calibrations::default());
                }
            }
        }
    }
}
