use std::{
    fs::{self, File},
    io::{Seek, Write},
    sync::Arc,
};

use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use parquet::{
    basic::Encoding,
    data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type},
    file::{properties::WriterProperties, writer::SerializedFileWriter},
    schema::parser::parse_message_type,
};

use super::{super::Calibrations, *};

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
        let writer = SerializedFileWriter::new(file.try_clone().unwrap(), schema, Arc::default()).unwrap();
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

fn file_of(bytes: &[u8]) -> File {
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(bytes).unwrap();
    file.rewind().unwrap();
    file
}

/// A file of one sound row of texts, whose columns are stored as `encoding`.
fn texts_stored_as(encoding: Encoding) -> File {
    let out = tempfile::tempfile().unwrap();
    let schema = Arc::new(parse_message_type(write::SCHEMA).unwrap());
    let properties = WriterProperties::builder().set_dictionary_enabled(false);
    let properties = Arc::new(properties.set_column_encoding("source".into(), encoding).build());
    let mut writer = SerializedFileWriter::new(out.try_clone().unwrap(), schema, properties).unwrap();
    let mut group = writer.next_row_group().unwrap();
    for index in 0..5 {
        let mut column = group.next_column().unwrap().unwrap();
        let text = |text: &str| [ByteArray::from(text)];
        match index {
            0 => column
                .typed::<Int64Type>()
                .write_batch(&[1_772_434_800_000_000], None, None),
            1 => column
                .typed::<ByteArrayType>()
                .write_batch(&text("pilot"), None, None),
            2 => column
                .typed::<ByteArrayType>()
                .write_batch(&text("pressure"), None, None),
            3 => column.typed::<DoubleType>().write_batch(&[1.5], None, None),
            _ => column
                .typed::<ByteArrayType>()
                .write_batch(&text("bar"), None, None),
        }
        .unwrap();
        column.close().unwrap();
    }
    group.close().unwrap();
    writer.close().unwrap();
    file_of_start(out)
}

fn file_of_start(mut file: File) -> File {
    file.rewind().unwrap();
    file
}

#[test]
fn texts_whose_number_no_head_tells_are_refused_and_plain_ones_read() {
    let (good, bad) = read(texts_stored_as(Encoding::PLAIN));
    assert_eq!((good.len(), bad), (1, vec![]));
    for encoding in [Encoding::DELTA_BYTE_ARRAY, Encoding::DELTA_LENGTH_BYTE_ARRAY] {
        let (good, bad) = read(texts_stored_as(encoding));
        assert!(good.is_empty());
        assert!(
            bad[0].contains(
                "its column `source` is stored as differences of texts; allowed: plain, or by a dictionary"
            ),
            "{bad:?}"
        );
    }
}

/// Found by the fuzzer: 986 bytes, for which the library made room for 0.7 GB.
#[test]
fn what_a_damaged_file_claims_is_refused_before_room_is_made_for_it() {
    let bytes = include_bytes!("../../../../tests/fuzz/examples/columns/claims.parquet");
    let (good, bad) = read(file_of(bytes));
    assert!(good.is_empty());
    assert_eq!(
        bad,
        ["message: its column `unit` has pages whose heads make no sense"]
    );
}
