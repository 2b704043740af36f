//! The one who gives everything its place in the order: store, acknowledge, and tell the workers.

mod claimed;
mod requests;

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use fobwatch_core::{engine::ClockSource, reading::Reading};
use jiff::Timestamp;
use tokio::{
    sync::mpsc,
    time::{MissedTickBehavior, interval, sleep, sleep_until},
};
use tokio_util::sync::CancellationToken;
use tracing::warn;

use super::{
    Failure,
    house::{Asked, House},
    workers::Workers,
};
use crate::{
    incoming::{Backoff, Incoming, QUEUE},
    store::{Appended, Sequence, StoreError},
};

/// A wall clock that moved so much more, or less, than time went by has been set by someone.
const STEP: i64 = 300;

/// Readings wait for the disk, and a person for the alerts: it is looked at again at least so often.
const LONGEST_WAIT: Duration = Duration::from_secs(10);

/// So many messages wait for no more: a broker has that many under way at least before it waits for an answer.
const MANY: usize = 16;

#[derive(Debug)]
pub(crate) struct Intake {
    pub(super) house: Arc<House>,
    pub(super) workers: Workers,
    pub(super) incoming: mpsc::Receiver<Incoming>,
    pub(super) requests: mpsc::Receiver<Asked>,
    pub(super) stop: CancellationToken,
    /// How long what comes in slowly waits for more.
    pub(super) gather: Duration,
    /// What the engines were told last, and when that was by [`super::Clock::gone`].
    pub(super) told: Option<(Timestamp, Duration)>,
    /// Whoever waits until what came before is stored.
    pub(super) asked: Option<Asked>,
    /// When messages were stored last.
    pub(super) kept: Option<Instant>,
}

impl Intake {
    pub(crate) fn new(
        house: Arc<House>,
        workers: Workers,
        (incoming, requests): (mpsc::Receiver<Incoming>, mpsc::Receiver<Asked>),
        gather: Duration,
        stop: CancellationToken,
    ) -> Self {
        Self {
            house,
            workers,
            incoming,
            requests,
            stop,
            gather,
            told: None,
            kept: None,
            asked: None,
        }
    }

    /// Until the stop, and what has arrived by then; answers with the workers, still at work.
    ///
    /// # Errors
    /// The store failed for good.
    pub(crate) async fn run(mut self) -> Result<Workers, Failure> {
        let mut ticks = interval(self.house.clock.tick_every());
        ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let stop = self.stop.clone();
        let mut waiting = Vec::with_capacity(QUEUE);
        loop {
            self.house.turn();
            let due = self.due(&waiting);
            tokio::select! {
                () = stop.cancelled() => break,
                // What came before has its place before.
                _ = ticks.tick() => {
                    self.keep(&mut waiting).await?;
                    self.tick().await?;
                }
                Some(asked) = self.requests.recv() => {
                    self.asked = Some(asked);
                    self.keep(&mut waiting).await?;
                    if let Some(asked) = self.asked.take() {
                        self.serve(asked).await?;
                    }
                }
                () = sleep_until(due.into()), if !waiting.is_empty() => self.keep(&mut waiting).await?,
                count = self.incoming.recv_many(&mut waiting, QUEUE), if waiting.len() < MANY => {
                    if count == 0 {
                        // No input is left, and none can come; ticks and requests go on.
                        self.keep(&mut waiting).await?;
                        self.without_inputs(&mut ticks).await?;
                        break;
                    }
                }
            }
        }
        self.incoming.close();
        self.keep(&mut waiting).await?;
        while self.incoming.recv_many(&mut waiting, QUEUE).await > 0 {
            self.keep(&mut waiting).await?;
        }
        Ok(self.workers)
    }

    /// When what waits is to be stored: the first after a while at once, what follows soon with more.
    fn due(&self, waiting: &[Incoming]) -> Instant {
        let now = Instant::now();
        match self.kept {
            Some(kept) if waiting.len() < MANY => now.max(kept + self.gather),
            _ => now,
        }
    }

    async fn without_inputs(&mut self, ticks: &mut tokio::time::Interval) -> Result<(), Failure> {
        let stop = self.stop.clone();
        loop {
            self.house.turn();
            tokio::select! {
                () = stop.cancelled() => return Ok(()),
                _ = ticks.tick() => self.tick().await?,
                Some(asked) = self.requests.recv() => self.serve(asked).await?,
            }
        }
    }

    /// Stores the time, so that a restart lets the engines see the same ticks between the same readings.
    pub(super) async fn tick(&mut self) -> Result<(), Failure> {
        let Some(now) = self.time() else {
            return Ok(());
        };
        let house = Arc::clone(&self.house);
        let sequence = self
            .until_stored(move || {
                let store = house.store.clone();
                async move { store.write(move |writer| writer.append_clock(now)).await }
            })
            .await?;
        self.announce(sequence);
        Ok(())
    }

