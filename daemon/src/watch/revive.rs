//! The engine of a batch that begins to be watched, out of the store: as it was left, or from its first event on.

use fobwatch_core::{batch::Batch, engine::Monitor, note::Note};
use tracing::warn;

use super::{claims, house::House, taught::taught};
use crate::store::{BatchId, Outcome, Sequence, Snapshot, StoreError};

/// The engine of a stored batch as it was left, and the last event that it has seen; from its first event on, where no
/// usable snapshot is there.
///
/// # Errors
/// The store cannot be read or written.
pub(super) async fn revive(
    house: &House,
    batch: Batch,
    id: BatchId,
) -> Result<(Monitor, Sequence), StoreError> {
    let bottled_at = batch.bottled_at;
    if let Some(snapshot) = house.store.read(move |reader| reader.snapshot(id)).await? {
        match Monitor::restore(&snapshot.body, batch.clone(), house.settings.clone()) {
            Ok(monitor) => match mistaken(house, id, &monitor) {
                None => return Ok((monitor, snapshot.sequence)),
                Some(note) => {
                    let now = house.clock.now();
                    let anew = house.store.write(move |writer| writer.begin_anew(id, &note, now));
                    let place = anew.await?;
                    house.latest.send_modify(|latest| *latest = place.max(*latest));
                }
            },
            Err(why) => {
                warn!(batch = %batch.name, "{}: {why}. Its readings are gone over again.", batch.name)
            }
        }
    }
    // Looked for only here: it goes over all that was stored since the sealing.
    let first = house
        .store
        .read(move |reader| reader.sequence_before(id, bottled_at))
        .await?;
    // Kept in the snapshot, so that what ends later changes nothing for this batch.
    let monitor = taught(house, Monitor::new(batch, house.settings.clone())).await?;
    // Where it begins depends on what is stored by now; after a crash it must begin at the same place.
    let beginning = Outcome {
        snapshot: Some(Snapshot {
            sequence: first,
            taken_at: house.clock.now(),
            body: monitor.snapshot(),
        }),
        ..house.empty_outcome(id)
    };
    house.store.write(move |writer| writer.record(&beginning)).await?;
    Ok((monitor, first))
}

/// Where an engine took what is another batch's, a note that says so: it is to begin anew.
fn mistaken(house: &House, id: BatchId, monitor: &Monitor) -> Option<Note> {
    let claims = house.claims();
    let (source, holder) = claims.taken_by_mistake(id, monitor)?;
    Some(claims::note(
        house.clock.now().max(monitor.clock()),
        format!("{source} sits on {holder}: nothing that it measured counts here, and nothing did"),
    ))
}
