//! What every part of the running daemon shares.

use std::{
    collections::BTreeMap,
    ops::Bound,
    sync::{
        Arc, Mutex, PoisonError, RwLock, RwLockReadGuard,
        atomic::{AtomicBool, Ordering},
    },
    time::{Duration, Instant},
};

use fobwatch_core::{
    batch::{Batch, Slug},
    engine::{ClockSource, Command, Settings},
    note::Note,
    reading::Reading,
};
use jiff::Timestamp;
use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

use crate::{
    config::{self, Config, Display, Secret, Share},
    corrected::Corrected,
    decode::Calibrations,
    gate::Gate,
    incoming::{Counted, Kind, Meter},
    kept_up::Stumbles,
    store::{BatchId, Destination, Heard, Outcome, Sequence, Store, StoreError},
};

use super::{Claims, Clock, crowd::Crowd, live::Live, peers::Peers, server::ServerState, unstored::Unstored};

/// A work loop that has not turned for this long beyond its usual time is taken for stuck.
const PATIENCE: Duration = Duration::from_secs(60);
/// Requests of people that may wait.
const REQUESTS: usize = 64;
/// Pages that may listen at once.
const LISTENERS: usize = 200;

/// What a person asks for; the watch loop puts it in its place in the one order.
#[derive(Debug)]
pub(crate) enum Request {
    Note(BatchId, Note),
    Command(BatchId, Command),
    Add(Box<Batch>, String),
    End(Arc<Live>),
    /// The batch goes on with other entries, from its sealing on.
    Correct(Arc<Live>, Box<Corrected>),
    /// What another daemon of the site told of a batch.
    Hear(Box<Heard>),
    /// Readings that someone waits for; `new` hears how many of them were not there yet.
    Readings {
        readings: Vec<Reading>,
        received_at: Timestamp,
        new: oneshot::Sender<usize>,
    },
}

/// What those who post readings meet; changed by a reload.
#[derive(Clone, Debug, Default)]
pub(crate) struct Door {
    pub(crate) token: Option<Secret>,
    pub(crate) calibrations: Arc<Calibrations>,
}

/// A request, and who waits for the answer: the place of what was stored.
pub(crate) type Asked = (Request, oneshot::Sender<Result<Sequence, StoreError>>);

/// What every part shares.
#[derive(Debug)]
pub(crate) struct House {
    pub(crate) store: Store,
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) settings: Settings,
    pub(crate) display: Display,
    pub(crate) share: Share,
    pub(crate) demo: bool,
    pub(crate) requests: mpsc::Sender<Asked>,
    pub(crate) batches: RwLock<BTreeMap<Slug, Arc<Live>>>,
    /// Whose a gauge is.
    pub(super) claims: RwLock<Claims>,
    /// The last place in the order that is stored.
    pub(crate) latest: watch::Sender<Sequence>,
    /// Up to where it was handed out to the workers.
    pub(super) handed_out: watch::Sender<Sequence>,
    /// Somebody hands it out.
    pub(super) routed: AtomicBool,
    /// Counts up when alerts were stored; the deliverers follow it.
    pub(crate) alerts: watch::Sender<u64>,
    /// Counts up when people said something of a batch; the other daemons of the site are told.
    pub(crate) words: watch::Sender<u64>,
    /// The other daemons of the site.
    pub(crate) peers: Peers,
    /// Where each alert is to go; changed by a reload.
    pub(crate) destinations: RwLock<Arc<Vec<Destination>>>,
    pub(crate) beat: Mutex<Instant>,
    pub(crate) door: RwLock<Arc<Door>>,
    /// Who is let in.
    pub(crate) gate: Gate,
    /// Counts what was posted.
    pub(crate) posted: Arc<Meter>,
    /// What came in and what was reckoned, for the metrics.
    pub(crate) counted: Counted,
    /// Tasks that fell over faults of ours and stood up again.
    pub(crate) stumbles: Arc<Stumbles>,
    /// Places for pages that listen.
    pub(crate) listeners: Arc<Semaphore>,
    /// Ends the answers that have no end of their own.
    pub(crate) parting: CancellationToken,
    /// How the time-series servers do.
    pub(crate) series: Vec<Arc<ServerState>>,
    /// Whether the store takes what comes.
    pub(crate) unstored: Unstored,
    /// New sources for which there is no room.
    pub(crate) crowd: Crowd,
}

