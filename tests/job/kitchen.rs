//! A kitchen on a temporary folder: a batch of the simulator, a configuration, a data folder.

use std::{
    fs,
    path::{Path, PathBuf},
};

use fobwatch_simulator::{Played, Scenario, Simulation, notes_jsonl, readings_csv};
use fobwatch_tests::Broker;
use tempfile::TempDir;

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

    /// Arguments with which the simulator plays this scenario over the broker.
    pub(crate) fn simulator_mqtt(&self, broker: &Broker) -> Vec<String> {
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
            "max",
        ]
        .map(ToOwned::to_owned)
        .to_vec()
    }

    /// Arguments of `replay` on the same rows.
    pub(crate) fn replay(&self) -> Vec<String> {
        [
            "replay",
            "--batch",
            &self.text_path("batches/batch.toml"),
            "--readings",
            &self.text_path("readings.csv"),
            "--notes",
            &self.text_path("notes.jsonl"),
        ]
        .map(ToOwned::to_owned)
        .to_vec()
    }

    /// How many different readings the simulator sent: same source, quantity and time are one.
    pub(crate) fn distinct_readings(&self) -> u64 {
        let keys: std::collections::BTreeSet<_> = self
            .played
            .readings
            .iter()
            .map(|r| {
                (
                    r.source.clone(),
                    format!("{:?}", r.quantity),
                    r.at.as_microsecond(),
                )
            })
            .collect();
        keys.len().try_into().expect("a count fits")
    }
}

/// What a stopped or running daemon has on disk, read by another library call than the daemon's own.
pub(crate) struct Disk(rusqlite::Connection);

impl Disk {
    /// Opens the store in `data` for reading alone.
    pub(crate) fn open(data: &Path) -> Self {
        let file = fs::read_dir(data)
            .expect("the data folder is there")
            .filter_map(Result::ok)
            .map(|entry| entry.path())
            .find(|path| {
                path.extension()
                    .is_some_and(|ext| ext == "sqlite" || ext == "db" || ext == "sqlite3")
            })
            .expect("the data folder holds a store");
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        Self(rusqlite::Connection::open_with_flags(file, flags).expect("the store opens"))
    }

    /// The one number that `sql` answers.
    pub(crate) fn count(&self, sql: &str) -> u64 {
        let number: i64 = self
            .0
            .query_row(sql, [], |row| row.get(0))
            .expect("the query answers");
        number.try_into().expect("a count is not negative")
    }

    /// The first column of every row of `sql`, as text.
    pub(crate) fn texts(&self, sql: &str) -> Vec<String> {
        let mut statement = self.0.prepare(sql).expect("the query is understood");
        let rows = statement
            .query_map([], |row| row.get(0))
            .expect("the query answers");
        rows.map(|row| row.expect("a row is text")).collect()
    }
}
