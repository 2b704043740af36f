//! Four daemons on one broker, each with its share; one is killed with its machine, and another takes its share over. Beside them
//! one alone that watches everything and hears the same, to compare with.

use std::{
    collections::{BTreeMap, BTreeSet},
    path::PathBuf,
    thread,
    time::{Duration, Instant},
};

use fobwatch_simulator::{Emitted, Played};
use serde_json::Value;

use crate::{Broker, Daemon, Disk, SeriesServer, in_order, key, publish_through, run, several, wait_for};

const PATIENCE: Duration = Duration::from_secs(600);
/// Who watches shares 0, 1, 2, 3 of 4.
const WHO: [&str; 4] = ["east", "west", "north", "south"];
const ALONE: &str = "alone";

/// What came of it.
#[derive(Debug)]
pub struct TakenOver {
    /// Batches, and those of the one that was killed.
    pub batches: (usize, usize),
    /// Readings sent.
    pub sent: usize,
    /// Daemons that have not each reading once.
    pub without_all: Vec<String>,
    /// Sensors of which the time-series server has not each reading once.
    pub not_on_server: Vec<String>,
    /// Readings that came while nobody watched the share, or during the restart.
    pub meanwhile: usize,
    /// From the start of the heir to the first forecast of each batch taken over, and to the last of them that is up to date.
    pub until_forecast: (Duration, Duration),
    /// What each batch's watcher has in the end, and what the one alone has: forecasts, changes of alerts, the forecast asked at the end.
    pub watched: BTreeMap<String, [Vec<String>; 3]>,
    /// The same of the one alone.
    pub alone: BTreeMap<String, [Vec<String>; 3]>,
}

struct Site {
    folder: tempfile::TempDir,
    broker: Broker,
    server: SeriesServer,
    names: Vec<String>,
    played: Vec<Played>,
}

/// Plays `hours` of so many batches.
///
/// # Panics
/// A part does not start, or something does not come through within ten minutes.
#[must_use]
pub fn take_over(batches: usize, hours: u32) -> TakenOver {
    let site = Site::new(batches, hours);
    let all = in_order(&site.played);
    let (first, rest) = all.split_at(all.len() / 2);
    let (second, third) = rest.split_at(rest.len() / 2);
    let mut daemons: BTreeMap<&str, Daemon> = WHO
        .iter()
        .zip(0..)
        .map(|(who, share)| (*who, site.watch(who, &share.to_string())))
        .collect();
    daemons.insert(ALONE, site.watch(ALONE, ""));
    for daemon in daemons.values() {
        wait_for("the daemon at the broker", PATIENCE, || {
            daemon.log().contains("Connected.").then_some(())
        });
    }
    site.send(first);
    for (who, daemon) in &daemons {
        site.until_reckoned(who, daemon, first);
    }
    let taken: Vec<&String> = site.names.iter().filter(|name| share_of(name) == 0).collect();
    let one = taken.first().expect("each has one");
    site.say(&daemons["east"], &daemons[ALONE], one);
    for who in WHO {
        let disk = Disk::open(&site.path(who));
        wait_for("what people said to be with all", PATIENCE, || {
            let there = disk.count("SELECT count(*) FROM note") + disk.count("SELECT count(*) FROM command");
            (there == 2).then_some(())
        });
    }

    // Its machine is gone, with all that was on its disk.
    daemons.remove("east").expect("it runs").kill();
    std::fs::remove_dir_all(site.path("east")).expect("it goes");
    site.send(second);
    for who in WHO[1..].iter().chain([&ALONE]) {
        site.until_stored(who, first.len() + second.len());
    }
    assert_eq!(daemons.remove("west").expect("it runs").stop(), Some(0));
    let (heir, until_forecast) = thread::scope(|scope| {
        let sends = scope.spawn(|| site.send(third));
        let started = Instant::now();
        let heir = site.watch("west", "0,1");
        let mut first_seen = None;
        wait_for("a forecast of each batch that was taken over", PATIENCE, || {
            let there = taken
                .iter()
                .all(|name| listed(&heir, name)["forecast"].is_object());
            if there {
                first_seen.get_or_insert(started.elapsed());
            }
            first_seen.map(|_| ())
        });
        sends.join().expect("all is sent");
        site.until_reckoned("west", &heir, &all);
        (heir, (first_seen.unwrap_or_default(), started.elapsed()))
    });
    daemons.insert("west", heir);
    for (who, daemon) in &daemons {
        site.until_reckoned(who, daemon, &all);
    }
    site.compare(
        daemons,
        &all,
        taken.len(),
        second.len() + third.len(),
        until_forecast,
    )
}

