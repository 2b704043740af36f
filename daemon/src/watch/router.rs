//! Reads what is stored once, and hands each event to the batches that it concerns.
//!
//! With a read by each batch the work would grow with the square of their number: ten thousand batches, each with its gauge,
//! would look at ten thousand gauges each.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError, atomic::Ordering},
    time::Duration,
};

use fobwatch_core::{
    engine::ClockSource,
    reading::{Quantity, Reading, Source},
};
use tokio_util::sync::CancellationToken;
use tracing::error;

use super::{
    beat::Beats,
    crew::Crew,
    house::House,
    post::{Handed, Post},
    totals::Totals,
    turn::Lane,
};
use crate::{
    incoming::Backoff,
    store::{BatchId, Sequence, Snapshot, StoreError, StoredEvent, StoredWhat},
};

/// Events that are read at once.
const CHUNK: u32 = 2_000;

pub(super) struct Router {
    house: Arc<House>,
    crew: Arc<Crew>,
    table: Mutex<Table>,
    /// States of batches at the stop, to be stored together.
    parting: Mutex<Vec<(BatchId, Snapshot)>>,
}

/// So many states go to the disk together: some megabytes.
const PARTING: usize = 32;

#[derive(Default)]
struct Table {
    /// Up to here all is handed out.
    position: Sequence,
    totals: Totals,
    all: BTreeMap<BatchId, Arc<Post>>,
    by_source: BTreeMap<Quantity, BTreeMap<Source, Vec<Arc<Post>>>>,
    /// Those that take a quantity from any source.
    open: BTreeMap<Quantity, Vec<Arc<Post>>>,
    /// Where readings are the clock.
    beats: Beats,
    /// Those that have seen more than is handed out: they are told the totals as of then.
    ahead: BTreeMap<Sequence, Vec<Arc<Post>>>,
}

impl Router {
    /// Nothing after `position` is handed out yet.
    pub(super) fn new(house: &Arc<House>, crew: &Arc<Crew>, position: Sequence) -> Arc<Self> {
        house.handed_out.send_replace(position);
        Arc::new(Self {
            house: Arc::clone(house),
            crew: Arc::clone(crew),
            table: Mutex::new(Table {
                position,
                ..Table::default()
            }),
            parting: Mutex::default(),
        })
    }

    /// A batch stops; what is to be stored now.
    pub(super) fn parts(&self, id: BatchId, snapshot: Snapshot) -> Vec<(BatchId, Snapshot)> {
        let mut parting = self.parting.lock().unwrap_or_else(PoisonError::into_inner);
        parting.push((id, snapshot));
        if parting.len() < PARTING {
            Vec::new()
        } else {
            std::mem::take(&mut *parting)
        }
    }

    /// Those that are left.
    pub(super) async fn keep_the_rest(&self) {
        let rest = std::mem::take(&mut *self.parting.lock().unwrap_or_else(PoisonError::into_inner));
        self.keep(rest).await;
    }

    /// Stores states. What cannot be stored costs the next start time: it goes over the events again.
    pub(super) async fn keep(&self, parting: Vec<(BatchId, Snapshot)>) {
        if parting.is_empty() {
            return;
        }
        let kept = self
            .house
            .store
            .write(move |writer| writer.keep_snapshots(&parting));
        if let Err(error) = kept.await {
            error!("How some batches stand could not be stored, so the next start takes longer: {error}.");
        }
    }

    /// A batch more. It reads by itself until it has joined.
    pub(super) fn enter(&self, post: &Arc<Post>, only_source_of: impl Fn(Quantity) -> Option<Source>) {
        let mut table = self.table();
        table.all.insert(post.live.id, Arc::clone(post));
        if self.house.settings.clock == ClockSource::Readings {
            let sealed_at = post.live.batch.bottled_at;
            table.beats.enter(post.live.id, Arc::clone(post), sealed_at);
        }
        for quantity in Quantity::ALL {
            let listeners = match only_source_of(quantity) {
                Some(source) => table.by_source.entry(quantity).or_default().entry(source),
                None => {
                    table.open.entry(quantity).or_default().push(Arc::clone(post));
                    continue;
                }
            };
            listeners.or_default().push(Arc::clone(post));
        }
    }

    /// A batch that has seen everything up to `seen` is handed what comes after, if nothing of that is past already.
    pub(super) fn join(&self, post: &Arc<Post>, seen: Sequence) -> bool {
        let mut table = self.table();
        let in_time = seen >= table.position;
        if in_time {
            post.follow(seen);
            table.ahead.entry(seen).or_default().push(Arc::clone(post));
        }
        in_time
    }

