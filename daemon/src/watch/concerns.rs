//! What a stored event is to one engine.

use fobwatch_core::{
    engine::{ClockSource, Event, Monitor},
    note::{Note, NoteKind},
};

use super::Claims;
use crate::store::{BatchId, StoredEvent, StoredWhat};

/// The event as the engine of batch `id` takes it; `None`: it is of another batch, a reading that is only counted, or a note that was taken
/// `back`.
pub(super) fn concerns(
    monitor: &mut Monitor,
    (id, back): (BatchId, &[Note]),
    clock: ClockSource,
    claims: &Claims,
    event: &StoredEvent,
) -> Option<Event> {
    match &event.what {
        StoredWhat::Reading(reading) => {
            let of_another = monitor
                .only_source_of(reading.measured.quantity())
                .is_some_and(|source| *source != reading.source);
            let theirs = claims.holder(
                (id, monitor.batch()),
                &reading.source,
                reading.measured.quantity(),
            );
            let moved = monitor.is_moved_by(reading);
            if theirs.is_some() && moved {
                return Some(Event::OfAnother(reading.clone()));
            }
            let passes_by = theirs.is_some() || of_another && !moved;
            if passes_by {
                monitor.passed_by(1);
            }
            (!passes_by).then(|| Event::Measured(reading.clone()))
        }
        StoredWhat::Note(batch, note) => {
            let of_the_past = matches!(note.kind, NoteKind::Corrected | NoteKind::TakenBack);
            let own = *batch == id && !of_the_past && !back.contains(note);
            own.then(|| Event::Noted(note.clone()))
        }
        StoredWhat::Command(batch, command) => (*batch == id).then(|| Event::Commanded(command.clone())),
        StoredWhat::Clock(at) => (clock == ClockSource::Ticks).then_some(Event::Tick { at: *at }),
    }
}

/// Where nothing moved the engine's clock yet, the arrival of the first event does: a reading from ahead of the clock would
/// count as of the clock. Where readings are the clock none does.
pub(super) fn first_tick(monitor: &Monitor, clock: ClockSource, event: &StoredEvent) -> Option<Event> {
    let untouched = clock == ClockSource::Ticks && monitor.clock() == monitor.batch().bottled_at;
    untouched.then_some(Event::Tick {
        at: event.received_at,
    })
}
