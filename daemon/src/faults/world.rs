//! One run: the daemon's own store, decoders, intake, workers and carriers, in a world where things go wrong.

mod machine;
mod port;
mod rounds;

use std::{
    collections::{BTreeSet, VecDeque},
    path::Path,
    sync::Arc,
};

use fobwatch_core::reading::Reading;
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;
use tokio::runtime::Runtime;

use self::machine::Daemon;
use super::{
    broker::{Broker, Kept},
    channel::{Mood, Other},
    clock::SimulatedClock,
    ledger::{Ledger, key},
    plan::{Fault, Plan},
    play::{Done, Play},
    power::Power,
    random::Random,
};
use crate::{
    deliver::simulated::Postman,
    incoming::QUEUE,
    store::{Sequence, Store, StoredWhat},
    watch::{House, simulated::Loops},
};

/// The world of one run.
pub(super) struct World<'p> {
    play: &'p Play,
    plan: &'p Plan,
    runtime: &'p Runtime,
    root: TempDir,
    clock: Arc<SimulatedClock>,
    power: Power,
    broker: Broker,
    others: Vec<Arc<Other>>,
    ledger: Ledger,
    /// What a person or a posting sensor still has to be rid of.
    errands: VecDeque<Errand>,
    random: Random,
    lost_acks: u32,
    now: Now,
}

/// What goes wrong just now, beside writes.
#[derive(Clone, Copy, Default)]
struct Now {
    slow: bool,
    split: bool,
}

#[derive(Clone)]
enum Errand {
    Deed(usize, Done),
    Post(Vec<Reading>),
}

/// How a run ended.
pub(super) struct Ended {
    pub(super) root: TempDir,
    pub(super) folder: std::path::PathBuf,
    pub(super) house: Arc<House>,
    pub(super) loops: Loops,
    pub(super) ledger: Ledger,
    pub(super) broker: Broker,
    pub(super) others: Vec<Arc<Other>>,
    pub(super) power: Power,
    pub(super) waiting: usize,
    pub(super) unmarked: usize,
}

impl Ended {
    /// Closes the store and takes the files away.
    pub(super) fn leave(self, runtime: &Runtime) {
        let store = self.house.store.clone();
        drop(self.loops);
        drop(self.house);
        runtime.block_on(store.close()).ok();
        drop(self.root);
    }
}

/// How many channels a play has.
pub(super) fn channels(play: &Play) -> usize {
    crate::store::Destination::all(&play.config).len()
}

impl<'p> World<'p> {
    pub(super) fn new(
        play: &'p Play,
        plan: &'p Plan,
        seed: u64,
        runtime: &'p Runtime,
        below: &Path,
    ) -> std::io::Result<Self> {
        let root = tempfile::Builder::new().prefix("faults-").tempdir_in(below)?;
        let begins = play.steps.first().map_or(Timestamp::UNIX_EPOCH, |step| step.at);
        let power = Power::new(
            root.path(),
            plan.crashes(),
            &plan.disk(),
            Random::new(seed ^ 0xd15c),
        );
        let others = (0..channels(play))
            .map(|_| Arc::new(Other::new(power.clone())))
            .collect();
        Ok(Self {
            clock: Arc::new(SimulatedClock::new(begins, plan.pace)),
            play,
            plan,
            runtime,
            root,
            power,
            broker: Broker::default(),
            others,
            ledger: Ledger::default(),
            errands: VecDeque::new(),
            random: Random::new(seed ^ 0x0707),
            lost_acks: 0,
            now: Now::default(),
        })
    }

