//! Files of readings that are handed in. What was taken, written in the same form, is taken again.

use std::io::{Seek, Write};

use super::{CONFIG, refused, taken};
use crate::decode::{self, Calibrations};

/// `time,source,quantity,value,unit`.
pub fn csv(bytes: &[u8]) {
    let rows = match decode::csv::rows(bytes, &CONFIG.calibrations) {
        Ok(rows) => rows,
        Err(bad) => return refused(&bad),
    };
    let readings = taken(rows, bytes.len());
    let mut text = decode::csv::COLUMNS.join(",");
    for reading in &readings {
        text += "\n";
        text += &decode::csv::write_row(reading);
    }
    let none = Calibrations::default();
    let again = decode::csv::rows(text.as_bytes(), &none).expect("our own header is one");
    assert_eq!(taken(again, readings.len()), readings, "{text}");
}

/// One JSON object a line.
pub fn json_lines(bytes: &[u8]) {
    let readings = taken(
        decode::json_lines::lines(bytes, &CONFIG.calibrations),
        bytes.len() + 1,
    );
    let lines: Vec<String> = readings.iter().map(decode::json_lines::write).collect();
    let text = lines.join("\n");
    let none = Calibrations::default();
    let again = taken(decode::json_lines::lines(text.as_bytes(), &none), readings.len());
    assert_eq!(again, readings, "{text}");
}

/// Packs of SenML, one a line or one alone.
pub fn packs(bytes: &[u8]) {
    let readings = taken(decode::packs::read(bytes, &CONFIG.calibrations), bytes.len() + 1);
    for reading in readings {
        if let Ok(pack) = decode::senml::write(&reading) {
            let none = Calibrations::default();
            assert_eq!(
                taken(decode::packs::read(pack.as_bytes(), &none), 1),
                [reading],
                "{pack}"
            );
        }
    }
}

/// A Parquet file. The library gives up by panics on some damages, which our reader catches: here they are no finding.
pub fn columns(bytes: &[u8]) {
    let mut file = tempfile::tempfile().expect("a temporary file");
    file.write_all(bytes)
        .and_then(|()| file.rewind())
        .expect("a temporary file takes bytes");
    match decode::columns::rows(file, &CONFIG.calibrations) {
        // A page that is compressed well holds many rows in few bytes, but never more than this.
        Ok(rows) => drop(taken(rows.take(100_000), 100_000)),
        Err(bad) => refused(&bad),
    }
}
