//! Batches as home-automation hubs show them: announced at a broker, kept fresh, and taken back once they have ended.

mod discovery;
mod state;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::Duration,
};

use jiff::{SignedDuration, Timestamp};
use tokio::time::{Instant, MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;
use tracing::warn;

use crate::{
    mqtt::{PublishError, Publisher},
    watch::House,
};
use discovery::Discovery;
use state::State;

/// Between looks at what has changed.
const LOOK: Duration = Duration::from_secs(5);
/// All is told again after so long: a broker may have lost it, and a hub takes what is not told again for unknown.
const AGAIN: Duration = Duration::from_secs(300);
/// Batches that ended longer ago were taken back before, or nobody remembers them.
const REMEMBERED: SignedDuration = SignedDuration::from_hours(30 * 24);

/// Announces the batches under `prefix` until the stop. What is published stays there then: the broker tells that we are offline.
pub(crate) async fn announce(
    house: Arc<House>,
    publisher: Publisher,
    prefix: String,
    publish_prefix: String,
    stop: CancellationToken,
) {
    let hub = Hub {
        house,
        publisher,
        discovery: Discovery {
            prefix,
            publish_prefix,
        },
        told: BTreeMap::new(),
        announced: BTreeSet::new(),
        all_at: None,
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = hub.run() => {}
    }
}

struct Hub {
    house: Arc<House>,
    publisher: Publisher,
    discovery: Discovery,
    /// What was told last, by topic.
    told: BTreeMap<String, String>,
    /// The batches that a hub may know.
    announced: BTreeSet<String>,
    /// When all was told last.
    all_at: Option<Instant>,
}

impl Hub {
    async fn run(mut self) {
        let mut ticks = interval(LOOK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut remembers = false;
        loop {
            ticks.tick().await;
            if !remembers {
                remembers = self.remember().await;
            }
            // What is not reckoned any more must not look as if it were.
            if self.house.ailment().is_some() || self.house.unstored.trouble().is_some() {
                continue;
            }
            if self.all_at.is_none_or(|at| at.elapsed() >= AGAIN) {
                self.told.clear();
                self.all_at = Some(Instant::now());
            }
            if self.tell().await.is_err() {
                // It is told whole once the link stands again: the broker may be another by then.
                self.told.clear();
            }
        }
    }

    /// Batches that ended while nobody could be told are taken back.
    async fn remember(&mut self) -> bool {
        let batches = self.house.store.read(|reader| reader.batches()).await;
        let batches = match batches {
            Ok(batches) => batches,
            Err(error) => {
                warn!("Which batches have ended cannot be read: {error}.");
                return false;
            }
        };
        let now = Timestamp::now();
        let lately = batches.into_iter().filter(|batch| {
            batch
                .ended_at
                .is_some_and(|ended| now.duration_since(ended) < REMEMBERED)
        });
        self.announced
            .extend(lately.map(|batch| batch.slug.as_str().to_owned()));
        true
    }

    async fn tell(&mut self) -> Result<(), PublishError> {
        let all = self.house.all();
        let latest = *self.house.latest.borrow();
        for live in &all {
            self.announced.insert(live.slug.as_str().to_owned());
            for (topic, config) in self.discovery.configs(&live.batch) {
                self.publish(topic, config).await?;
            }
            if live.is_behind(latest) {
                continue;
            }
            let standing = live.standing();
            let state = State::of(&standing.monitor.view(), standing.failed.as_deref());
            if let Ok(state) = serde_json::to_string(&state) {
                self.publish(self.discovery.state_topic(live.slug.as_str()), state)
                    .await?;
            }
        }
        let gone: Vec<String> = self
            .announced
            .iter()
            .filter(|slug| all.iter().all(|live| live.slug.as_str() != slug.as_str()))
            .cloned()
            .collect();
        for slug in gone {
            for topic in self.discovery.topics(&slug) {
                self.told.remove(&topic);
                self.publisher.retained(topic, String::new()).await?;
            }
            self.announced.remove(&slug);
        }
        Ok(())
    }

    async fn publish(&mut self, topic: String, payload: String) -> Result<(), PublishError> {
        if self.told.get(&topic) == Some(&payload) {
            return Ok(());
        }
        self.publisher.retained(topic.clone(), payload.clone()).await?;
        self.told.insert(topic, payload);
        Ok(())
    }
}
