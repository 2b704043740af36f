//! What the ended batches of the store teach about the culture of a new one.

use fobwatch_core::{
    batch::Batch,
    culture::Lesson,
    engine::{Monitor, Settings, drive_some},
};
use tracing::{info, warn};

use super::{
    Claims,
    gone_over::{go_over, kept},
    house::House,
};
use crate::store::{Reader, StoreError, StoredBatch};

/// The newest that are asked: older ones count for little (a record loses half its weight in 90 days), and each costs a fit.
const MOST: usize = 12;

/// The lessons for `batch`, oldest first. What tells nothing is left out.
///
/// # Errors
/// The store cannot be read.
pub(super) async fn lessons(house: &House, batch: &Batch) -> Result<Vec<Lesson>, StoreError> {
    if batch.culture.is_none() {
        return Ok(Vec::new());
    }
    let (asking, settings) = (batch.clone(), house.settings.clone());
    let found = house
        .store
        .read(move |reader| monitors(reader, &asking, &settings))
        .await?;
    // Long work, and one bad batch of the past must not stop a new one.
    let mut lessons = Vec::new();
    for monitor in found {
        let name = monitor.batch().name.clone();
        match tokio::task::spawn_blocking(move || monitor.lesson()).await {
            Ok(lesson) => lessons.extend(lesson),
            Err(_panicked) => warn!(batch = %batch.name, "{name} teaches nothing: its reckoning failed."),
        }
    }
    if let (Some(culture), 1..) = (&batch.culture, lessons.len()) {
        let plural = if lessons.len() == 1 { "batch" } else { "batches" };
        info!(batch = %batch.name, "{culture} is known from {} ended {plural}.", lessons.len());
    }
    Ok(lessons)
}

/// The same without a daemon, whoever waits for it.
///
/// # Errors
/// The store cannot be read.
pub(super) fn lessons_at_once(
    reader: &Reader<'_>,
    batch: &Batch,
    settings: &Settings,
) -> Result<Vec<Lesson>, StoreError> {
    if batch.culture.is_none() {
        return Ok(Vec::new());
    }
    let found = monitors(reader, batch, settings)?;
    Ok(found.iter().filter_map(Monitor::lesson).collect())
}

/// The engines of the ended batches of the same culture that were bottled before `batch`, as they were left.
fn monitors(reader: &Reader<'_>, batch: &Batch, settings: &Settings) -> Result<Vec<Monitor>, StoreError> {
    // Ten thousand that are added one after the other must not each look at all others.
    if !reader.any_has_ended()? {
        return Ok(Vec::new());
    }
    let stored = reader.batches()?;
    let ended = stored.iter().filter(|stored| stored.ended_at.is_some());
    let mut earlier: Vec<(Batch, &StoredBatch)> = ended
        .filter_map(|stored| Some((stored.read_again().ok()?, stored)))
        .filter(|(other, _)| other.culture == batch.culture && other.bottled_at < batch.bottled_at)
        .collect();
    earlier.sort_by_key(|(other, _)| other.bottled_at);
    let skipped = earlier.len().saturating_sub(MOST);
    let claims = Claims::of(reader)?;
    let mut found = Vec::new();
    for (other, stored) in earlier.into_iter().skip(skipped) {
        found.push(monitor(reader, other, stored, settings, &claims)?);
    }
    Ok(found)
}

fn monitor(
    reader: &Reader<'_>,
    batch: Batch,
    stored: &StoredBatch,
    settings: &Settings,
    claims: &Claims,
) -> Result<Monitor, StoreError> {
    if let Some((monitor, _)) = kept(reader, (stored.id, &batch), settings, claims)? {
        return Ok(monitor);
    }
    // Kept by an earlier fobwatch: its events are gone over again, without a fit on the way.
    let seen = reader.sequence_before(stored.id, batch.bottled_at)?;
    let mut monitor = Monitor::new(batch, settings.clone());
    go_over(
        reader,
        (stored.id, &mut monitor, seen),
        settings.clock,
        claims,
        stored.ended_at,
        |monitor, event| drop(drive_some(monitor, event, &mut |_| None)),
    )?;
    Ok(monitor)
}