    /// Plays it to its end.
    pub(super) fn run(mut self) -> Result<Ended, String> {
        let mut daemon = self.start()?;
        let mut number = 0;
        for (index, step) in self.play.steps.iter().enumerate() {
            self.clock.set(step.at);
            daemon = self.begins(daemon, index)?;
            for message in &step.messages {
                let message = message.clone();
                self.ledger.published(number, &message);
                self.broker.publish(Kept { number, message });
                number += 1;
            }
            self.errands.extend(
                step.posted
                    .iter()
                    .map(|reading| Errand::Post(vec![reading.clone()])),
            );
            let deeds = step.deeds.iter().cloned();
            self.errands
                .extend(deeds.map(|(batch, done)| Errand::Deed(batch, done)));
            self.speak(&mut daemon, index, step);
            daemon = self.work(daemon, true, !self.plan.unruly)?;
        }
        self.power.calm();
        self.now = Now::default();
        self.clock.put_off(SignedDuration::ZERO);
        for other in &self.others {
            other.feels(Mood::Takes);
        }
        self.broker.connect(true);
        daemon = self.work(daemon, true, true)?;
        // What is due later, as a reminder or in the evening, comes due; the engines are not told of this time.
        for _ in 0..26 {
            self.clock.set(self.clock.truth() + SignedDuration::from_hours(6));
            daemon = self.work(daemon, false, true)?;
        }
        let waiting = QUEUE - daemon.inbox.capacity() + self.errands.len();
        let unmarked = daemon.postmen.iter().map(Postman::unmarked).sum();
        Ok(Ended {
            folder: daemon.store.folder().to_owned(),
            root: self.root,
            house: daemon.loops.house(),
            loops: daemon.loops,
            ledger: self.ledger,
            broker: self.broker,
            others: self.others,
            power: self.power,
            waiting,
            unmarked,
        })
    }

    /// Faults that begin, last and end at a step.
    fn begins(&mut self, mut daemon: Daemon, index: usize) -> Result<Daemon, String> {
        let mut now = Now::default();
        let mut off = SignedDuration::ZERO;
        let mut moods = vec![Mood::Takes; self.others.len()];
        for fault in &self.plan.faults {
            if !fault.lasts(index) {
                continue;
            }
            match fault {
                Fault::Crash { .. } | Fault::Disk { .. } | Fault::Noise { .. } | Fault::Unplugged { .. } => {}
                Fault::Stop { .. } => daemon = self.stop(daemon, false)?,
                Fault::OtherSnapshots { .. } => daemon = self.stop(daemon, true)?,
                Fault::BackUp { .. } => self.back_up(&daemon),
                Fault::Split { .. } => now.split = true,
                Fault::Broker { forgets, .. } => self.broker.restart(*forgets),
                Fault::LostAcks { count, .. } => self.lost_acks += count,
                Fault::Slow { .. } => now.slow = true,
                Fault::Clock { by, .. } => off = *by,
                Fault::Refuses { channel, .. } => set(&mut moods, *channel, Mood::Refuses),
                Fault::Unanswered { channel, .. } => set(&mut moods, *channel, Mood::Unanswered),
            }
        }
        self.now = now;
        self.clock.put_off(off);
        self.broker.connect(!now.split);
        for (other, mood) in self.others.iter().zip(moods) {
            other.feels(mood);
        }
        Ok(daemon)
    }

    /// A backup made now has all that was vouched for by now.
    fn back_up(&mut self, daemon: &Daemon) {
        let elsewhere = self.root.path().join("elsewhere");
        let copied = std::fs::create_dir_all(&elsewhere)
            .map_err(|error| error.to_string())
            .and_then(|()| {
                let file = elsewhere.join(Store::FILE);
                Store::back_up(daemon.store.folder(), &file).map_err(|error| error.to_string())
            })
            .and_then(|()| {
                let all =
                    Store::read_folder(&elsewhere, |reader| reader.readings_after(Sequence(0), u32::MAX));
                all.map_err(|error| error.to_string())
            });
        match copied {
            Ok(events) => {
                let there = events.iter().filter_map(|event| match &event.what {
                    StoredWhat::Reading(reading) => Some(key(reading)),
                    _ => None,
                });
                let there: BTreeSet<_> = there.collect();
                let missing = self.ledger.vouched.difference(&there).count();
                if missing > 0 {
                    self.ledger
                        .wrong
                        .push(format!("a backup lacks {missing} readings"));
                }
            }
            Err(error) => self.ledger.wrong.push(format!("a backup fails: {error}")),
        }
        std::fs::remove_dir_all(&elsewhere).ok();
    }
}

fn set(moods: &mut [Mood], channel: usize, mood: Mood) {
    if let Some(of) = moods.get_mut(channel) {
        *of = mood;
    }
}
