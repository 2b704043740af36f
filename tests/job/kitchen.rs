//! A kitchen on a temporary folder: a batch of the simulator, a configuration, a data folder.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    time::Duration,
};

use fobwatch_simulator::{Played, Scenario, Simulation, notes_jsonl, readings_csv};
use fobwatch_tests::{Broker, Daemon, kept, key, wait_for};
pub(crate) use fobwatch_tests::{Disk, Key};
use jiff::Timestamp;
use tempfile::TempDir;

/// Ends a test that would wait for ever; no test depends on its length.
pub(crate) const PATIENCE: Duration = Duration::from_secs(600);

pub(crate) const SEED: u64 = 7;

/// Topics that the simulator publishes under.
pub(crate) const TOPIC: &str = "sensors";

/// A scenario, cut to some length, written where the programs find it.
pub(crate) struct Kitchen {
    pub(crate) played: Played,
    folder: TempDir,
}

impl Kitchen {
    /// With the shipped scenario `name`, ended after `hours`.
    pub(crate) fn new(name: &str, hours: f64) -> Self {
        let mut scenario = Scenario::shipped(name).expect("a shipped scenario");
        scenario.lasts_h = hours;
        let folder = tempfile::tempdir().expect("a temporary folder");
        let played = Simulation::run(&scenario, SEED);
        let kitchen = Self { played, folder };
        kitchen.write("scenario.toml", &scenario.to_toml());
        kitchen.write("readings.csv", &readings_csv(&kitchen.played.readings));
        kitchen.write("notes.jsonl", &notes_jsonl(&kitchen.played.notes));
        fs::create_dir(kitchen.batches()).expect("the folder of batches is made");
        kitchen.write("batches/batch.toml", &kitchen.played.batch_toml);
        kitchen
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn text_path(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    pub(crate) fn batches(&self) -> PathBuf {
        self.path("batches")
    }

    pub(crate) fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, text).expect("a file is written");
        path
    }

    /// A configuration with `broker`, whose clock is the readings' own: a week goes by as fast as it is fitted.
    pub(crate) fn mqtt_config(&self, broker: &Broker, client_id: &str) -> PathBuf {
        let text = format!(
            "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\n\
             client_id = \"{client_id}\"\nusername = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"fobwatch\"\n\
             senml = [\"{TOPIC}/#\"]\n",
            broker.port(),
            Broker::USER,
            broker.password_file()
        );
        self.write(&format!("{client_id}.toml"), &text)
    }

    /// Arguments with which the simulator plays this scenario over the broker, so many seconds in one, or `max`.
    pub(crate) fn simulator_mqtt(&self, broker: &Broker, speed: &str) -> Vec<String> {
        [
            "mqtt",
            "--scenario",
            &self.text_path("scenario.toml"),
            "--seed",
            &SEED.to_string(),
            "--broker",
            &format!("127.0.0.1:{}", broker.port()),
            "--topic",
            TOPIC,
            "--username",
            Broker::USER,
            "--password-file",
            &broker.password_file(),
            "--speed",
            speed,
        ]
        .map(ToOwned::to_owned)
        .to_vec()
    }

    /// The readings that the simulator sends, each once: same source, quantity and time are one.
    pub(crate) fn sent(&self) -> BTreeSet<Key> {
        self.in_order().collect()
    }

    /// The same in the order in which they arrive for the first time.
    pub(crate) fn in_order(&self) -> impl Iterator<Item = Key> + '_ {
        let mut seen = BTreeSet::new();
        self.played
            .readings
            .iter()
            .map(key)
            .filter(move |key| seen.insert(key.clone()))
    }

    /// The latest measured time.
    pub(crate) fn last_heard(&self) -> Timestamp {
        self.played.readings.iter().map(|r| r.at).max().unwrap()
    }

    /// Waits until `daemon` has stored all that was sent, and its engine has taken it.
    pub(crate) fn wait_until_taken(&self, daemon: &Daemon, data: &Path) {
        let wanted = self.sent();
        wait_for("every reading on disk", PATIENCE, || {
            (Disk::open(data).count("SELECT coalesce(sum(count), 0) FROM held") >= wanted.len()).then_some(())
        });
        self.wait_until_thought(daemon);
    }

    /// Waits until the engine of the only batch has taken the last reading.
    pub(crate) fn wait_until_thought(&self, daemon: &Daemon) {
        let last = self.last_heard();
        wait_for("the engine to be done", PATIENCE, || {
            let at: Timestamp = daemon.json("/api/v1/batches")["batches"][0]["at"]
                .as_str()?
                .parse()
                .ok()?;
            (at >= last).then_some(())
        });
    }
}

/// Waits until a daemon has subscribed: it says `online` behind its subscriptions.
pub(crate) fn until_online(broker: &Broker) {
    wait_for("the daemon at the broker", PATIENCE, || {
        (kept(broker, "fobwatch/status").get("fobwatch/status")? == "online").then_some(())
    });
}
