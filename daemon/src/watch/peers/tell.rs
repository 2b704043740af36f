//! What this daemon keeps at a broker for the others: which share it watches, and a record of each of its batches.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use jiff::SignedDuration;
use tokio::time::{Instant, sleep};
use tokio_util::sync::CancellationToken;
use tracing::warn;

use super::record::Record;
use crate::{
    mqtt::{PublishError, Publisher},
    store::StoreError,
    watch::House,
};

/// The next try after a failure.
const SOON: Duration = Duration::from_secs(2);
/// All is told again after so long: a broker may have lost it.
const AGAIN: Duration = Duration::from_secs(600);
/// Whoever missed the end of a batch for so long hears of it no more.
const REMEMBERED: SignedDuration = SignedDuration::from_hours(90 * 24);

/// Tells one broker until the stop; each change at once.
pub(crate) async fn tell(house: Arc<House>, publisher: Publisher, stop: CancellationToken) {
    let mut words = house.words.subscribe();
    let mut told = BTreeMap::new();
    let mut all_at = Instant::now();
    loop {
        words.mark_unchanged();
        if all_at.elapsed() >= AGAIN {
            told.clear();
            all_at = Instant::now();
        }
        let wait = match current(&house).await {
            Ok(current) => match tell_changes(&publisher, current, &mut told).await {
                Ok(()) => AGAIN,
                Err(PublishError::Stopped) => return,
                Err(_no_link) => SOON,
            },
            Err(StoreError::Closed) => return,
            Err(error) => {
                warn!("The other fobwatch of the site cannot be told of the batches yet: {error}.");
                SOON
            }
        };
        tokio::select! {
            () = stop.cancelled() => return,
            // The sender lives in the house.
            _ = words.changed() => {}
            () = sleep(wait) => {}
        }
    }
}

/// What is to stand at the broker, by topic below our prefix.
async fn current(house: &House) -> Result<BTreeMap<String, String>, StoreError> {
    let oldest = house.clock.now().saturating_sub(REMEMBERED).unwrap_or_default();
    let mut current = house
        .store
        .read(move |reader| {
            let mut all = BTreeMap::new();
            // Of those that had the same name, the last.
            for stored in reader.batches()? {
                if stored.ended_at.is_none_or(|at| at >= oldest) {
                    let record = Record::of(&stored, reader.words(stored.id)?);
                    all.insert(format!("{}/record", stored.slug.as_str()), record);
                }
            }
            Ok(all)
        })
        .await?
        .into_iter()
        .filter_map(|(topic, record)| Some((topic, record.encode().ok()?)))
        .collect::<BTreeMap<_, _>>();
    current.insert("share".to_owned(), house.share.told());
    Ok(current)
}

async fn tell_changes(
    publisher: &Publisher,
    current: BTreeMap<String, String>,
    told: &mut BTreeMap<String, String>,
) -> Result<(), PublishError> {
    for (topic, text) in current {
        if told.get(&topic) != Some(&text) {
            publisher.below_prefix(&topic, text.clone()).await?;
            told.insert(topic, text);
        }
    }
    Ok(())
}
