//! The one who gives everything its place in the order: store, acknowledge, and tell the workers.

use std::{
    collections::BTreeSet,
    sync::{Arc, PoisonError},
    time::{Duration, Instant},
};

use fobwatch_core::{
    engine::ClockSource,
    note::Note,
    reading::{Quantity, Reading, Source},
};
use jiff::Timestamp;
use tokio::{
    sync::mpsc,
    time::{MissedTickBehavior, interval, sleep, sleep_until},
};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use super::{
    Failure, claims,
    house::{Asked, House, Request},
    live::Live,
    workers::Workers,
};
use crate::{
    claim,
    corrected::Corrected,
    incoming::{Backoff, Incoming, Kind, QUEUE},
    store::{Appended, BatchId, Heard, Sequence, StoreError, Word},
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

    pub(super) async fn serve(&mut self, (request, answer): Asked) -> Result<(), Failure> {
        let now = self.house.clock.now();
        let store = self.house.store.clone();
        let said = matches!(
            request,
            Request::Note(..)
                | Request::Command(..)
                | Request::Add(..)
                | Request::End(_)
                | Request::Correct(..)
        );
        let done = match request {
            Request::Note(batch, note) if note.takes_back.is_some() => {
                self.take_back(batch, note, now).await?
            }
            Request::Note(batch, note) => {
                store
                    .write(move |writer| writer.append_note(batch, &note, now))
                    .await
            }
            Request::Command(batch, command) => {
                store
                    .write(move |writer| writer.append_command(batch, &command, now))
                    .await
            }
            Request::Add(batch, text) => {
                let kept = (*batch).clone();
                match store
                    .write(move |writer| writer.add_batch(&kept, &text, now))
                    .await
                {
                    Ok(id) => {
                        let named = self
                            .house
                            .claims_change(|claims| claims.put(id, &batch, (now, None)));
                        self.workers.begin(&self.house, *batch, id).await?;
                        self.settle_claims(named, &BTreeSet::new()).await?;
                        // Its engine is not to wait for the next tick before it says anything.
                        self.tick().await?;
                        Ok(*self.house.latest.borrow())
                    }
                    Err(error) => Err(error),
                }
            }
            Request::Correct(live, corrected) => self.correct(&live, *corrected, now).await?,
            Request::Hear(heard) => self.hear(*heard, now).await?,
            Request::Readings {
                readings,
                received_at,
                new,
            } => {
                let told = match self.is_late() {
                    true => self.tick_once().await,
                    false => Ok(()),
                };
                let appended = match told {
                    Ok(()) => {
                        store
                            .write(move |writer| {
                                let appended = writer.append_readings(&readings, received_at)?;
                                Ok((readings, appended))
                            })
                            .await
                    }
                    Err(failed) => Err(failed),
                };
                appended.map(|(readings, appended)| {
                    self.tell_crowd(&readings, &appended);
                    self.house.counted.stored(Kind::Api, appended.iter());
                    let stored: Vec<_> = appended.into_iter().filter_map(sequence).collect();
                    // Whoever asked may have gone away; what was stored stays stored.
                    new.send(stored.len()).ok();
                    stored.into_iter().max().unwrap_or(*self.house.latest.borrow())
                })
            }
            Request::End(live) => {
                let name = live.batch.name.to_string();
                let ended = store.write(move |writer| writer.end_batch(&name, now)).await;
                ended.map(|id| {
                    self.house.claims_change(|claims| claims.end(id, now));
                    self.workers.end(&live);
                    let mut batches = self
                        .house
                        .batches
                        .write()
                        .unwrap_or_else(PoisonError::into_inner);
                    batches.remove(&live.slug);
                    info!(batch = %live.batch.name, "{} has ended and is no longer watched.", live.batch.name);
                    *self.house.latest.borrow()
                })
            }
        };
        match &done {
            Ok(sequence) => {
                let latest = *self.house.latest.borrow();
                if *sequence > latest {
                    self.house.unstored.stored();
                }
                self.announce(latest.max(*sequence));
                if said {
                    self.house.words.send_modify(|count| *count += 1);
                }
            }
            // Whoever asked hears it, and all others are to see it.
            Err(failed) if failed.is_transient() => self.house.unstored.failed(now, failed),
            Err(_) => {}
        }
        // Whoever asked may have gone away; what was stored stays stored.
        answer.send(done).ok();
        Ok(())
    }
}

