//! Readings as CSV: `time,source,quantity,value,unit`, columns by name.

use std::{borrow::Cow, io::Read};

use fobwatch_core::reading::Reading;

use super::{BadRow, Calibrations, Place, Wrong, line::Lines, shown, value};

/// The columns that must be there.
pub const COLUMNS: [&str; 5] = ["time", "source", "quantity", "value", "unit"];

/// Readings of a file in its order; a bad row is an error with its line, and the next one is read all the same.
///
/// A row ends with its line, so that one stray quote costs one row and not the rest of the file.
#[derive(Debug)]
pub struct Rows<'c, R> {
    lines: Lines<R>,
    line: Vec<u8>,
    header: Header,
    calibrations: &'c Calibrations,
}

/// Where our columns stand, and how many there are.
#[derive(Debug)]
struct Header {
    columns: [usize; 5],
    width: usize,
}

/// Begins to read: takes the header. Columns beside ours are ignored.
///
/// # Errors
/// There is no header with all our columns; without it no row means anything.
pub fn rows<R: Read>(input: R, calibrations: &Calibrations) -> Result<Rows<'_, R>, BadRow> {
    let mut lines = Lines::new(input);
    let mut line = Vec::new();
    let at_header = |wrong| BadRow {
        place: Place::Line(1),
        wrong,
    };
    match lines.next_into(&mut line) {
        Some(Ok(_)) => {}
        Some(Err(bad)) => return Err(bad),
        None => line.clear(),
    }
    let names = split(&line).map_err(at_header)?;
    let names: Vec<String> = names.iter().map(|name| name.trim().to_owned()).collect();
    let mut columns = [0; 5];
    let mut missing = Vec::new();
    for (column, wanted) in columns.iter_mut().zip(COLUMNS) {
        let mut places = (0..names.len()).filter(|index| names[*index] == wanted);
        match (places.next(), places.next()) {
            (Some(place), None) => *column = place,
            (None, _) => missing.push(format!("`{wanted}`")),
            (Some(_), Some(_)) => {
                let name = shown(wanted);
                return Err(at_header(Wrong::TwiceInHeader { name }));
            }
        }
    }
    if !missing.is_empty() {
        let missing = missing.join(", ");
        return Err(at_header(Wrong::Header { missing }));
    }
    Ok(Rows {
        lines,
        line,
        header: Header {
            columns,
            width: names.len(),
        },
        calibrations,
    })
}

/// One reading as a row without its line end, in the stored unit, so that it reads back the same.
#[must_use]
pub fn write_row(reading: &Reading) -> String {
    let quantity = reading.measured.quantity();
    format!(
        "{},{},{},{},{}",
        reading.at,
        quoted(reading.source.as_str()),
        quantity,
        reading.measured.stored_value(),
        quantity.stored_unit()
    )
}

fn quoted(text: &str) -> String {
    if text.contains([',', '"']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

impl<R: Read> Iterator for Rows<'_, R> {
    type Item = Result<Reading, BadRow>;

    fn next(&mut self) -> Option<Self::Item> {
        let Self {
            lines,
            line,
            header,
            calibrations,
        } = self;
        lines.next_filled(line, |line| header.row(line, calibrations))
    }
}

impl Header {
    fn row(&self, line: &[u8], calibrations: &Calibrations) -> Result<Reading, Wrong> {
        let fields = split(line)?;
        if fields.len() != self.width {
            return Err(Wrong::Fields {
                found: fields.len(),
                allowed: self.width,
            });
        }
        let [at, source, quantity, number, unit] = self.columns.map(|column| fields[column].trim());
        let at = value::time("time", at)?;
        let number = value::number("value", number)?;
        value::reading(at, source, quantity, number, unit, calibrations)
    }
}

/// The fields of one line after RFC 4180, section 2; a quote inside an unquoted field stands for itself.
fn split(line: &[u8]) -> Result<Vec<Cow<'_, str>>, Wrong> {
    let line = std::str::from_utf8(line).map_err(|_no_text| Wrong::NotText)?;
    let mut fields = Vec::with_capacity(8);
    let mut rest = line;
    loop {
        let field;
        (field, rest) = match rest.strip_prefix('"') {
            Some(quoted) => unquote(quoted)?,
            None => {
                let end = rest.find(',').unwrap_or(rest.len());
                (Cow::Borrowed(&rest[..end]), &rest[end..])
            }
        };
        fields.push(field);
        match rest.strip_prefix(',') {
            Some(next) => rest = next,
            None => return Ok(fields),
        }
    }
}

