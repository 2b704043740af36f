//! The worker of one batch: takes the stored events in their order through the engine and stores what comes of them.
//!
//! It reads from the store what comes after what it has seen, so going on after a restart, catching up with a batch that
//! was added late and following live are the same thing, and a slow fit makes nobody else wait.

use std::{
    io, mem,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
    thread::{self, JoinHandle},
    time::Duration,
};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition, sentence},
    batch::Batch,
    engine::{Action, ClockSource, Event, Monitor, drive_some},
};
use jiff::{Timestamp, tz::TimeZone};
use tokio::runtime::Handle;
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, info, warn};

use super::{house::House, live::Live, taught::taught, workers::Fit};
use crate::{
    deliver::log,
    incoming::Backoff,
    store::{BatchId, Outcome, Sequence, Snapshot, StoreError, StoredBatch, StoredEvent, StoredWhat},
};

/// Events that are read at once, and the most that is done between two looks at the stop.
const CHUNK: u32 = 500;
/// A snapshot is kept after so many events ...
const SNAPSHOT_EVENTS: u64 = 200;
/// ... but not more often than this ...
const SNAPSHOT_AT_MOST: Duration = Duration::from_secs(5);
/// ... or, if anything happened, after this long.
const SNAPSHOT_AT_LEAST: Duration = Duration::from_secs(600);

/// Drives one batch.
pub(super) struct Worker {
    house: Arc<House>,
    live: Arc<Live>,
    runtime: Handle,
    monitor: Monitor,
    fit: Fit,
    seen: Sequence,
    /// What was stored before this worker began: reminders of it were told already, or are late.
    old: Sequence,
    /// Reminders of that, not told yet.
    late: Vec<AlertRecord>,
    outcome: Outcome,
    since_snapshot: u64,
    /// By [`super::Clock::gone`].
    snapshot_at: Duration,
}

/// The engine of a stored batch as it was left, and the last event that it has seen; from its first event on, where no
/// usable snapshot is there.
///
/// # Errors
/// The store cannot be read or written.
pub(super) async fn revive(
    house: &House,
    batch: Batch,
    id: BatchId,
) -> Result<(Monitor, Sequence), StoreError> {
    let bottled_at = batch.bottled_at;
    let (snapshot, first) = house
        .store
        .read(move |reader| Ok((reader.snapshot(id)?, reader.sequence_before(id, bottled_at)?)))
        .await?;
    if let Some(snapshot) = snapshot {
        match Monitor::restore(&snapshot.body, batch.clone(), house.settings.clone()) {
            Ok(monitor) => return Ok((monitor, snapshot.sequence)),
            Err(why) => {
                warn!(batch = %batch.name, "{}: {why}. Its readings are gone over again.", batch.name)
            }
        }
    }
    // Kept in the snapshot, so that what ends later changes nothing for this batch.
    let monitor = taught(house, Monitor::new(batch, house.settings.clone())).await?;
    // Where it begins depends on what is stored by now; after a crash it must begin at the same place.
    let beginning = Outcome {
        snapshot: Some(Snapshot {
            sequence: first,
            taken_at: house.clock.now(),
            body: monitor.snapshot(),
        }),
        ..empty(id, house)
    };
    house.store.write(move |writer| writer.record(&beginning)).await?;
    Ok((monitor, first))
}

/// The worker of a batch that goes on behind `seen`. Call it inside the runtime.
pub(super) fn worker(
    house: &Arc<House>,
    live: &Arc<Live>,
    monitor: Monitor,
    seen: Sequence,
    fit: Fit,
) -> Worker {
    Worker {
        house: Arc::clone(house),
        live: Arc::clone(live),
        runtime: Handle::current(),
        monitor,
        fit,
        seen,
        old: *house.latest.borrow(),
        late: Vec::new(),
        outcome: empty(live.id, house),
        since_snapshot: 0,
        snapshot_at: house.clock.gone(),
    }
}

/// Begins to watch a batch: it is listed from here on.
///
/// # Errors
/// The system gives no thread.
pub(super) fn start(worker: Worker) -> io::Result<JoinHandle<()>> {
    thread::Builder::new()
        .name(format!("batch-{}", worker.live.id.0))
        .spawn(move || {
            let _tells = TellsTheEnd(Arc::clone(&worker.live));
            worker.run();
        })
}

/// Says that the worker has ended, also when it panics.
struct TellsTheEnd(Arc<Live>);

impl Drop for TellsTheEnd {
    fn drop(&mut self) {
        self.0.end();
    }
}

fn empty(batch: BatchId, house: &House) -> Outcome {
    Outcome {
        batch,
        alerts: Vec::new(),
        reminders: Vec::new(),
        destinations: house.destinations().to_vec(),
        now: house.clock.now(),
        forecasts: Vec::new(),
        set_aside: Vec::new(),
        snapshot: None,
    }
}

