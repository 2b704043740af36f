//! Finds a proof that a person names, and what it taught.

use std::path::Path;

use fobwatch_core::{
    batch::{Batch, BatchName, CultureName},
    engine::{ClockSource, Monitor},
};

use super::{Ended, history, keeper::Where, read_batch, read_config};
use crate::{
    config::{self, Config},
    proof::{self, Proof},
    store::Store,
    watch::Claims,
    watch::{Clock, WallClock, left},
};

/// Goes over a proof: a folder with batch.toml and readings.csv, or a batch of the data folder by its name. Tells on standard error what is
/// doubtful, and the vigour that was found.
pub(super) fn of(named: &Path, culture: &CultureName, place: &Where) -> Result<Proof, Ended> {
    let config = read_config(place.config())?;
    let monitor = if named.is_dir() {
        of_folder(named, culture, &config)?
    } else {
        of_store(named, culture, place, &config)?
    };
    let proof = Proof::of(&monitor).map_err(Ended::Refused)?;
    proof.said.iter().for_each(|line| eprintln!("{line}"));
    Ok(proof)
}

fn of_folder(folder: &Path, culture: &CultureName, config: &Config) -> Result<Monitor, Ended> {
    let (file, readings) = (folder.join(history::BATCH), folder.join(history::READINGS));
    for path in [&file, &readings] {
        if !path.exists() {
            return Err(Ended::Refused(format!(
                "{} is not there; a proof's folder holds batch.toml and readings.csv, as `fobwatch export --batch` writes it",
                path.display()
            )));
        }
    }
    let batch = read_batch(&file)?;
    fits(&batch, culture, &file.display().to_string())?;
    history::of_files(batch, folder, config)
}

/// A live batch as it stands, or an ended one as its engine was left.
fn of_store(named: &Path, culture: &CultureName, place: &Where, config: &Config) -> Result<Monitor, Ended> {
    let data = place.folder_by(config)?;
    let name = named.display().to_string();
    if !Store::is_in(&data) {
        return Err(Ended::Refused(format!(
            "`{name}` is no folder, and nothing was ever kept in {}; allowed: the proof's folder, or its name with --data",
            data.display()
        )));
    }
    let wanted = BatchName::new(&name)
        .map_err(|bad| Ended::Refused(bad.to_string()))?
        .slug();
    let settings = config.settings(match config.clock {
        config::Clock::Wall => ClockSource::Ticks,
        config::Clock::Readings => ClockSource::Readings,
    });
    let found = Store::read_folder(&data, |reader| {
        let of_name = reader
            .batches()?
            .into_iter()
            .filter(|stored| stored.slug == wanted);
        let Some(stored) = of_name.max_by_key(|stored| (stored.ended_at.is_none(), stored.id)) else {
            return Ok(None);
        };
        let Ok((batch, _warnings)) = Batch::from_toml(&stored.text, "the stored batch") else {
            return Ok(None);
        };
        let claims = Claims::of(reader)?;
        let monitor = match (stored.ended_at, reader.snapshot(stored.id)?) {
            // What came after its end is of another bottle.
            (Some(_), kept) => {
                let restored =
                    kept.and_then(|kept| Monitor::restore(&kept.body, batch.clone(), settings.clone()).ok());
                restored.filter(|monitor| claims.taken_by_mistake(stored.id, monitor).is_none())
            }
            (None, _) => left(reader, &stored, &settings, &claims, WallClock.now()).ok(),
        };
        Ok(Some((batch, monitor)))
    })
    .map_err(|error| Ended::Failed(error.to_string()))?;
    let Some((batch, monitor)) = found else {
        return Err(Ended::Refused(format!(
            "`{name}` is no folder, and no batch of {} has that name; allowed: the proof's folder or its name",
            data.display()
        )));
    };
    fits(&batch, culture, &format!("the batch `{name}`"))?;
    monitor.ok_or_else(|| {
        Ended::Failed(format!(
            "the reckoning of {name} was kept by another version of fobwatch; `fobwatch export --batch` it, and name the folder"
        ))
    })
}

fn fits(batch: &Batch, culture: &CultureName, place: &str) -> Result<(), Ended> {
    let doubts = proof::fits(batch, culture, place).map_err(Ended::Refused)?;
    doubts.iter().for_each(|line| eprintln!("{line}"));
    Ok(())
}
