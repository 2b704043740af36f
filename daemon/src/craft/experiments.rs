//! Experiments: siblings by the name they share.

use std::{
    cmp::Reverse,
    collections::BTreeMap,
    sync::{Mutex, PoisonError},
};

use super::led::{led, rows};
use crate::{
    config::Display,
    store::{BatchId, Reader, StoreError, StoredBatch},
    watch::Claims,
    wording::{Units, local, plain},
};
use fobwatch_core::{
    batch::{Batch, ExperimentName},
    engine::{ClockSource, Settings},
    experiment::{By, Differs, Experiment, Sibling, Verdict, pulled_at},
    note::{Liveliness, Note, NoteKind, counting},
    reading::Reading,
};

/// New readings, in rows of the store, before a sibling that stands in the room is gone over again.
const NEWS: i64 = 500;

/// A sibling as of a place in the store's order, and so many notes.
type Known = (i64, usize, Option<Sibling>);

/// Siblings gone over before, of one store. One that was pulled is gone over again only for a new note.
#[derive(Debug, Default)]
pub(crate) struct Kept(Mutex<BTreeMap<BatchId, Known>>);

impl Kept {
    fn sibling(
        &self,
        reader: &Reader<'_>,
        stored: &StoredBatch,
        batch: Batch,
        settings: &Settings,
    ) -> Result<Option<Sibling>, StoreError> {
        let kept = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let end = reader.last_sequence()?.0;
        let all = reader.all_notes(stored.id)?;
        // One that was taken back is one word more.
        let count = all.len();
        let notes = counting(all);
        let still = pulled_at(&notes).is_some() || stored.ended_at.is_some();
        let known = kept().get(&stored.id).cloned();
        if let Some((seen, known, sibling)) = known
            && known == count
            && (still || end < seen.saturating_add(NEWS))
        {
            return Ok(sibling);
        }
        let rows = rows(reader, stored, &batch, &Claims::of(reader)?)?;
        let sibling = sibling(batch, rows, notes, settings);
        kept().insert(stored.id, (end, count, sibling.clone()));
        Ok(sibling)
    }
}

/// Experiments of a store.
#[derive(Debug, Default)]
pub(crate) struct Found {
    /// Those that were gone over.
    pub(crate) experiments: BTreeMap<ExperimentName, Experiment>,
    /// Older ones, which nobody asked for by name: the newest first.
    pub(crate) more: Vec<ExperimentName>,
    /// What tells nothing, with why.
    pub(crate) left_out: Vec<String>,
}

/// The experiments of a store with the newest batches, `most` of them; or that one alone.
pub(crate) fn of_store(
    reader: &Reader<'_>,
    settings: &Settings,
    kept: &Kept,
    only: Option<&ExperimentName>,
    most: usize,
) -> Result<Found, StoreError> {
    let mut found = Found::default();
    let mut named: BTreeMap<ExperimentName, Vec<(StoredBatch, Batch)>> = BTreeMap::new();
    for stored in reader.batches()? {
        match Batch::from_toml(&stored.text, "the stored batch") {
            Ok((batch, _)) => {
                if let Some(name) = batch.experiment.clone() {
                    named.entry(name).or_default().push((stored, batch));
                }
            }
            Err(bad) => found.left_out.push(format!("{} is left out: {bad}", stored.name)),
        }
    }
    if let Some(only) = only {
        named.retain(|name, _| name.slug() == only.slug());
    }
    let mut newest: Vec<_> = named.into_iter().collect();
    newest.sort_by_key(|(_, batches)| Reverse(batches.iter().map(|(_, batch)| batch.bottled_at).max()));
    let later = newest.split_off(newest.len().min(most));
    found.more = later.into_iter().map(|(name, _)| name).collect();
    for (name, batches) in newest {
        let mut siblings = Vec::new();
        for (stored, batch) in batches {
            match kept.sibling(reader, &stored, batch, settings)? {
                Some(sibling) => siblings.push(sibling),
                None => found.left_out.push(format!(
                    "{} is left out: its figures are beyond what can be reckoned.",
                    stored.name
                )),
            }
        }
        if !siblings.is_empty() {
            found.experiments.insert(name, Experiment::of(siblings));
        }
    }
    Ok(found)
}

/// One of them, as it was when it was pulled.
pub(crate) fn sibling(
    batch: Batch,
    rows: Vec<Reading>,
    mut notes: Vec<Note>,
    settings: &Settings,
) -> Option<Sibling> {
    let settings = Settings {
        clock: ClockSource::Readings,
        ..settings.clone()
    };
    notes.sort_by_key(|note| note.at);
    let pulled = pulled_at(&notes);
    // The pull itself belongs to what comes after it, and so does everything tasted since.
    let before: Vec<Note> = notes
        .iter()
        .filter(|note| note.kind != NoteKind::MovedToFridge)
        .filter(|note| pulled.is_none_or(|pulled| note.at <= pulled))
        .cloned()
        .collect();
    let until = pulled.or_else(|| {
        rows.iter()
            .map(|row| row.at)
            .max()
            .max(before.last().map(|note| note.at))
    });
    let monitor = led(batch, rows, &before, settings, until);
    Sibling::of(&monitor, &notes, pulled)
}

