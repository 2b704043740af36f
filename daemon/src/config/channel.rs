//! What a number of an existing sensor stands for: source, quantity, unit.

use fobwatch_core::{
    document::Section,
    quantity::{Dimension, Unit},
    reading::{BadMeasurement, Measured, Quantity, Source},
};

use crate::decode::{Calibrations, TimeForm, mapped::Channel};

pub(super) const SOURCE_ALLOWED: &str = "1 to 80 characters, no control characters, no slash";
pub(super) const QUANTITY_ALLOWED: &str =
    "pressure, absolute_pressure, ambient_pressure, liquid_temperature, room_temperature or gravity";
const UNIT_ALLOWED: &str =
    "bar, mbar, hPa, kPa, Pa, psi; degC, degF, K; SG, degP; V, mV, count or deg with a [[calibration]]";

/// Reads `source`, `quantity` and `unit` of a table.
pub(super) fn read(section: &mut Section<'_, '_>, calibrations: &Calibrations) -> Option<Channel> {
    let (source, quantity, unit) = read_part(section, false, calibrations)?;
    Some(Channel {
        source: source?,
        quantity,
        unit,
    })
}

/// The same of a table whose topic may name the source: `None` for it then.
pub(super) fn read_part(
    section: &mut Section<'_, '_>,
    topic_names_source: bool,
    calibrations: &Calibrations,
) -> Option<(Option<Source>, Quantity, Unit)> {
    let source = self::source(section, topic_names_source);
    let known = source.as_ref().and_then(Option::as_ref);
    let (quantity, unit) = quantity_and_unit(section, known, calibrations)?;
    Some((source?, quantity, unit))
}

/// Reads `source`, which the topic names where it can; the outer `None`: it is wrong or missing.
pub(super) fn source(section: &mut Section<'_, '_>, topic_names_it: bool) -> Option<Option<Source>> {
    if topic_names_it {
        section.refuse_entry("source", "not with {source} in `topic`, which names it");
        return Some(None);
    }
    section.require("source", SOURCE_ALLOWED);
    section
        .text("source", SOURCE_ALLOWED, |text| Source::new(text).ok())
        .map(Some)
}

/// Reads `quantity` and `unit`. A raw unit needs a calibration; of a source that only the topic names it shows when it comes.
pub(super) fn quantity_and_unit(
    section: &mut Section<'_, '_>,
    source: Option<&Source>,
    calibrations: &Calibrations,
) -> Option<(Quantity, Unit)> {
    section.require("quantity", QUANTITY_ALLOWED);
    section.require("unit", UNIT_ALLOWED);
    let quantity = section.text("quantity", QUANTITY_ALLOWED, |text| match text {
        // A float tells its inclination; what it stands for is the gravity.
        "inclination" => Some(Quantity::Gravity),
        name => name.parse().ok(),
    });
    let unit = section.text("unit", UNIT_ALLOWED, |text| text.parse::<Unit>().ok());
    let (quantity, unit) = (quantity?, unit?);
    if matches!(
        unit.dimension(),
        Dimension::Voltage | Dimension::Angle | Dimension::Counts
    ) {
        if let Some(source) = source
            && !calibrations.has(source, quantity, unit.dimension())
        {
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
    Some((quantity, unit))
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
