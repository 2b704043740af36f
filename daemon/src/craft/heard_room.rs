//! The room as its thermometer told it in the last week, from the data folder.

use fobwatch_core::{
    batch::Batch,
    reading::{Measured, Quantity},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use crate::{
    planning::Room,
    store::{Reader, Series, StoreError},
    wording::local,
};

/// How far back is looked, from the newest value on.
const WEEK: SignedDuration = SignedDuration::from_hours(7 * 24);

/// The room of the batch: the days' means from the coolest to the warmest, and the highest value; and the sentence that says so. `Err`
/// inside: which room is meant cannot be told, and why.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn last_week(
    reader: &Reader<'_>,
    batch: &Batch,
    zone: &TimeZone,
) -> Result<Result<(Room, String), String>, StoreError> {
    let wanted = batch.sensors.get(&Quantity::RoomTemperature);
    let mut thermometers: Vec<Series> = reader.series()?;
    thermometers.retain(|series| series.quantity == Quantity::RoomTemperature);
    let chosen = match wanted {
        Some(wanted) => thermometers.iter().find(|series| series.source == *wanted),
        None if thermometers.len() == 1 => thermometers.first(),
        None => None,
    };
    let Some(chosen) = chosen else {
        let names: Vec<String> = thermometers
            .iter()
            .map(|series| format!("`{}`", series.source))
            .collect();
        let there = if names.is_empty() {
            "no thermometer of a room was ever heard".to_owned()
        } else {
            format!("there are {}", names.join(", "))
        };
        return Ok(Err(format!(
            "which room is meant cannot be told: {there}; name it under [sensors] as room_temperature in the batch file, or tell the room's \
             temperature"
        )));
    };
    let (source, last) = (&chosen.source, chosen.last_at);
    let from = last.saturating_sub(WEEK).unwrap_or(Timestamp::MIN);
    let until = last.saturating_add(SignedDuration::from_secs(1)).unwrap_or(last);
    let points: Vec<(Timestamp, f64)> = reader
        .readings(source, Quantity::RoomTemperature, from, until)?
        .iter()
        .filter_map(|reading| match reading.measured {
            Measured::RoomTemperature(celsius) => Some((reading.at, celsius.celsius())),
            _ => None,
        })
        .collect();
    let peak = points
        .iter()
        .map(|(_, celsius)| *celsius)
        .fold(f64::MIN, f64::max);
    Ok(room_of(&points, zone)
        .map(|room| {
            let said = format!(
                "Reckoned for the room as {source} told it in the week up to {}: days of {} on average, {peak:.1} degC at the most.",
                local(last, zone),
                room.words(),
            );
            (room, said)
        })
        .ok_or_else(|| format!("`{source}` has told no room temperature lately; tell the room's temperature")))
}

/// From the coolest to the warmest day's mean; `None` without a value.
fn room_of(points: &[(Timestamp, f64)], zone: &TimeZone) -> Option<Room> {
    let day = |at: Timestamp| at.to_zoned_datetime(zone.clone()).date();
    let mut means = Vec::new();
    for of_day in points.chunk_by(|a, b| day(a.0) == day(b.0)) {
        let count = u32::try_from(of_day.len()).ok()?;
        means.push(of_day.iter().map(|(_, celsius)| celsius).sum::<f64>() / f64::from(count));
    }
    let peak = points.iter().map(|(_, celsius)| *celsius).reduce(f64::max)?;
    let low = means.iter().copied().reduce(f64::min)?;
    let high = means.iter().copied().reduce(f64::max)?;
    Some(Room::measured(low, high, peak))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_room_lies_between_its_coolest_and_its_warmest_day() {
        let start: Timestamp = "2026-03-02T00:00:00Z".parse().unwrap();
        let points: Vec<(Timestamp, f64)> = (0..96)
            .map(|hour| {
                let day = f64::from(hour / 24);
                let swing = if hour % 24 == 15 { 3.0 } else { 0.0 };
                (
                    start + SignedDuration::from_hours(i64::from(hour)),
                    19.0 + 0.5 * day + swing,
                )
            })
            .collect();
        let room = room_of(&points, &TimeZone::UTC).unwrap();
        assert_eq!(room.words(), "19.1 to 20.6 degC");
        assert!(room_of(&[], &TimeZone::UTC).is_none());
    }
}
