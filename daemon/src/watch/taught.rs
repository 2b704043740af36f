//! What a new batch is taught before it begins: by ended batches and proofs of its culture, and by bottles that were tasted cold.

use fobwatch_core::{
    culture::{Diary, Lesson},
    engine::{Monitor, Settings},
    note::{Note, NoteKind, Palate, Tasting},
};
use jiff::Timestamp;
use tracing::{info, warn};

use super::{Claims, gone_over::kept, house::House, learned};
use crate::store::{Reader, StoreError};

/// The newest ended batches whose tastings are asked, and the newest tastings of each: every one costs a fit, and readings wait meanwhile.
const MOST: usize = 4;
const TASTINGS: usize = 2;

/// The same monitor, taught.
///
/// # Errors
/// The store cannot be read.
pub(super) async fn taught(house: &House, monitor: Monitor) -> Result<Monitor, StoreError> {
    let batch = monitor.batch().clone();
    let (sealed, settings) = (batch.bottled_at, house.settings.clone());
    let read = move |reader: &Reader<'_>| {
        Ok((
            Diary::new(reader.diary()?),
            tasted_before(reader, sealed, &settings)?,
        ))
    };
    let (diary, tasted) = house.store.read(read).await?;
    let proofs: Vec<Lesson> = match &batch.culture {
        Some(culture) => diary.lessons(culture, sealed),
        None => Vec::new(),
    };
    // Long work, and one bad batch of the past must not stop a new one.
    let mut tastings: Vec<Tasting> = Vec::new();
    for (earlier, notes) in tasted {
        let name = earlier.batch().name.clone();
        match tokio::task::spawn_blocking(move || earlier.tastings(&notes)).await {
            Ok(found) => tastings.extend(found),
            Err(_panicked) => warn!(batch = %batch.name, "{name} calibrates no word: its reckoning failed."),
        }
    }
    let palate = Palate::of(&tastings);
    if !proofs.is_empty() {
        info!(batch = %batch.name, "Its culture is known from {} in its diary.", counted(proofs.len(), "proof"));
    }
    if let Some(told) = calibrated(&palate, tastings.len()) {
        info!(batch = %batch.name, "{told}");
    }
    // A proof that was watched to its end is told by both, and counts once.
    let mut lessons = learned::lessons(house, &batch).await?;
    lessons.extend(proofs);
    Ok(with(monitor, &lessons, palate))
}

/// The same without a daemon, whoever waits for it.
///
/// # Errors
/// The store cannot be read.
pub(super) fn taught_at_once(
    reader: &Reader<'_>,
    monitor: Monitor,
    settings: &Settings,
) -> Result<Monitor, StoreError> {
    let batch = monitor.batch().clone();
    let tasted = tasted_before(reader, batch.bottled_at, settings)?;
    let tastings: Vec<Tasting> = tasted
        .iter()
        .flat_map(|(earlier, notes)| earlier.tastings(notes))
        .collect();
    let mut lessons = learned::lessons_at_once(reader, &batch, settings)?;
    if let Some(culture) = &batch.culture {
        lessons.extend(Diary::new(reader.diary()?).lessons(culture, batch.bottled_at));
    }
    Ok(with(monitor, &lessons, Palate::of(&tastings)))
}

fn with(monitor: Monitor, lessons: &[Lesson], palate: Palate) -> Monitor {
    let monitor = if lessons.is_empty() {
        monitor
    } else {
        monitor.with_history(lessons)
    };
    monitor.with_palate(palate)
}

/// What so many tastings made of the words; `None`: nothing.
pub(crate) fn calibrated(palate: &Palate, tastings: usize) -> Option<String> {
    let mut said = Vec::new();
    if palate.tastings() > 0 {
        said.push(format!(
            "the usual words mean {:.2} times what they usually do",
            palate.factor()
        ));
    }
    said.extend(palate.own().iter().map(|own| {
        format!(
            "\u{201c}{}\u{201d} means {:.2} of what is wanted",
            own.word, own.share
        )
    }));
    (!said.is_empty()).then(|| {
        format!(
            "Words for fizz are calibrated by {} tasted cold: {}.",
            counted(tastings, "bottle"),
            said.join(", ")
        )
    })
}

fn counted(count: usize, word: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {word}{plural}")
}

/// Ended batches that were sealed before, with words for an opened or tasted bottle: their engines as they were left, and their notes.
fn tasted_before(
    reader: &Reader<'_>,
    sealed: Timestamp,
    settings: &Settings,
) -> Result<Vec<(Monitor, Vec<Note>)>, StoreError> {
    let mut found = Vec::new();
    if !reader.any_has_ended()? {
        return Ok(found);
    }
    let claims = Claims::of(reader)?;
    for stored in reader
        .batches()?
        .iter()
        .rev()
        .filter(|stored| stored.ended_at.is_some())
    {
        let Ok(batch) = stored.read_again() else { continue };
        let mut notes: Vec<Note> = reader.notes(stored.id)?.into_iter().filter(has_words).collect();
        if batch.bottled_at >= sealed || notes.is_empty() {
            continue;
        }
        notes.sort_by_key(|note| std::cmp::Reverse(note.at));
        notes.truncate(TASTINGS);
        // One of an earlier program may not be read: its words are then left out.
        let kept = kept(reader, (stored.id, &batch), settings, &claims)?;
        found.extend(kept.map(|(monitor, _)| (monitor, notes)));
        if found.len() == MOST {
            break;
        }
    }
    Ok(found)
}

fn has_words(note: &Note) -> bool {
    note.text.is_some() && matches!(note.kind, NoteKind::Opened | NoteKind::Tasted)
}
