//! The workers of all batches under watch.

use std::{
    sync::{Arc, PoisonError},
    thread::JoinHandle,
};

use fobwatch_core::{
    batch::Batch,
    engine::{FitRequest, Fitted},
};
use jiff::Timestamp;
use tokio_util::sync::CancellationToken;
use tracing::error;

use super::{
    Failure,
    house::House,
    live::Live,
    worker::{self, Worker},
};
use crate::store::{BatchId, StoreError};

/// How questions of the engines are answered.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    pub(super) run: fn(&FitRequest) -> Fitted,
    /// Those as of earlier times stay open.
    pub(super) from: Timestamp,
}

impl Fit {
    pub(super) fn answer(self, request: &FitRequest) -> Option<Fitted> {
        (request.at >= self.from).then(|| (self.run)(request))
    }
}

#[derive(Debug)]
pub(super) struct Workers {
    threads: Vec<JoinHandle<()>>,
    stop: CancellationToken,
    fit: Fit,
}

impl Workers {
    /// Answers what the engines ask as of `from` and later.
    pub(super) fn new(from: Timestamp) -> Self {
        Self::with_fit(Fit {
            run: FitRequest::run,
            from,
        })
    }

    pub(super) fn with_fit(fit: Fit) -> Self {
        Self {
            threads: Vec::new(),
            stop: CancellationToken::new(),
            fit,
        }
    }

    /// Begins to watch a stored batch where it was left.
    ///
    /// # Errors
    /// The store cannot be read, or the system gives no thread.
    pub(super) async fn begin(
        &mut self,
        house: &Arc<House>,
        batch: Batch,
        id: BatchId,
    ) -> Result<(), Failure> {
        let worker = self.worker(house, batch, id).await?;
        let thread = worker::start(worker).map_err(|source| Failure::System {
            what: "a thread",
            source,
        })?;
        self.threads.push(thread);
        Ok(())
    }

    /// The worker of a stored batch where it was left; the batch is listed from here on.
    ///
    /// # Errors
    /// The store cannot be read or written.
    pub(super) async fn worker(
        &self,
        house: &Arc<House>,
        batch: Batch,
        id: BatchId,
    ) -> Result<Worker, StoreError> {
        let named: Vec<_> = batch.sensors.values().cloned().collect();
        house
            .store
            .write(move |writer| {
                writer.names(named);
                Ok(())
            })
            .await?;
        let (monitor, seen) = worker::revive(house, batch, id).await?;
        let live = Arc::new(Live::new(id, monitor.clone(), seen, self.stop.child_token()));
        house
            .batches
            .write()
            .unwrap_or_else(PoisonError::into_inner)
            .insert(live.slug.clone(), Arc::clone(&live));
        worker::greet(&live.batch, seen);
        Ok(worker::worker(house, &live, monitor, seen, self.fit))
    }

    /// Lets each finish its event and keep its state.
    pub(super) async fn finish(self) {
        self.stop.cancel();
        let threads = self.threads;
        let joined = tokio::task::spawn_blocking(move || {
            threads
                .into_iter()
                .map(JoinHandle::join)
                .filter(Result::is_err)
                .count()
        });
        if joined.await.unwrap_or(1) > 0 {
            error!(
                "A batch's worker ended in disorder; its batch goes on from its last snapshot at the next start."
            );
        }
    }
}
