//! The loops taken step by step, for the simulation of faults: who is next is the simulation's choice, what is done is the daemon's own.

use std::sync::Arc;

use fobwatch_core::{
    alert::AlertRecord,
    batch::Batch,
    engine::{Action, FitRequest, Fitted, Monitor, drive_some},
    forecast::Forecast,
};
use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

use super::{
    Clock, Failure, House, Request, folder,
    intake::Intake,
    taught::taught,
    worker::{self, Step, Worker},
    workers::{Fit, Workers},
};
use crate::{
    config::Config,
    deliver,
    incoming::{Incoming, QUEUE},
    store::{BatchId, Sequence, Store, StoreError},
};

/// How the engines' questions are answered, and from when on.
pub(crate) type Answers = (fn(&FitRequest) -> Fitted, Timestamp);

/// A daemon's loops, standing still.
pub(crate) struct Loops {
    house: Arc<House>,
    intake: Intake,
    workers: Vec<Worker>,
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
        let workers = Workers::with_fit(Fit { run, from });
        let mut all = Vec::new();
        for (id, batch) in folder::live(&house, batches).await? {
            all.push(workers.worker(&house, batch, id).await?);
        }
        let intake = Intake {
            house: Arc::clone(&house),
            workers,
            incoming,
            requests,
            stop: CancellationToken::new(),
            told: None,
        };
        Ok(Self {
            house,
            intake,
            workers: all,
        })
    }

    pub(crate) fn house(&self) -> Arc<House> {
        Arc::clone(&self.house)
    }

    /// How many batches are watched.
    pub(crate) fn count(&self) -> usize {
        self.workers.len()
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

    /// A worker takes what is ahead of it, a chunk at most. Call it outside the runtime.
    pub(crate) fn turn(&mut self, which: usize) -> Result<Step, StoreError> {
        match self.workers.get_mut(which) {
            Some(worker) => worker.turn(),
            None => Ok(Step::AtTheEnd),
        }
    }

    /// The stop in order: each worker keeps its state. Call it outside the runtime.
    pub(crate) fn end(&mut self) {
        for worker in &mut self.workers {
            worker.end();
        }
    }

    /// Each engine as its worker has it, and whether something that came of it is not stored.
    pub(crate) fn engines(&self) -> Vec<(BatchId, Monitor, bool)> {
        self.workers.iter().map(Worker::stands).collect()
    }
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
    let mut monitor = taught(house, Monitor::new(batch, house.settings.clone())).await?;
    let (mut alerts, mut reminders, mut forecasts) = (Vec::new(), Vec::new(), Vec::new());
    for event in worker::with_first_tick(&monitor, Sequence(0), events) {
        let Some(event) = worker::concerns(id, house.settings.clock, &event) else {
            continue;
        };
        for action in drive_some(&mut monitor, event, &mut |request| fit.answer(request)) {
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
