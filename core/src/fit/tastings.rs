//! Words of bottles that were cold for a day, beside what the batch told without any word.

use jiff::{SignedDuration, Timestamp};

use super::{course::Problem, evidence::Evidence, fit, past, told::Told};
use crate::note::{Note, NoteKind, Tasting};

/// So long the drink has to have been cold: until then gas and drink are not at rest, and a warm bottle gushes.
const COLD_H: f64 = 24.0;
/// Within so much of the fridge's temperature, K.
const NEAR_K: f64 = 4.0;
/// A bottle differs from the bottle with the sensors by some per cent, whatever the fit says.
const LEAST_DOUBT: f64 = 0.05;
/// What is known no better than this calibrates no word.
const MOST_DOUBT: f64 = 0.2;

/// Those of `notes` up to `at` that calibrate words. Each takes about as long as a first fit.
#[must_use]
pub fn tastings(evidence: &Evidence, at: Timestamp, notes: &[Note]) -> Vec<Tasting> {
    let now_h = evidence.hours(at).max(0.0);
    let said: Vec<(f64, &str)> = notes
        .iter()
        .filter(|note| matches!(note.kind, NoteKind::Opened | NoteKind::Tasted))
        .filter_map(|note| Some((evidence.hours(note.at), note.text.as_deref()?)))
        .filter(|(h, text)| (0.0..=now_h).contains(h) && !text.trim().is_empty())
        .collect();
    if said.is_empty() {
        return Vec::new();
    }
    let mut wordless = evidence.clone();
    wordless.notes.forget_from(0.0, Told::of_content);
    if Problem::new(&wordless, now_h).data.is_empty() {
        return Vec::new();
    }
    let way = past(&wordless, at);
    let batch = evidence.batch();
    let (fridge, target) = (batch.target.fridge.celsius(), batch.target.co2.volumes());
    let cold = |h: f64| {
        let day = way
            .iter()
            .filter(|passed| passed.hours <= h && passed.hours >= h - COLD_H);
        h >= COLD_H
            && day.clone().count() > 1
            && day
                .clone()
                .all(|passed| passed.drink.celsius() <= fridge + NEAR_K)
    };
    said.into_iter()
        .filter(|(h, _)| cold(*h))
        .filter_map(|(h, text)| {
            let when = batch
                .bottled_at
                .checked_add(SignedDuration::from_secs_f64(h * 3_600.0))
                .ok()?;
            let co2 = fit(&wordless, when, None).answers(&wordless, when).0.co2;
            let content = co2.p50.volumes();
            let doubt = ((co2.p95.volumes() - co2.p05.volumes()) / 3.29 / content).max(LEAST_DOUBT);
            (content > 0.0 && doubt <= MOST_DOUBT).then_some(Tasting {
                text: text.to_owned(),
                share: content / target,
                doubt,
            })
        })
        .collect()
}
