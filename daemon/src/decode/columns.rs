//! Readings as columns: Parquet files, for analysis.
//!
//! The columns are those of the CSV. Times are written as microseconds since 1970 in UTC, values in the stored unit; other
//! programs may have written milli- or nanoseconds, and further columns, which are ignored.

use std::{fs::File, io::Write, panic, sync::Arc};

use fobwatch_core::{plain, reading::Reading};
use jiff::Timestamp;
use parquet::{
    basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Stored},
    data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type},
    errors::ParquetError,
    file::{
        properties::WriterProperties,
        reader::{FileReader, SerializedFileReader},
        writer::{SerializedFileWriter, SerializedRowGroupWriter},
    },
    record::{Field, Row, reader::RowIter},
    schema::{parser::parse_message_type, types::Type},
};

use super::{BadRow, Calibrations, Place, Wrong, csv::COLUMNS, value, value::refused};

const SCHEMA: &str = "message readings {
    REQUIRED INT64 time (TIMESTAMP(MICROS, true));
    REQUIRED BYTE_ARRAY source (STRING);
    REQUIRED BYTE_ARRAY quantity (STRING);
    REQUIRED DOUBLE value;
    REQUIRED BYTE_ARRAY unit (STRING);
}";

/// Rows of a group: what is held in memory, and what a reader may skip at once.
const GROUP: usize = 100_000;

/// Times count up by nearly the same steps: their differences take a few bits each.
const TIME: &str = "time";

/// A file under way. Nothing of it can be read before [`Columns::end`].
pub struct Columns<W: Write + Send> {
    file: SerializedFileWriter<W>,
    times: Vec<i64>,
    sources: Vec<ByteArray>,
    quantities: Vec<ByteArray>,
    values: Vec<f64>,
    units: Vec<ByteArray>,
}

impl<W: Write + Send> Columns<W> {
    /// Begins a file.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn new(out: W) -> Result<Self, ParquetError> {
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_column_dictionary_enabled(TIME.into(), false)
            .set_column_encoding(TIME.into(), Encoding::DELTA_BINARY_PACKED)
            .build();
        let schema = parse_message_type(SCHEMA)?;
        Ok(Self {
            file: SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))?,
            times: Vec::new(),
            sources: Vec::new(),
            quantities: Vec::new(),
            values: Vec::new(),
            units: Vec::new(),
        })
    }

    /// Takes a reading, which is written with its group.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn take(&mut self, reading: &Reading) -> Result<(), ParquetError> {
        let quantity = reading.measured.quantity();
        self.times.push(reading.at.as_microsecond());
        self.sources.push(reading.source.as_str().into());
        self.quantities.push(quantity.name().into());
        self.values.push(reading.measured.stored_value());
        self.units
            .push(quantity.stored_unit().to_string().as_str().into());
        if self.times.len() >= GROUP {
            self.group()?;
        }
        Ok(())
    }

    /// Writes what is left, and the table of contents without which the file is none.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn end(mut self) -> Result<(), ParquetError> {
        if !self.times.is_empty() {
            self.group()?;
        }
        self.file.close().map(|_facts| ())
    }

    fn group(&mut self) -> Result<(), ParquetError> {
        let mut group = self.file.next_row_group()?;
        column::<Int64Type, W>(&mut group, &mut self.times)?;
        column::<ByteArrayType, W>(&mut group, &mut self.sources)?;
        column::<ByteArrayType, W>(&mut group, &mut self.quantities)?;
        column::<DoubleType, W>(&mut group, &mut self.values)?;
        column::<ByteArrayType, W>(&mut group, &mut self.units)?;
        group.close().map(|_facts| ())
    }
}

fn column<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &mut Vec<T::T>,
) -> Result<(), ParquetError> {
    let Some(mut column) = group.next_column()? else {
        return Err(ParquetError::General(
            "fewer columns than readings have".to_owned(),
        ));
    };
    column.typed::<T>().write_batch(values, None, None)?;
    values.clear();
    column.close()
}

/// Readings of a file in its order; a bad row is an error with its number, and the next one is read all the same. Where the file
/// itself is damaged the last item says so, and how many rows were not read.
pub struct Rows<'c> {
    /// `None` once nothing more can be read.
    rows: Option<RowIter<'static>>,
    number: u64,
    all: u64,
    times: Times,
    calibrations: &'c Calibrations,
}

/// What the numbers of the column `time` count.
#[derive(Clone, Copy, Debug)]
enum Times {
    Milli,
    Micro,
    Nano,
}

