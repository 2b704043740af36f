//! A daemon that watches made-up batches and stands still: what is seen of it changes only by what is done to it.

use std::{
    fs,
    path::{Path, PathBuf},
    sync::OnceLock,
    time::Duration,
};

use fobwatch_simulator::{Material, Scenario, Simulation, readings_csv};
use fobwatch_tests::{Daemon, run, wait_for};
use serde_json::Value;
use tempfile::TempDir;

/// A bound on waiting; nothing is measured with it.
pub(crate) const PATIENCE: Duration = Duration::from_secs(300);

const SEED: u64 = 7;
/// When it is, in the kitchen: so long after the first batch was sealed that it should go to the fridge.
const AGE_H: f64 = 46.0;

/// A daemon whose clock is that of its readings, so that it stops with them.
pub(crate) struct Kitchen {
    pub(crate) daemon: Daemon,
    _folder: TempDir,
}

impl Kitchen {
    /// One batch that should go to the fridge now, and one that takes days yet.
    pub(crate) fn open() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        copy(stocked(), folder.path());
        let daemon = begin(folder.path());
        is_ready(&daemon);
        Self {
            daemon,
            _folder: folder,
        }
    }

    /// The states of the alerts under watch.
    pub(crate) fn alert_states(&self) -> Vec<(String, String)> {
        let answer = self.daemon.json("/api/v1/alerts");
        let alerts = answer.get("alerts").and_then(Value::as_array);
        let text = |alert: &Value, key| {
            let text = alert.get(key).and_then(Value::as_str);
            text.unwrap_or_default().to_owned()
        };
        alerts
            .into_iter()
            .flatten()
            .map(|alert| (text(alert, "alert"), text(alert, "state")))
            .collect()
    }
}

/// The folder of such a kitchen, its past reckoned once for all tests; cargo's folder for tests keeps it.
fn stocked() -> &'static Path {
    static STOCKED: OnceLock<PathBuf> = OnceLock::new();
    STOCKED.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("browser-kitchen");
        fs::remove_dir_all(&folder).ok();
        fs::create_dir_all(folder.join("batches")).expect("the folder is made");
        let write = |name: &str, text: &str| {
            fs::write(folder.join(name), text).expect("a file is written");
        };
        write(
            "kitchen.toml",
            "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n",
        );
        for (name, shipped, age_h) in [
            ("hibiscus-12", "lively_culture", AGE_H),
            ("lime-and-mint-4", "cool_cellar", 16.0),
        ] {
            let played = Simulation::run(&scenario(shipped, age_h), SEED);
            write(&format!("batches/{name}.toml"), &played.batch_toml);
            write(&format!("{name}.csv"), &readings_csv(&played.readings));
        }
        let daemon = begin(&folder);
        let place = format!("127.0.0.1:{}", daemon.port());
        for name in ["hibiscus-12", "lime-and-mint-4"] {
            let file = folder.join(format!("{name}.csv")).display().to_string();
            let imported = run("fobwatch", &["import", &file, "--address", &place]);
            assert_eq!(imported.status, Some(0), "{imported:#?}");
        }
        is_ready(&daemon);
        assert_eq!(daemon.stop(), Some(0));
        folder
    })
}

fn begin(folder: &Path) -> Daemon {
    Daemon::start(
        &folder.join("kitchen.toml"),
        &folder.join("data"),
        &folder.join("batches"),
    )
}

fn is_ready(daemon: &Daemon) {
    wait_for("the fits of the past", PATIENCE, || {
        let status = daemon.json("/api/v1/status");
        let behind = status.get("behind")?.as_array()?.len();
        let moves = status.get("headline")?.as_str()?.contains("to the fridge now");
        (behind == 0 && moves).then_some(())
    });
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("the folder is made");
    for entry in fs::read_dir(from).expect("it is listed").flatten() {
        let copied = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &copied);
        } else {
            fs::copy(entry.path(), copied).expect("it is copied");
        }
    }
}

/// A shipped scenario that ends when all do.
fn scenario(shipped: &str, age_h: f64) -> Scenario {
    let mut scenario = Scenario::shipped(shipped).expect("a shipped scenario");
    scenario.bottled_at += jiff::SignedDuration::from_secs_f64((AGE_H - age_h) * 3_600.0);
    scenario.lasts_h = age_h;
    if shipped == "lively_culture" {
        // In bottles that hold much: the move comes after two days, the limit later.
        scenario.name = "hibiscus 12".to_owned();
        scenario.bottle.material = Material::Pet;
        scenario.bottle.pressure_limit_bar = 9.0;
    } else {
        scenario.name = "lime and mint 4".to_owned();
        scenario.culture_name = "jar three".to_owned();
        for sensor in &mut scenario.sensors {
            sensor.source = format!("mint {}", sensor.source);
        }
    }
    scenario
}
