//! What we wrote ourselves beside the readings, and a person or a failing disk may have changed.

use std::sync::LazyLock;

use fobwatch_core::{
    alert::AlertRecord,
    engine::{ClockSource, Event, Fitted, Monitor, drive},
    forecast::{Forecast, ForecastRecord},
    note::Note,
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::SignedDuration;
use serde::{Serialize, de::DeserializeOwned};

use super::{CONFIG, PLUM, people::problems, told};
use crate::{
    config::{PasswordHash, zero},
    gate::link as kept_links,
    store::packed_again,
};

/// Zeros of gauges: none would hide a pressure, and they read back the same.
pub fn zeros(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let zeros = match zero::read(text, "zeros.toml") {
        Ok(zeros) => zeros,
        Err(bad) => return problems(&bad, text),
    };
    for zero in &zeros {
        assert!(
            zero.reads.bar().abs() <= zero::FURTHEST_BAR * (1.0 + 1e-12),
            "{zero:?}"
        );
    }
    let text = zero::lines(&zeros);
    assert_eq!(zero::read(&text, "zeros.toml").ok(), Some(zeros), "{text}");
}

/// Secret addresses: they read back the same, and another one gets a number of its own.
pub fn links(bytes: &[u8]) {
    match kept_links::read(bytes) {
        Ok(links) => {
            let text = serde_json::to_vec(&links).expect("links can be written");
            let again = kept_links::read(&text).expect("our own links are some");
            assert_eq!(serde_json::to_vec(&again).ok(), Some(text));
            let number = kept_links::unused(&links);
            assert!(links.iter().all(|link| link.number != number));
        }
        Err(why) => told(&why),
    }
}

/// The line of a password: what it is instead is told without showing any of it.
pub fn password(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match PasswordHash::read(text) {
        Ok(hash) => {
            assert_eq!(hash.line(), text.trim());
            assert!(!format!("{hash:?}").contains('$'));
        }
        Err(why) => {
            told(&why);
            let line = text.trim();
            assert!(
                line.len() < 12 || !line.contains('$') || !why.contains(line),
                "{why}"
            );
        }
    }
}

/// A monitor's memory after half a day.
static MEMORY: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let mut monitor = Monitor::new(PLUM.clone(), CONFIG.settings(ClockSource::Ticks));
    let source = Source::new("pilot").expect("a name");
    let fit = &mut |request: &fobwatch_core::engine::FitRequest| -> Fitted { request.run() };
    for hour in 0..12_i32 {
        let at = PLUM.bottled_at + SignedDuration::from_hours(hour.into());
        let readings = [
            Measured::new(Quantity::Pressure, 0.1 * f64::from(hour), Unit::Bar),
            Measured::new(Quantity::LiquidTemperature, 21.0, Unit::Celsius),
        ];
        for measured in readings.into_iter().flatten() {
            let source = source.clone();
            let _ = drive(
                &mut monitor,
                Event::Measured(Reading { at, source, measured }),
                fit,
            );
        }
        let _ = drive(&mut monitor, Event::Tick { at }, fit);
    }
    monitor.snapshot()
});

/// A damaged memory of a monitor is refused. Each five bytes are a place and what changes there; one that tells nothing
/// changes nothing, and an odd rest cuts the end off.
pub fn snapshot(bytes: &[u8]) {
    let mut damaged = MEMORY.clone();
    let edits = bytes.chunks_exact(5);
    let cut = edits.remainder().len();
    for edit in edits {
        if let Ok([a, b, c, d, change]) = <[u8; 5]>::try_from(edit) {
            let place = usize::try_from(u32::from_le_bytes([a, b, c, d])).unwrap_or(0) % damaged.len();
            damaged[place] ^= change;
        }
    }
    damaged.truncate(damaged.len() - cut * 40);
    let restored = Monitor::restore(&damaged, PLUM.clone(), CONFIG.settings(ClockSource::Ticks));
    match restored {
        Ok(monitor) => {
            assert!(damaged == *MEMORY, "a damaged memory was believed");
            assert_eq!(monitor.snapshot(), damaged);
        }
        Err(why) => {
            assert!(damaged != *MEMORY, "{why}");
            told(&why);
        }
    }
}

/// A row of the store, of which the first byte tells the kind: what reads, reads back the same.
pub fn rows(bytes: &[u8]) {
    let Some((kind, row)) = bytes.split_first() else {
        return;
    };
    match kind % 3 {
        0 => {
            if let Some(forecast) = row_of::<Forecast>(row) {
                let record = serde_json::to_string(&ForecastRecord::from(&forecast));
                assert!(record.is_ok_and(|record| record.starts_with('{')));
            }
        }
        1 => drop(row_of::<AlertRecord>(row)),
        _ => drop(row_of::<Note>(row)),
    }
}

/// Readings that were packed into a row of the store: what reads is no more than a row may hold, and reads back the same.
pub fn stretches(bytes: &[u8]) {
    if let Err(why) = packed_again(bytes) {
        told(&why);
    }
}

fn row_of<T: Serialize + DeserializeOwned + PartialEq + std::fmt::Debug>(row: &[u8]) -> Option<T> {
    match serde_json::from_slice::<T>(row) {
        Ok(value) => {
            let text = serde_json::to_string(&value).expect("a row can be written");
            let again: T = serde_json::from_str(&text).unwrap_or_else(|why| panic!("{why}: {text}"));
            assert_eq!(again, value, "{text}");
            Some(value)
        }
        Err(why) => {
            assert!(!why.to_string().is_empty());
            None
        }
    }
}
