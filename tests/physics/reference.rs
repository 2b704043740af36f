//! Reads the check files of `tests/reference`.

use std::{collections::BTreeMap, fs, path::Path};

use fobwatch_core::quantity::{PartialPressure, Temperature};

/// One row of a check file, by column name.
pub(crate) type Row = BTreeMap<String, f64>;

/// All rows of a check file; lines with `#` say its source and version.
pub(crate) fn rows(file: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference").join(file);
    let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    assert!(text.starts_with("# "), "{file} names no source");
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let columns: Vec<String> = lines
        .next()
        .expect("a line of column names")
        .split(',')
        .map(str::to_owned)
        .collect();
    let rows: Vec<Row> = lines
        .map(|line| {
            let values = line.split(',').map(|value| value.parse().expect("a number"));
            columns.iter().cloned().zip(values).collect()
        })
        .collect();
    assert!(rows.len() > 5, "{file} has {} rows", rows.len());
    rows
}

pub(crate) fn celsius(value: f64) -> Temperature {
    Temperature::from_celsius(value).expect("a temperature")
}

pub(crate) fn partial_bar(value: f64) -> PartialPressure {
    PartialPressure::from_bar(value).expect("a pressure")
}

/// Fails unless `got` lies within `relative` of `wanted`.
#[track_caller]
pub(crate) fn near(what: &str, got: f64, wanted: f64, relative: f64) {
    assert!(
        (got / wanted - 1.0).abs() <= relative,
        "{what}: got {got}, wanted {wanted} within {} %",
        100.0 * relative
    );
}

/// Fails unless `got` lies in `low..=high`.
#[track_caller]
pub(crate) fn between(what: &str, got: f64, low: f64, high: f64) {
    assert!(
        (low..=high).contains(&got),
        "{what}: got {got}, wanted {low} to {high}"
    );
}
