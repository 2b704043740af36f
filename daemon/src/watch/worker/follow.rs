//! What a worker takes next: what is handed out to it, or what it reads by itself until it can follow; and what passes it by meanwhile.

use std::sync::Arc;

use super::Worker;
use crate::{
    store::{StoreError, StoredEvent, StoredWhat},
    watch::{
        post::{Given, Handed, Post, Works},
        totals::Totals,
    },
};

/// Events that are read at once, and the most of a turn.
const CHUNK: u32 = 2_000;

impl Worker {
    /// What comes next; false: nothing is there.
    pub(super) fn fill(&mut self, post: &Arc<Post>) -> Result<bool, StoreError> {
        loop {
            let Some(after) = self.reads else {
                let (handed, position, totals) = self.router.take(post);
                match handed {
                    Handed::Nothing => {
                        self.reads = Some(self.seen);
                        continue;
                    }
                    Handed::Events(events) => {
                        self.queue = events;
                        self.handed_out = (position, totals);
                        if let Some(before) = post.take_totals() {
                            self.totals = Some(before);
                        }
                        self.pass_the_others();
                        return Ok(!self.queue.is_empty());
                    }
                }
            };
            let read = self.runtime.block_on(
                self.house
                    .store
                    .read(move |reader| reader.events_after(after, CHUNK)),
            )?;
            match read.last() {
                Some(last) => {
                    self.reads = Some(last.sequence);
                    let given = |event| Given {
                        event: Arc::new(event),
                        before: None,
                    };
                    self.queue = read.into_iter().map(given).collect();
                    return Ok(true);
                }
                // What was stored since then is read first.
                None => {
                    self.join(post);
                    if self.reads.is_none() && self.aside.is_none() {
                        self.seen = self.seen.max(after);
                    }
                }
            }
        }
    }

    /// With nothing left to take, it has seen all that was handed out to anybody.
    pub(super) fn pass_the_others(&mut self) {
        if self.queue.is_empty() && self.reads.is_none() && self.aside.is_none() {
            let (position, totals) = self.handed_out;
            self.count_those_passed_by(Some(totals));
            self.seen = self.seen.max(position);
        }
    }

    /// Readings of other sources that were not handed to it, up to where so much was handed out to all.
    pub(super) fn count_those_passed_by(&mut self, now: Option<Totals>) {
        let (Some(known), Some(now)) = (&mut self.totals, now) else {
            return;
        };
        for (quantity, passed) in known.grow_to(now) {
            if self.monitor.only_source_of(quantity).is_some() {
                self.monitor.passed_by(passed);
            }
        }
    }

    /// The same where this one was its own.
    pub(super) fn count_own(&mut self, event: &StoredEvent) {
        if let (Some(known), StoredWhat::Reading(reading)) = (&mut self.totals, &event.what) {
            known.count(reading.measured.quantity());
        }
    }
}
