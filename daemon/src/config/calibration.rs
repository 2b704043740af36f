//! `[[calibration]]`: how a raw value becomes a quantity.

use fobwatch_core::{
    document::Section,
    quantity::{Dimension, Unit},
    reading::{Quantity, Source},
};

use super::channel::{QUANTITY_ALLOWED, SOURCE_ALLOWED};
use crate::decode::{BadCalibration, Calibration, Calibrations, Supply};

const POINTS: &str = "2 to 200 points [raw, value] whose raw values rise, as [[0.5, 0.0], [4.5, 10.0]]";
const RAW: &str = "V, mV, count or deg";
const VOLTS: &str = "0.1 to 60 V";
const COUNTS: &str =
    "1 to 16777216, what the converter counts at the whole supply; with raw = \"count\" only";

pub(super) fn read(section: &mut Section<'_, '_>, all: &mut Calibrations) -> Option<()> {
    for (key, allowed) in [
        ("source", SOURCE_ALLOWED),
        ("quantity", QUANTITY_ALLOWED),
        ("raw", RAW),
        ("unit", "a unit of the quantity"),
        ("points", POINTS),
    ] {
        section.require(key, allowed);
    }
    let source = section.text("source", SOURCE_ALLOWED, |text| Source::new(text).ok());
    let quantity = section.text("quantity", QUANTITY_ALLOWED, |text| text.parse::<Quantity>().ok());
    let raw = section.text("raw", RAW, |text| match text {
        "V" => Some((Dimension::Voltage, 1.0)),
        "mV" => Some((Dimension::Voltage, 1_000.0)),
        "deg" => Some((Dimension::Angle, 1.0)),
        "count" => Some((Dimension::Counts, 1.0)),
        _ => None,
    });
    let unit = section.text("unit", "a unit of the quantity", |text| text.parse::<Unit>().ok());
    let points = section.pairs("points", POINTS);
    let volts = |v: f64| (0.1..=60.0).contains(&v);
    let supply = section.number("supply_v", VOLTS, volts);
    let nominal = section.number("nominal_supply_v", VOLTS, volts);
    for (given, missing) in [("supply_v", "nominal_supply_v"), ("nominal_supply_v", "supply_v")] {
        if section.has(given) {
            section.require(
                missing,
                "0.1 to 60 V: `supply_v` and `nominal_supply_v` stand together or not at all",
            );
        }
    }
    let full = section.number("full_count", COUNTS, |count| {
        (1.0..=16_777_216.0).contains(&count)
    });
    if full.is_some() && raw.is_some_and(|(raw, _)| raw != Dimension::Counts) {
        section.refuse_entry("full_count", COUNTS);
        return None;
    }
    let supply = match (supply, nominal, full) {
        // A converter that measures against the supply counts the same at any.
        (None, None, Some(full)) => Some(Supply {
            whole: full,
            nominal: full,
        }),
        (Some(whole), Some(nominal), _) => Some(Supply { whole, nominal }),
        _ => None,
    };
    let (source, quantity, (raw, per_volt), unit, points) = (source?, quantity?, raw?, unit?, points?);
    let points = points.into_iter().map(|(x, y)| (x / per_volt, y)).collect();
    match Calibration::new(quantity, raw, unit, points, supply) {
        Ok(calibration) => {
            if !all.insert(source, calibration) {
                section.refuse_entry("quantity", "one calibration for a source and quantity");
            }
            Some(())
        }
        Err(bad) => {
            let key = match bad {
                BadCalibration::Unit => "unit",
                BadCalibration::Supply => "supply_v",
                BadCalibration::Count
                | BadCalibration::NotFinite
                | BadCalibration::NotRising
                | BadCalibration::Impossible => "points",
            };
            section.refuse_entry(key, &bad.to_string());
            None
        }
    }
}