/// Begins to read.
///
/// # Errors
/// It is no Parquet file, or lacks a column of ours in a form that can be read: nothing of it would mean anything.
pub fn rows(input: File, calibrations: &Calibrations) -> Result<Rows<'_>, BadRow> {
    let bad = |wrong| BadRow {
        place: Place::Message,
        wrong,
    };
    // The library gives up by a panic on some damages.
    let begun = panic::catch_unwind(move || {
        let file = SerializedFileReader::new(input).map_err(|error| {
            Wrong::Columns(format!("is no Parquet file that can be read: {}", told(&error)))
        })?;
        let facts = file.metadata().file_metadata();
        let (projection, times) = ours(facts.schema())?;
        let columns = file
            .metadata()
            .row_groups()
            .iter()
            .flat_map(|group| group.columns());
        let readable = |kind: Compression| matches!(kind, Compression::UNCOMPRESSED | Compression::SNAPPY);
        if let Some(column) = columns.into_iter().find(|column| !readable(column.compression())) {
            return Err(Wrong::Columns(format!(
                "is compressed as {}; allowed: not at all, or as SNAPPY",
                column.compression()
            )));
        }
        let all = facts.num_rows();
        let rows = RowIter::from_file_into(Box::new(file))
            .project(Some(projection))
            .map_err(|error| Wrong::Columns(told(&error)))?;
        Ok((rows, u64::try_from(all).unwrap_or(0), times))
    });
    let begun = begun.unwrap_or_else(|_panic| Err(Wrong::Columns("is a damaged Parquet file".to_owned())));
    let (rows, all, times) = begun.map_err(bad)?;
    Ok(Rows {
        rows: Some(rows),
        number: 0,
        all,
        times,
        calibrations,
    })
}

/// What the library says; names and texts of the file stand in it.
fn told(error: &ParquetError) -> String {
    plain::line(&error.to_string(), 300)
}

/// Our columns of a file's schema.
fn ours(schema: &Type) -> Result<(Type, Times), Wrong> {
    let mut fields = Vec::new();
    let mut times = Times::Micro;
    let mut missing = Vec::new();
    for name in COLUMNS {
        let mut found = schema.get_fields().iter().filter(|field| field.name() == name);
        let (Some(field), twice) = (found.next(), found.next()) else {
            missing.push(format!("`{name}`"));
            continue;
        };
        if twice.is_some() {
            return Err(Wrong::TwiceInHeader {
                name: name.to_owned(),
            });
        }
        let simple = field.is_primitive() && field.get_basic_info().repetition() != Repetition::REPEATED;
        let stored = simple.then(|| field.get_physical_type());
        let logical = field.get_basic_info().logical_type_ref();
        let fits = match name {
            TIME => match logical {
                Some(LogicalType::Timestamp(kind)) if kind.is_adjusted_to_u_t_c => {
                    times = match kind.unit {
                        TimeUnit::MILLIS => Times::Milli,
                        TimeUnit::MICROS => Times::Micro,
                        TimeUnit::NANOS => Times::Nano,
                    };
                    stored == Some(Stored::INT64)
                }
                _ => false,
            },
            "value" => logical.is_none() && matches!(stored, Some(Stored::DOUBLE | Stored::FLOAT)),
            _ => stored == Some(Stored::BYTE_ARRAY) && matches!(logical, Some(LogicalType::String)),
        };
        if !fits {
            let allowed = match name {
                TIME => "timestamps in UTC (64 bit, with a zone: one without it may be of any place)",
                "value" => "floating-point numbers",
                _ => "texts",
            };
            return Err(Wrong::Columns(format!(
                "its column `{name}` is of another kind; allowed: {allowed}"
            )));
        }
        fields.push(Arc::clone(field));
    }
    if !missing.is_empty() {
        return Err(Wrong::Columns(format!(
            "lacks the columns {}; allowed: a file with {}",
            missing.join(", "),
            COLUMNS.join(", ")
        )));
    }
    // As the file has them: the columns of a row come in this order.
    let projection = Type::group_type_builder(schema.name())
        .with_fields(fields)
        .build();
    projection
        .map(|projection| (projection, times))
        .map_err(|error| Wrong::Columns(told(&error)))
}

impl Iterator for Rows<'_> {
    type Item = Result<Reading, BadRow>;

    fn next(&mut self) -> Option<Self::Item> {
        let rows = self.rows.as_mut()?;
        let next = panic::catch_unwind(panic::AssertUnwindSafe(|| rows.next()));
        let damage = match next {
            Ok(Some(Ok(row))) => {
                self.number += 1;
                return Some(self.row(&row).map_err(|wrong| BadRow {
                    place: Place::Row(self.number),
                    wrong,
                }));
            }
            Ok(Some(Err(error))) => told(&error),
            Ok(None) => "it ends early".to_owned(),
            Err(_panic) => "what follows makes no sense".to_owned(),
        };
        self.rows = None;
        let unread = self.all.saturating_sub(self.number);
        (unread > 0).then(|| {
            Err(BadRow {
                place: Place::Row(self.number + 1),
                wrong: Wrong::Columns(format!(
                    "the file is damaged ({damage}); {unread} rows were not read"
                )),
            })
        })
    }
}

