//! The worker of one batch: takes the stored events in their order through the engine and stores what comes of them.
//!
//! It has turns, which the [`super::crew`] gives it, and follows what the [`super::router`] hands out. Where more came in than waits in
//! memory (a batch that was added late, or has much to catch up with) it reads from the store what comes after what it has
//! seen, until it follows again.

mod aside;
mod corrected;
mod kept;

use std::{
    collections::VecDeque,
    mem,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
    time::Duration,
};

use fobwatch_core::{
    alert::AlertRecord,
    batch::Batch,
    engine::{Action, ClockSource, Event, Monitor, SetAsideReason, drive_some},
    note::{Note, NoteKind},
};
#[cfg(any(test, feature = "faults"))]
use jiff::Timestamp;
use tokio::runtime::Handle;
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, info, warn};

use super::{
    Claims, claims,
    crew::{Lane, Next},
    house::House,
    live::Live,
    log,
    post::{Given, Handed, Post},
    router::{Router, Totals},
    taught::taught,
    workers::Fit,
};
use crate::{
    incoming::Backoff,
    store::{BatchId, Outcome, Sequence, Snapshot, StoreError, StoredEvent, StoredWhat},
};

/// Events that are read at once, and the most of a turn.
const CHUNK: u32 = 2_000;
/// A snapshot is kept after so many fits, which take long to make again ...
const SNAPSHOT_FITS: u32 = 4;
/// ... or events, which do not ...
const SNAPSHOT_EVENTS: u64 = 10_000;
/// ... but not more often than this: it is a hundred kilobytes, and flash cards wear.
const SNAPSHOT_AT_MOST: Duration = Duration::from_secs(5);
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
    if let Some(snapshot) = house.store.read(move |reader| reader.snapshot(id)).await? {
        match Monitor::restore(&snapshot.body, batch.clone(), house.settings.clone()) {
            Ok(monitor) => match mistaken(house, id, &monitor) {
                None => return Ok((monitor, snapshot.sequence)),
                Some(note) => {
                    let now = house.clock.now();
                    let anew = house.store.write(move |writer| writer.begin_anew(id, &note, now));
                    let place = anew.await?;
                    house.latest.send_modify(|latest| *latest = place.max(*latest));
                }
            },
            Err(why) => {
                warn!(batch = %batch.name, "{}: {why}. Its readings are gone over again.", batch.name)
            }
        }
    }
    // Looked for only here: it goes over all that was stored since the sealing.
    let first = house
        .store
        .read(move |reader| reader.sequence_before(id, bottled_at))
        .await?;
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
/// count as of the clock. Where readings are the clock none does.
pub(super) fn first_tick(monitor: &Monitor, clock: ClockSource, event: &StoredEvent) -> Option<Event> {
    let untouched = clock == ClockSource::Ticks && monitor.clock() == monitor.batch().bottled_at;
    untouched.then_some(Event::Tick {
        at: event.received_at,
    })
}

/// The event as the engine of batch `id` takes it; `None`: it is of another batch, a reading that is only counted, or a note that was taken
/// `back`.
pub(super) fn concerns(
    monitor: &mut Monitor,
    (id, back): (BatchId, &[Note]),
    clock: ClockSource,
    claims: &Claims,
    event: &StoredEvent,
) -> Option<Event> {
    match &event.what {
        StoredWhat::Reading(reading) => {
            let of_another = monitor
                .only_source_of(reading.measured.quantity())
                .is_some_and(|source| *source != reading.source);
            let theirs = claims.holder(
                (id, monitor.batch()),
                &reading.source,
                reading.measured.quantity(),
            );
            let moved = monitor.is_moved_by(reading);
            if theirs.is_some() && moved {
                return Some(Event::OfAnother(reading.clone()));
            }
            let passes_by = theirs.is_some() || of_another && !moved;
            if passes_by {
                monitor.passed_by(1);
            }
            (!passes_by).then(|| Event::Measured(reading.clone()))
        }
        StoredWhat::Note(batch, note) => {
            let of_the_past = matches!(note.kind, NoteKind::Corrected | NoteKind::TakenBack);
            let own = *batch == id && !of_the_past && !back.contains(note);
            own.then(|| Event::Noted(note.clone()))
        }
        StoredWhat::Command(batch, command) => (*batch == id).then(|| Event::Commanded(command.clone())),
        StoredWhat::Clock(at) => (clock == ClockSource::Ticks).then_some(Event::Tick { at: *at }),
    }
}

/// How a worker stood before its turn.
struct Before {
    monitor: Arc<Monitor>,
    seen: Sequence,
    totals: Option<Totals>,
    first: Option<Event>,
}

