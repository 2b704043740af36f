//! The loops taken step by step, for the simulation of faults: who is next is the simulation's choice, what is done is the daemon's own.

use std::{
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use fobwatch_core::{
    alert::AlertRecord,
    batch::Batch,
    engine::{Action, FitRequest, Fitted, Monitor, drive_some},
    forecast::Forecast,
};
use jiff::Timestamp;
use tokio::{
    runtime::Handle,
    sync::{mpsc, oneshot},
};
use tokio_util::sync::CancellationToken;

use super::{
    Clock, Failure, House, Request,
    concerns::{concerns, first_tick},
    fit::Fit,
    folder,
    intake::Intake,
    post::Works,
    router::Router,
    taught::taught,
    turn::{Lane, Next},
    worker::Worker,
    workers::{Staffed, Workers},
};
use crate::{
    config::Config,
    deliver,
    incoming::{Incoming, QUEUE},
    store::{BatchId, Sequence, Store, StoreError},
};

/// How the engines' questions are answered, and from when on.
pub(crate) type Answers = (fn(&FitRequest) -> Fitted, Timestamp);

/// What a worker did when it was its turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// There was nothing to do.
    AtTheEnd,
    /// It took events, or tries again.
    Taken,
    /// The engine failed.
    Failed,
}

/// A daemon's loops, standing still.
pub(crate) struct Loops {
    house: Arc<House>,
    intake: Intake,
    runtime: Handle,
    router: Option<Arc<Router>>,
    posts: Vec<Staffed>,
}

impl Drop for Loops {
    /// The posts hold their workers, and these the router that holds the posts.
    fn drop(&mut self) {
        if let Some(router) = &self.router {
            router.clear();
        }
    }
}

impl Loops {
    /// As a start of the daemon does it, inputs and addresses aside. Call it inside the runtime.
    pub(crate) async fn begin(
        store: Store,
        config: &Config,
        clock: Arc<dyn Clock>,
        batches: Vec<(Batch, String)>,
        incoming: mpsc::Receiver<Incoming>,
        (run, from): Answers,
    ) -> Result<Self, Failure> {
        let (house, requests) = House::new(store, config, clock, false).await?;
        deliver::welcome(&house.store, &house.destinations(), house.clock.now()).await?;
        let mut workers = Workers::stepped(Fit { run, from });
        let live = folder::live(&house, batches).await?;
        workers.begin_all(&house, live).await?;
        let (router, posts) = workers.running().unzip();
        let intake = Intake {
            house: Arc::clone(&house),
            workers,
            incoming,
            requests,
            stop: CancellationToken::new(),
            gather: Duration::ZERO,
            told: None,
            asked: None,
            kept: None,
        };
        Ok(Self {
            house,
            intake,
            runtime: Handle::current(),
            router,
            posts: posts.unwrap_or_default(),
        })
    }

    pub(crate) fn house(&self) -> Arc<House> {
        Arc::clone(&self.house)
    }

    /// How many batches are watched.
    pub(crate) fn count(&self) -> usize {
        self.posts.len()
    }

    /// Stores what waits in the inbox; whether anything did.
    pub(crate) async fn keep(&mut self) -> Result<bool, Failure> {
        let mut waiting = Vec::new();
        while waiting.len() < QUEUE
            && let Ok(message) = self.intake.incoming.try_recv()
        {
            waiting.push(message);
        }
        if waiting.is_empty() {
            return Ok(false);
        }
        self.intake.keep(&mut waiting).await?;
        Ok(true)
    }

    /// The clock is told to the engines.
    pub(crate) async fn tick(&mut self) -> Result<(), Failure> {
        self.intake.tick().await
    }

    /// What a person or program asks for.
    pub(crate) async fn ask(&mut self, request: Request) -> Result<Sequence, StoreError> {
        let (answer, answered) = oneshot::channel();
        if self.intake.serve((request, answer)).await.is_err() {
            return Err(StoreError::Closed);
        }
        answered.await.map_err(|_closed| StoreError::Closed)?
    }

    /// What is stored is handed out, and a worker takes some of what is ahead of it. Call it outside the runtime.
    pub(crate) fn turn(&mut self, which: usize) -> Result<Step, StoreError> {
        let (Some(router), Some((post, worker))) = (&self.router, self.posts.get(which)) else {
            return Ok(Step::AtTheEnd);
        };
        while self.runtime.block_on(router.go_on())? {}
        let mut worker = held(worker);
        let had_failed = worker.has_failed();
        let before = worker.progress();
        let next = worker.turn(post, Lane::Long);
        if worker.has_failed() && !had_failed {
            return Ok(Step::Failed);
        }
        Ok(match next {
            Next::Nothing if post.is_done() || worker.progress() != before => Step::Taken,
            Next::Nothing | Next::End => Step::AtTheEnd,
            Next::Turn(_) | Next::Rest(_) => Step::Taken,
        })
    }

    /// The stop in order: each worker keeps its state. Call it outside the runtime.
    pub(crate) fn end(&mut self) {
        for (_, worker) in &self.posts {
            held(worker).part();
        }
        if let Some(router) = &self.router {
            self.runtime.block_on(router.keep_the_rest());
        }
    }

    /// Each engine as its worker has it, and whether something that came of it is not stored.
    pub(crate) fn engines(&self) -> Vec<(BatchId, Monitor, bool)> {
        self.posts
            .iter()
            .map(|(_, worker)| held(worker).stands())
            .collect()
    }
}

fn held(worker: &Mutex<Worker>) -> MutexGuard<'_, Worker> {
    worker.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What comes of a batch whose events are gone over in one go, without a store, a stop or a snapshot.
pub(crate) struct Replayed {
    pub(crate) monitor: Monitor,
    pub(crate) alerts: Vec<AlertRecord>,
    pub(crate) reminders: Vec<AlertRecord>,
    pub(crate) forecasts: Vec<Forecast>,
}

/// Goes over all stored events of a batch.
pub(crate) async fn replayed(
    house: &House,
    id: BatchId,
    batch: Batch,
    (run, from): Answers,
) -> Result<Replayed, StoreError> {
    let fit = Fit { run, from };
    let events = house
        .store
        .read(|reader| reader.events_after(Sequence(0), u32::MAX))
        .await?;
    let back = house.store.read(move |reader| reader.taken_back(id)).await?;
    let mut monitor = taught(house, Monitor::new(batch, house.settings.clone())).await?;
    let (mut alerts, mut reminders, mut forecasts) = (Vec::new(), Vec::new(), Vec::new());
    for stored in events {
        let Some(event) = concerns(
            &mut monitor,
            (id, &back),
            house.settings.clock,
            &house.claims(),
            &stored,
        ) else {
            continue;
        };
        let first = first_tick(&monitor, house.settings.clock, &stored);
        let mut actions = Vec::new();
        for event in first.into_iter().chain([event]) {
            actions.extend(drive_some(&mut monitor, event, &mut |request| {
                fit.answer(request)
            }));
        }
        for action in actions {
            match action {
                Action::Alert(alert) => alerts.push(alert),
                Action::Remind(alert) => reminders.push(alert),
                Action::Forecast(forecast) => forecasts.push(*forecast),
                Action::Fit(_) | Action::SetAside(_) | Action::Refused { .. } => {}
            }
        }
    }
    Ok(Replayed {
        monitor,
        alerts,
        reminders,
        forecasts,
    })
}