impl Rows<'_> {
    fn row(&self, row: &Row) -> Result<Reading, Wrong> {
        let field = |index: usize| {
            row.get_column_iter()
                .nth(index)
                .map_or(&Field::Null, |(_, field)| field)
        };
        let text = |index: usize, name: &str| match field(index) {
            Field::Str(text) => Ok(text.as_str()),
            other => Err(refused(name, &given(other), "a text")),
        };
        let at = self.time(field(0))?;
        let number = match field(3) {
            Field::Double(number) => *number,
            Field::Float(number) => f64::from(*number),
            other => return Err(refused("value", &given(other), "a finite number")),
        };
        if !number.is_finite() {
            return Err(refused("value", &number.to_string(), "a finite number"));
        }
        value::reading(
            at,
            text(1, "source")?,
            text(2, "quantity")?,
            number,
            text(4, "unit")?,
            self.calibrations,
        )
    }

    fn time(&self, field: &Field) -> Result<Timestamp, Wrong> {
        let wrong = || refused(TIME, &given(field), "a time within the years -9999 to 9999");
        let (Field::Long(count) | Field::TimestampMillis(count) | Field::TimestampMicros(count)) = field
        else {
            return Err(wrong());
        };
        let at = match self.times {
            Times::Milli => Timestamp::from_millisecond(*count),
            Times::Micro => Timestamp::from_microsecond(*count),
            Times::Nano => Timestamp::from_nanosecond(i128::from(*count)),
        };
        at.map(value::whole_microseconds).map_err(|_outside| wrong())
    }
}

