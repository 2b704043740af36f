//! As many threads as the machine has cores drive all batches in turn.
//!
//! What asks for a fit waits in a lane of its own: a reading or a note is taken at once, however many batches are to be fitted.
//! Within a lane the order is that of arrival, and a turn is short, so one batch with much to do keeps no other waiting.

use std::{
    collections::VecDeque,
    io,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError},
    thread::{self, JoinHandle},
    time::Duration,
};

use tokio::{runtime::Handle, time::sleep};
use tokio_util::sync::CancellationToken;
use tracing::error;

use super::{
    post::Post,
    turn::{Lane, Next},
};

pub(super) struct Crew {
    lanes: Mutex<Lanes>,
    bell: Condvar,
    runtime: Handle,
    /// Ends every rest.
    stop: CancellationToken,
}

#[derive(Default)]
struct Lanes {
    soon: VecDeque<Arc<Post>>,
    long: VecDeque<Arc<Post>>,
    /// Workers that have not ended.
    watched: usize,
    /// Those that ended in disorder.
    broken: usize,
    closing: bool,
}

impl Crew {
    /// A crew that stands still. Call it inside the runtime.
    pub(super) fn new(stop: CancellationToken) -> Arc<Self> {
        Arc::new(Self {
            lanes: Mutex::default(),
            bell: Condvar::new(),
            runtime: Handle::current(),
            stop,
        })
    }

    /// Its threads.
    ///
    /// # Errors
    /// The system gives no thread.
    pub(super) fn start(self: &Arc<Self>) -> io::Result<Vec<JoinHandle<()>>> {
        // One that waits for the disk leaves the core to another.
        let count = thread::available_parallelism().map_or(2, |cores| cores.get().max(2));
        let threads = (1..=count).map(|number| {
            let crew = Arc::clone(self);
            thread::Builder::new()
                .name(format!("batches-{number}"))
                .spawn(move || crew.work())
        });
        threads.collect()
    }

    /// A worker more.
    pub(super) fn enter(&self, post: &Arc<Post>) {
        self.lanes().watched += 1;
        self.ring(post);
    }

    /// Something is to be done.
    pub(super) fn ring(&self, post: &Arc<Post>) {
        if post.ring() {
            self.queue(post, Lane::Soon);
        }
    }

    pub(super) fn queue(&self, post: &Arc<Post>, lane: Lane) {
        let mut lanes = self.lanes();
        match lane {
            Lane::Soon => lanes.soon.push_back(Arc::clone(post)),
            Lane::Long => lanes.long.push_back(Arc::clone(post)),
        }
        drop(lanes);
        self.bell.notify_one();
    }

    /// The threads end once every worker has.
    pub(super) fn close(&self) {
        self.lanes().closing = true;
        self.bell.notify_all();
    }

    /// How many workers ended in disorder.
    pub(super) fn broken(&self) -> usize {
        self.lanes().broken
    }

    fn work(self: Arc<Self>) {
        while let Some((post, lane)) = self.next() {
            post.begins_turn();
            let turn = catch_unwind(AssertUnwindSafe(|| post.turn(lane)));
            match turn {
                Ok(Next::Turn(lane)) => {
                    post.goes_on();
                    self.queue(&post, lane);
                }
                Ok(Next::Nothing) => {
                    if post.is_done() {
                        self.queue(&post, Lane::Soon);
                    }
                }
                Ok(Next::Rest(time)) => self.rest(&post, time),
                Ok(Next::End) => self.leave(&post, 0),
                Err(_panicked) => {
                    error!(batch = %post.live.batch.name, "The worker of {} has ended in disorder.", post.live.batch.name);
                    self.leave(&post, 1);
                }
            }
        }
    }

    fn next(&self) -> Option<(Arc<Post>, Lane)> {
        let mut lanes = self.lanes();
        loop {
            if let Some(post) = lanes.soon.pop_front() {
                return Some((post, Lane::Soon));
            }
            if let Some(post) = lanes.long.pop_front() {
                return Some((post, Lane::Long));
            }
            if lanes.closing && lanes.watched == 0 {
                return None;
            }
            lanes = self.bell.wait(lanes).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn rest(self: &Arc<Self>, post: &Arc<Post>, time: Duration) {
        post.rests();
        let (rested, stop) = (Arc::clone(post), self.stop.clone());
        let stopped = post.live.stop.clone();
        let crew = Arc::clone(self);
        self.runtime.spawn(async move {
            tokio::select! {
                () = stop.cancelled() => {}
                () = stopped.cancelled() => {}
                () = sleep(time) => {}
            }
            if rested.wake() {
                crew.queue(&rested, Lane::Soon);
            }
        });
    }

    fn leave(&self, post: &Arc<Post>, broken: usize) {
        post.live.end();
        let mut lanes = self.lanes();
        lanes.watched = lanes.watched.saturating_sub(1);
        lanes.broken += broken;
        drop(lanes);
        self.bell.notify_all();
    }

    fn lanes(&self) -> MutexGuard<'_, Lanes> {
        self.lanes.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
