//! The batches that are compared: from folders and records, or from the store.

use std::path::{Path, PathBuf};

use fobwatch_core::{
    batch::Batch,
    compare::{Circumstances, Entry},
    engine::{ClockSource, Monitor},
    fit::Passed,
    quantity::{MassConcentration, Temperature},
    reading::Reading,
};

use super::super::{Ended, format::Progress, history, read_batch};
use crate::{
    config::Config,
    store::{Reader, Store, StoreError, StoredBatch, StoredWhat},
    watch::data_folder,
};

/// Readings that are read at once: a short transaction each.
const AT_ONCE: u32 = 5_000;

/// Colder than this a culture hardly works: a fridge, no circumstance of its vigour.
const WARM_C: f64 = 12.0;

/// A batch, and the way it came if its readings are there.
pub(super) struct Gathered {
    pub(super) entry: Entry,
    pub(super) past: Vec<Passed>,
}

impl Gathered {
    fn of(monitor: &Monitor) -> Option<Self> {
        let lesson = monitor.lively_lesson()?;
        let past = monitor.past();
        Some(Self {
            entry: Entry {
                lesson,
                circumstances: circumstances(monitor.batch(), &past),
            },
            past,
        })
    }
}

fn circumstances(batch: &Batch, past: &[Passed]) -> Option<Circumstances> {
    let warm: Vec<f64> = past
        .iter()
        .map(|passed| passed.drink.celsius())
        .filter(|celsius| *celsius >= WARM_C)
        .collect();
    let count = u32::try_from(warm.len()).ok().filter(|count| *count > 0);
    let sugar = batch.drink.sucrose.grams_per_litre() + batch.drink.hexose.grams_per_litre();
    Some(Circumstances {
        temperature: count
            .and_then(|count| Temperature::from_celsius(warm.iter().sum::<f64>() / f64::from(count)).ok()),
        sugar: MassConcentration::from_grams_per_litre(sugar).ok()?,
    })
}

/// All batches of a folder: those with readings, and records of others.
pub(super) fn of_folder(folder: &Path, config: &Config) -> Result<Vec<Gathered>, Ended> {
    let mut found = Vec::new();
    let mut progress = Progress::new();
    let paths = history::entries(folder)?;
    for path in &paths {
        if path.is_dir() && path.join(history::BATCH).exists() && path.join(history::READINGS).exists() {
            let batch = read_batch(&path.join(history::BATCH))?;
            if batch.culture.is_none() {
                history::skipped(path, "its batch names no culture");
                continue;
            }
            match Gathered::of(&history::of_files(batch, path, config)?) {
                Some(batch) => found.push(batch),
                None => history::skipped(path, "nothing was measured in it that tells of its culture"),
            }
        } else if path.is_dir() {
            let records: Vec<PathBuf> = history::entries(path)?
                .into_iter()
                .filter(|path| history::is_record(path))
                .collect();
            for record in &records {
                found.extend(recorded(record)?);
            }
            if records.is_empty() {
                history::skipped(path, "it has neither a record nor batch.toml and readings.csv");
            }
        } else if history::is_record(path) {
            found.extend(recorded(path)?);
        }
        progress.tell(|| format!("{} of {} entries gone over", found.len(), paths.len()));
    }
    Ok(found)
}

fn recorded(path: &Path) -> Result<Vec<Gathered>, Ended> {
    let mut found = Vec::new();
    for (line, lesson) in history::records(path)? {
        if lesson.liveliness.is_none() {
            history::skipped(
                path,
                &format!(
                    "line {line}, {}: the record does not tell how lively it was",
                    lesson.batch
                ),
            );
            continue;
        }
        found.push(Gathered {
            entry: Entry {
                lesson,
                circumstances: None,
            },
            past: Vec::new(),
        });
    }
    Ok(found)
}

/// All batches of the data folder, live and ended.
pub(super) fn of_store(data: Option<PathBuf>, config: &Config) -> Result<Vec<Gathered>, Ended> {
    let failed = |error: StoreError| Ended::Failed(error.to_string());
    let data = data_folder(data, config).map_err(|none| Ended::Refused(none.to_string()))?;
    if !Store::is_in(&data) {
        return Err(Ended::Failed(format!(
            "nothing was ever kept in {}; name the folder of `watch` with --data, or earlier batches with --history",
            data.display()
        )));
    }
    Store::read_folder(&data, |reader| {
        let batches = reader.batches()?;
        let mut found = Vec::new();
        let mut progress = Progress::new();
        for (gone_over, stored) in batches.iter().enumerate() {
            progress.tell(|| format!("{gone_over} of {} batches gone over", batches.len()));
            match of_stored(reader, stored, config)? {
                Ok(batch) => found.push(batch),
                Err(why) => eprintln!("{} is left out: {why}.", stored.name),
            }
        }
        Ok(found)
    })
    .map_err(failed)
}

/// Goes over the rows of one batch again; `Err` inside says why it tells nothing.
fn of_stored(
    reader: &Reader<'_>,
    stored: &StoredBatch,
    config: &Config,
) -> Result<Result<Gathered, String>, StoreError> {
    let batch = match Batch::from_toml(&stored.text, &format!("the stored batch `{}`", stored.name)) {
        Ok((batch, _)) => batch,
        Err(bad) => return Ok(Err(bad.to_string())),
    };
    if batch.culture.is_none() {
        return Ok(Err("its batch file names no culture".to_owned()));
    }
    let rows = rows(reader, stored, &batch)?;
    let mut notes = reader.notes(stored.id)?;
    notes.sort_by_key(|note| note.at);
    let monitor = history::gone_over(batch, rows, notes, config.settings(ClockSource::Readings));
    Ok(Gathered::of(&monitor)
        .ok_or_else(|| "nothing was measured in it that tells of its culture".to_owned()))
}

fn rows(reader: &Reader<'_>, stored: &StoredBatch, batch: &Batch) -> Result<Vec<Reading>, StoreError> {
    let end = reader.last_sequence()?;
    let mut seen = reader.sequence_before(stored.id, batch.bottled_at)?;
    let mut rows = Vec::new();
    while seen < end {
        let events = reader.readings_after(seen, AT_ONCE)?;
        let Some(last) = events.last() else {
            break;
        };
        seen = last.sequence;
        rows.extend(
            events
                .into_iter()
                .filter(|event| stored.ended_at.is_none_or(|ended| event.received_at <= ended))
                .filter_map(|event| match event.what {
                    StoredWhat::Reading(reading) => Some(reading),
                    _ => None,
                }),
        );
    }
    Ok(rows)
}
