//! A batch as the last daemon left it, for commands that run without one.

use fobwatch_core::{
    document::BadDocument,
    engine::{ClockSource, Event, FitRequest, Monitor, Settings, drive},
};
use jiff::Timestamp;

use super::{
    Claims,
    taught::taught_at_once,
    worker::{concerns, first_tick},
};
use crate::store::{Reader, StoreError, StoredBatch};

/// Events that are read at once.
const CHUNK: u32 = 500;

/// Why a batch cannot be looked at.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Left {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Its file was accepted once and is refused by this program.
    #[error(transparent)]
    Refused(#[from] BadDocument),
}

/// The engine of a stored batch as the stored events leave it and, where the wall clock moves it, as of `now`. Nothing is
/// written, so what is raised here is raised again, and told, by the next `watch`.
///
/// # Errors
/// The store cannot be read, or holds a batch that this program refuses.
pub(crate) fn left(
    reader: &Reader<'_>,
    stored: &StoredBatch,
    settings: &Settings,
    claims: &Claims,
    now: Timestamp,
) -> Result<Monitor, Left> {
    let batch = stored.read_again()?;
    let bottled_at = batch.bottled_at;
    let restored = reader.snapshot(stored.id)?.and_then(|snapshot| {
        let monitor = Monitor::restore(&snapshot.body, batch.clone(), settings.clone()).ok()?;
        if claims.taken_by_mistake(stored.id, &monitor).is_some() {
            return None;
        }
        Some((monitor, snapshot.sequence))
    });
    let (mut monitor, mut seen) = match restored {
        Some(restored) => restored,
        None => (
            // One that no daemon has begun yet: it is taught as that daemon will teach it.
            taught_at_once(reader, Monitor::new(batch, settings.clone()), settings)?,
            reader.sequence_before(stored.id, bottled_at)?,
        ),
    };
    let back = reader.taken_back(stored.id)?;
    loop {
        let events = reader.events_after(seen, CHUNK)?;
        if events.is_empty() {
            break;
        }
        for event in events {
            seen = event.sequence;
            if let Some(concerned) =
                concerns(&mut monitor, (stored.id, &back), settings.clock, claims, &event)
            {
                if let Some(first) = first_tick(&monitor, settings.clock, &event) {
                    go(&mut monitor, first);
                }
                go(&mut monitor, concerned);
            }
        }
    }
    if settings.clock == ClockSource::Ticks {
        go(&mut monitor, Event::Tick { at: now });
    }
    Ok(monitor)
}

fn go(monitor: &mut Monitor, event: Event) {
    // The state is asked for; what is to be done about it is the daemon's.
    drop(drive(monitor, event, &mut FitRequest::run));
}
