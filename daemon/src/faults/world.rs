//! One run: the daemon's own store, decoders, intake, workers and carriers, in a world where things go wrong.

use std::{
    collections::{BTreeSet, VecDeque},
    path::Path,
    sync::Arc,
};

use fobwatch_core::reading::Reading;
use jiff::{SignedDuration, Timestamp};
use rusqlite::Connection;
use tempfile::TempDir;
use tokio::{
    runtime::Runtime,
    sync::{mpsc::error::TrySendError, oneshot},
};

use super::{
    broker::{Broker, Kept},
    channel::{Mood, Other},
    clock::SimulatedClock,
    fits,
    ledger::{Ledger, key},
    plan::{Fault, Plan},
    play::{Done, Play, Step},
    power::Power,
    random::Random,
};
use crate::{
    deliver::simulated::Postman,
    incoming::{self, Inbox, QUEUE},
    mqtt::simulated::Ear,
    serial::simulated::Plug,
    store::{Sequence, Store, StoredWhat},
    watch::{self, Failure, House, Request, simulated::Loops},
};

/// Starts that fail one after the other before the simulation gives up: each crash costs one.
const STARTS: usize = 50;
/// Rounds of one step: far more than any backlog of the play needs.
const ROUNDS: usize = 2_000;

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

/// A daemon between its start and its end.
struct Daemon {
    store: Store,
    loops: Loops,
    ear: Ear,
    plug: Plug,
    inbox: Inbox,
    postmen: Vec<Postman>,
    /// Messages taken from the broker, and who hears of their storing.
    taken: VecDeque<(usize, Vec<Reading>, oneshot::Receiver<()>)>,
    /// The line is in its first moments, and what comes before its first line end does not count.
    fresh: bool,
    /// Lines taken from the port, not known to be stored.
    heard: Vec<Reading>,
}