fn given(field: &Field) -> String {
    match field {
        Field::Null => String::new(),
        // Its own words would turn a number back into a date, and fail on one that is none.
        Field::Long(number) | Field::TimestampMillis(number) | Field::TimestampMicros(number) => {
            number.to_string()
        }
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use std::{fs, io::Seek};

    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Quantity, Source},
    };

    use super::*;

    fn readings(count: i64) -> Vec<Reading> {
        let source = |name: &str| Source::new(name).unwrap();
        (0..count)
            .map(|index| {
                let (source, quantity, value, unit) = if index % 2 == 0 {
                    (
                        source("pilot"),
                        Quantity::Pressure,
                        0.1 + 0.01 * f64::from(u8::try_from(index % 200).unwrap()),
                        Unit::Bar,
                    )
                } else {
                    (
                        source("the \"cellar\", left"),
                        Quantity::RoomTemperature,
                        20.3,
                        Unit::Celsius,
                    )
                };
                Reading {
                    at: Timestamp::from_microsecond(1_772_434_800_000_001 + index * 5_000_000).unwrap(),
                    source,
                    measured: Measured::new(quantity, value, unit).unwrap(),
                }
            })
            .collect()
    }

    fn written(readings: &[Reading]) -> tempfile::NamedTempFile {
        let file = tempfile::NamedTempFile::new().unwrap();
        let mut columns = Columns::new(file.reopen().unwrap()).unwrap();
        for reading in readings {
            columns.take(reading).unwrap();
        }
        columns.end().unwrap();
        file
    }

    fn read(file: File) -> (Vec<Reading>, Vec<String>) {
        let none = Calibrations::default();
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        match rows(file, &none) {
            Ok(rows) => {
                for row in rows {
                    match row {
                        Ok(reading) => good.push(reading),
                        Err(wrong) => bad.push(wrong.to_string()),
                    }
                }
            }
            Err(wrong) => bad.push(wrong.to_string()),
        }
        (good, bad)
    }

    #[test]
    fn columns_read_back_bit_for_bit_over_groups_and_in_their_order() {
        for count in [0, 1, 3, 100_001] {
            let readings = readings(count);
            let (good, bad) = read(written(&readings).reopen().unwrap());
            assert!(bad.is_empty(), "{bad:?}");
            assert!(good == readings, "{count}");
        }
    }

    /// A file as another program writes it: the order and kinds of columns are its own, and a row may lack something.
    #[test]
    fn files_of_other_programs_are_read_and_their_bad_rows_told() {
        let schema = "message schema {
            OPTIONAL DOUBLE value;
            OPTIONAL BYTE_ARRAY unit (STRING);
            OPTIONAL INT64 time (TIMESTAMP(NANOS, true));
            OPTIONAL BYTE_ARRAY source (STRING);
            OPTIONAL BYTE_ARRAY quantity (STRING);
            OPTIONAL BYTE_ARRAY remark (STRING);
        }";
        let mut file = tempfile::tempfile().unwrap();
        let out = file.try_clone().unwrap();
        let schema = Arc::new(parse_message_type(schema).unwrap());
        let mut writer = SerializedFileWriter::new(out, schema, Arc::default()).unwrap();
        let mut group = writer.next_row_group().unwrap();
        // Three rows; the second has no value, the third another unit than its quantity may have.
        let mut column = group.next_column().unwrap().unwrap();
        let values = [1.5, 21.0];
        column
            .typed::<DoubleType>()
            .write_batch(&values, Some(&[1, 0, 1]), None)
            .unwrap();
        column.close().unwrap();
        let texts = |words: [&str; 3]| words.map(ByteArray::from);
        for index in 1..6 {
            let mut column = group.next_column().unwrap().unwrap();
            let all = Some(&[1, 1, 1][..]);
            match index {
                2 => {
                    let times = [
                        1_772_434_800_000_000_999,
                        1_772_434_805_000_000_000,
                        1_772_434_810_000_000_000,
                    ];
                    column
                        .typed::<Int64Type>()
                        .write_batch(&times, all, None)
                        .unwrap();
                }
                other => {
                    let words = match other {
                        1 => texts(["bar", "bar", "bar"]),
                        3 => texts(["pilot", "pilot", "kitchen"]),
                        4 => texts(["pressure", "pressure", "room_temperature"]),
                        _ => texts(["a", "b", "c"]),
                    };
                    column
                        .typed::<ByteArrayType>()
                        .write_batch(&words, all, None)
                        .unwrap();
                }
            }
            column.close().unwrap();
        }
        group.close().unwrap();
        writer.close().unwrap();
        file.rewind().unwrap();
        let (good, bad) = read(file);
        assert_eq!(good.len(), 1);
        assert_eq!(good[0].at.to_string(), "2026-03-02T07:00:00Z");
        assert!((good[0].measured.stored_value() - 150_000.0).abs() < 1e-6);
        assert_eq!(bad.len(), 2, "{bad:?}");
        assert!(
            bad[0].contains("row 2: value is empty; allowed: a finite number"),
            "{bad:?}"
        );
        assert!(bad[1].starts_with("row 3: "), "{bad:?}");
    }

    #[test]
    fn what_is_no_file_of_readings_says_what_it_lacks() {
        let schema = |columns: &str| {
            let mut file = tempfile::tempfile().unwrap();
            let schema = Arc::new(parse_message_type(&format!("message m {{ {columns} }}")).unwrap());
            let writer =
                SerializedFileWriter::new(file.try_clone().unwrap(), schema, Arc::default()).unwrap();
            writer.close().unwrap();
            file.rewind().unwrap();
            read(file).1.join("")
        };
        let told = schema("REQUIRED DOUBLE value; REQUIRED BYTE_ARRAY unit (STRING);");
        assert!(
            told.contains("lacks the columns `time`, `source`, `quantity`"),
            "{told}"
        );
        let told = schema("REQUIRED INT64 time (TIMESTAMP(MICROS, false));");
        assert!(
            told.contains("its column `time` is of another kind; allowed: timestamps in UTC"),
            "{told}"
        );
        let mut text = tempfile::tempfile().unwrap();
        text.write_all(b"time,source,quantity,value,unit\n").unwrap();
        let told = read(text).1.join("");
        assert!(told.contains("is no Parquet file"), "{told}");
    }

    #[test]
    fn a_damaged_file_tells_and_never_ends_the_program() {
        let readings = readings(40);
        let bytes = fs::read(written(&readings).path()).unwrap();
        let mut told = 0;
        let places: Vec<usize> = (0..bytes.len()).step_by(3).collect();
        for place in &places {
            let mut damaged = bytes.clone();
            damaged[*place] ^= 0xff;
            let file = tempfile::NamedTempFile::new().unwrap();
            fs::write(file.path(), &damaged).unwrap();
            let (good, bad) = read(file.reopen().unwrap());
            assert!(
                good.len() <= readings.len(),
                "byte {place}: {} readings",
                good.len()
            );
            told += usize::from(!bad.is_empty());
        }
        assert!(told > places.len() / 2, "{told} of {}", places.len());
        let half = tempfile::NamedTempFile::new().unwrap();
        fs::write(half.path(), &bytes[..bytes.len() / 2]).unwrap();
        assert!(
            read(half.reopen().unwrap())
                .1
                .join("")
                .contains("is no Parquet file")
        );
    }
}
