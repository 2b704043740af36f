//! Files out of the store and into it: what is exported replays as it was watched, what is imported twice is there once, and
//! what was backed up is all there.

use std::{fs, path::Path};

use fobwatch_simulator::{Played, Scenario, Simulation, readings_csv};
use fobwatch_tests::{Daemon, Finished, run, wait_for};
use jiff::Timestamp;
use serde_json::Value;

use crate::kitchen::{Kitchen, PATIENCE, hours_ago};

const SLUG: &str = "lime-and-mint-4";

/// A kitchen whose clock is the readings' own, and the first hours of a simulated batch, added and imported.
struct Recorded {
    kitchen: Kitchen,
    played: Played,
}

impl Recorded {
    fn new() -> Self {
        let kitchen = Kitchen::new();
        kitchen.write(
            "kitchen.toml",
            "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n",
        );
        let mut scenario = Scenario::shipped("lively_culture").expect("a shipped scenario");
        scenario.lasts_h = 9.0;
        let played = Simulation::run(&scenario, 7);
        kitchen.write("rows.csv", &readings_csv(&played.readings));
        kitchen.write("batch.toml", &played.batch_toml);
        Self { kitchen, played }
    }

    fn path(&self, name: &str) -> String {
        self.kitchen.path(name).display().to_string()
    }

    fn add_and_import(&self) -> Value {
        self.kitchen.done(&["batch", "add", &self.path("batch.toml")]);
        // Written down when it happened: replay knows of no other time of a note.
        let at = self.played.scenario.bottled_at.to_string();
        self.kitchen
            .done(&["note", SLUG, "tasted", "--text", "flat", "--time", &at]);
        let imported = self.kitchen.records(&["import", &self.path("rows.csv")]);
        imported[0].clone()
    }

    fn last_heard(&self) -> Timestamp {
        self.played
            .readings
            .iter()
            .map(|reading| reading.at)
            .max()
            .expect("a batch has readings")
    }

    /// The forecast of `daemon` at the last reading, once its engine has come there.
    fn forecast(&self, daemon: &Daemon) -> Value {
        let last = self.last_heard();
        wait_for("the engine to be done", PATIENCE, || {
            let at: Timestamp = daemon.json("/api/v1/batches")["batches"][0]["at"]
                .as_str()?
                .parse()
                .ok()?;
            (at >= last).then_some(())
        });
        daemon.json(&format!("/api/v1/batches/{SLUG}/forecast?at={last}"))
    }

    /// Every reading of the store in `data`, as CSV.
    fn rows(&self, data: &Path) -> String {
        let data = data.display().to_string();
        let finished = run("fobwatch", &["export", "--data", &data]);
        assert_eq!(finished.status, Some(0), "{finished:#?}");
        finished.stdout
    }
}

fn replay(folder: &Path, at: Timestamp) -> Finished {
    let path = |name: &str| folder.join(name).display().to_string();
    let (batch, readings, notes) = (path("batch.toml"), path("readings.csv"), path("notes.jsonl"));
    let at = at.to_string();
    let files = ["--batch", &batch, "--readings", &readings, "--notes", &notes];
    run("fobwatch", &[&["replay", "--at", &at], &files[..]].concat())
}

#[test]
fn an_exported_batch_replays_to_what_the_daemon_said_and_imports_to_the_same_store() {
    let recorded = Recorded::new();
    let kitchen = &recorded.kitchen;
    let daemon = kitchen.watch();
    let imported = recorded.add_and_import();
    let once = usize::try_from(imported["new"].as_u64().unwrap()).unwrap();
    assert!(once > 100, "{imported}");
    assert_eq!(imported["refused"], 0, "{imported}");
    let watched = recorded.forecast(&daemon);

    // Beside the running daemon.
    let folder = recorded.path("exported");
    let told = kitchen.done(&["export", "--batch", "lime and mint 4", "--to", &folder]);
    assert!(told.contains(&format!("{once} readings, 1 notes")), "{told}");
    let replayed = replay(&kitchen.path("exported"), recorded.last_heard());
    assert_eq!(replayed.status, Some(0), "{replayed:#?}");
    assert!(replayed.stderr.is_empty(), "{}", replayed.stderr);
    let forecasts: Vec<Value> = replayed
        .stdout
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .filter(|record: &Value| record["record"] == "forecast")
        .collect();
    assert_eq!(forecasts, [watched]);
    // Again into the same folder, but never over something else.
    kitchen.done(&["export", "--batch", SLUG, "--to", &folder]);
    kitchen.refused(
        &["export", "--batch", SLUG, "--to", &kitchen.data()],
        2,
        "holds other files",
    );
    kitchen.refused(
        &["export", "--batch", "plum 1", "--to", &recorded.path("plum")],
        2,
        "allowed: 'lime and mint 4'",
    );

    // Handed in twice it is there once.
    let again = kitchen.records(&["import", &recorded.path("exported/readings.csv")]);
    assert_eq!(again[0]["new"], 0, "{again:?}");
    assert_eq!(again[0]["duplicates"], once, "{again:?}");

    // In each form, into stores of their own, without a daemon: the same rows.
    let rows = recorded.rows(&kitchen.path("data"));
    assert_eq!(rows.lines().count(), once + 1);
    for form in ["csv", "senml", "jsonl", "parquet"] {
        let file = recorded.path(&format!("all.{form}"));
        kitchen.done(&["export", "--to", &file]);
        let other = kitchen.path(&format!("other-{form}"));
        let data = other.display().to_string();
        let config = recorded.path("kitchen.toml");
        let import = ["import", &file, "--data", &data, "--config", &config, "--json"];
        for (new, duplicates) in [(once, 0), (0, once)] {
            let finished = run("fobwatch", &import);
            assert_eq!(finished.status, Some(0), "{form}: {finished:#?}");
            let record: Value = serde_json::from_str(&finished.stdout).unwrap();
            assert_eq!(record["new"], new, "{form}");
            assert_eq!(record["duplicates"], duplicates, "{form}");
        }
        assert!(recorded.rows(&other) == rows, "{form}");
    }
    let pilot = kitchen.done(&["export", "--source", "pilot", "--quantity", "pressure"]);
    let count = rows
        .lines()
        .filter(|row| row.contains(",pilot,pressure,"))
        .count();
    assert_eq!(pilot.lines().count(), count + 1);
    assert!(count > 10 && count < once, "{count}");
}

