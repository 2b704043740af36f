//! What a number of an existing sensor stands for: source, quantity, unit.

use fobwatch_core::{
    document::Section,
    quantity::{Dimension, Unit},
    reading::{BadMeasurement, Measured, Quantity, Source},
};

use crate::decode::{Calibrations, delimited::TimeForm, mapped::Channel};

pub(super) const SOURCE_ALLOWED: &str = "1 to 80 characters, no control characters, no slash";
pub(super) const QUANTITY_ALLOWED: &str =
    "pressure, absolute_pressure, ambient_pressure, liquid_temperature, room_temperature or gravity";
const UNIT_ALLOWED: &str =
    "bar, mbar, hPa, kPa, Pa, psi; degC, degF, K; SG, degP; V, mV or deg with a [[calibration]]";

/// Reads `source`, `quantity` and `unit` of a table.
pub(super) fn read(section: &mut Section<'_, '_>, calibrations: &Calibrations) -> Option<Channel> {
    section.require("source", SOURCE_ALLOWED);
    section.require("quantity", QUANTITY_ALLOWED);
    section.require("unit", UNIT_ALLOWED);
    let source = section.text("source", SOURCE_ALLOWED, |text| Source::new(text).ok());
    let quantity = section.text("quantity", QUANTITY_ALLOWED, |text| match text {
        // A float tells its inclination; what it stands for is the gravity.
        "inclination" => Some(Quantity::Gravity),
        name => name.parse().ok(),
    });
    let unit = section.text("unit", UNIT_ALLOWED, |text| text.parse::<Unit>().ok());
    let (source, quantity, unit) = (source?, quantity?, unit?);
    if matches!(unit.dimension(), Dimension::Voltage | Dimension::Angle) {
        if !calibrations.has(&source, quantity, unit.dimension()) {
            let allowed = format!(
                "a raw unit only with a [[calibration]] for source `{source}`, quantity `{quantity}`"
            );
            section.refuse_entry("unit", &allowed);
            return None;
        }
    } else if let Err(BadMeasurement::WrongUnit { allowed, .. }) = Measured::new(quantity, 1.0, unit) {
        section.refuse_entry("unit", &format!("for {quantity}: {allowed}"));
        return None;
    }
    Some(Channel {
        source,
        quantity,
        unit,
    })
}

/// Reads `time_form` of a table.
pub(super) fn time_form(section: &mut Section<'_, '_>) -> TimeForm {
    let given = section.text("time_form", "rfc3339, unix_s or unix_ms", |text| match text {
        "rfc3339" => Some(TimeForm::Rfc3339),
        "unix_s" => Some(TimeForm::UnixSeconds),
        "unix_ms" => Some(TimeForm::UnixMilliseconds),
        _ => None,
    });
    given.unwrap_or(TimeForm::Rfc3339)
}
