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
    progress: watch::Sender<Progress>,
    /// Up to where all that is stored was handed out to the batches.
    handed_out: watch::Receiver<Sequence>,
    standing: RwLock<Standing>,
    ended: AtomicBool,
}

/// How far a batch has come.
#[derive(Clone, Copy, Debug)]
struct Progress {
    /// The last event that the engine has taken.
    seen: Sequence,
    owes: Owes,
}

/// What is to be taken yet, of what was handed out to the batches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Owes {
    Nothing,
    /// From this event on.
    From(Sequence),
    /// All after the last that was taken: its worker reads by itself.
    All,
}

/// How a batch stands.
#[derive(Clone, Debug)]
pub(crate) struct Standing {
    /// The engine as of the worker's last turn.
    pub(crate) monitor: Arc<Monitor>,
    /// Why the batch was set aside.
    pub(crate) failed: Option<String>,
    /// Counts up with every change.
    pub(crate) change: u64,
}

impl Live {
    pub(super) fn new(
        id: BatchId,
        monitor: Arc<Monitor>,
        seen: Sequence,
        handed_out: watch::Receiver<Sequence>,
        stop: CancellationToken,
    ) -> Self {
        let batch = monitor.batch().clone();
        Self {
            id,
            slug: batch.name.slug(),
            batch,
            stop,
            progress: watch::Sender::new(Progress {
                seen,
                owes: Owes::All,
            }),
            handed_out,
            standing: RwLock::new(Standing {
                monitor,
                failed: None,
                change: 0,
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

    /// Waits until the engine has taken what is stored up to `sequence`; a batch that was set aside takes none.
    pub(crate) async fn reaches(&self, sequence: Sequence) {
        let (mut progress, mut handed_out) = (self.progress.subscribe(), self.handed_out.clone());
        loop {
            progress.mark_unchanged();
            handed_out.mark_unchanged();
            if !self.is_behind(sequence) {
                return;
            }
            tokio::select! {
                // The sender lives as long as `self`.
                _ = progress.changed() => {}
                changed = handed_out.changed() => {
                    if changed.is_err() {
                        return;
                    }
                }
            }
        }
    }

    /// The engine has not taken all that is stored up to `sequence`: what is shown of it is old.
    pub(crate) fn is_behind(&self, sequence: Sequence) -> bool {
        // Asked first: what is handed out later is owed by then.
        let handed_out = *self.handed_out.borrow() >= sequence;
        let Progress { seen, owes } = *self.progress.borrow();
        seen < sequence
            && match owes {
                Owes::Nothing => !handed_out,
                Owes::From(first) => first <= sequence || !handed_out,
                Owes::All => true,
            }
    }

    pub(super) fn owes(&self, owes: Owes) {
        self.progress.send_if_modified(|progress| {
            let changes = progress.owes != owes;
            progress.owes = owes;
            changes
        });
    }

    /// The event at `sequence` was handed out to it.
    pub(super) fn owes_from(&self, sequence: Sequence) {
        self.progress.send_if_modified(|progress| {
            let is_first = progress.owes == Owes::Nothing;
            if is_first {
                progress.owes = Owes::From(sequence);
            }
            is_first
        });
    }

    /// Its worker has ended, though nobody asked it to and the batch was not set aside.
    pub(crate) fn is_deaf(&self) -> bool {
        self.ended.load(Ordering::Acquire) && !self.stop.is_cancelled() && self.standing().failed.is_none()
    }

    /// Its worker ends, in whatever way.
    pub(super) fn end(&self) {
        self.ended.store(true, Ordering::Release);
        // Whoever waits for it looks again.
        self.progress.send_modify(|_progress| {});
    }

    /// Waits until its worker has ended: nothing of it is stored after that.
    pub(super) async fn ended(&self) {
        let mut progress = self.progress.subscribe();
        // The sender lives as long as `self`.
        let _gone = progress
            .wait_for(|_progress| self.ended.load(Ordering::Acquire))
            .await;
    }

    fn change(&self, change: impl FnOnce(&mut Standing)) {
        let mut standing = self.standing.write().unwrap_or_else(PoisonError::into_inner);
        change(&mut standing);
        standing.change += 1;
    }

    pub(super) fn leave(&self, monitor: Arc<Monitor>, seen: Sequence) {
        self.change(|standing| standing.monitor = monitor);
        self.progress.send_modify(|progress| progress.seen = seen);
    }

    /// It was set aside, and goes on from `seen`.
    pub(super) fn take_up(&self, monitor: Arc<Monitor>, seen: Sequence) {
        self.leave(monitor, seen);
        self.change(|standing| standing.failed = None);
    }

    pub(super) fn set_aside(&self, why: String) {
        self.change(|standing| standing.failed = Some(why));
        self.progress
            .send_modify(|progress| progress.seen = Sequence(i64::MAX));
    }
}
