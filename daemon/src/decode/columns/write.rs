//! Writing: a group of rows at a time, and the table of contents at the end.

use std::{io::Write, sync::Arc};

use fobwatch_core::reading::Reading;
use parquet::{
    basic::{Compression, Encoding},
    data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type},
    errors::ParquetError,
    file::{
        properties::WriterProperties,
        writer::{SerializedFileWriter, SerializedRowGroupWriter},
    },
    schema::parser::parse_message_type,
};

use super::TIME;

pub(super) const SCHEMA: &str = "message readings {
    REQUIRED INT64 time (TIMESTAMP(MICROS, true));
    REQUIRED BYTE_ARRAY source (STRING);
    REQUIRED BYTE_ARRAY quantity (STRING);
    REQUIRED DOUBLE value;
    REQUIRED BYTE_ARRAY unit (STRING);
}";

/// Rows of a group: what is held in memory, and what a reader may skip at once.
const GROUP: usize = 100_000;

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