impl Intake {
    /// The batch's worker ends before anything changes: nothing that was reckoned with the old entries is stored after that.
    async fn correct(
        &mut self,
        live: &Live,
        corrected: Corrected,
        now: Timestamp,
    ) -> Result<Result<Sequence, StoreError>, Failure> {
        self.workers.end(live);
        self.workers.ended(live).await;
        let id = live.id;
        let stored = self
            .house
            .store
            .write(move |writer| {
                let stored = writer.correct_batch(id, &corrected, now)?;
                Ok((stored, corrected))
            })
            .await;
        if let Err(StoreError::NoSuchBatch { name }) = stored {
            // Somebody ended it meanwhile.
            return Ok(Err(StoreError::NoSuchBatch { name }));
        }
        // Stored or not, it is watched on.
        let (stored, batch) = match stored {
            Ok((stored, corrected)) => {
                for warning in &corrected.warnings {
                    warn!(batch = %live.batch.name, "{}: {warning}", live.batch.name);
                }
                (Ok(stored), corrected.batch)
            }
            Err(failed) => (Err(failed), live.batch.clone()),
        };
        let (named, before) = (claim::own(&batch), claim::own(&live.batch));
        self.house.claims_change(|claims| claims.correct(id, &batch));
        self.workers.begin(&self.house, batch, id).await?;
        if let Ok(sequence) = &stored {
            let new = named.difference(&before).cloned().collect();
            let freed = before.difference(&named).cloned().collect();
            self.settle_claims(new, &freed).await?;
            info!(batch = %live.batch.name, "The entries of {} were corrected; it is gone over again from its sealing on.", live.batch.name);
            self.announce(*sequence);
            self.tick().await?;
        }
        Ok(stored)
    }
}

impl Intake {
    /// As with corrected entries: the worker ends first.
    async fn take_back(
        &mut self,
        batch: BatchId,
        note: Note,
        now: Timestamp,
    ) -> Result<Result<Sequence, StoreError>, Failure> {
        let Some(live) = self.house.all().into_iter().find(|live| live.id == batch) else {
            let name = "the batch of that note".to_owned();
            return Ok(Err(StoreError::NoSuchBatch { name }));
        };
        self.workers.end(&live);
        self.workers.ended(&live).await;
        let stored = self
            .house
            .store
            .write(move |writer| writer.append_note(batch, &note, now))
            .await;
        // Stored or not, it is watched on.
        self.workers.begin(&self.house, live.batch.clone(), batch).await?;
        if let Ok(sequence) = &stored {
            info!(batch = %live.batch.name, "A note of {} was taken back; it is gone over again from its sealing on.", live.batch.name);
            let latest = *self.house.latest.borrow();
            self.announce(latest.max(*sequence));
            self.tick().await?;
        }
        Ok(stored)
    }

    /// The batch that is watched here, if what is heard of it takes a note back that counted until now.
    async fn forgets(&self, heard: &Heard) -> Option<Arc<Live>> {
        let back: Vec<Note> = heard
            .words
            .iter()
            .filter_map(|word| match word {
                Word::Note(note) if note.takes_back.is_some() => Some(note.clone()),
                Word::Note(_) | Word::Command(_) => None,
            })
            .collect();
        let live = self.house.batch(heard.batch.name.slug().as_str())?;
        if back.is_empty() {
            return None;
        }
        let id = live.id;
        // What cannot be read cannot be written either.
        let known = self
            .house
            .store
            .read(move |reader| reader.all_notes(id))
            .await
            .ok()?;
        back.iter().any(|note| !known.contains(note)).then_some(live)
    }

