//! The loops at work, turn by turn.

use tokio::sync::{mpsc::error::TrySendError, oneshot};

use super::{Errand, World, machine::Daemon};
use crate::{
    faults::play::Done,
    watch::{self, Clock, Failure, Request},
};

/// Rounds of one step: far more than any backlog of the play needs.
const ROUNDS: usize = 2_000;

/// The machine lost its power, or the daemon gave up.
pub(super) struct Died;

impl World<'_> {
    /// Lets the loops work: to their rest (`whole`), or a few turns by chance.
    pub(super) fn work(&mut self, mut daemon: Daemon, ticks: bool, whole: bool) -> Result<Daemon, String> {
        let mut tick = ticks;
        for round in 0..ROUNDS {
            let before = self.power.writes();
            let worked = self.round(&mut daemon, tick, whole);
            tick = false;
            match worked {
                Ok(busy) if !busy && (whole || round > 0) => return Ok(daemon),
                Ok(_) if !whole && round > 1 => return Ok(daemon),
                Ok(_) => {}
                Err(Died) => {
                    if !self.power.is_off() {
                        return Err(format!("the daemon gave up at write {before}, with its power on"));
                    }
                    daemon = self.crashed(daemon)?;
                    tick = ticks;
                }
            }
        }
        Err(format!("the loops do not come to rest in {ROUNDS} rounds"))
    }

    /// One round of all loops; whether any of them had something to do.
    fn round(&mut self, daemon: &mut Daemon, tick: bool, whole: bool) -> Result<bool, Died> {
        let mut busy = false;
        if tick {
            self.runtime.block_on(daemon.loops.tick()).map_err(dead)?;
            self.alive()?;
        }
        if !self.now.slow {
            busy |= self.listen(daemon);
            busy |= self.keep(daemon)?;
        }
        busy |= self.run_errands(daemon)?;
        for which in 0..daemon.loops.count() {
            if !whole && self.random.percent(40) {
                continue;
            }
            loop {
                let step = daemon.loops.turn(which);
                self.alive()?;
                match step {
                    Err(error) => {
                        self.ledger.wrong.push(format!("a worker cannot read: {error}"));
                        return Err(Died);
                    }
                    Ok(watch::Step::AtTheEnd) => break,
                    Ok(watch::Step::Taken) => busy = true,
                    Ok(watch::Step::Failed) => {
                        self.ledger.wrong.push("an engine failed".to_owned());
                        break;
                    }
                }
                if !whole && self.random.percent(50) {
                    break;
                }
            }
        }
        for which in 0..daemon.postmen.len() {
            if !whole && self.random.percent(60) {
                continue;
            }
            let at_once = whole || self.random.percent(50);
            if let Some(postman) = daemon.postmen.get_mut(which) {
                let before = self.power.writes();
                let carried = self.runtime.block_on(postman.carry(at_once));
                self.alive()?;
                match carried {
                    // A store that takes nothing for the moment; it is tried again.
                    Err(error) if !error.is_transient() => {
                        self.ledger.wrong.push(format!("a carrier cannot go on: {error}"));
                        return Err(Died);
                    }
                    _ => {}
                }
                // What only waits for its channel is no reason to go on.
                busy |= self.power.writes() > before
                    && self.others.get(which).is_some_and(|other| other.is_open());
            }
        }
        Ok(busy)
    }

    fn alive(&self) -> Result<(), Died> {
        if self.power.is_off() { Err(Died) } else { Ok(()) }
    }

    /// Takes messages from the broker and lines from the port into the inbox.
    fn listen(&mut self, daemon: &mut Daemon) -> bool {
        let mut busy = false;
        let now = Clock::now(&*self.clock);
        while daemon.inbox.capacity() > 1
            && let Some(kept) = self.broker.next()
        {
            busy = true;
            let number = kept.number;
            match daemon.ear.hear(&kept.message.topic, &kept.message.payload, now) {
                // It holds nothing, so it is not sent again.
                None => self.broker.acknowledged(number, false),
                Some((incoming, stored)) => {
                    let readings = incoming.readings.clone();
                    self.ledger.sent(&readings);
                    match daemon.inbox.try_send(incoming) {
                        Ok(()) => daemon.taken.push_back((number, readings, stored)),
                        Err(TrySendError::Full(_) | TrySendError::Closed(_)) => {
                            self.ledger
                                .wrong
                                .push("the inbox took less than it has room for".to_owned());
                        }
                    }
                }
            }
        }
        daemon.plug.hand_on();
        busy
    }

    pub(super) fn keep(&mut self, daemon: &mut Daemon) -> Result<bool, Died> {
        let mut busy = false;
        while self.runtime.block_on(daemon.loops.keep()).map_err(dead)? {
            self.alive()?;
            busy = true;
        }
        self.alive()?;
        self.ledger.stored(&std::mem::take(&mut daemon.heard));
        while let Some((number, readings, mut stored)) = daemon.taken.pop_front() {
            if stored.try_recv().is_err() {
                self.ledger
                    .wrong
                    .push(format!("message {number} was kept, and is not acknowledged"));
                continue;
            }
            self.ledger.stored(&readings);
            self.ledger.acknowledged(number);
            let lost = self.lost_acks > 0;
            self.lost_acks = self.lost_acks.saturating_sub(1);
            self.broker.acknowledged(number, lost);
        }
        Ok(busy)
    }

    /// Persons and posting sensors ask until they are answered.
    fn run_errands(&mut self, daemon: &mut Daemon) -> Result<bool, Died> {
        let mut busy = false;
        for _ in 0..self.errands.len() {
            let Some(errand) = self.errands.pop_front() else {
                break;
            };
            busy = true;
            let asked = match &errand {
                Errand::Post(readings) => {
                    self.ledger.sent(readings);
                    let (new, _) = oneshot::channel();
                    Some(Request::Readings {
                        readings: readings.clone(),
                        received_at: Clock::now(&*self.clock),
                        new,
                    })
                }
                Errand::Deed(batch, done) => self.request(daemon, *batch, done),
            };
            let Some(asked) = asked else {
                self.ledger
                    .wrong
                    .push("a batch of the play is not watched".to_owned());
                continue;
            };
            let answer = self.runtime.block_on(daemon.loops.ask(asked));
            if self.power.is_off() {
                self.errands.push_front(errand);
                return Err(Died);
            }
            match answer {
                Ok(_) => match errand {
                    Errand::Post(readings) => self.ledger.stored(&readings),
                    Errand::Deed(batch, done) => self.ledger.done(batch, done),
                },
                // Refused for now, and told so: it is tried again.
                Err(error) if error.is_transient() => self.errands.push_back(errand),
                Err(error) => self.ledger.wrong.push(format!("a person was refused: {error}")),
            }
        }
        Ok(busy)
    }

    fn request(&self, daemon: &Daemon, batch: usize, done: &Done) -> Option<Request> {
        let slug = self.play.batches.get(batch)?.0.name.slug();
        let live = daemon.loops.house().batch(slug.as_str())?;
        Some(match done {
            Done::Noted(note) => Request::Note(live.id, note.clone()),
            Done::Commanded(command) => Request::Command(live.id, command.clone()),
        })
    }
}

fn dead(_failure: Failure) -> Died {
    Died
}
