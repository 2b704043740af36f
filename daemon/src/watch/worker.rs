//! The worker of one batch: takes the stored events in their order through the engine and stores what comes of them.
//!
//! It has turns, which the [`super::crew`] gives it, and follows what the [`super::router`] hands out. Where more came in than waits in
//! memory (a batch that was added late, or has much to catch up with) it reads from the store what comes after what it has
//! seen, until it follows again.

mod aside;
mod corrected;
mod drive;
mod follow;
mod kept;
#[cfg(any(test, feature = "faults"))]
mod simulated;

use std::{collections::VecDeque, mem, sync::Arc, time::Duration};

use fobwatch_core::{
    alert::AlertRecord,
    engine::{Event, Monitor},
    note::Note,
};
use tokio::runtime::Handle;
use tokio_util::sync::CancellationToken;
use tracing::error;

use self::drive::Taken;
use super::{
    fit::Fit,
    house::House,
    live::Live,
    post::{Given, Post, Works},
    router::Router,
    totals::Totals,
    turn::{Lane, Next},
};
use crate::{
    incoming::Backoff,
    store::{Outcome, Sequence, StoreError},
};

/// At a stop the next start may go over fewer events again.
const SNAPSHOT_EVENTS_AT_STOP: u64 = 500;

/// Drives one batch.
pub(super) struct Worker {
    house: Arc<House>,
    router: Arc<Router>,
    live: Arc<Live>,
    runtime: Handle,
    /// All workers end.
    closing: CancellationToken,
    monitor: Monitor,
    fit: Fit,
    /// It had a turn.
    begun: bool,
    seen: Sequence,
    /// What is to be taken next.
    queue: VecDeque<Given>,
    /// It reads by itself, and has read up to here; `None`: it follows.
    reads: Option<Sequence>,
    /// Up to here all was handed out when it took its part, and so much.
    handed_out: (Sequence, Totals),
    /// Readings of each quantity that were handed out, to it or not, and are accounted for; `None`: not known yet.
    totals: Option<Totals>,
    /// What of its turn is taken, and how the engine stood before; so that a failure takes nothing with it.
    taken: Vec<Given>,
    before: Before,
    /// What is left of the tick before its first event: it may take many turns, and no state is kept meanwhile.
    first: Option<Event>,
    /// The engine failed, and nothing up to here counts as a person's wish to go on.
    aside: Option<Sequence>,
    /// Up to here it is gone over with corrected entries, or without a note: nothing of that is told, see [`Self::settle_corrected`].
    corrected: Option<Sequence>,
    /// Notes that count as never said.
    back: Vec<Note>,
    /// What was stored before this worker began: reminders of it were told already, or are late.
    old: Sequence,
    /// Reminders of that, not told yet.
    late: Vec<AlertRecord>,
    outcome: Outcome,
    /// What could not be stored yet.
    unstored: Option<Arc<Outcome>>,
    backoff: Backoff,
    fits_since_snapshot: u32,
    since_snapshot: u64,
    /// By [`super::Clock::gone`].
    snapshot_at: Duration,
}

/// How a worker stood before its turn.
struct Before {
    monitor: Arc<Monitor>,
    seen: Sequence,
    totals: Option<Totals>,
    first: Option<Event>,
}

impl Works for Worker {
    fn join(&mut self, post: &Arc<Post>) {
        let seen = self.reads.unwrap_or(self.seen);
        if self.router.join(post, seen) {
            self.reads = None;
            self.totals = None;
        }
    }

    fn turn(&mut self, post: &Arc<Post>, lane: Lane) -> Next {
        if !mem::replace(&mut self.begun, true) && self.was_set_aside() {
            self.go_on();
        }
        if self.live.stop.is_cancelled() {
            return self.part();
        }
        if !self.store_again() {
            return self.rest();
        }
        if self.queue.is_empty() {
            match self.fill(post) {
                Ok(true) => {}
                Ok(false) => {
                    post.settle(None);
                    return Next::Nothing;
                }
                Err(StoreError::Closed) => return Next::End,
                Err(error) => {
                    error!(batch = %self.live.batch.name, "{} cannot go on yet: {error}.", self.live.batch.name);
                    return self.rest();
                }
            }
        }
        let next = self.take_some(post, lane);
        self.leave();
        if self.live.stop.is_cancelled() {
            return self.part();
        }
        self.keep_snapshot_if_due();
        let stored = self.record();
        post.settle(self.queue.front().map(|given| given.event.sequence));
        if stored { next } else { self.rest() }
    }
}