impl House {
    /// A house without batches yet, and the requests that its watch loop is to take.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(crate) async fn new(
        store: Store,
        config: &Config,
        clock: Arc<dyn Clock>,
        demo: bool,
    ) -> Result<(Arc<Self>, mpsc::Receiver<Asked>), StoreError> {
        let (requests, asked) = mpsc::channel(REQUESTS);
        let latest = store.read(|reader| reader.last_sequence()).await?;
        let source = match config.clock {
            config::Clock::Wall => ClockSource::Ticks,
            config::Clock::Readings => ClockSource::Readings,
        };
        let posted = Arc::new(Meter::new("posted readings"));
        let house = Self {
            store,
            clock,
            settings: config.settings(source),
            display: config.display.clone(),
            share: config.share.clone(),
            demo,
            requests,
            batches: RwLock::default(),
            claims: RwLock::default(),
            latest: watch::Sender::new(latest),
            handed_out: watch::Sender::new(latest),
            routed: AtomicBool::new(true),
            alerts: watch::Sender::new(0),
            words: watch::Sender::new(0),
            peers: Peers::new(&config.share, &config.peered),
            destinations: RwLock::new(Arc::new(Destination::all(config))),
            beat: Mutex::new(Instant::now()),
            door: RwLock::new(Arc::new(Door {
                token: config.token.clone(),
                calibrations: Arc::new(config.calibrations.clone()),
            })),
            gate: Gate::new(&config.access),
            unstored: Unstored::default(),
            crowd: Crowd::default(),
            posted: Arc::clone(&posted),
            counted: Counted::default(),
            stumbles: Arc::default(),
            listeners: Arc::new(Semaphore::new(LISTENERS)),
            parting: CancellationToken::new(),
            series: config
                .series
                .iter()
                .map(|server| Arc::new(ServerState::new(server.url.to_string())))
                .collect(),
        };
        house.counted.meter(Kind::Api, &posted);
        Ok((Arc::new(house), asked))
    }

    /// Every batch under watch, by slug.
    pub(crate) fn all(&self) -> Vec<Arc<Live>> {
        let batches = self.batches.read().unwrap_or_else(PoisonError::into_inner);
        batches.values().cloned().collect()
    }

    /// How many batches are under watch; at most `limit` of them, by slug, behind `after`; and whether more come then.
    pub(crate) fn some(&self, after: Option<&str>, limit: usize) -> (usize, Vec<Arc<Live>>, bool) {
        let batches = self.batches.read().unwrap_or_else(PoisonError::into_inner);
        let from = after.map_or(Bound::Unbounded, Bound::Excluded);
        let mut behind = batches.range::<str, _>((from, Bound::Unbounded));
        let some = behind
            .by_ref()
            .take(limit)
            .map(|(_, live)| Arc::clone(live))
            .collect();
        (batches.len(), some, behind.next().is_some())
    }

    pub(crate) fn batch(&self, slug: &str) -> Option<Arc<Live>> {
        let batches = self.batches.read().unwrap_or_else(PoisonError::into_inner);
        batches.get(slug).cloned()
    }

    /// When something that a person does to a batch happens: by the batch's own clock where readings move it.
    pub(crate) fn now(&self, live: &Live) -> Timestamp {
        match self.settings.clock {
            ClockSource::Ticks => self.clock.now(),
            ClockSource::Readings => live.standing().monitor.clock(),
        }
    }

    /// Whose gauges are, read for as long as it is held.
    pub(crate) fn claims(&self) -> RwLockReadGuard<'_, Claims> {
        self.claims.read().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn claims_change<T>(&self, change: impl FnOnce(&mut Claims) -> T) -> T {
        change(&mut self.claims.write().unwrap_or_else(PoisonError::into_inner))
    }

    pub(crate) fn door(&self) -> Arc<Door> {
        Arc::clone(&self.door.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Where alerts go that are stored from here on.
    pub(crate) fn destinations(&self) -> Arc<Vec<Destination>> {
        Arc::clone(&self.destinations.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// What came of a batch: nothing yet.
    pub(super) fn empty_outcome(&self, batch: BatchId) -> Outcome {
        Outcome::empty(batch, self.destinations().to_vec(), self.clock.now())
    }

    pub(super) fn turn(&self) {
        *self.beat.lock().unwrap_or_else(PoisonError::into_inner) = Instant::now();
    }

    /// Whether the watch loop turns.
    pub(crate) fn is_alive(&self) -> bool {
        let beat = *self.beat.lock().unwrap_or_else(PoisonError::into_inner);
        beat.elapsed() < PATIENCE + self.clock.tick_every()
    }

    /// What keeps the daemon from its work, as the end of a sentence; `None`: nothing.
    pub(crate) fn ailment(&self) -> Option<String> {
        if !self.is_alive() {
            return Some("the watch loop does not turn".to_owned());
        }
        if !self.routed.load(Ordering::Acquire) {
            return Some("nobody hands the readings to the batches".to_owned());
        }
        let deaf = self.all().into_iter().find(|live| live.is_deaf())?;
        Some(format!("the worker of {} has ended", deaf.batch.name))
    }

    /// As if the watch loop had stood still for two hours.
    #[cfg(test)]
    pub(crate) fn stall(&self) {
        let past = Instant::now().checked_sub(Duration::from_secs(7_200));
        *self.beat.lock().unwrap_or_else(PoisonError::into_inner) = past.unwrap();
    }

    /// Asks the watch loop, and waits until it is stored.
    pub(crate) async fn ask(&self, request: Request) -> Result<Sequence, StoreError> {
        let (answer, answered) = oneshot::channel();
        self.requests
            .send((request, answer))
            .await
            .map_err(|_closed| StoreError::Closed)?;
        answered.await.map_err(|_closed| StoreError::Closed)?
    }
}
