//! Batches as home-automation hubs show them: announced at a broker, kept fresh, and taken back once they have ended.

mod announced;
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
use tracing::{info, warn};

use crate::{
    mqtt::{PublishError, Publisher},
    store::BatchId,
    watch::House,
};
use announced::Announced;
use discovery::Discovery;
use state::State;

/// Between looks at what has changed.
const LOOK: Duration = Duration::from_secs(5);
/// All is told again after so long: a broker may have lost it, and a hub takes what is not told again for unknown.
const AGAIN: Duration = Duration::from_secs(300);
/// Batches that ended longer ago were taken back before, or nobody remembers them.
const REMEMBERED: SignedDuration = SignedDuration::from_hours(30 * 24);

/// Where hubs of one broker find batches.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    /// Host and port of the broker.
    pub(crate) broker: String,
    /// What the hub listens under; `None`: nothing is announced, and what was is taken back.
    pub(crate) prefix: Option<String>,
    /// What we publish under.
    pub(crate) publish_prefix: String,
}

/// Announces the batches at `place` until the stop, once what was announced elsewhere at this broker is taken back. What is published
/// stays there at the stop: the broker tells that we are offline.
pub(crate) async fn announce(house: Arc<House>, publisher: Publisher, place: Place, stop: CancellationToken) {
    let work = async {
        take_back(&house, &publisher, &place).await;
        if let Some(prefix) = place.prefix {
            let hub = Hub {
                house,
                publisher,
                broker: place.broker,
                discovery: Discovery {
                    prefix,
                    publish_prefix: place.publish_prefix,
                },
                told: BTreeMap::new(),
                stood: BTreeMap::new(),
                announced: BTreeSet::new(),
                kept: BTreeSet::new(),
                all_at: None,
            };
            hub.run().await;
        }
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = work => {}
    }
}

/// Takes back what the broker keeps from another configuration.
async fn take_back(house: &House, publisher: &Publisher, place: &Place) {
    let folder = house.store.folder().to_owned();
    let elsewhere = |told: &Announced| {
        told.broker == place.broker
            && (place.prefix.as_ref() != Some(&told.prefix) || place.publish_prefix != told.publish_prefix)
    };
    for mut told in announced::load(&folder).into_iter().filter(elsewhere) {
        let discovery = Discovery {
            prefix: told.prefix.clone(),
            publish_prefix: told.publish_prefix.clone(),
        };
        let topics: Vec<String> = told
            .batches
            .iter()
            .flat_map(|slug| discovery.topics(slug))
            .collect();
        for topic in topics {
            while publisher.retained(topic.clone(), String::new()).await.is_err() {
                tokio::time::sleep(LOOK).await;
            }
        }
        info!(broker = %place.broker, "What hubs were told under {} is taken back.", told.prefix);
        told.batches.clear();
        if let Err(error) = announced::keep(&folder, &told) {
            warn!("That hubs are told nothing any more could not be stored: {error}.");
        }
    }
}

struct Hub {
    house: Arc<House>,
    publisher: Publisher,
    /// Host and port.
    broker: String,
    discovery: Discovery,
    /// What was told last, by topic.
    told: BTreeMap<String, String>,
    /// How each batch stood when it was told last: one that stands so still is not looked at again.
    stood: BTreeMap<BatchId, u64>,
    /// The batches that a hub may know.
    announced: BTreeSet<String>,
    /// Those of them that are kept beside the store.
    kept: BTreeSet<String>,
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
                self.forget_what_was_told();
                self.all_at = Some(Instant::now());
            }
            if self.tell().await.is_err() {
                // It is told whole once the link stands again: the broker may be another by then.
                self.forget_what_was_told();
            }
        }
    }

    fn forget_what_was_told(&mut self) {
        self.told.clear();
        self.stood.clear();
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
        self.announced
            .extend(all.iter().map(|live| live.slug.as_str().to_owned()));
        // Before they are told: what is told must not be forgotten.
        self.keep().await;
        for live in &all {
            // Asked first: whoever is not behind then stands at least so.
            let behind = live.is_behind(latest);
            let standing = live.standing();
            if self.stood.get(&live.id) == Some(&standing.change) {
                continue;
            }
            for (topic, config) in self.discovery.configs(&live.batch) {
                self.publish(topic, config).await?;
            }
            if behind {
                continue;
            }
            let state = State::of(&standing.monitor.view(), standing.failed.as_deref());
            if let Ok(state) = serde_json::to_string(&state) {
                self.publish(self.discovery.state_topic(live.slug.as_str()), state)
                    .await?;
            }
            self.stood.insert(live.id, standing.change);
        }
        let live: BTreeSet<&str> = all.iter().map(|live| live.slug.as_str()).collect();
        let gone: Vec<String> = self
            .announced
            .iter()
            .filter(|slug| !live.contains(slug.as_str()))
            .cloned()
            .collect();
        if !gone.is_empty() {
            let live: BTreeSet<BatchId> = all.iter().map(|live| live.id).collect();
            self.stood.retain(|batch, _| live.contains(batch));
        }
        for slug in gone {
            for topic in self.discovery.topics(&slug) {
                self.told.remove(&topic);
                self.publisher.retained(topic, String::new()).await?;
            }
            self.announced.remove(&slug);
        }
        self.keep().await;
        Ok(())
    }

    /// Keeps what was announced beside the store. While that fails the hub is told all the same.
    async fn keep(&mut self) {
        if self.kept == self.announced {
            return;
        }
        let now = Announced {
            broker: self.broker.clone(),
            prefix: self.discovery.prefix.clone(),
            publish_prefix: self.discovery.publish_prefix.clone(),
            batches: self.announced.clone(),
        };
        let folder = self.house.store.folder().to_owned();
        match tokio::task::spawn_blocking(move || announced::keep(&folder, &now)).await {
            Ok(Ok(())) => self.kept.clone_from(&self.announced),
            Ok(Err(error)) => warn!("What hubs are told could not be stored beside the readings: {error}."),
            Err(_panicked) => {}
        }
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