impl Worker {
    /// It is listed from here on.
    pub(super) fn new(
        house: &Arc<House>,
        router: &Arc<Router>,
        live: &Arc<Live>,
        (monitor, seen): (Monitor, Sequence),
        (corrected, back): (Option<Sequence>, Vec<Note>),
        fit: Fit,
        closing: CancellationToken,
    ) -> Self {
        Self {
            house: Arc::clone(house),
            router: Arc::clone(router),
            live: Arc::clone(live),
            runtime: Handle::current(),
            closing,
            before: Before {
                monitor: live.standing().monitor,
                seen,
                totals: None,
                first: None,
            },
            first: None,
            monitor,
            fit,
            begun: false,
            seen,
            queue: VecDeque::new(),
            reads: Some(seen),
            handed_out: (seen, Totals::default()),
            totals: None,
            taken: Vec::new(),
            aside: None,
            corrected,
            back,
            old: *house.latest.borrow(),
            late: Vec::new(),
            outcome: house.empty_outcome(live.id),
            unstored: None,
            backoff: Backoff::default(),
            fits_since_snapshot: 0,
            since_snapshot: 0,
            snapshot_at: house.clock.gone(),
        }
    }

    /// The end of the worker: it keeps its state.
    pub(super) fn part(&mut self) -> Next {
        // A batch that has ended teaches others by its last state.
        let has_ended = !self.closing.is_cancelled();
        if has_ended || self.fits_since_snapshot > 0 || self.since_snapshot >= SNAPSHOT_EVENTS_AT_STOP {
            self.keep_snapshot();
        }
        if has_ended {
            self.router.leave(self.live.id);
        }
        // A state is kept behind what came of it, never before.
        let alone = if has_ended {
            None
        } else {
            self.outcome.snapshot.take()
        };
        let stored = self.store_again() && self.record();
        if let Some(snapshot) = alone.filter(|_| stored) {
            let due = self.router.parts(self.live.id, snapshot);
            self.runtime.block_on(self.router.keep(due));
        }
        Next::End
    }

    fn rest(&mut self) -> Next {
        Next::Rest(self.house.clock.wait(self.backoff.after(Duration::ZERO)))
    }

    fn take_some(&mut self, post: &Post, lane: Lane) -> Next {
        let mut fits_left = u32::from(lane == Lane::Long);
        while let Some(given) = self.queue.front().cloned() {
            let event = Arc::clone(&given.event);
            if self.live.stop.is_cancelled() || self.unstored.is_some() {
                break;
            }
            if let Some(known) = self.aside {
                self.queue.pop_front();
                if event.sequence > known && self.is_by_person(&event) {
                    self.aside = None;
                    self.queue.clear();
                    self.reads = Some(self.seen);
                    post.unfollow();
                    self.go_on();
                    break;
                }
                continue;
            }
            self.count_those_passed_by(given.before);
            if self.totals.is_some() && given.before.is_some() {
                // Those that were counted are seen: a state that is kept within this event would have them counted again.
                self.seen = self.seen.max(event.sequence.before());
            }
            let taken = match self.concerns(&event) {
                None => {
                    if self.corrected == Some(event.sequence) && !self.settle_corrected(&event) {
                        return self.rest();
                    }
                    self.queue.pop_front();
                    self.seen = event.sequence;
                    self.count_own(&event);
                    continue;
                }
                Some(engine_event) => self.drive(&engine_event, &event, &mut fits_left),
            };
            match taken {
                Taken::Whole => {
                    self.queue.pop_front();
                    self.seen = event.sequence;
                    self.since_snapshot += 1;
                    self.count_own(&event);
                    self.taken.push(given);
                }
                Taken::WaitsForFit => return Next::Turn(Lane::Long),
                Taken::Failed => self.fail(&event),
                Taken::Halted => break,
            }
        }
        self.pass_the_others();
        match self.reads {
            // However much it is to read, what others need at once comes first.
            Some(_) => Next::Turn(Lane::Long),
            None if self.queue.is_empty() => Next::Nothing,
            None => Next::Turn(Lane::Soon),
        }
    }

    /// What the rest of the daemon sees.
    fn leave(&mut self) {
        let monitor = Arc::new(self.monitor.clone());
        if self.aside.is_none() {
            self.live.leave(Arc::clone(&monitor), self.seen);
        }
        self.taken.clear();
        self.before = Before {
            monitor,
            seen: self.seen,
            totals: self.totals,
            first: self.first.clone(),
        };
    }
}
