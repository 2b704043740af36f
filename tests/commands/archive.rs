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

    // What is not of the batch: a gauge that it does not name, and its own from before it was sealed.
    kitchen.write(
        "others.csv",
        "time,source,quantity,value,unit\n2026-03-02T08:00:00Z,cellar,pressure,1.5,bar\n2026-02-02T08:00:00Z,pilot,pressure,1.5,bar\n",
    );
    let others = kitchen.records(&["import", &recorded.path("others.csv")]);
    assert_eq!(others[0]["new"], 2, "{others:?}");

    // Beside the running daemon.
    let folder = recorded.path("exported");
    let told = kitchen.done(&["export", "--batch", "lime and mint 4", "--to", &folder]);
    assert!(told.contains(&format!("{once} readings, 1 note.")), "{told}");
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
    let all = once + 2;
    assert_eq!(rows.lines().count(), all + 1);
    for form in ["csv", "senml", "jsonl", "parquet"] {
        let file = recorded.path(&format!("all.{form}"));
        kitchen.done(&["export", "--to", &file]);
        let other = kitchen.path(&format!("other-{form}"));
        let data = other.display().to_string();
        let config = recorded.path("kitchen.toml");
        let import = ["import", &file, "--data", &data, "--config", &config, "--json"];
        for (new, duplicates) in [(all, 0), (0, all)] {
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
    assert!(count > 10 && count < all, "{count}");
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
    assert!(
        finished.stdout.contains("No batch is there to take them yet"),
        "{finished:#?}"
    );
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

/// What a gauge reads in open air is taken off once, when a reading comes in: not again by what reads an export, and still after a
/// restore.
#[test]
fn a_zero_goes_with_the_folder_of_a_batch_and_with_a_backup_and_is_taken_off_once() {
    let kitchen = Kitchen::new();
    kitchen.write("post.token", "a token of some length");
    kitchen.write(
        "kitchen.toml",
        "[clock]\nsource = \"readings\"\n[http]\ntoken_file = \"post.token\"\n",
    );
    fs::create_dir(kitchen.path("data")).unwrap();
    let zeros = "[[zero]]\nsource = \"pilot\"\nreads_bar = 0.125\ntaken_at = \"2026-03-02T07:00:00Z\"\n";
    kitchen.write("data/zeros.toml", zeros);
    let sealed = hours_ago(5);
    kitchen.write("batches/plum-1.toml", &crate::kitchen::batch("plum 1", 5, 4.0));
    let post = |daemon: &Daemon, minutes: i64| {
        let at = sealed + jiff::SignedDuration::from_mins(minutes);
        let row = format!("time,source,quantity,value,unit\n{at},pilot,pressure,1.125,bar\n");
        ureq::post(format!("http://127.0.0.1:{}/api/v1/readings", daemon.port()))
            .header("Authorization", "Bearer a token of some length")
            .header("Content-Type", "text/csv")
            .send(row)
            .expect("a reading is posted");
    };
    let daemon = kitchen.watch();
    for minutes in 0..30 {
        post(&daemon, minutes);
    }
    let folder = kitchen.path("exported");
    kitchen.done(&[
        "export",
        "--batch",
        "plum 1",
        "--to",
        &folder.display().to_string(),
    ]);
    let rows = fs::read_to_string(folder.join("readings.csv")).unwrap();
    assert_eq!(rows.matches(",pilot,pressure,100000,Pa").count(), 30, "{rows}");
    let record = fs::read_to_string(folder.join("zeros.toml")).unwrap();
    assert!(record.contains("reads_bar = 0.125"), "{record}");
    assert!(
        record.contains("nothing that reads them takes it off again"),
        "{record}"
    );
    // Nor does it with the configuration, nor beside the data folder with its zeros.
    let config = kitchen.path("kitchen.toml").display().to_string();
    let path = |name: &str| folder.join(name).display().to_string();
    let (batch, readings) = (path("batch.toml"), path("readings.csv"));
    let files = [
        "replay",
        "--batch",
        &batch,
        "--readings",
        &readings,
        "--config",
        &config,
    ];
    let replayed = run("fobwatch", &files);
    assert_eq!(replayed.status, Some(0), "{replayed:#?}");
    let said = replayed.stdout.lines().last().expect("a forecast at the end");
    let said: Value = serde_json::from_str(said).unwrap();
    let at = said["at"].as_str().unwrap().to_owned();
    let live = wait_for("the engine to be done", PATIENCE, || {
        let forecast = daemon.json(&format!("/api/v1/batches/plum-1/forecast?at={at}"));
        (forecast == said).then_some(forecast)
    });
    assert_eq!(live, said);
    let again = kitchen.records(&["import", &readings]);
    assert_eq!(
        (&again[0]["new"], &again[0]["duplicates"]),
        (&0.into(), &30.into())
    );

    // The backup alone brings it all back.
    let backup = kitchen.path("monday.sqlite");
    kitchen.done(&["export", "--backup", &backup.display().to_string()]);
    daemon.kill();
    fs::remove_dir_all(kitchen.path("data")).unwrap();
    fs::create_dir(kitchen.path("data")).unwrap();
    fs::copy(&backup, kitchen.path("data/fobwatch.sqlite")).unwrap();
    let daemon = kitchen.watch();
    assert_eq!(kitchen_file(&kitchen, "data/zeros.toml"), zeros);
    post(&daemon, 40);
    let rows = kitchen.done(&["export", "--quantity", "pressure"]);
    assert_eq!(rows.matches(",pilot,pressure,100000,Pa").count(), 31, "{rows}");
    // Taken anew since: what the store brought along is older, and does not come back.
    let later = zeros.replace("0.125", "0.0625");
    kitchen.write("data/zeros.toml", &later);
    assert_eq!(daemon.stop(), Some(0));
    let daemon = kitchen.watch();
    assert_eq!(kitchen_file(&kitchen, "data/zeros.toml"), later);
    assert_eq!(daemon.stop(), Some(0));
}

fn kitchen_file(kitchen: &Kitchen, name: &str) -> String {
    fs::read_to_string(kitchen.path(name)).expect("it is there")
}

/// Ended in the middle of its work, an import keeps what it has stored, and the same command goes on from there.
#[test]
fn an_import_that_was_broken_off_goes_on_and_an_export_leaves_no_half_file() {
    let kitchen = Kitchen::new();
    let begin = hours_ago(24 * 30);
    let row = |index: i64| {
        let at = begin + jiff::SignedDuration::from_secs(index * 5);
        format!("{at},kitchen,room_temperature,21,degC\n")
    };
    let many: i64 = 1_250;
    let header = "time,source,quantity,value,unit\n";
    let rows: String = (0..many).map(row).collect();
    let file = kitchen.write("rows.csv", &(header.to_owned() + &rows));
    let (data, config) = (kitchen.data(), kitchen.path("kitchen.toml"));
    let stored = || {
        let store = rusqlite::Connection::open(kitchen.path("data/fobwatch.sqlite")).ok()?;
        let count: i64 = store
            .query_row("SELECT coalesce(sum(count), 0) FROM held", [], |row| row.get(0))
            .ok()?;
        Some(count)
    };
    // A pipe instead of a file: it has come as far as what was written, and waits for more.
    let pipe = kitchen.path("pipe.csv");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.is_ok_and(|made| made.success()));
    let mut import = std::process::Command::new(fobwatch_tests::program("fobwatch"))
        .arg("import")
        .arg(&pipe)
        .args(["--data", &data, "--config"])
        .arg(&config)
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut into = fs::OpenOptions::new()
        .write(true)
        .open(&pipe)
        .expect("it is read");
    std::io::Write::write_all(&mut into, (header.to_owned() + &rows).as_bytes()).expect("rows are written");
    wait_for("two lots of rows to be stored", PATIENCE, || {
        (stored()? >= 1_000).then_some(())
    });
    let told = std::process::Command::new("kill")
        .args(["-TERM", &import.id().to_string()])
        .status();
    assert!(told.is_ok_and(|told| told.success()));
    assert!(
        !import.wait().expect("it ends").success(),
        "it was broken off in its middle"
    );
    drop(into);
    assert_eq!(stored(), Some(1_000), "what was stored is there");
    let again = kitchen.records(&["import", &file]);
    assert_eq!(again[0]["duplicates"], 1_000, "{again:?}");
    assert_eq!(again[0]["new"], 250, "{again:?}");

    // An export has its name once it is whole.
    let to = kitchen.path("all.csv");
    kitchen.write("all.csv", "what stood here before");
    let part = kitchen.path("all.csv.part");
    let mut export = std::process::Command::new(fobwatch_tests::program("fobwatch"))
        .args([
            "export",
            "--to",
            &to.display().to_string(),
            "--data",
            &data,
            "--config",
        ])
        .arg(&config)
        .stdout(std::process::Stdio::null())
        .spawn()
        .expect("the program starts");
    wait_for("it to begin", PATIENCE, || {
        (part.exists() || to.metadata().is_ok_and(|file| file.len() > 100)).then_some(())
    });
    export.kill().ok();
    export.wait().expect("it ends");
    let there = fs::read_to_string(&to).unwrap();
    let whole = i64::try_from(there.lines().count()).unwrap() == many + 1;
    assert!(whole || there == "what stood here before");
    kitchen.done(&["export", "--to", &to.display().to_string()]);
    assert_eq!(
        i64::try_from(fs::read_to_string(&to).unwrap().lines().count()),
        Ok(many + 1)
    );
    assert!(!part.exists());
}