/// A field behind its opening quote, and what follows its closing one: nothing, or a comma.
fn unquote(text: &str) -> Result<(Cow<'_, str>, &str), Wrong> {
    let mut field = String::new();
    let mut rest = text;
    loop {
        let end = rest.find('"').ok_or(Wrong::OpenQuote)?;
        field.push_str(&rest[..end]);
        rest = &rest[end + 1..];
        match rest.chars().next() {
            Some('"') => {
                field.push('"');
                rest = &rest[1..];
            }
            None | Some(',') => return Ok((Cow::Owned(field), rest)),
            Some(_) => return Err(Wrong::OpenQuote),
        }
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Quantity, Source},
    };
    use jiff::Timestamp;
    use proptest::prelude::*;

    use super::{super::MAX_LINE, *};

    fn read(text: &[u8]) -> (Vec<Reading>, Vec<String>) {
        let none = Calibrations::default();
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        match rows(text, &none) {
            Ok(rows) => {
                for row in rows {
                    match row {
                        Ok(reading) => good.push(reading),
                        Err(error) => bad.push(error.to_string()),
                    }
                }
            }
            Err(error) => bad.push(error.to_string()),
        }
        (good, bad)
    }

    #[test]
    fn the_rows_of_the_interface_are_read() {
        let (good, bad) = read(
            b"time,source,quantity,value,unit\n\
              2026-03-02T07:00:14.000Z,pilot,pressure,0.0122,bar\n\
              2026-03-02T07:00:14.000Z,pilot,liquid_temperature,21.1875,degC\n",
        );
        assert!(bad.is_empty(), "{bad:?}");
        assert_eq!(good[0].source.as_str(), "pilot");
        assert!((good[0].measured.stored_value() - 1_220.0).abs() < 1e-9);
        assert!((good[1].measured.stored_value() - 294.3375).abs() < 1e-9);
        assert_eq!(good[0].at.to_string(), "2026-03-02T07:00:14Z");
    }

    #[test]
    fn columns_are_found_by_name_through_bom_crlf_quoting_and_columns_of_others() {
        let (good, bad) = read(
            b"\xef\xbb\xbfunit,\"value\",battery, quantity ,time,source\r\n\
              psi,\"14.5\",\"3.1, low\",pressure,2026-03-02T08:00:00+01:00,\"the \"\"pilot\"\"\"\r\n\r\n",
        );
        assert!(bad.is_empty(), "{bad:?}");
        assert_eq!(good[0].source.as_str(), "the \"pilot\"");
        assert_eq!(good[0].at.to_string(), "2026-03-02T07:00:00Z");
    }

    #[test]
    fn each_bad_row_is_told_with_its_line_and_the_next_is_read() {
        let (good, bad) = read(
            b"time,source,quantity,value,unit\n\
              2026-03-02T07:00:14,pilot,pressure,0.01,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,NaN,bar\n\
              2026-03-02T07:00:14Z,pilot,presure,0.01,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,0.01,BAR\n\
              2026-03-02T07:00:14Z,pilot,pressure,0.01,degC\n\
              2026-03-02T07:00:14Z,pi/lot,pressure,0.01,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,0,01,bar\n\
              2026-03-02T07:00:14Z,\"pilot,pressure,0.01,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,\xff,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,2.5,V\n\
              2026-03-02T07:00:14Z,pilot,absolute_pressure,-0.01,bar\n\
              2026-03-02T07:00:14Z,pilot,pressure,0.01,bar",
        );
        let expected = [
            "line 2: time is `2026-03-02T07:00:14`; allowed: a time with its offset after RFC 3339",
            "line 3: value is `NaN`; allowed: a finite number",
            "line 4: quantity `presure` is not known; allowed: pressure,",
            "line 5: unit `BAR` is not known; allowed: bar,",
            "line 6: unit degC does not measure pressure; allowed: bar,",
            "line 7: `pi/lot` cannot name a source; allowed:",
            "line 8: has 6 fields; allowed: 5",
            "line 9: a quote is not closed",
            "line 10: is not UTF-8 text",
            "line 11: unit V is of a raw sensor; allowed: with a [[calibration]]",
            "line 12: -0.01 bar is no absolute pressure; allowed: 0 to 101 bar",
        ];
        assert_eq!(bad.len(), expected.len(), "{bad:#?}");
        for (bad, expected) in bad.iter().zip(expected) {
            assert!(bad.starts_with(expected), "{bad}\n{expected}");
        }
        assert_eq!(good.len(), 1);
    }

    #[test]
    fn a_header_that_lacks_columns_names_them() {
        let (_, bad) = read(b"time,source,value\n");
        assert_eq!(bad.len(), 1);
        assert!(
            bad[0].starts_with("line 1: the header lacks `quantity`, `unit`"),
            "{bad:?}"
        );
        let (_, bad) = read(b"");
        assert!(bad[0].contains("lacks `time`, `source`"), "{bad:?}");
        let (_, bad) = read(b"time,source,quantity,value,unit,unit\n");
        assert!(bad[0].contains("names column `unit` twice"), "{bad:?}");
    }

    #[test]
    fn an_endless_line_costs_itself_and_nothing_else() {
        let mut text = b"time,source,quantity,value,unit\n".to_vec();
        text.extend(std::iter::repeat_n(b'x', 3 * MAX_LINE));
        text.extend(b"\n2026-03-02T07:00:14Z,pilot,pressure,0.01,bar\n");
        let (good, bad) = read(&text);
        assert_eq!((good.len(), bad.len()), (1, 1));
        assert!(bad[0].starts_with("line 2: is longer than"), "{bad:?}");
    }

    fn any_reading() -> impl Strategy<Value = Reading> {
        (
            0_usize..6,
            -1.0e5_f64..1.0e5,
            0_i64..4_000_000_000_000_000,
            "[a-z\", ]{1,12}",
        )
            .prop_filter_map("no such reading", |(which, value, micros, source)| {
                let quantity = Quantity::ALL[which];
                let unit: Unit = quantity.stored_unit();
                Some(Reading {
                    at: Timestamp::from_microsecond(micros).ok()?,
                    source: Source::new(&source).ok()?,
                    measured: Measured::new(quantity, value, unit).ok()?,
                })
            })
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = read(&bytes);
            let mut behind_header = b"time,source,quantity,value,unit\n".to_vec();
            behind_header.extend(bytes);
            let _ = read(&behind_header);
        }

        #[test]
        fn what_is_written_reads_back_bit_for_bit(readings in proptest::collection::vec(any_reading(), 0..20)) {
            let mut text = COLUMNS.join(",");
            for reading in &readings {
                text.push_str("\r\n");
                text.push_str(&write_row(reading));
            }
            let (good, bad) = read(text.as_bytes());
            prop_assert!(bad.is_empty(), "{:?}", bad);
            prop_assert_eq!(good, readings);
        }

        /// Against the csv crate as the reference, on lines whose quotes are in order.
        #[test]
        fn fields_are_split_as_the_reference_splits_them(
            fields in proptest::collection::vec("[ -~]{0,8}", 1..6)
        ) {
            let mut writer = ::csv::WriterBuilder::new().terminator(::csv::Terminator::Any(b'\n')).from_writer(vec![]);
            writer.write_record(&fields).unwrap();
            let line = writer.into_inner().unwrap();
            let ours = split(line.strip_suffix(b"\n").unwrap()).unwrap();
            prop_assert_eq!(ours, fields);
        }
    }
}