/// The machine lost its power, or the daemon gave up.
struct Died;

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
    crate::deliver::Destination::all(&play.config).len()
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

    /// The gauge says its lines, and the port has its moods.
    fn speak(&mut self, daemon: &mut Daemon, index: usize, step: &Step) {
        let now = watch::whole_microseconds(crate::watch::Clock::now(&*self.clock));
        let lasts = |of: fn(&Fault) -> bool| {
            let mut faults = self.plan.faults.iter();
            faults.any(|fault| of(fault) && fault.lasts(index))
        };
        let noise = lasts(|fault| matches!(fault, Fault::Noise { .. }));
        let unplugged = lasts(|fault| matches!(fault, Fault::Unplugged { .. }));
        for line in &step.lines {
            let mut bytes = line.clone().into_bytes();
            bytes.push(b'\n');
            if unplugged {
                // Half a line, the plug out and in, and the other half, which could pass for a smaller number.
                let cut = self.random.below(bytes.len());
                let (head, tail) = bytes.split_at(cut);
                daemon.plug.hear(head, now);
                daemon.plug.replug();
                daemon.plug.hear(tail, now);
                daemon.fresh = false;
                continue;
            }
            if noise {
                let mut noise: Vec<u8> = (0..self.random.below(40)).map(|_| self.byte()).collect();
                if self.random.percent(20) {
                    noise.extend(std::iter::repeat_n(b'7', 300_000));
                }
                noise.push(b'\n');
                daemon.plug.hear(&noise, now);
                daemon.fresh = false;
            }
            let cut = self.random.below(bytes.len());
            let (head, tail) = bytes.split_at(cut);
            daemon.plug.hear(head, now);
            daemon.plug.hear(tail, now);
            let counts = !std::mem::replace(&mut daemon.fresh, false);
            if counts {
                let arrived = daemon.plug.last();
                daemon
                    .heard
                    .extend(self.ledger.said(&self.play.config, line, arrived));
            }
        }
    }

    /// A byte of noise; none that could make up a number.
    fn byte(&mut self) -> u8 {
        let byte = u8::try_from(self.random.within(0, 256)).unwrap_or(0);
        if byte.is_ascii_digit() || byte == b'\n' || byte == b'\r' {
            b'#'
        } else {
            byte
        }
    }

    /// Lets the loops work: to their rest (`whole`), or a few turns by chance.
    fn work(&mut self, mut daemon: Daemon, ticks: bool, whole: bool) -> Result<Daemon, String> {
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
        let now = crate::watch::Clock::now(&*self.clock);
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

    fn keep(&mut self, daemon: &mut Daemon) -> Result<bool, Died> {
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
                        received_at: crate::watch::Clock::now(&*self.clock),
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

    /// Starts the daemon from the files as they are; a crash in the midst of it costs another start.
    fn start(&mut self) -> Result<Daemon, String> {
        let mut why = String::new();
        for _ in 0..STARTS {
            let folder = self.power.back();
            match self.open(&folder) {
                Ok(daemon) => {
                    if !self.power.is_off() {
                        return Ok(daemon);
                    }
                    self.close(daemon);
                }
                Err(error) if self.power.is_off() => why = error,
                // A disk that takes nothing keeps a daemon from starting; whoever starts it tries again.
                Err(error) => {
                    why = error;
                    self.power.stays();
                }
            }
        }
        Err(format!("the daemon does not start any more: {why}"))
    }

    fn open(&mut self, folder: &Path) -> Result<Daemon, String> {
        let config = &self.play.config;
        let store = Store::open_seen(folder, self.power.clone()).map_err(|error| error.to_string())?;
        let (inbox, incoming) = incoming::channel();
        let begun = {
            let _inside = self.runtime.enter();
            let clock: Arc<dyn watch::Clock> = Arc::<SimulatedClock>::clone(&self.clock);
            self.runtime.block_on(Loops::begin(
                store.clone(),
                config,
                clock,
                self.play.batches.clone(),
                incoming,
                (fits::fitted, self.play.fits_from),
            ))
        };
        let loops = match begun {
            Ok(loops) => loops,
            Err(failure) => {
                let why = failure.to_string();
                // Its thread may still copy what the disk holds.
                self.runtime.block_on(store.close()).ok();
                return Err(why);
            }
        };
        let house = loops.house();
        let (Some(broker), Some(port)) = (config.mqtt.first(), config.serial.first()) else {
            return Err("the play has no broker or no port".to_owned());
        };
        let destinations = house.destinations();
        let postmen = destinations
            .iter()
            .zip(&self.others)
            .map(|(destination, other)| {
                let other: Arc<dyn crate::deliver::simulated::OtherSide> = Arc::<Other>::clone(other);
                Postman::new(&house, destination.clone(), other)
            })
            .collect();
        Ok(Daemon {
            ear: Ear::new(broker, &config.calibrations, inbox.clone()),
            plug: Plug::new(port, &config.calibrations, inbox.clone()),
            inbox,
            store,
            loops,
            postmen,
            taken: VecDeque::new(),
            fresh: true,
            heard: Vec::new(),
        })
    }

    /// All that was in memory is gone; the broker finds its link cut.
    fn crashed(&mut self, daemon: Daemon) -> Result<Daemon, String> {
        self.close(daemon);
        self.broker.connect(false);
        let daemon = self.start()?;
        self.broker.connect(!self.now.split);
        Ok(daemon)
    }

    /// Waits for the writer, which may still copy what the disk holds.
    fn close(&mut self, daemon: Daemon) {
        let store = daemon.store.clone();
        drop(daemon);
        self.runtime.block_on(store.close()).ok();
    }

    /// Stops in order, and starts again. `strange`: a program that cannot read the snapshots.
    fn stop(&mut self, mut daemon: Daemon, strange: bool) -> Result<Daemon, String> {
        // As the daemon does it: what has arrived is stored first.
        if self.keep(&mut daemon).is_ok() {
            daemon.loops.end();
        }
        if self.power.is_off() {
            return self.crashed(daemon);
        }
        let folder = daemon.store.folder().to_owned();
        let store = daemon.store.clone();
        drop(daemon);
        self.power.stays();
        self.runtime
            .block_on(store.close())
            .map_err(|error| format!("the store does not close in order: {error}"))?;
        if strange {
            make_strange(&folder).map_err(|error| format!("the simulation itself failed: {error}"))?;
        }
        self.broker.connect(false);
        let daemon = self.start()?;
        self.broker.connect(!self.now.split);
        Ok(daemon)
    }
}

fn dead(_failure: Failure) -> Died {
    Died
}

fn set(moods: &mut [Mood], channel: usize, mood: Mood) {
    if let Some(of) = moods.get_mut(channel) {
        *of = mood;
    }
}

/// The snapshots become those of a version that nobody knows.
fn make_strange(folder: &Path) -> Result<(), rusqlite::Error> {
    let connection = Connection::open(folder.join(Store::FILE))?;
    connection.execute(
        "UPDATE snapshot SET body = CAST(x'ffffff7f' || substr(body, 5) AS BLOB)",
        [],
    )?;
    connection.close().map_err(|(_, error)| error)
}
