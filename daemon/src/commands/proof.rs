//! What a proof taught: a small plastic bottle of fed starter under the gauge.

use std::path::Path;

use fobwatch_core::{
    batch::{CultureName, Material},
    culture::Lesson,
    quantity::CultureDose,
};
use jiff::{SignedDuration, Timestamp};

use super::{Ended, history, read_batch, read_config};

/// A proof that was gone over.
pub(super) struct Proof {
    pub(super) lesson: Lesson,
    pub(super) ended_at: Timestamp,
}

/// Hours within which a proof says most: before, there is little pressure; after, it is a batch.
const LEAST_H: f64 = 6.0;
const MOST_H: f64 = 12.0;
/// Starter in the bottle, mL/L. On 40 drawn cultures (example `proofing`) a proof at 100 is honest; at 250 the vigour is told a fifth too high,
/// at 500 by half, and the truth lies below the 90 % interval in one of four.
const BEST_DOSE: f64 = 100.0;
const MOST_DOSE: f64 = 250.0;
/// A proof is no batch: a bottle of more than this is one, mL.
const LARGEST_ML: f64 = 600.0;

/// Goes over a folder with batch.toml and readings.csv; tells on standard error what is doubtful, and the vigour that was found.
pub(super) fn of(folder: &Path, culture: &CultureName, config: Option<&Path>) -> Result<Proof, Ended> {
    let config = read_config(config)?;
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
    if batch.culture.as_ref() != Some(culture) {
        let named = batch
            .culture
            .as_ref()
            .map_or_else(|| "none".to_owned(), |culture| format!("`{culture}`"));
        return Err(Ended::Refused(format!(
            "{}: `culture` is {named}; allowed: `{culture}`, whose diary is written",
            file.display()
        )));
    }
    let vessel = batch.sensor_vessel();
    if vessel.material == Material::Glass {
        return Err(Ended::Refused(format!(
            "{}: the bottle with the gauge is of glass; allowed: pet or steel. Never fit a gauge, valve or drilled stopper to glass",
            file.display()
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
                "{}: `drink.culture_ml_per_l` is {dose}; allowed in a proof: up to {MOST_DOSE:.0}, best near {BEST_DOSE:.0} in sugar water. A \
                 bottle full of starter is past its growth from the first hour and makes the culture look livelier than its batches",
                file.display()
            )));
        }
        Some(_) => {}
    }
    let (name, sealed) = (batch.name.clone(), batch.bottled_at);
    let monitor = history::of_files(batch, folder, &config)?;
    let lesson = monitor.lively_lesson().ok_or_else(|| {
        Ended::Refused(format!(
            "nothing was measured in {} that tells of its culture",
            folder.display()
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
