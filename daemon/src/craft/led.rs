//! An engine led over what is stored of a batch, for questions about its past.

use std::collections::BTreeMap;

use fobwatch_core::{
    batch::Batch,
    engine::{Bottles, Event, FitRequest, Fitted, Monitor, Settings, drive_some},
    note::Note,
    reading::Reading,
};
use jiff::{SignedDuration, Timestamp};

use crate::{
    store::{Reader, StoreError, StoredBatch, StoredWhat},
    watch::Claims,
};

/// Readings that are read at once: a short transaction each.
const AT_ONCE: u32 = 5_000;

/// Between these the last answer stands as it was: a past that nobody needs warnings of.
const FITTED_EVERY: SignedDuration = SignedDuration::from_hours(6);

/// The rows of a stored batch, in the order in which they arrived, until it was ended; not those of gauges that sit on other batches.
pub(crate) fn rows(
    reader: &Reader<'_>,
    stored: &StoredBatch,
    batch: &Batch,
    claims: &Claims,
) -> Result<Vec<Reading>, StoreError> {
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
                })
                .filter(|reading| {
                    let quantity = reading.measured.quantity();
                    claims
                        .holder((stored.id, batch), &reading.source, quantity)
                        .is_none()
                }),
        );
    }
    Ok(rows)
}

/// The engine behind all rows and notes (these in order of time). `fit` may leave questions open where only the end is asked for.
pub(crate) fn gone_over(
    batch: Batch,
    rows: impl IntoIterator<Item = Reading>,
    notes: Vec<Note>,
    settings: Settings,
    fit: &mut dyn FnMut(&FitRequest) -> Option<Fitted>,
) -> Monitor {
    let mut monitor = Monitor::new(batch, settings);
    let mut notes = notes.into_iter().peekable();
    let mut take = |monitor: &mut Monitor, event| drop(drive_some(monitor, event, fit));
    for reading in rows {
        let event = Event::Measured(reading);
        let reached = monitor.reaches(&event);
        while let Some(note) = notes.next_if(|note| note.at <= reached) {
            take(&mut monitor, Event::Noted(note));
        }
        take(&mut monitor, event);
    }
    for note in notes {
        take(&mut monitor, Event::Noted(note));
    }
    monitor
}

/// The same up to `until`; members are led along, with a fit every six hours.
pub(crate) fn led(
    batch: Batch,
    rows: impl IntoIterator<Item = Reading>,
    notes: &[Note],
    settings: Settings,
    until: Option<Timestamp>,
) -> Monitor {
    let wanted = |at: Timestamp| until.is_none_or(|until| at <= until);
    let notes = notes.iter().filter(|note| wanted(note.at)).cloned().collect();
    let rows = rows.into_iter().filter(|row| wanted(row.at));
    let mut last: BTreeMap<Bottles, Fitted> = BTreeMap::new();
    gone_over(batch, rows, notes, settings, &mut |request| {
        let known = last
            .get(&request.of)
            .filter(|known| request.at.duration_since(known.at) < FITTED_EVERY);
        let fitted = match known {
            Some(known) => Fitted {
                at: request.at,
                ..known.clone()
            },
            None => {
                let fitted = request.run();
                last.insert(request.of, fitted.clone());
                fitted
            }
        };
        Some(fitted)
    })
}
