//! A batch as the last daemon left it, for commands that run without one.

use fobwatch_core::{
    document::BadDocument,
    engine::{ClockSource, Event, FitRequest, Monitor, Settings, drive},
};
use jiff::Timestamp;

use super::{
    Claims,
    gone_over::{go_over, kept},
    taught::taught_at_once,
};
use crate::store::{Reader, StoreError, StoredBatch};

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
    let (mut monitor, seen) = match kept(reader, (stored.id, &batch), settings, claims)? {
        Some(kept) => kept,
        None => (
            // One that no daemon has begun yet: it is taught as that daemon will teach it.
            taught_at_once(reader, Monitor::new(batch, settings.clone()), settings)?,
            reader.sequence_before(stored.id, bottled_at)?,
        ),
    };
    go_over(
        reader,
        (stored.id, &mut monitor, seen),
        settings.clock,
        claims,
        None,
        go,
    )?;
    if settings.clock == ClockSource::Ticks {
        go(&mut monitor, Event::Tick { at: now });
    }
    Ok(monitor)
}

fn go(monitor: &mut Monitor, event: Event) {
    // The state is asked for; what is to be done about it is the daemon's.
    drop(drive(monitor, event, &mut FitRequest::run));
}
