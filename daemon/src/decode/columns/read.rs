//! Reading: what this program wrote, and what others did.

use std::{fs::File, panic, sync::Arc};

use fobwatch_core::{plain, reading::Reading};
use jiff::Timestamp;
use parquet::{
    basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Stored},
    errors::ParquetError,
    file::reader::{FileReader, SerializedFileReader},
    record::{Field, Row, reader::RowIter},
    schema::types::Type,
};

use super::{
    super::{BadRow, Calibrations, Place, Wrong, csv::COLUMNS, value, value::refused},
    TIME, pages,
};

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
        let pages = input.try_clone().map_err(|error| Wrong::Io(error.to_string()))?;
        let file = SerializedFileReader::new(input).map_err(|error| {
            Wrong::Columns(format!("is no Parquet file that can be read: {}", told(&error)))
        })?;
        let facts = file.metadata().file_metadata();
        let (projection, times) = ours(facts.schema())?;
        for column in file
            .metadata()
            .row_groups()
            .iter()
            .flat_map(|group| group.columns())
        {
            let readable = matches!(
                column.compression(),
                Compression::UNCOMPRESSED | Compression::SNAPPY
            );
            if !readable {
                return Err(Wrong::Columns(format!(
                    "is compressed as {}; allowed: not at all, or as SNAPPY",
                    column.compression()
                )));
            }
            // Others are not decoded.
            let Some(name) = COLUMNS
                .iter()
                .find(|name| column.column_path().string() == **name)
            else {
                continue;
            };
            pages::look_at(&pages, column)
                .map_err(|unfit| Wrong::Columns(format!("its column `{name}` {unfit}")))?;
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
