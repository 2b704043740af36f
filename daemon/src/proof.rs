//! A proof: a small plastic bottle of fed starter under the gauge, and what it taught.

use fobwatch_core::{
    batch::{Batch, CultureName, Material},
    culture::{DIARY, Lesson},
    engine::Monitor,
    quantity::CultureDose,
};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

/// Hours within which a proof says most: before, there is little pressure; after, it is a batch.
const LEAST_H: f64 = 6.0;
const MOST_H: f64 = 12.0;
/// Starter in the bottle, mL/L. On 40 drawn cultures (example `proofing`) a proof at 100 is honest; at 250 the vigour is told a fifth too high
/// and lies below the 90 % interval in 6, at 500 two fifths and in 11.
const BEST_DOSE: f64 = 100.0;
const MOST_DOSE: f64 = 150.0;
/// A proof is no batch: a bottle of more than this is one, mL.
const LARGEST_ML: f64 = 600.0;

/// A proof that was gone over.
#[derive(Debug)]
pub(crate) struct Proof {
    pub(crate) lesson: Lesson,
    pub(crate) ended_at: Timestamp,
    /// What was found, and what is doubtful.
    pub(crate) said: Vec<String>,
}

impl Proof {
    /// What the engine of a proof has learned. It takes a dozen fits.
    ///
    /// # Errors
    /// Nothing was measured.
    pub(crate) fn of(monitor: &Monitor) -> Result<Self, String> {
        let (name, sealed) = (&monitor.batch().name, monitor.batch().bottled_at);
        let lesson = monitor
            .lively_lesson()
            .ok_or_else(|| format!("nothing was measured in {name} that tells of its culture"))?;
        let (hours, mut said) = (lesson.hours, Vec::new());
        if !(LEAST_H..=MOST_H).contains(&hours) {
            said.push(format!(
                "warning: {name} was seen for {hours:.0} h; a proof takes {LEAST_H:.0} to {MOST_H:.0} h. It counts as it is."
            ));
        }
        if let Some(lively) = &lesson.liveliness {
            let [low, middle, high] = lively.ln_vigour.points().map(f64::exp);
            said.push(format!(
                "{name}: vigour {middle:.2}, between {low:.2} and {high:.2} (1: the reference culture), after {hours:.0} h under the gauge."
            ));
        }
        Ok(Self {
            ended_at: sealed + SignedDuration::from_secs_f64(hours * 3_600.0),
            lesson,
            said,
        })
    }

    /// As an entry of its culture's diary.
    pub(crate) fn entry(&self) -> Value {
        json!({
            "record": DIARY, "culture": self.lesson.culture, "deed": "proofed", "time": self.ended_at, "lesson": self.lesson,
        })
    }
}

/// Whether a batch may be a proof: then the page offers to keep what it taught.
pub(crate) fn looks_like_one(batch: &Batch) -> bool {
    let dose = batch.drink.culture_dose.map_or(0.0, CultureDose::ml_per_l);
    batch.bottle.count == 1
        && dose > 0.5 * BEST_DOSE
        && batch
            .culture
            .as_ref()
            .is_some_and(|culture| fits(batch, culture, "").is_ok_and(|doubts| doubts.is_empty()))
}

/// What is doubtful of a batch as a proof of `culture`; `place` is what complaints call it.
///
/// # Errors
/// It is none: why, and what is allowed.
pub(crate) fn fits(batch: &Batch, culture: &CultureName, place: &str) -> Result<Vec<String>, String> {
    if batch.culture.as_ref() != Some(culture) {
        let named = batch
            .culture
            .as_ref()
            .map_or_else(|| "none".to_owned(), |culture| format!("`{culture}`"));
        return Err(format!(
            "{place}: `culture` is {named}; allowed: `{culture}`, whose diary is written"
        ));
    }
    let (vessel, mut said) = (batch.sensor_vessel(), Vec::new());
    if vessel.material == Material::Glass {
        return Err(format!(
            "{place}: the bottle with the gauge is of glass; allowed: pet or steel. Never fit a gauge, valve or drilled stopper to glass"
        ));
    }
    if vessel.capacity.ml() > LARGEST_ML {
        said.push(format!(
            "warning: a bottle of {:.0} mL is a batch rather than a proof; it counts as it is.",
            vessel.capacity.ml()
        ));
    }
    match batch.drink.culture_dose.map(CultureDose::ml_per_l) {
        None => said.push(
            "warning: without `drink.culture_ml_per_l` a proof says little: how much starter is in the bottle?".to_owned(),
        ),
        Some(dose) if dose > MOST_DOSE => {
            return Err(format!(
                "{place}: `drink.culture_ml_per_l` is {dose}; allowed in a proof: up to {MOST_DOSE:.0}, best near {BEST_DOSE:.0} in sugar water. A \
                 bottle full of starter is past its growth from the first hour and makes the culture look livelier than its batches"
            ));
        }
        Some(_) => {}
    }
    Ok(said)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_small_plastic_bottle_with_little_starter_is_a_proof() {
        let text = include_str!("../../config/example-proof.toml");
        let read = |text: &str| Batch::from_toml(text, "config/example-proof.toml").unwrap().0;
        let culture = CultureName::new("jar two").unwrap();
        assert!(looks_like_one(&read(text)));
        for (was, is, why) in [
            ("\"pet\"", "\"glass\"", "Never fit a gauge"),
            (
                "culture_ml_per_l = 100.0",
                "culture_ml_per_l = 500.0",
                "up to 150",
            ),
            ("\"jar two\"", "\"jar three\"", "`culture` is `jar three`"),
        ] {
            let other = read(&text.replace(was, is));
            let refused = fits(&other, &culture, "x.toml").unwrap_err();
            assert!(refused.contains(why), "{refused}");
        }
        let large = read(&text.replace("capacity_ml = 250", "capacity_ml = 1500"));
        assert!(fits(&large, &culture, "x").unwrap()[0].contains("a batch rather than a proof"));
        assert!(!looks_like_one(&large));
    }
}