#[test]
fn bad_rows_are_told_with_their_lines_and_the_others_are_kept() {
    let kitchen = Kitchen::new();
    let at = hours_ago(1);
    let file = kitchen.write(
        "rows.csv",
        &format!(
            "time,source,quantity,value,unit\n{at},pilot,pressure,0.5,bar\n{at},pilot,pressure,much,bar\n\
             {at},kitchen,room_temperature,21,degC\nyesterday,kitchen,room_temperature,21,degC\n"
        ),
    );
    let finished = kitchen.run(&["import", &file]);
    assert_eq!(finished.status, Some(2), "{finished:#?}");
    assert!(
        finished
            .stdout
            .contains("2 new readings, 0 there already, 2 rows refused"),
        "{finished:#?}"
    );
    for line in ["line 3: value is `much`", "line 5: time is `yesterday`"] {
        assert!(finished.stderr.contains(line), "{finished:#?}");
    }
    kitchen.refused(&["import", &kitchen.write("rows.txt", "")], 2, "--format");
    let parquet = kitchen.write("rows.parquet", "PAR1 and nothing behind it");
    kitchen.refused(&["import", &parquet], 2, "is no Parquet file that can be read");
    kitchen.refused(&["export", "--format", "parquet"], 2, "allowed: with --to FILE");
    let bare = kitchen.write("bare.csv", "1,2,3\n");
    kitchen.refused(&["import", &bare], 2, "the header lacks");
    kitchen.refused(&["import", "nowhere.csv"], 1, "cannot be read");
    // A name that one form cannot hold is told, and another can.
    let odd = kitchen.write(
        "odd.csv",
        &format!("time,source,quantity,value,unit\n{at},\"the cellar, left\",room_temperature,14,degC\n"),
    );
    kitchen.done(&["import", &odd]);
    let senml = kitchen.run(&["export", "--format", "senml"]);
    assert_eq!(senml.status, Some(2), "{senml:#?}");
    assert_eq!(senml.stdout.lines().count(), 2, "{senml:#?}");
    assert!(senml.stderr.contains("1 readings were left out"), "{senml:#?}");
    assert_eq!(kitchen.done(&["export"]).lines().count(), 4);
}

#[test]
fn what_was_backed_up_while_it_ran_goes_on_after_a_crash_as_if_nothing_had_been() {
    let recorded = Recorded::new();
    let kitchen = &recorded.kitchen;
    kitchen.refused(
        &["export", "--backup", &recorded.path("early.sqlite")],
        1,
        "nothing was ever kept",
    );
    let daemon = kitchen.watch();
    recorded.add_and_import();
    let before = recorded.forecast(&daemon);
    let rows = recorded.rows(&kitchen.path("data"));
    let backup = recorded.path("monday.sqlite");
    let told = kitchen.done(&["export", "--backup", &backup]);
    assert!(told.contains("holds the whole store"), "{told}");
    kitchen.refused(&["export", "--backup", &backup], 1, "is there already");
    daemon.kill();
    fs::remove_dir_all(kitchen.path("data")).unwrap();

    fs::create_dir(kitchen.path("data")).unwrap();
    fs::copy(&backup, kitchen.path("data/fobwatch.sqlite")).unwrap();
    let daemon = kitchen.watch();
    assert_eq!(recorded.forecast(&daemon), before);
    assert!(recorded.rows(&kitchen.path("data")) == rows);
    // And it takes what comes.
    let more = kitchen.write(
        "more.csv",
        &format!(
            "time,source,quantity,value,unit\n{},pilot,liquid_temperature,21,degC\n",
            recorded.last_heard() + jiff::SignedDuration::from_mins(3)
        ),
    );
    assert_eq!(kitchen.records(&["import", &more])[0]["new"], 1);
    assert_eq!(daemon.stop(), Some(0));
}