/// "31 h", "3.2 days".
fn after(hours: f64) -> String {
    if hours < 48.0 {
        format!("{hours:.0} h")
    } else {
        format!("{:.1} days", hours / 24.0)
    }
}

/// The unit that siblings differ in.
pub(crate) fn amount(differs: Differs, value: f64) -> String {
    match differs {
        Differs::Day => format!("{} after sealing", after(value)),
        Differs::Dose => format!("{value:.0} mL/L of culture"),
        Differs::Sugar => format!("{value:.0} g/L of sugar"),
    }
}

/// One sibling in a sentence.
pub(crate) fn sentence(sibling: &Sibling, display: &Display) -> String {
    let units = Units::from(display);
    let dose = sibling
        .dose_ml_per_l
        .map_or_else(String::new, |dose| format!(", {dose:.0} mL/L of culture"));
    let what = match sibling.pulled_at {
        Some(pulled) => format!(
            "pulled {} ({} after sealing{dose}) with about {:.2} volumes, so {:.2} cold ({:.2} to {:.2})",
            local(pulled, &display.zone),
            after(sibling.hours()),
            sibling.co2.p50.volumes(),
            sibling.after.p50.volumes(),
            sibling.after.p05.volumes(),
            sibling.after.p95.volumes(),
        ),
        None => format!(
            "in the room for {}{dose}, with about {:.2} volumes",
            after(sibling.hours()),
            sibling.co2.p50.volumes()
        ),
    };
    let mut text = format!(
        "{}: {what}; the fullest bottle was at about {} of your {}, alcohol about {:.1} %.",
        sibling.batch,
        units.pressure(sibling.fullest.p50),
        units.limit(sibling.limit),
        sibling.alcohol.percent(),
    );
    let words: Vec<String> = sibling
        .tasted
        .iter()
        .filter(|tasting| !tasting.words.is_empty())
        .map(|tasting| {
            format!(
                "\u{201c}{}\u{201d} ({})",
                tasting.words,
                local(tasting.at, &display.zone)
            )
        })
        .collect();
    if words.is_empty() {
        text.push_str(" Nobody has told how it tasted.");
    } else {
        text.push_str(&format!(" Tasted: {}.", words.join(", ")));
    }
    text
}

/// Which one was right.
pub(crate) fn verdict(experiment: &Experiment) -> String {
    let Some(verdict) = &experiment.verdict else {
        return match experiment.siblings.len() {
            0 | 1 => "One batch alone is no experiment: give a second one the same `experiment`.".to_owned(),
            _ => "None was pulled and none was tasted: there is nothing to judge by yet.".to_owned(),
        };
    };
    let Verdict {
        best,
        by,
        right,
        between,
        ..
    } = verdict;
    let by = match by {
        By::Taste => "by what was tasted",
        By::Content => "by its content beside the target, since nobody has told how they tasted",
    };
    let first = if *right {
        format!("{best} was right, {by}.")
    } else {
        format!("None was quite right; {best} came nearest, {by}.")
    };
    let place = verdict.differs.and_then(|differs| {
        let own = experiment
            .siblings
            .iter()
            .find(|sibling| sibling.batch == *best)?;
        Some((differs, own.place(differs)?))
    });
    let mut text = match place {
        Some((differs, place)) => format!("{first} That is {}.", amount(differs, place)),
        None => format!("{first} They do not differ in day, dose or sugar."),
    };
    if let Some((between, (differs, place))) = between.zip(place)
        && (between - place).abs() > 0.02 * place.abs()
    {
        text.push_str(&format!(
            " Between the siblings it turns from too little to too much at about {}.",
            amount(differs, between)
        ));
    }
    text
}

/// What must be known of such a comparison.
pub(crate) const CAUTION: &str = "Siblings differ by more than day and dose: filling, place, the spoon of culture. A difference of a few hours \
                                  or of 0.1 volumes tells nothing. Bottles that stay longer to be compared are the ones that burst: your limit \
                                  holds for each.";

/// All of an experiment.
pub(crate) fn said(name: &ExperimentName, experiment: &Experiment, display: &Display) -> Vec<String> {
    let mut said = vec![format!("{name}: {}", verdict(experiment))];
    said.extend(
        experiment
            .siblings
            .iter()
            .map(|sibling| format!("  {}", sentence(sibling, display))),
    );
    said.push(format!("  {CAUTION}"));
    said.iter().map(|sentence| plain(sentence)).collect()
}

/// The word for the mean of what was tasted.
pub(crate) fn fizz(sibling: &Sibling) -> Option<&'static str> {
    let fizz = sibling.fizz()?;
    Some(match fizz {
        ..-1.5 => name(Liveliness::Flat),
        ..-0.5 => name(Liveliness::Light),
        ..=0.5 => name(Liveliness::Right),
        ..=1.5 => name(Liveliness::Lively),
        _ => name(Liveliness::Gushing),
    })
}

fn name(fizz: Liveliness) -> &'static str {
    match fizz {
        Liveliness::Flat => "flat",
        Liveliness::Light => "light",
        Liveliness::Right => "right",
        Liveliness::Lively => "lively",
        Liveliness::Gushing => "gushing",
    }
}
