//! A batch under watch, as the rest of the daemon sees it.

use std::sync::{
    Arc, PoisonError, RwLock,
    atomic::{AtomicBool, Ordering},
};

use fobwatch_core::{
    batch::{Batch, Slug},
    engine::Monitor,
};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::store::{BatchId, Sequence};

/// A batch under watch. Its worker alone drives the engine; everyone else looks at the copy that the worker leaves here
/// after each turn.
#[derive(Debug)]
pub(crate) struct Live {
    pub(crate) id: BatchId,
    pub(crate) slug: Slug,
    pub(crate) batch: Batch,
    /// Ends its worker.
    pub(crate) stop: CancellationToken,
    seen: watch::Sender<Sequence>,
    standing: RwLock<Standing>,
    ended: AtomicBool,
}

/// How a batch stands.
#[derive(Clone, Debug)]
pub(crate) struct Standing {
    /// The engine as of the worker's last turn.
    pub(crate) monitor: Arc<Monitor>,
    /// Why the batch was set aside.
    pub(crate) failed: Option<String>,
}

impl Live {
    pub(super) fn new(id: BatchId, monitor: Monitor, seen: Sequence, stop: CancellationToken) -> Self {
        let batch = monitor.batch().clone();
        Self {
            id,
            slug: batch.name.slug(),
            batch,
            stop,
            seen: watch::Sender::new(seen),
            standing: RwLock::new(Standing {
                monitor: Arc::new(monitor),
                failed: None,
            }),
            ended: AtomicBool::new(false),
        }
    }

    /// As of the worker's last turn.
    pub(crate) fn standing(&self) -> Standing {
        self.standing
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Waits until the engine has taken the event at `sequence`; a batch that was set aside takes none.
    pub(crate) async fn reaches(&self, sequence: Sequence) {
        let mut seen = self.seen.subscribe();
        // The sender lives as long as `self`.
        seen.wait_for(|seen| *seen >= sequence).await.ok();
    }

    /// The engine has not taken the event at `sequence` yet: what is shown of it is old.
    pub(crate) fn is_behind(&self, sequence: Sequence) -> bool {
        *self.seen.borrow() < sequence
    }

    /// Its worker has ended, though nobody asked it to and the batch was not set aside.
    pub(crate) fn is_deaf(&self) -> bool {
        self.ended.load(Ordering::Acquire) && !self.stop.is_cancelled() && self.standing().failed.is_none()
    }

    /// Its worker ends, in whatever way.
    pub(super) fn end(&self) {
        self.ended.store(true, Ordering::Release);
    }

    pub(super) fn leave(&self, monitor: &Monitor, seen: Sequence) {
        let monitor = Arc::new(monitor.clone());
        self.standing
            .write()
            .unwrap_or_else(PoisonError::into_inner)
            .monitor = monitor;
        self.seen.send_replace(seen);
    }

    /// It was set aside, and goes on from `seen`.
    pub(super) fn take_up(&self, monitor: &Monitor, seen: Sequence) {
        self.leave(monitor, seen);
        self.standing
            .write()
            .unwrap_or_else(PoisonError::into_inner)
            .failed = None;
    }

    pub(super) fn set_aside(&self, why: String) {
        self.standing
            .write()
            .unwrap_or_else(PoisonError::into_inner)
            .failed = Some(why);
        self.seen.send_replace(Sequence(i64::MAX));
    }
}