    /// The same where someone waits for an answer: it is tried once.
    async fn tick_once(&mut self) -> Result<(), StoreError> {
        let Some(now) = self.time() else {
            return Ok(());
        };
        let stored = self
            .house
            .store
            .write(move |writer| writer.append_clock(now))
            .await;
        // What was not stored is late still.
        self.told = self.told.filter(|_| stored.is_ok());
        self.announce(stored?);
        Ok(())
    }

    /// What the clock says; `None` where readings are the clock.
    fn time(&mut self) -> Option<Timestamp> {
        if self.house.settings.clock == ClockSource::Readings {
            return None;
        }
        let now = self.house.clock.now();
        if let Some((before, heard)) = self.told {
            let real = self.house.clock.gone().saturating_sub(heard).as_secs();
            let real = i64::try_from(real).unwrap_or(i64::MAX);
            let moved = now.duration_since(before).as_secs();
            if !self.house.demo && (moved - real).abs() > STEP {
                warn!("The clock of this machine was set from {before} to about {now}. Is it right now?");
            }
        }
        self.told = Some((now, self.house.clock.gone()));
        Some(now)
    }

    /// Whether the engines' clock lags behind: a reading ahead of it counts as of the clock.
    fn is_late(&self) -> bool {
        let clock = &self.house.clock;
        let late = |(_, heard)| clock.gone().saturating_sub(heard) >= clock.tick_every();
        self.told.is_none_or(late)
    }

    /// All that waits, in one transaction.
    pub(super) async fn keep(&mut self, waiting: &mut Vec<Incoming>) -> Result<(), Failure> {
        let Some(received_at) = waiting.iter().map(|message| message.received_at).max() else {
            return Ok(());
        };
        if self.is_late() {
            self.tick().await?;
        }
        let readings: Arc<Vec<_>> = Arc::new(
            waiting
                .iter()
                .flat_map(|message| message.readings.iter().cloned())
                .collect(),
        );
        let house = Arc::clone(&self.house);
        let all = Arc::clone(&readings);
        let appended = self
            .until_stored(move || {
                let store = house.store.clone();
                let readings = Arc::clone(&readings);
                async move {
                    store
                        .write(move |writer| writer.append_readings(&readings, received_at))
                        .await
                }
            })
            .await?;
        self.tell_crowd(&all, &appended);
        let mut answers = appended.iter();
        for message in waiting.iter_mut() {
            message.stored();
            let own = answers.by_ref().take(message.readings.len());
            self.house.counted.stored(message.kind, own);
        }
        waiting.clear();
        self.kept = Some(Instant::now());
        if let Some(last) = appended.into_iter().filter_map(sequence).max() {
            self.announce(last);
        }
        Ok(())
    }

    /// Tells of new sources for which there is no room. Their messages are done with, as those that cannot be read are.
    fn tell_crowd(&self, readings: &[Reading], appended: &[Appended]) {
        let all = readings.iter().zip(appended);
        for (reading, _) in all.filter(|(_, answer)| **answer == Appended::TurnedAway) {
            self.house
                .crowd
                .turned_away(&reading.source, self.house.clock.now());
        }
    }

    fn announce(&self, sequence: Sequence) {
        self.house.latest.send_replace(sequence);
    }

    /// Tries until it is stored. What cannot be stored is never acknowledged; the inputs wait meanwhile, and people are
    /// answered that it cannot be stored.
    async fn until_stored<T, F>(&mut self, mut write: impl FnMut() -> F) -> Result<T, Failure>
    where
        F: Future<Output = Result<T, StoreError>>,
    {
        let mut backoff = Backoff::default();
        loop {
            match write().await {
                Ok(done) => {
                    self.house.unstored.stored();
                    return Ok(done);
                }
                Err(failed) if failed.is_transient() && !self.stop.is_cancelled() => {
                    self.house.unstored.failed(self.house.clock.now(), &failed);
                    let wait = backoff.after(Duration::ZERO).min(LONGEST_WAIT);
                    let again = Instant::now() + self.house.clock.wait(wait);
                    self.refuse_until(again, &failed.to_string()).await;
                }
                Err(failed) => return Err(Failure::Store(failed)),
            }
        }
    }

    async fn refuse_until(&mut self, again: Instant, why: &str) {
        let stop = self.stop.clone();
        if let Some((_, answer)) = self.asked.take() {
            answer.send(Err(StoreError::Waiting { why: why.to_owned() })).ok();
        }
        loop {
            self.house.turn();
            tokio::select! {
                () = stop.cancelled() => return,
                () = sleep(again.saturating_duration_since(Instant::now())) => return,
                Some((_, answer)) = self.requests.recv() => {
                    // Whoever asked may have gone away.
                    answer.send(Err(StoreError::Waiting { why: why.to_owned() })).ok();
                }
            }
        }
    }
}

/// The place of what was not stored before.
fn sequence(appended: Appended) -> Option<Sequence> {
    match appended {
        Appended::New(sequence) => Some(sequence),
        Appended::Duplicate | Appended::TurnedAway => None,
    }
}