impl Site {
    fn new(batches: usize, hours: u32) -> Self {
        // As many in each share.
        let names: Vec<String> = (0..WHO.len())
            .flat_map(|share| {
                let plums = (1..).map(|number| format!("plum {number}"));
                let own = plums.filter(move |name| share_of(name) == share as u64);
                own.take(batches.div_ceil(WHO.len())).collect::<Vec<_>>()
            })
            .collect();
        let known: Vec<&str> = names.iter().map(String::as_str).collect();
        let mut played = several("lively_culture", f64::from(hours), &known, 31);
        let folder = tempfile::tempdir().expect("a temporary folder");
        std::fs::create_dir(folder.path().join("batches")).expect("a folder is made");
        for (name, played) in names.iter().zip(&mut played) {
            // So that there is something to alert of.
            played.batch_toml = played
                .batch_toml
                .replace("pressure_limit_bar = 4.7", "pressure_limit_bar = 1.5");
            let file = folder.path().join(format!("batches/{}.toml", slug(name)));
            std::fs::write(file, &played.batch_toml).expect("a file is written");
        }
        Self {
            folder,
            broker: Broker::start(),
            server: SeriesServer::start(),
            names,
            played,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// With these shares of four; none: it watches all, and tells the time-series server nothing.
    fn watch(&self, who: &str, take: &str) -> Daemon {
        let peers = WHO.map(|who| format!("\"site/{who}\"")).join(", ");
        let rest = match take {
            "" => String::new(),
            take => format!(
                "[share]\ntake = \"{take}\"\nof = 4\npeers = [{peers}]\n[[series]]\nurl = \"{}\"\n",
                self.server.url()
            ),
        };
        let text = format!(
            "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nclient_id = \"{who}\"\n\
             username = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"site/{who}\"\nsenml = [\"sensors/#\"]\n{rest}",
            self.broker.port(),
            Broker::USER,
            self.broker.password_file(),
        );
        let config = self.path(&format!("{who}.toml"));
        std::fs::write(&config, text).expect("a file is written");
        Daemon::start(&config, &self.path(who), &self.path("batches"))
    }

    fn send(&self, readings: &[Emitted]) {
        let message = |reading: &Emitted| (format!("sensors/{}", reading.source), reading.senml());
        let messages: Vec<_> = readings.iter().map(message).collect();
        publish_through(self.broker.port(), &messages);
    }

    fn until_stored(&self, who: &str, wanted: usize) {
        let disk = Disk::open(&self.path(who));
        wait_for(&format!("{wanted} readings at {who}"), PATIENCE, || {
            (disk.count("SELECT coalesce(sum(count), 0) FROM held") >= wanted).then_some(())
        });
    }

    /// Waits until `who` has stored what was sent, and its engines have taken it.
    fn until_reckoned(&self, who: &str, daemon: &Daemon, sent: &[Emitted]) {
        self.until_stored(who, sent.len());
        wait_for(&format!("the engines of {who}"), PATIENCE, || {
            let told = daemon.json("/api/v1/batches");
            let there = |batch: &Value| {
                let slug = batch["slug"].as_str().unwrap_or_default();
                let own = sent.iter().filter(|reading| of_batch(reading, slug));
                batch["at"].as_str().and_then(|at| at.parse().ok()) >= own.map(|reading| reading.at).max()
            };
            let batches = told["batches"].as_array()?;
            (!batches.is_empty() && batches.iter().all(there)).then_some(())
        });
    }

    /// A note of a batch, and its alert acknowledged, said to both at the same place in the order.
    fn say(&self, watcher: &Daemon, alone: &Daemon, name: &str) {
        let slug = slug(name);
        let at = |daemon: &Daemon| listed(daemon, name)["at"].clone();
        let at = wait_for("both to be at the same time", PATIENCE, || {
            let (one, other) = (at(watcher), at(alone));
            (one.is_string() && one == other).then_some(one)
        });
        for daemon in [watcher, alone] {
            let note = serde_json::json!({ "time": at, "kind": "tasted", "text": "light" });
            let url = format!("http://127.0.0.1:{}/api/v1/batches/{slug}/notes", daemon.port());
            let answer = ureq::post(url).send(note.to_string()).expect("it is taken");
            assert_eq!(answer.status(), 201);
            let address = format!("127.0.0.1:{}", daemon.port());
            let seen = run(
                "fobwatch",
                &[
                    "ack",
                    "limit_near",
                    "--batch",
                    name,
                    "--who",
                    "Ada",
                    "--address",
                    &address,
                ],
            );
            assert_eq!(
                seen.status,
                Some(0),
                "{seen:#?}\n{}",
                daemon.json("/api/v1/alerts")
            );
        }
    }

    fn compare(
        &self,
        daemons: BTreeMap<&str, Daemon>,
        all: &[Emitted],
        taken: usize,
        meanwhile: usize,
        until_forecast: (Duration, Duration),
    ) -> TakenOver {
        let last = all.iter().map(|reading| reading.at).max().unwrap_or_default();
        let of = |who: &str, name: &str| {
            let asked = daemons[who].json(&format!("/api/v1/batches/{}/forecast?at={last}", slug(name)));
            let disk = Disk::open(&self.path(who));
            let texts = |table: &str, order: &str| {
                disk.texts(&format!(
                    "SELECT body FROM {table} JOIN batch ON batch.id = {table}.batch WHERE name = '{name}' ORDER BY {order}"
                ))
            };
            [
                texts("forecast", "at_us"),
                texts("alert", "alert.id"),
                vec![asked.to_string()],
            ]
        };
        let watcher = |name: &str| match share_of(name) {
            0 | 1 => "west",
            2 => "north",
            _ => "south",
        };
        let watched = self
            .names
            .iter()
            .map(|name| (name.clone(), of(watcher(name), name)));
        let alone = self.names.iter().map(|name| (name.clone(), of(ALONE, name)));
        let (watched, alone) = (watched.collect(), alone.collect());
        let mut sent: Vec<_> = all.iter().map(key).collect();
        sent.sort();
        let without_all = daemons.keys().filter(|who| {
            let mut there = Disk::open(&self.path(who)).readings();
            there.sort();
            there != sent
        });
        let without_all = without_all.map(|who| (*who).to_owned()).collect();
        let wanted: BTreeMap<String, BTreeSet<i64>> = sent
            .iter()
            .filter(|(_, quantity, _)| quantity == "pressure")
            .fold(BTreeMap::new(), |mut all, (source, _, us)| {
                all.entry(source.clone())
                    .or_insert_with(BTreeSet::new)
                    .insert(us.div_euclid(1_000));
                all
            });
        let mut not_on_server = Vec::new();
        for (source, wanted) in wanted {
            let there = wait_for("the server to have every reading", PATIENCE, || {
                let points = self.server.points("fobwatch_reading_pressure_bar");
                let own = points
                    .into_iter()
                    .filter(|(labels, _)| labels["source"] == *source);
                let times: Vec<i64> = own.flat_map(|(_, points)| points).map(|(at, _)| at).collect();
                (times.len() >= wanted.len()).then_some(times)
            });
            if there.len() != wanted.len() || there.into_iter().collect::<BTreeSet<_>>() != wanted {
                not_on_server.push(source);
            }
        }
        for daemon in daemons.into_values() {
            assert_eq!(daemon.stop(), Some(0));
        }
        TakenOver {
            batches: (self.names.len(), taken),
            sent: sent.len(),
            without_all,
            not_on_server,
            meanwhile,
            until_forecast,
            watched,
            alone,
        }
    }
}

/// What a daemon lists of a batch; null: it does not watch it.
fn listed(daemon: &Daemon, name: &str) -> Value {
    let told = daemon.json("/api/v1/batches");
    let mut all = told["batches"].as_array().into_iter().flatten();
    all.find(|batch| batch["slug"] == slug(name))
        .cloned()
        .unwrap_or_default()
}

fn slug(name: &str) -> String {
    name.replace(' ', "-")
}

/// Whether a reading is of the sensors of a batch; `plum-1` is none of `plum-12`.
fn of_batch(reading: &Emitted, slug: &str) -> bool {
    reading.source.trim_end_matches("-room") == slug
}

/// The share of four of a batch: FNV-1a of 64 bits (RFC 9923) of its slug.
fn share_of(name: &str) -> u64 {
    let start = 0xcbf2_9ce4_8422_2325_u64;
    let hash = slug(name).bytes().fold(start, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    hash % 4
}
