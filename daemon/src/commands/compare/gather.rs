//! The batches that are compared: from folders and records, or from the store.

use std::path::{Path, PathBuf};

use fobwatch_core::{compare::Entry, engine::ClockSource};

use super::super::{Ended, format::Progress, history, read_batch};
use crate::{
    config::Config,
    craft::cultures::{Gathered, of_stored},
    store::{Store, StoreError},
    watch::Claims,
    watch::data_folder,
};

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
    let settings = config.settings(ClockSource::Readings);
    Store::read_folder(&data, |reader| {
        let (batches, claims) = (reader.batches()?, Claims::of(reader)?);
        let mut found = Vec::new();
        let mut progress = Progress::new();
        for (gone_over, stored) in batches.iter().enumerate() {
            progress.tell(|| format!("{gone_over} of {} batches gone over", batches.len()));
            match of_stored(reader, stored, &settings, &claims)? {
                Ok(batch) => found.push(batch),
                Err(why) => eprintln!("{} is left out: {why}.", stored.name),
            }
        }
        Ok(found)
    })
    .map_err(failed)
}