/// Where nothing moved the engine's clock yet, the arrival of the first event does: a reading from ahead of the clock would
/// count as of the clock.
pub(super) fn with_first_tick(
    monitor: &Monitor,
    seen: Sequence,
    mut events: Vec<StoredEvent>,
) -> Vec<StoredEvent> {
    let untouched = monitor.clock() == monitor.batch().bottled_at;
    if let Some(received_at) = events.first().map(|event| event.received_at)
        && untouched
    {
        let tick = StoredEvent {
            sequence: seen,
            received_at,
            what: StoredWhat::Clock(received_at),
        };
        events.insert(0, tick);
    }
    events
}

/// The event as the engine of batch `id` takes it; `None`: it is of another batch.
pub(super) fn concerns(id: BatchId, clock: ClockSource, event: &StoredEvent) -> Option<Event> {
    match &event.what {
        StoredWhat::Reading(reading) => Some(Event::Measured(reading.clone())),
        StoredWhat::Note(batch, note) => (*batch == id).then(|| Event::Noted(note.clone())),
        StoredWhat::Command(batch, command) => (*batch == id).then(|| Event::Commanded(command.clone())),
        StoredWhat::Clock(at) => (clock == ClockSource::Ticks).then_some(Event::Tick { at: *at }),
    }
}

/// What became of an event, or of a chunk of them.
enum Turn {
    /// All of it was taken.
    Taken,
    /// The engine failed, and this much was stored when it did.
    Failed { known: Sequence },
    /// It is time to stop.
    Stopped,
}

/// What a worker did when it was its turn.
#[cfg(any(test, feature = "faults"))]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// There was nothing to do.
    AtTheEnd,
    /// It took events.
    Taken,
    /// The engine failed.
    Failed,
}

impl Worker {
    fn run(mut self) {
        let runtime = self.runtime.clone();
        let stop = self.live.stop.clone();
        let mut latest = self.house.latest.subscribe();
        let mut backoff = Backoff::default();
        if self.was_set_aside() {
            self.go_on();
        }
        while !stop.is_cancelled() {
            latest.mark_unchanged();
            match self.ahead() {
                Err(StoreError::Closed) => return,
                Err(error) => {
                    error!(batch = %self.live.batch.name, "{} cannot go on yet: {error}.", self.live.batch.name);
                    pause(&self.house, &runtime, &stop, backoff.after(Duration::ZERO));
                }
                Ok(events) if events.is_empty() => {
                    runtime.block_on(async {
                        tokio::select! {
                            () = stop.cancelled() => {}
                            // The sender lives in the house that `self` holds.
                            _ = latest.changed() => {}
                        }
                    });
                }
                Ok(events) => match self.take(&events) {
                    Turn::Taken => {}
                    Turn::Failed { known } if self.waits_for_a_person(known) => self.go_on(),
                    Turn::Failed { .. } => return,
                    Turn::Stopped => break,
                },
            }
        }
        self.end();
    }

    /// The next events that it has not seen; none: it is at the end.
    fn ahead(&self) -> Result<Vec<StoredEvent>, StoreError> {
        let (store, seen) = (&self.house.store, self.seen);
        let read = store.read(move |reader| reader.events_after(seen, CHUNK));
        let events = self.runtime.block_on(read)?;
        Ok(with_first_tick(&self.monitor, self.seen, events))
    }

