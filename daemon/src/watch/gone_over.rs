//! Engines out of the store without a worker: as their state was kept, and taken through the events behind it.

use fobwatch_core::{
    batch::Batch,
    engine::{ClockSource, Event, Monitor, Settings},
};
use jiff::Timestamp;

use super::{
    Claims,
    concerns::{concerns, first_tick},
};
use crate::store::{BatchId, Reader, Sequence, StoreError};

/// Events that are read at once.
const CHUNK: u32 = 500;

/// The engine as its state was kept, and the last event that it has seen; `None`: no state is kept, or none that can be gone on from.
///
/// # Errors
/// The store cannot be read.
pub(super) fn kept(
    reader: &Reader<'_>,
    (id, batch): (BatchId, &Batch),
    settings: &Settings,
    claims: &Claims,
) -> Result<Option<(Monitor, Sequence)>, StoreError> {
    let Some(snapshot) = reader.snapshot(id)? else {
        return Ok(None);
    };
    let restored = Monitor::restore(&snapshot.body, batch.clone(), settings.clone()).ok();
    let sound = restored.filter(|monitor| claims.taken_by_mistake(id, monitor).is_none());
    Ok(sound.map(|monitor| (monitor, snapshot.sequence)))
}

/// Takes an engine through the stored events behind `seen` that concern it, up to what arrived after `until`.
///
/// # Errors
/// The store cannot be read.
pub(super) fn go_over(
    reader: &Reader<'_>,
    (id, monitor, mut seen): (BatchId, &mut Monitor, Sequence),
    clock: ClockSource,
    claims: &Claims,
    until: Option<Timestamp>,
    take: impl Fn(&mut Monitor, Event),
) -> Result<(), StoreError> {
    let back = reader.taken_back(id)?;
    loop {
        let events = reader.events_after(seen, CHUNK)?;
        if events.is_empty() {
            return Ok(());
        }
        for event in events {
            if until.is_some_and(|until| event.received_at > until) {
                return Ok(());
            }
            seen = event.sequence;
            if let Some(concerned) = concerns(monitor, (id, &back), clock, claims, &event) {
                if let Some(first) = first_tick(monitor, clock, &event) {
                    take(monitor, first);
                }
                take(monitor, concerned);
            }
        }
    }
}
