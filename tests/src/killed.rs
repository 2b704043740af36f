//! The real daemon, killed again and again under load, beside the same one that nobody kills.
//!
//! Two batches: their bottles' sensors publish at a real broker (QoS 1), their rooms' thermometers post over HTTP until they are answered
//! 200. Beside them somebody posts rows all the while, alerts go to a webhook, and everything to a real time-series server. A kill comes at a
//! random moment of a seed: while readings come in, while the engines reckon, while a delivery is under way, or during the start.

mod left;
mod load;

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Condvar, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use fobwatch_simulator::Played;

use crate::{Answer, Broker, Daemon, Disk, SeriesServer, in_order, key, several, take_posts, wait_for};

pub use left::Left;
use load::Load;

pub(crate) const PATIENCE: Duration = Duration::from_secs(600);
const NAMES: [&str; 2] = ["lime and mint 4", "plum 1"];
/// Of the longest time from the chosen reading to a kill, in milliseconds.
const LATER_MS: u64 = 400;

/// What came of both runs.
#[derive(Debug)]
pub struct Killed {
    /// How often it was killed, and how many of those during its start.
    pub kills: (usize, usize),
    /// Restarts of the broker.
    pub restarts: usize,
    /// Readings of the batches, and rows beside them.
    pub sent: (usize, usize),
    /// Rows that were answered 200 before a kill and looked for right after it.
    pub looked_for: usize,
    /// Deliveries that came more than once, and those whose answer a kill cut off.
    pub again: (usize, usize),
    /// What was left.
    pub left: Left,
    /// What is left where nobody is killed.
    pub calm: Left,
    /// How long the one with kills took.
    pub took: Duration,
}

/// Plays `hours` of two batches twice: once with so many kills, once without.
///
/// # Panics
/// A part does not start, something does not come through within ten minutes, or what was acknowledged before a kill is not there after it.
#[must_use]
pub fn kill_often(hours: u32, kills: u32, seed: u64) -> Killed {
    let played = several("lively_culture", f64::from(hours), &NAMES, seed);
    let slices = kills + 1;
    let calm = Run::new(&played, slices).play(None);
    let began = Instant::now();
    let hit = Run::new(&played, slices).play(Some(Dice(seed)));
    Killed {
        kills: hit.kills,
        restarts: hit.restarts,
        sent: (in_order(&played).len(), hit.rows),
        looked_for: hit.looked_for,
        again: hit.again,
        left: hit.left,
        calm: calm.left,
        took: began.elapsed(),
    }
}

/// SplitMix64 (Steele, Lea and Flood 2014).
#[derive(Clone, Copy, Debug)]
struct Dice(u64);

impl Dice {
    fn below(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (mixed ^ (mixed >> 31)) % most.max(1)
    }
}

/// What the push service got: keys, each with the bodies that came under it.
#[derive(Debug, Default)]
struct Phone {
    taken: Mutex<BTreeMap<String, Vec<String>>>,
    /// The next delivery is not answered before the next kill.
    holds: AtomicBool,
    unanswered: Mutex<Vec<String>>,
    kills: Mutex<usize>,
    killed: Condvar,
}

impl Phone {
    fn ring(&self, posted: &crate::Posted) -> Answer {
        let key = posted.header("Idempotency-Key").unwrap_or_default().to_owned();
        let body = posted.body.clone();
        locked(&self.taken).entry(key.clone()).or_default().push(body);
        if !self.holds.swap(false, Ordering::SeqCst) {
            return Answer::Taken;
        }
        locked(&self.unanswered).push(key);
        let kills = locked(&self.kills);
        let before = *kills;
        let waited = self.killed.wait_while(kills, |kills| *kills == before);
        drop(waited.unwrap_or_else(PoisonError::into_inner));
        Answer::Silence
    }

    fn tell_of_a_kill(&self) {
        *locked(&self.kills) += 1;
        self.killed.notify_all();
    }
}

fn locked<T>(what: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    what.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Run<'a> {
    played: &'a [Played],
    slices: u32,
    folder: tempfile::TempDir,
    broker: Broker,
    server: SeriesServer,
    phone: Arc<Phone>,
}

#[derive(Debug)]
struct Outcome {
    left: Left,
    kills: (usize, usize),
    restarts: usize,
    rows: usize,
    looked_for: usize,
    again: (usize, usize),
}

