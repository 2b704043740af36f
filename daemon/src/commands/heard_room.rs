//! The room as its thermometer told it in the last week, from the data folder.

use std::path::PathBuf;

use fobwatch_core::{
    batch::Batch,
    reading::{Measured, Quantity, Source},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::Ended;
use crate::{
    config::Config,
    page::local,
    planning::Room,
    store::{Store, StoreError},
    watch::data_folder,
};

/// How far back is looked, from the newest value on.
const WEEK: SignedDuration = SignedDuration::from_hours(7 * 24);

/// The room of the batch: the days' means from the coolest to the warmest, and the highest value; and the sentence that says so.
///
/// # Errors
/// No data folder, or no thermometer of a room in it, or several and the batch file does not say which.
pub(super) fn last_week(
    batch: &Batch,
    data: Option<PathBuf>,
    config: &Config,
) -> Result<(Room, String), Ended> {
    let data = data_folder(data, config).map_err(|none| Ended::Refused(none.to_string()))?;
    if !Store::is_in(&data) {
        return Err(Ended::Failed(format!(
            "nothing was ever kept in {}; name the folder of `watch` with --data, or tell the room with --room",
            data.display()
        )));
    }
    let wanted = batch.sensors.get(&Quantity::RoomTemperature);
    let read = Store::read_folder(&data, |reader| {
        let thermometers: Vec<Source> = reader
            .series()?
            .into_iter()
            .filter(|series| series.quantity == Quantity::RoomTemperature)
            .map(|series| series.source)
            .collect();
        let chosen = match wanted {
            Some(wanted) => thermometers.iter().find(|source| *source == wanted),
            None if thermometers.len() == 1 => thermometers.first(),
            None => None,
        };
        let Some(chosen) = chosen.cloned() else {
            return Ok(Err(thermometers));
        };
        let last = reader
            .series()?
            .into_iter()
            .find(|series| series.source == chosen && series.quantity == Quantity::RoomTemperature)
            .map_or(Timestamp::MIN, |series| series.last_at);
        let from = last.saturating_sub(WEEK).unwrap_or(Timestamp::MIN);
        let until = last.saturating_add(SignedDuration::from_secs(1)).unwrap_or(last);
        let rows = reader.readings(&chosen, Quantity::RoomTemperature, from, until)?;
        Ok(Ok((chosen, rows, last)))
    });
    let failed = |error: StoreError| Ended::Failed(error.to_string());
    let (source, rows, last) = match read.map_err(failed)? {
        Ok(found) => found,
        Err(thermometers) => {
            let names: Vec<String> = thermometers.iter().map(|source| format!("`{source}`")).collect();
            let there = if names.is_empty() {
                "no thermometer of a room was ever heard".to_owned()
            } else {
                format!("there are {}", names.join(", "))
            };
            return Err(Ended::Failed(format!(
                "which room is meant cannot be told: {there} in {}; name it under [sensors] as room_temperature in the batch file, or tell \
                 the room with --room",
                data.display()
            )));
        }
    };
    let points: Vec<(Timestamp, f64)> = rows
        .iter()
        .filter_map(|reading| match reading.measured {
            Measured::RoomTemperature(celsius) => Some((reading.at, celsius.celsius())),
            _ => None,
        })
        .collect();
    let Some(room) = room_of(&points, &config.display.zone) else {
        return Err(Ended::Failed(format!(
            "`{source}` has told no room temperature yet; tell the room with --room"
        )));
    };
    let peak = points
        .iter()
        .map(|(_, celsius)| *celsius)
        .fold(f64::MIN, f64::max);
    let said = format!(
        "Reckoned for the room as {source} told it in the week up to {}: days of {} on average, {peak:.1} degC at the most.",
        local(last, &config.display.zone),
        room.words(),
    );
    Ok((room, said))
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
