//! What people and programs ask for, each in its place in the one order.

use std::{
    collections::BTreeSet,
    sync::{Arc, PoisonError},
};

use fobwatch_core::note::Note;
use jiff::Timestamp;
use tracing::{info, warn};

use super::{Intake, sequence};
use crate::{
    claim,
    corrected::Corrected,
    incoming::Kind,
    store::{BatchId, Heard, Sequence, StoreError, Word},
    watch::{
        Failure,
        house::{Asked, Request},
        live::Live,
    },
};

impl Intake {
    pub(in crate::watch) async fn serve(&mut self, (request, answer): Asked) -> Result<(), Failure> {
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
}