    /// What was handed out to a batch and not taken yet; up to where all was handed out, and how much that was. Nothing before that place
    /// comes later.
    pub(super) fn take(&self, post: &Post) -> (Handed, Sequence, Totals) {
        let table = self.table();
        (post.take(), table.position, table.totals)
    }

    /// A batch less.
    pub(super) fn leave(&self, id: BatchId) {
        let mut table = self.table();
        table.all.remove(&id);
        table.beats.leave(id);
        let others = |posts: &mut Vec<Arc<Post>>| posts.retain(|post| post.live.id != id);
        table.open.values_mut().for_each(others);
        for sources in table.by_source.values_mut() {
            sources.values_mut().for_each(others);
            sources.retain(|_, posts| !posts.is_empty());
        }
    }

    /// Nobody is handed anything any more.
    pub(super) fn clear(&self) {
        let mut table = self.table();
        *table = Table {
            position: table.position,
            ..Table::default()
        };
    }

    pub(super) fn post(&self, id: BatchId) -> Option<Arc<Post>> {
        self.table().all.get(&id).cloned()
    }

    pub(super) fn all(&self) -> Vec<Arc<Post>> {
        self.table().all.values().cloned().collect()
    }

    /// Until the stop.
    pub(super) async fn run(self: Arc<Self>, stop: CancellationToken) {
        let _tells = TellsTheEnd(Arc::clone(&self.house), stop.clone());
        let mut latest = self.house.latest.subscribe();
        let mut backoff = Backoff::default();
        while !stop.is_cancelled() {
            latest.mark_unchanged();
            match self.go_on().await {
                Err(StoreError::Closed) => return,
                Err(error) => {
                    error!("What is stored cannot be read, so the batches wait for it: {error}.");
                    let wait = backoff.after(Duration::ZERO);
                    tokio::select! {
                        () = stop.cancelled() => {}
                        () = tokio::time::sleep(wait) => {}
                    }
                }
                Ok(false) => {
                    tokio::select! {
                        () = stop.cancelled() => {}
                        // The sender lives in the house that `self` holds.
                        _ = latest.changed() => {}
                    }
                }
                Ok(true) => backoff = Backoff::default(),
            }
        }
    }

    /// Hands out the next events; false: there are none.
    pub(super) async fn go_on(&self) -> Result<bool, StoreError> {
        let after = self.table().position;
        let read = self
            .house
            .store
            .read(move |reader| reader.events_after(after, CHUNK));
        let events = read.await?;
        let any = !events.is_empty();
        self.hand_out(events);
        Ok(any)
    }

    fn hand_out(&self, events: Vec<StoredEvent>) {
        let mut table = self.table();
        for event in events {
            let event = Arc::new(event);
            table.greet_before(event.sequence);
            let before = table.totals;
            if let StoredWhat::Reading(reading) = &event.what {
                table.totals.count(reading.measured.quantity());
            }
            table.position = event.sequence;
            let hand = |post: &Arc<Post>| {
                if post.hand(&event, before) {
                    self.crew.queue(post, Lane::Soon);
                }
            };
            table.each_concerned(&event, hand);
            // Once is enough: a mailbox takes an event that it has no second time.
            if let StoredWhat::Reading(reading) = &event.what {
                table.beats.moved_by(reading).iter().for_each(hand);
            }
        }
        self.house.handed_out.send_replace(table.position);
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Says that nothing is handed out any more, also when that panics.
struct TellsTheEnd(Arc<House>, CancellationToken);

impl Drop for TellsTheEnd {
    fn drop(&mut self) {
        if !self.1.is_cancelled() {
            self.0.routed.store(false, Ordering::Release);
        }
    }
}

impl Table {
    fn greet_before(&mut self, sequence: Sequence) {
        while let Some(first) = self.ahead.first_entry().filter(|first| *first.key() < sequence) {
            for post in first.remove() {
                post.begins_at(self.totals);
            }
        }
    }

    fn each_concerned(&self, event: &StoredEvent, hand: impl FnMut(&Arc<Post>)) {
        match &event.what {
            StoredWhat::Reading(reading) => self.listeners(reading).for_each(hand),
            StoredWhat::Note(id, _) | StoredWhat::Command(id, _) => {
                self.all.get(id).into_iter().for_each(hand)
            }
            StoredWhat::Clock(_) => self.all.values().for_each(hand),
        }
    }

    fn listeners(&self, reading: &Reading) -> impl Iterator<Item = &Arc<Post>> {
        let quantity = reading.measured.quantity();
        let named = self
            .by_source
            .get(&quantity)
            .and_then(|sources| sources.get(&reading.source));
        let open = self.open.get(&quantity);
        named.into_iter().chain(open).flatten()
    }
}