/// What became of an event.
enum Taken {
    Whole,
    /// A fit comes next.
    WaitsForFit,
    /// The engine failed.
    Failed,
    /// What came of it cannot be stored yet, or it is time to stop.
    Halted,
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
            outcome: empty(live.id, house),
            unstored: None,
            backoff: Backoff::default(),
            fits_since_snapshot: 0,
            since_snapshot: 0,
            snapshot_at: house.clock.gone(),
        }
    }

    /// Follows what is handed out, if it can; else it goes on reading by itself.
    pub(super) fn join(&mut self, post: &Arc<Post>) {
        let seen = self.reads.unwrap_or(self.seen);
        if self.router.join(post, seen) {
            self.reads = None;
            self.totals = None;
        }
    }

    /// Takes some of what is there: never more than one fit.
    pub(super) fn turn(&mut self, post: &Arc<Post>, lane: Lane) -> Next {
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

    /// The engine, and whether something that came of it is not stored.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn stands(&self) -> (BatchId, Monitor, bool) {
        let Outcome {
            alerts,
            reminders,
            forecasts,
            ..
        } = &self.outcome;
        let nothing = alerts.is_empty() && reminders.is_empty() && forecasts.is_empty();
        (
            self.live.id,
            self.monitor.clone(),
            !nothing || self.unstored.is_some(),
        )
    }

    /// How far it has come.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn progress(&self) -> (Sequence, Timestamp) {
        (self.seen, self.monitor.clock())
    }

    /// The engine failed, and the batch is set aside.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn has_failed(&self) -> bool {
        self.aside.is_some()
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

    /// What comes next; false: nothing is there.
    fn fill(&mut self, post: &Arc<Post>) -> Result<bool, StoreError> {
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
    fn pass_the_others(&mut self) {
        if self.queue.is_empty() && self.reads.is_none() && self.aside.is_none() {
            let (position, totals) = self.handed_out;
            self.count_those_passed_by(Some(totals));
            self.seen = self.seen.max(position);
        }
    }

    /// Readings of other sources that were not handed to it, up to where so much was handed out to all.
    fn count_those_passed_by(&mut self, now: Option<Totals>) {
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
    fn count_own(&mut self, event: &StoredEvent) {
        if let (Some(known), StoredWhat::Reading(reading)) = (&mut self.totals, &event.what) {
            known.count(reading.measured.quantity());
        }
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

    fn concerns(&mut self, event: &StoredEvent) -> Option<Event> {
        let clock = self.house.settings.clock;
        concerns(
            &mut self.monitor,
            (self.live.id, &self.back),
            clock,
            &self.house.claims(),
            event,
        )
    }

    /// Takes one event, tick by tick: a leap of the clock asks for many fits, and neither a stop nor the other batches must wait for
    /// all of them. A restart takes the same event again and goes on with the ticks that are left.
    fn drive(&mut self, event: &Event, stored: &StoredEvent, fits_left: &mut u32) -> Taken {
        if self.first.is_none() {
            self.first = first_tick(&self.monitor, self.house.settings.clock, stored);
        }
        let first = self.first.clone();
        for event in first.iter().chain([event]) {
            let until = self.monitor.reaches(event);
            loop {
                let at = self.monitor.next_wake();
                let ticks = at < until || (at == until && matches!(event, Event::Tick { .. }));
                if ticks && self.monitor.wakes_with_fit() && at >= self.fit.from {
                    if *fits_left == 0 {
                        return Taken::WaitsForFit;
                    }
                    *fits_left -= 1;
                    self.fits_since_snapshot += 1;
                }
                let is_last = at >= until;
                let next = if is_last {
                    event.clone()
                } else {
                    Event::Tick { at }
                };
                let Some(actions) = self.step(next) else {
                    return Taken::Failed;
                };
                self.obey(actions, stored.sequence);
                if is_last {
                    self.first = None;
                    break;
                }
                if self.unstored.is_some() || self.live.stop.is_cancelled() {
                    return Taken::Halted;
                }
            }
        }
        Taken::Whole
    }

    /// `None`: the engine failed.
    fn step(&mut self, event: Event) -> Option<Vec<Action>> {
        let (monitor, fit, counted) = (&mut self.monitor, self.fit, &self.house.counted);
        let answer = catch_unwind(AssertUnwindSafe(|| {
            drive_some(monitor, event, &mut |request| {
                counted.timed(|| fit.answer(request))
            })
        }));
        answer.ok()
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

    fn obey(&mut self, actions: Vec<Action>, sequence: Sequence) {
        let name = &self.live.batch.name;
        for action in actions {
            match action {
                // The driver has answered it, or left it open.
                Action::Fit(_) => {}
                Action::Alert(_) | Action::Remind(_) if self.is_gone_over(sequence) => {}
                Action::Alert(alert) => self.outcome.alerts.push(alert),
                Action::Forecast(forecast) => self.outcome.forecasts.push(*forecast),
                Action::SetAside(set_aside) => {
                    debug!(batch = %name, ?set_aside, "A reading is not used.");
                    // One of another sensor that moved the clock is only counted, like those that pass by.
                    if set_aside.reason != SetAsideReason::OtherSource {
                        self.outcome.set_aside.push(set_aside);
                    }
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
}

/// Reminders of one alert.
fn same(a: &AlertRecord, b: &AlertRecord) -> bool {
    (a.alert, &a.source, a.quantity) == (b.alert, &b.source, b.quantity)
}

/// Where an engine took what is another batch's, a note that says so: it is to begin anew.
fn mistaken(house: &House, id: BatchId, monitor: &Monitor) -> Option<Note> {
    let claims = house.claims();
    let (source, holder) = claims.taken_by_mistake(id, monitor)?;
    Some(claims::note(
        house.clock.now().max(monitor.clock()),
        format!("{source} sits on {holder}: nothing that it measured counts here, and nothing did"),
    ))
}

/// Tells at the start what will be watched.
pub(super) fn greet(batch: &Batch, seen: Sequence) {
    info!(batch = %batch.name, after = seen.0, "{} is watched.", batch.name);
}
