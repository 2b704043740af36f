//! A batch whose engine failed is set aside, until a person says something of it or the daemon is started anew.

use std::{mem, sync::Arc};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition, sentence},
    batch::Batch,
    engine::Monitor,
};
use jiff::{Timestamp, tz::TimeZone};
use tracing::{error, info};

use super::Worker;
use crate::{
    store::{StoredEvent, StoredWhat},
    watch::{concerns::first_tick, post::Given},
};

impl Worker {
    pub(super) fn is_by_person(&self, event: &StoredEvent) -> bool {
        matches!(&event.what, StoredWhat::Note(of, _) | StoredWhat::Command(of, _) if *of == self.live.id)
    }

    /// The daemon before this one set the batch aside, and nobody has said since that it is watched again.
    pub(super) fn was_set_aside(&self) -> bool {
        let id = self.live.id;
        let last = self
            .runtime
            .block_on(self.house.store.read(move |reader| reader.last_alerts(id)));
        last.is_ok_and(|last| {
            last.iter().any(|alert| {
                alert.alert == AlertName::SensorSuspect
                    && alert.source.is_none()
                    && alert.state != Transition::Cleared
            })
        })
    }

    /// Takes up a batch that was set aside, behind the event that failed.
    pub(super) fn go_on(&mut self) {
        let name = &self.live.batch.name;
        let at = self.monitor.clock().max(self.house.clock.now());
        let message = format!(
            "{name} is watched again from behind event {}; what came in since is gone over now.",
            self.seen.0
        );
        info!(batch = %name, "{message}");
        let cleared = of_the_whole_batch(&self.live.batch, Transition::Cleared, at, message);
        self.outcome.alerts.push(cleared);
        self.record();
        self.live.take_up(Arc::new(self.monitor.clone()), self.seen);
    }

    /// Sets the batch aside. The state before the event that failed is kept as if the event had been taken, so that a
    /// restart goes on behind it and does not try it again.
    pub(super) fn fail(&mut self, bad: &StoredEvent) {
        // What is stored by now was written by somebody who did not know of it yet.
        let known = bad.sequence.max(*self.house.latest.borrow());
        self.monitor = Monitor::clone(&self.before.monitor);
        self.seen = self.before.seen;
        self.totals = self.before.totals;
        let mut first = self.before.first.take();
        for Given { event, before } in mem::take(&mut self.taken) {
            self.count_those_passed_by(before);
            self.count_own(&event);
            let Some(engine_event) = self.concerns(&event) else {
                continue;
            };
            let first = first
                .take()
                .or_else(|| first_tick(&self.monitor, self.house.settings.clock, &event));
            if !first
                .into_iter()
                .chain([engine_event])
                .all(|event| self.step(event).is_some())
            {
                // The same events went well a moment ago; without them a restart starts from the last snapshot.
                error!(batch = %self.live.batch.name, "The state before the failure could not be made again.");
                break;
            }
        }
        self.seen = bad.sequence;
        self.first = None;
        self.since_snapshot += 1;
        self.keep_snapshot();
        let alert = failed(&self.live.batch, &self.monitor, bad, &self.house.display.zone);
        error!(batch = %self.live.batch.name, event = ?bad, "The engine failed at this event.");
        self.aside = Some(known);
        self.queue.clear();
        self.reads = self.reads.map(|_| known);
        self.live.set_aside(alert.message.clone());
        self.outcome.alerts.push(alert);
        self.record();
    }
}

fn failed(batch: &Batch, monitor: &Monitor, bad: &StoredEvent, zone: &TimeZone) -> AlertRecord {
    let what = match &bad.what {
        StoredWhat::Reading(reading) => {
            format!("a reading of {} {}", reading.source, reading.measured.quantity())
        }
        StoredWhat::Note(_, note) => format!("a note `{}`", note.kind),
        StoredWhat::Command(_, command) => format!("what {} did to {}", command.who, command.alert),
        StoredWhat::Clock(at) => format!("the clock at {}", sentence::local(*at, zone)),
    };
    let message = format!(
        "{} is no longer watched: the reckoning failed at {what} (event {}). Nothing warns of its pressure now: treat its \
         bottles as live, and cool the room if in doubt. To watch it again from behind that event, write a note about it \
         with `fobwatch note`, or stop and start fobwatch. The other batches are watched as before.",
        batch.name, bad.sequence.0
    );
    let at = monitor.clock().max(bad.received_at);
    of_the_whole_batch(batch, Transition::Raised, at, message)
}

fn of_the_whole_batch(batch: &Batch, state: Transition, at: Timestamp, message: String) -> AlertRecord {
    AlertRecord {
        batch: batch.name.clone(),
        alert: AlertName::SensorSuspect,
        state,
        priority: AlertName::SensorSuspect.priority(),
        at,
        message,
        who: None,
        source: None,
        quantity: None,
    }
}
