//! What a proof taught: a small plastic bottle of fed starter under the gauge.

use std::path::Path;

use fobwatch_core::{
    batch::{Batch, BatchName, CultureName, Material},
    culture::Lesson,
    engine::{ClockSource, Monitor},
    quantity::CultureDose,
};
use jiff::{SignedDuration, Timestamp};

use super::{Ended, history, keeper::Where, read_batch, read_config};
use crate::{
    config::{self, Config},
    store::Store,
    watch::{Clock, WallClock, left},
};

/// A proof that was gone over.
pub(super) struct Proof {
    pub(super) lesson: Lesson,
    pub(super) ended_at: Timestamp,
}

/// Hours within which a proof says most: before, there is little pressure; after, it is a batch.
const LEAST_H: f64 = 6.0;
const MOST_H: f64 = 12.0;
/// Starter in the bottle, mL/L. On 40 drawn cultures (example `proofing`) a proof at 100 is honest; at 250 the vigour is told a fifth too high
/// and lies below the 90 % interval in 6, at 500 two fifths and in 11.
const BEST_DOSE: f64 = 100.0;
const MOST_DOSE: f64 = 150.0;
/// A proof is no batch: a bottle of more than this is one, mL.
const LARGEST_ML: f64 = 600.0;

/// Goes over a proof: a folder with batch.toml and readings.csv, or a batch of the data folder by its name. Tells on standard error what is
/// doubtful, and the vigour that was found.
pub(super) fn of(named: &Path, culture: &CultureName, place: &Where) -> Result<Proof, Ended> {
    let config = read_config(place.config())?;
    let monitor = if named.is_dir() {
        of_folder(named, culture, &config)?
    } else {
        of_store(named, culture, place, &config)?
    };
    let (name, sealed) = (monitor.batch().name.clone(), monitor.batch().bottled_at);
    let lesson = monitor.lively_lesson().ok_or_else(|| {
        Ended::Refused(format!(
            "nothing was measured in {name} that tells of its culture"
        ))
    })?;
    let hours = lesson.hours;
    if !(LEAST_H..=MOST_H).contains(&hours) {
        eprintln!(
            "warning: {name} was seen for {hours:.0} h; a proof takes {LEAST_H:.0} to {MOST_H:.0} h. It counts as it is."
        );
    }
    if let Some(lively) = &lesson.liveliness {
        let [low, middle, high] = lively.ln_vigour.points().map(f64::exp);
        eprintln!(
            "{name}: vigour {middle:.2}, between {low:.2} and {high:.2} (1: the reference culture), after {hours:.0} h under the gauge."
        );
    }
    let ended_at = sealed + SignedDuration::from_secs_f64(hours * 3_600.0);
    Ok(Proof { lesson, ended_at })
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
        let monitor = match (stored.ended_at, reader.snapshot(stored.id)?) {
            // What came after its end is of another bottle.
            (Some(_), kept) => {
                kept.and_then(|kept| Monitor::restore(&kept.body, batch.clone(), settings.clone()).ok())
            }
            (None, _) => left(reader, &stored, &settings, WallClock.now()).ok(),
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

/// Refuses what is no proof of that culture.
fn fits(batch: &Batch, culture: &CultureName, place: &str) -> Result<(), Ended> {
    if batch.culture.as_ref() != Some(culture) {
        let named = batch
            .culture
            .as_ref()
            .map_or_else(|| "none".to_owned(), |culture| format!("`{culture}`"));
        return Err(Ended::Refused(format!(
            "{place}: `culture` is {named}; allowed: `{culture}`, whose diary is written"
        )));
    }
    let vessel = batch.sensor_vessel();
    if vessel.material == Material::Glass {
        return Err(Ended::Refused(format!(
            "{place}: the bottle with the gauge is of glass; allowed: pet or steel. Never fit a gauge, valve or drilled stopper to glass"
        )));
    }
    if vessel.capacity.ml() > LARGEST_ML {
        eprintln!(
            "warning: a bottle of {:.0} mL is a batch rather than a proof; it counts as it is.",
            vessel.capacity.ml()
        );
    }
    match batch.drink.culture_dose.map(CultureDose::ml_per_l) {
        None => eprintln!(
            "warning: without `drink.culture_ml_per_l` a proof says little: how much starter is in the bottle?"
        ),
        Some(dose) if dose > MOST_DOSE => {
            return Err(Ended::Refused(format!(
                "{place}: `drink.culture_ml_per_l` is {dose}; allowed in a proof: up to {MOST_DOSE:.0}, best near {BEST_DOSE:.0} in sugar water. A \
                 bottle full of starter is past its growth from the first hour and makes the culture look livelier than its batches"
            )));
        }
        Some(_) => {}
    }
    Ok(())
}
