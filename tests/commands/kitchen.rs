//! A kitchen on a temporary folder: a configuration, a data folder, batch files.

use std::{fs, path::PathBuf, time::Duration};

use fobwatch_tests::{Daemon, Finished, run, wait_for};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use tempfile::TempDir;

/// A bound on waiting; nothing is measured with it.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct Kitchen {
    folder: TempDir,
}

impl Kitchen {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir(folder.path().join("batches")).expect("a folder of batch files");
        let kitchen = Self { folder };
        kitchen.write("kitchen.toml", "[display]\ntime_zone = \"UTC\"\n");
        kitchen
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) -> String {
        let path = self.path(name);
        fs::write(&path, text).expect("a file is written");
        path.display().to_string()
    }

    pub(crate) fn data(&self) -> String {
        self.path("data").display().to_string()
    }

    pub(crate) fn watch(&self) -> Daemon {
        Daemon::start(
            &self.path("kitchen.toml"),
            &self.path("data"),
            &self.path("batches"),
        )
    }

    /// A command on the data folder.
    pub(crate) fn run(&self, arguments: &[&str]) -> Finished {
        let (data, config) = (self.data(), self.path("kitchen.toml").display().to_string());
        let place = ["--data", &data, "--config", &config];
        run("fobwatch", &[arguments, &place].concat())
    }

    /// The same, which must be done.
    pub(crate) fn done(&self, arguments: &[&str]) -> String {
        let finished = self.run(arguments);
        assert_eq!(finished.status, Some(0), "{arguments:?}: {finished:#?}");
        finished.stdout
    }

    /// The same, which must end with `status` and complain of `why`.
    pub(crate) fn refused(&self, arguments: &[&str], status: i32, why: &str) {
        let finished = self.run(arguments);
        assert_eq!(finished.status, Some(status), "{arguments:?}: {finished:#?}");
        assert!(
            finished.stderr.contains(why),
            "{arguments:?}: {}",
            finished.stderr
        );
        assert!(finished.stdout.is_empty(), "{arguments:?}: {}", finished.stdout);
    }

    /// The records that a command writes.
    pub(crate) fn records(&self, arguments: &[&str]) -> Vec<Value> {
        let text = self.done(&[arguments, &["--json"]].concat());
        text.lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}")))
            .collect()
    }

    /// The state of an alert of the first batch, if it stands.
    pub(crate) fn state(&self, alert: &str) -> Option<String> {
        let records = self.records(&["status"]);
        let alerts = records.first()?.get("alerts")?.as_array()?.clone();
        let found = alerts.into_iter().find(|standing| standing["alert"] == alert)?;
        found["state"].as_str().map(str::to_owned)
    }

    pub(crate) fn wait_for_state(&self, alert: &str, state: &str) {
        wait_for(&format!("{alert} {state}"), PATIENCE, || {
            (self.state(alert).as_deref() == Some(state)).then_some(())
        });
    }
}

pub(crate) fn hours_ago(hours: i64) -> Timestamp {
    let now = Timestamp::now() - SignedDuration::from_hours(hours);
    Timestamp::from_second(now.as_second()).expect("a whole second")
}

/// Sugar for ten volumes under a limit of 1 bar, and no gauge: within a day it may pass its limit.
pub(crate) fn lively(name: &str) -> String {
    batch(name, 2, 1.0)
}

pub(crate) fn batch(name: &str, sealed_hours_ago: i64, limit_bar: f64) -> String {
    let sealed = hours_ago(sealed_hours_ago);
    format!(
        "name = \"{name}\"\nculture = \"jar two\"\nbottled_at = \"{sealed}\"\n\
         [drink]\nsucrose_g_per_l = 40.0\nculture_ml_per_l = 25.0\n\
         [bottle]\nmaterial = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = {limit_bar:?}\n\
         [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n"
    )
}