impl<'a> Run<'a> {
    fn new(played: &'a [Played], slices: u32) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let write = |name: &str, text: &str| {
            std::fs::write(folder.path().join(name), text).expect("a file is written");
        };
        std::fs::create_dir(folder.path().join("batches")).expect("a folder is made");
        for (name, played) in NAMES.iter().zip(played) {
            write(
                &format!("batches/{}.toml", name.replace(' ', "-")),
                &played.batch_toml,
            );
        }
        let (broker, server) = (Broker::start(), SeriesServer::start());
        let phone = Arc::new(Phone::default());
        let rung = Arc::clone(&phone);
        let port = take_posts(move |posted| rung.ring(posted));
        write("post.token", load::TOKEN);
        let config = format!(
            "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n[http]\ntoken_file = \"post.token\"\n\
             [[webhook]]\nname = \"phone\"\nurl = \"http://127.0.0.1:{port}/\"\n[[series]]\nurl = \"{}\"\n\
             [[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"killed\"\nusername = \"{}\"\npassword_file = \"{}\"\n\
             publish_prefix = \"fobwatch\"\nsenml = [\"sensors/#\"]\n",
            server.url(),
            broker.port(),
            Broker::USER,
            broker.password_file()
        );
        write("killed.toml", &config);
        Self {
            played,
            slices,
            folder,
            broker,
            server,
            phone,
        }
    }

    fn path(&self, name: &str) -> std::path::PathBuf {
        self.folder.path().join(name)
    }

    fn start(&self) -> Daemon {
        Daemon::start(
            &self.path("killed.toml"),
            &self.path("data"),
            &self.path("batches"),
        )
    }

    /// With kills at moments of the dice, or without any.
    fn play(mut self, mut dice: Option<Dice>) -> Outcome {
        let all = in_order(self.played);
        let sealed = all
            .iter()
            .map(|reading| reading.at)
            .min()
            .expect("something was sent");
        let data = self.path("data");
        let mut daemon = self.start();
        load::until_online(&self.broker);
        let load = Load::new(self.broker.port(), daemon.port(), &data, sealed);
        let load = &load;
        let (mut kills, mut restarts, mut looked_for) = ((0, 0), 0, 0);
        let size = all.len().div_ceil(self.slices as usize);
        let daemon = thread::scope(|scope| {
            let _ends = load.ends_with_others();
            let beside = scope.spawn(|| load.post_rows());
            for (round, slice) in all.chunks(size).enumerate() {
                let before = round * size;
                let sends = scope.spawn(move || load.send(slice, before));
                let last = round + 1 == self.slices as usize;
                if let Some(dice) = dice.as_mut().filter(|_| !last) {
                    self.phone.holds.store(dice.below(2) == 0, Ordering::SeqCst);
                    let wanted = before + usize::try_from(dice.below(slice.len() as u64)).unwrap_or(0);
                    load.until_stored(wanted);
                    thread::sleep(Duration::from_millis(dice.below(LATER_MS)));
                    daemon.kill();
                    kills.0 += 1;
                    self.phone.holds.store(false, Ordering::SeqCst);
                    self.phone.tell_of_a_kill();
                    looked_for += load.look_for_what_was_answered();
                    if round % 5 == 4 {
                        self.broker.restart();
                        restarts += 1;
                    }
                    if dice.below(4) == 0 {
                        let after = Duration::from_millis(dice.below(LATER_MS));
                        Daemon::kill_while_starting(
                            &self.path("killed.toml"),
                            &data,
                            &self.path("batches"),
                            after,
                        );
                        kills.0 += 1;
                        kills.1 += 1;
                    }
                    daemon = self.start();
                    load.is_at(daemon.port());
                }
                sends.join().expect("all of it is sent");
                if self.slices > 10 && round % 10 == 9 {
                    eprintln!("{} of {} parts, {} kills", round + 1, self.slices, kills.0);
                }
            }
            load.enough();
            beside.join().expect("the rows are sent");
            daemon
        });
        looked_for += load.look_for_what_was_answered();
        let left = left::left(&self, &daemon, load);
        assert_eq!(daemon.stop(), Some(0));
        let disk = Disk::open(&data);
        assert_eq!(disk.texts("PRAGMA integrity_check"), ["ok"]);
        let taken = locked(&self.phone.taken);
        let unanswered = locked(&self.phone.unanswered);
        for key in unanswered.iter() {
            let came = taken.get(key).map_or(0, Vec::len);
            assert!(came > 1, "{key} was cut off, and never delivered again");
        }
        Outcome {
            left,
            kills,
            restarts,
            rows: load.rows(),
            looked_for,
            again: (
                taken.values().filter(|bodies| bodies.len() > 1).count(),
                unanswered.len(),
            ),
        }
    }

    /// Waits until every reading is stored, reckoned, told to the server, and every alert delivered.
    fn until_done(&self, daemon: &Daemon, load: &Load) {
        let all = in_order(self.played);
        load.until_stored(all.len());
        wait_for("the engines to be done", PATIENCE, || {
            let told = daemon.json("/api/v1/batches");
            let there = |batch: &serde_json::Value| {
                let own = all.iter().filter(|reading| {
                    batch["slug"]
                        .as_str()
                        .is_some_and(|slug| reading.source.starts_with(slug))
                });
                batch["at"].as_str().and_then(|at| at.parse().ok()) >= own.map(|reading| reading.at).max()
            };
            let batches = told["batches"].as_array()?;
            (batches.len() == NAMES.len() && batches.iter().all(there)).then_some(())
        });
        let disk = Disk::open(&self.path("data"));
        wait_for("every alert to be delivered", PATIENCE, || {
            (disk.count("SELECT count(*) FROM outbox WHERE done_us IS NULL AND again = 0") == 0).then_some(())
        });
        let mut wanted: BTreeMap<(String, String), usize> = BTreeMap::new();
        for (source, quantity, _) in all.iter().map(key) {
            *wanted.entry((source, quantity)).or_default() += 1;
        }
        wanted.insert((load::BESIDE.to_owned(), "pressure".to_owned()), load.rows());
        wait_for("the server to have every reading", PATIENCE, || {
            let there = left::on_server(&self.server);
            let enough = wanted
                .iter()
                .all(|(of, count)| there.get(of).map_or(0, Vec::len) >= *count);
            enough.then_some(())
        });
    }
}
