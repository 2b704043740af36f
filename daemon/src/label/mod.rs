//! What a guest must know of a bottle, and what a small seller keeps of a lot: as facts, as text, as a picture.
//!
//! Pure: a batch with its recipe, its newest forecast, its notes and its culture's diary in; words out. No claim of compliance.

mod lot;
mod picture;
mod words;

use fobwatch_core::{
    batch::{Batch, BatchFile},
    culture::Diary,
    forecast::{Forecast, Quantiles},
    note::{Note, NoteKind},
    quantity::{AlcoholByVolume, Co2Volumes},
    recipe::{self, Recipe, SugarKind},
};
use jiff::{Timestamp, tz::TimeZone};

pub(crate) use lot::{Lot, record};
pub(crate) use picture::{document, picture, sheet};
pub(crate) use words::{Kind, lines};

/// All that a label may say.
#[derive(Clone, Debug)]
pub(crate) struct Facts {
    pub(crate) batch: Batch,
    pub(crate) recipe: Option<Recipe>,
    pub(crate) notes: Vec<Note>,
    pub(crate) forecast: Option<Forecast>,
    /// Of recipe, ingredients and culture.
    pub(crate) allergens: Vec<String>,
    /// Whether the culture's diary is kept, so that its allergens may be known.
    pub(crate) culture_told: bool,
    /// Content that the label speaks of, and whether it is there already.
    pub(crate) co2: Quantiles<Co2Volumes>,
    pub(crate) reached: bool,
    pub(crate) alcohol: Quantiles<AlcoholByVolume>,
    pub(crate) zone: TimeZone,
    /// It is made up.
    pub(crate) demo: bool,
    /// An alert of pressure stands: nobody takes a bottle from it.
    pub(crate) danger: bool,
}

impl Facts {
    pub(crate) fn new(
        file: BatchFile,
        notes: Vec<Note>,
        forecast: Option<Forecast>,
        diary: &Diary,
        zone: TimeZone,
    ) -> Self {
        let BatchFile { batch, recipe, .. } = file;
        let mut allergens = recipe.as_ref().map(Recipe::allergens).unwrap_or_default();
        let mut culture_told = false;
        if let Some(culture) = &batch.culture {
            culture_told = diary.of(culture).next().is_some();
            for allergen in diary.allergens(culture, batch.bottled_at) {
                if !allergens
                    .iter()
                    .any(|known| known.eq_ignore_ascii_case(&allergen))
                {
                    allergens.push(allergen);
                }
            }
        }
        let (co2, reached) = content(&batch, &notes, forecast.as_ref());
        Self {
            alcohol: recipe::alcohol(&batch, co2),
            batch,
            recipe,
            notes,
            forecast,
            allergens,
            culture_told,
            co2,
            reached,
            zone,
            demo: false,
            danger: false,
        }
    }

    /// "Monday 2 March 2026".
    pub(crate) fn day(&self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone.clone())
            .strftime("%A %-d %B %Y")
            .to_string()
    }

    /// Whether an ingredient is honey.
    pub(crate) fn honey(&self) -> bool {
        let ingredients = self.recipe.iter().flat_map(|recipe| &recipe.ingredients);
        ingredients
            .into_iter()
            .any(|one| one.kind == Some(SugarKind::Honey) || one.name.to_lowercase().contains("honey"))
    }
}

/// What is in the bottles when a guest gets them: what is in them now once they are cold, else at least the target.
fn content(batch: &Batch, notes: &[Note], forecast: Option<&Forecast>) -> (Quantiles<Co2Volumes>, bool) {
    let target = batch.target.co2;
    let Some(forecast) = forecast else {
        return (
            Quantiles {
                p05: target,
                p50: target,
                p95: target,
            },
            false,
        );
    };
    let moves = notes
        .iter()
        .filter(|note| matches!(note.kind, NoteKind::MovedToFridge | NoteKind::TakenOut));
    let cold = moves
        .max_by_key(|note| note.at)
        .is_some_and(|note| note.kind == NoteKind::MovedToFridge);
    if cold {
        return (forecast.co2, true);
    }
    let most = |now: Co2Volumes| if now > target { now } else { target };
    let co2 = Quantiles {
        p05: most(forecast.co2.p05),
        p50: most(forecast.co2.p50),
        p95: most(forecast.co2.p95),
    };
    (co2, forecast.co2.p50 >= target)
}

#[cfg(test)]
mod tests;