    /// Takes what is ahead, a chunk at most.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn turn(&mut self) -> Result<Step, StoreError> {
        let events = self.ahead()?;
        if events.is_empty() {
            return Ok(Step::AtTheEnd);
        }
        Ok(match self.take(&events) {
            Turn::Taken | Turn::Stopped => Step::Taken,
            Turn::Failed { .. } => Step::Failed,
        })
    }

    /// The engine, and whether something that came of it is not stored.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn stands(&self) -> (BatchId, Monitor, bool) {
        let Outcome {
            alerts,
            reminders,
            forecasts,
            ..
        } = &self.outcome;
        let open = !(alerts.is_empty() && reminders.is_empty() && forecasts.is_empty());
        (self.live.id, self.monitor.clone(), open)
    }

    /// Keeps its state.
    pub(super) fn end(&mut self) {
        self.keep_snapshot();
        self.record();
    }

    fn take(&mut self, events: &[StoredEvent]) -> Turn {
        let before = self.live.standing().monitor;
        let began_at = self.seen;
        for (done, event) in events.iter().enumerate() {
            if self.live.stop.is_cancelled() {
                return Turn::Stopped;
            }
            let Some(engine_event) = self.concerns(event) else {
                self.seen = event.sequence;
                continue;
            };
            match self.drive(engine_event, event.sequence) {
                Turn::Taken => {
                    self.seen = event.sequence;
                    self.since_snapshot += 1;
                }
                Turn::Stopped => return Turn::Stopped,
                Turn::Failed { .. } => {
                    let whole = events.get(..done).unwrap_or_default();
                    // What is stored by now was written by somebody who did not know of it yet.
                    let known = event.sequence.max(*self.house.latest.borrow());
                    self.fail(&before, began_at, whole, event);
                    return Turn::Failed { known };
                }
            }
        }
        self.live.leave(&self.monitor, self.seen);
        let waited = self.house.clock.gone().saturating_sub(self.snapshot_at);
        let many = self.since_snapshot >= SNAPSHOT_EVENTS && waited >= SNAPSHOT_AT_MOST;
        if many || (self.since_snapshot > 0 && waited >= SNAPSHOT_AT_LEAST) {
            self.keep_snapshot();
        }
        self.record();
        Turn::Taken
    }

    fn concerns(&self, event: &StoredEvent) -> Option<Event> {
        concerns(self.live.id, self.house.settings.clock, event)
    }

    /// Takes one event, tick by tick: a leap of the clock asks for many fits, and a stop must not wait for all of them. A
    /// restart takes the same event again and goes on with the ticks that are left.
    fn drive(&mut self, event: Event, sequence: Sequence) -> Turn {
        let until = self.monitor.reaches(&event);
        loop {
            let at = self.monitor.next_wake();
            let is_last = at >= until;
            let next = if is_last {
                event.clone()
            } else {
                Event::Tick { at }
            };
            let monitor = &mut self.monitor;
            let fit = self.fit;
            let counted = &self.house.counted;
            let answer = catch_unwind(AssertUnwindSafe(|| {
                drive_some(monitor, next, &mut |request| {
                    counted.timed(|| fit.answer(request))
                })
            }));
            let Ok(actions) = answer else {
                return Turn::Failed { known: sequence };
            };
            self.obey(actions, sequence);
            if is_last {
                return Turn::Taken;
            }
            if self.live.stop.is_cancelled() {
                return Turn::Stopped;
            }
        }
    }

    fn obey(&mut self, actions: Vec<Action>, sequence: Sequence) {
        let name = &self.live.batch.name;
        for action in actions {
            match action {
                // The driver has answered it, or left it open.
                Action::Fit(_) => {}
                Action::Alert(alert) => self.outcome.alerts.push(alert),
                Action::Forecast(forecast) => self.outcome.forecasts.push(*forecast),
                Action::SetAside(set_aside) => {
                    debug!(batch = %name, ?set_aside, "A reading is not used.");
                    self.outcome.set_aside.push(set_aside);
                }
                Action::Remind(alert) => {
                    if sequence > self.old {
                        log::tell(&alert);
                        self.outcome.reminders.push(alert);
                    } else {
                        // One that a stop cut off is told; of many that are gone over, the last.
                        self.late.retain(|late| !same(late, &alert));
                        self.late.push(alert);
                    }
                }
                Action::Refused { command, why } => {
                    warn!(batch = %name, "What {} asked of {name} was not done: {why}.", command.who);
                }
            }
        }
        if sequence > self.old {
            self.outcome.reminders.append(&mut self.late);
        }
        if !self.outcome.alerts.is_empty() || !self.outcome.reminders.is_empty() {
            self.record();
        }
    }

    /// Keeps trying until it is stored, or it is time to stop: then a restart goes over the same events.
    fn record(&mut self) {
        let nothing = self.outcome.alerts.is_empty()
            && self.outcome.reminders.is_empty()
            && self.outcome.forecasts.is_empty()
            && self.outcome.set_aside.is_empty()
            && self.outcome.snapshot.is_none();
        if nothing {
            return;
        }
        // It was begun when the one before was stored, maybe long ago: who is told, and from when on, holds as of now.
        let outcome = Outcome {
            alerts: mem::take(&mut self.outcome.alerts),
            reminders: mem::take(&mut self.outcome.reminders),
            forecasts: mem::take(&mut self.outcome.forecasts),
            set_aside: mem::take(&mut self.outcome.set_aside),
            snapshot: self.outcome.snapshot.take(),
            ..empty(self.live.id, &self.house)
        };
        let outcome = Arc::new(outcome);
        let mut backoff = Backoff::default();
        loop {
            let attempt = Arc::clone(&outcome);
            let stored = self
                .runtime
                .block_on(self.house.store.write(move |writer| writer.record(&attempt)));
            match stored {
                Ok(fresh) => {
                    for alert in &fresh {
                        log::tell(alert);
                    }
                    if !fresh.is_empty() || !outcome.reminders.is_empty() {
                        self.house.alerts.send_modify(|count| *count += 1);
                    }
                    return;
                }
                Err(error) => {
                    for alert in &outcome.alerts {
                        // Not stored, but a person must hear of it.
                        log::tell(alert);
                    }
                    error!(batch = %self.live.batch.name, "What came of {} could not be stored: {error}.", self.live.batch.name);
                    if self.live.stop.is_cancelled() || matches!(error, StoreError::Closed) {
                        return;
                    }
                    pause(
                        &self.house,
                        &self.runtime,
                        &self.live.stop,
                        backoff.after(Duration::ZERO),
                    );
                }
            }
        }
    }

    /// Until a person notes something about the batch that was set aside, after `known`; false: it is time to stop.
    fn waits_for_a_person(&self, known: Sequence) -> bool {
        let stop = &self.live.stop;
        let mut latest = self.house.latest.subscribe();
        let mut backoff = Backoff::default();
        let mut looked = known;
        while !stop.is_cancelled() {
            latest.mark_unchanged();
            let store = &self.house.store;
            let read = store.read(move |reader| reader.events_after(looked, CHUNK));
            match self.runtime.block_on(read) {
                Err(StoreError::Closed) => return false,
                Err(_) => pause(&self.house, &self.runtime, stop, backoff.after(Duration::ZERO)),
                Ok(events) if events.is_empty() => self.runtime.block_on(async {
                    tokio::select! {
                        () = stop.cancelled() => {}
                        // The sender lives in the house that `self` holds.
                        _ = latest.changed() => {}
                    }
                }),
                Ok(events) => {
                    let id = self.live.id;
                    let by_person = |event: &StoredEvent| matches!(&event.what, StoredWhat::Note(of, _) | StoredWhat::Command(of, _) if *of == id);
                    if events.iter().any(by_person) {
                        return true;
                    }
                    looked = events.last().map_or(looked, |event| event.sequence);
                }
            }
        }
        false
    }

    /// The daemon before this one set the batch aside, and nobody has said since that it is watched again.
    fn was_set_aside(&self) -> bool {
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
    fn go_on(&mut self) {
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
        self.live.take_up(&self.monitor, self.seen);
    }

    fn keep_snapshot(&mut self) {
        if self.since_snapshot == 0 {
            return;
        }
        self.since_snapshot = 0;
        self.snapshot_at = self.house.clock.gone();
        self.outcome.snapshot = Some(Snapshot {
            sequence: self.seen,
            taken_at: self.house.clock.now(),
            body: self.monitor.snapshot(),
        });
    }

    /// Sets the batch aside. The state before the event that failed is kept as if the event had been taken, so that a
    /// restart goes on behind it and does not try it again.
    fn fail(&mut self, before: &Monitor, began_at: Sequence, whole: &[StoredEvent], bad: &StoredEvent) {
        self.monitor = before.clone();
        self.seen = began_at;
        for event in whole {
            if let Some(engine_event) = self.concerns(event) {
                let monitor = &mut self.monitor;
                let fit = self.fit;
                let again = catch_unwind(AssertUnwindSafe(|| {
                    drive_some(monitor, engine_event, &mut |request| fit.answer(request))
                }));
                if again.is_err() {
                    // The same events went well a moment ago; without them a restart starts from the last snapshot.
                    error!(batch = %self.live.batch.name, "The state before the failure could not be made again.");
                    break;
                }
            }
        }
        self.seen = bad.sequence;
        self.since_snapshot += 1;
        self.keep_snapshot();
        let alert = failed(&self.live.batch, &self.monitor, bad, &self.house.display.zone);
        error!(batch = %self.live.batch.name, event = ?bad, "The engine failed at this event.");
        self.live.set_aside(alert.message.clone());
        self.outcome.alerts.push(alert);
        self.record();
    }
}

/// Reminders of one alert.
fn same(a: &AlertRecord, b: &AlertRecord) -> bool {
    (a.alert, &a.source, a.quantity) == (b.alert, &b.source, b.quantity)
}

fn pause(house: &House, runtime: &Handle, stop: &CancellationToken, wait: Duration) {
    let wait = house.clock.wait(wait);
    runtime.block_on(async {
        tokio::select! {
            () = stop.cancelled() => {}
            () = tokio::time::sleep(wait) => {}
        }
    });
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

/// A stored batch read again from its text.
///
/// # Errors
/// A later program may refuse what an earlier one took: all problems.
pub(super) fn read_again(stored: &StoredBatch) -> Result<Batch, fobwatch_core::document::BadDocument> {
    let place = format!("the stored batch `{}`", stored.name);
    Batch::from_toml(&stored.text, &place).map(|(batch, _warnings)| batch)
}

/// Tells at the start what will be watched.
pub(super) fn greet(batch: &Batch, seen: Sequence) {
    info!(batch = %batch.name, after = seen.0, "{} is watched.", batch.name);
}