    /// What another daemon of the site tells: it may name gauges, too.
    async fn hear(&mut self, heard: Heard, now: Timestamp) -> Result<Result<Sequence, StoreError>, Failure> {
        let name = heard.batch.name.clone();
        let forgets = self.forgets(&heard).await;
        if let Some(live) = &forgets {
            self.workers.end(live);
            self.workers.ended(live).await;
        }
        let kept = self
            .house
            .store
            .write(move |writer| {
                let sequence = writer.hear(&heard, now)?;
                Ok((sequence, writer.reader().last_named(&name)?, heard))
            })
            .await;
        if let Some(live) = forgets {
            self.workers
                .begin(&self.house, live.batch.clone(), live.id)
                .await?;
        }
        let (sequence, stored, heard) = match kept {
            Ok(kept) => kept,
            Err(error) => return Ok(Err(error)),
        };
        if let Some(stored) = stored {
            let span = (stored.added_at, stored.ended_at);
            // It is told again and again: only what it did not name before changes anything.
            let new = self
                .house
                .claims_change(|claims| claims.put(stored.id, &heard.batch, span));
            self.settle_claims(new, &BTreeSet::new()).await?;
        }
        Ok(Ok(sequence))
    }

    /// Batches that took what one names `named` by now begin anew without it, and those that passed what it has `freed` begin anew with it: what they
    /// come to does not depend on when the one named its gauge.
    async fn settle_claims(
        &mut self,
        named: BTreeSet<Source>,
        freed: &BTreeSet<Source>,
    ) -> Result<(), Failure> {
        let sources: Vec<Source> = named.union(freed).cloned().collect();
        if sources.is_empty() {
            return Ok(());
        }
        let heard = self
            .house
            .store
            .read(move |reader| claims::heard(reader, &sources));
        let heard = match heard.await {
            // As of a gauge that is new: of ten thousand batches none is looked at for its sake.
            Ok(heard) if heard.is_empty() => return Ok(()),
            Ok(heard) => heard,
            // At the next start it is seen to.
            Err(failed) => {
                warn!("Whether a batch took the gauge of another one cannot be read: {failed}.");
                return Ok(());
            }
        };
        for live in self.house.all() {
            let sealed = live.batch.bottled_at;
            let of_live = |source: &Source, quantity| {
                let claims = self.house.claims();
                claims.holder((live.id, &live.batch), source, quantity).is_some()
            };
            let both = |sources: &BTreeSet<Source>, held: bool| -> Vec<(Source, Quantity)> {
                claim::left_open(&live.batch)
                    .flat_map(|quantity| sources.iter().map(move |source| (source.clone(), quantity)))
                    .filter(|sensor| heard.contains(sensor))
                    .filter(|(source, quantity)| of_live(source, *quantity) == held)
                    .collect()
            };
            let (taken, passed) = (both(&named, true), both(freed, false));
            if taken.is_empty() && passed.is_empty() {
                continue;
            }
            let heard = self
                .house
                .store
                .read(move |reader| {
                    let first = |sensors: Vec<(Source, Quantity)>| {
                        for (source, quantity) in sensors {
                            if reader.heard_since(&source, quantity, sealed)? {
                                return Ok::<_, StoreError>(Some(source));
                            }
                        }
                        Ok(None)
                    };
                    Ok((first(taken)?, first(passed)?))
                })
                .await;
            let (taken, passed) = match heard {
                Ok((None, None)) => continue,
                Ok(heard) => heard,
                // At the next start it is seen to.
                Err(failed) => {
                    warn!(batch = %live.batch.name, "Whether {} took the gauge of another batch cannot be read: {failed}.", live.batch.name);
                    continue;
                }
            };
            self.workers.end(&live);
            self.workers.ended(&live).await;
            if let (None, Some(source)) = (&taken, passed) {
                let now = self.house.clock.now();
                let why =
                    format!("{source} sits on no other batch any more, so what it measured counts here");
                let (id, note) = (live.id, claims::note(now.max(sealed), why));
                let anew = self
                    .house
                    .store
                    .write(move |writer| writer.begin_anew(id, &note, now));
                match anew.await {
                    Ok(place) => self
                        .house
                        .latest
                        .send_modify(|latest| *latest = place.max(*latest)),
                    Err(failed) => {
                        warn!(batch = %live.batch.name, "{} goes on without its only gauge: {failed}.", live.batch.name);
                    }
                }
            }
            self.workers
                .begin(&self.house, live.batch.clone(), live.id)
                .await?;
            info!(batch = %live.batch.name, "Whose the gauges are has changed for {}; what it took by mistake does not count.", live.batch.name);
        }
        Ok(())
    }
}

/// The place of what was not stored before.
fn sequence(appended: Appended) -> Option<Sequence> {
    match appended {
        Appended::New(sequence) => Some(sequence),
        Appended::Duplicate | Appended::TurnedAway => None,
    }
}
