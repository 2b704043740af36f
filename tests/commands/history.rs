//! What the earlier batches of a culture make of the next one, through the real program.

use fobwatch_simulator::{Scenario, Simulation, readings_csv};
use fobwatch_tests::run;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::kitchen::Kitchen;

/// The culture of a made-up seed in batch number `turn`, a fortnight after the one before.
pub(crate) fn scenario(culture: u64, turn: i32) -> Scenario {
    let seed = culture + 7 * u64::from(turn.unsigned_abs());
    let mut scenario = Scenario::drawn_of_culture(culture, seed);
    let first: Timestamp = "2026-03-02T07:00:00Z".parse().expect("as written");
    scenario.bottled_at = first + SignedDuration::from_hours(24 * 14) * turn;
    scenario.name = format!("hibiscus {turn}");
    scenario.lasts_h = 168.0;
    scenario
}

pub(crate) fn filled(kitchen: &Kitchen, folder: &str, scenario: &Scenario) {
    std::fs::create_dir_all(kitchen.path(folder)).expect("as written");
    let played = Simulation::run(scenario, 3);
    kitchen.write(&format!("{folder}/batch.toml"), &played.batch_toml);
    kitchen.write(&format!("{folder}/readings.csv"), &readings_csv(&played.readings));
}

fn width_h(record: &Value) -> f64 {
    let at = |key: &str| -> Timestamp {
        record["target_at"][key]
            .as_str()
            .expect("as written")
            .parse()
            .expect("as written")
    };
    at("p95").duration_since(at("p05")).as_secs_f64() / 3_600.0
}

#[test]
fn earlier_batches_narrow_the_next_one_and_strangers_do_not_count() {
    let kitchen = Kitchen::new();
    for turn in 0..3 {
        filled(&kitchen, &format!("past/{turn}"), &scenario(8, turn));
    }
    filled(&kitchen, "past/another", &scenario(5, 1));
    filled(&kitchen, "past/later", &scenario(8, 9));
    std::fs::create_dir_all(kitchen.path("past/pictures")).expect("as written");
    filled(&kitchen, "next", &scenario(8, 4));
    std::fs::create_dir_all(kitchen.path("nothing")).expect("as written");
    let [file, rows, past, nothing] = ["next/batch.toml", "next/readings.csv", "past", "nothing"]
        .map(|name| kitchen.path(name).display().to_string());
    let plan = |history: &[&str]| {
        let mut arguments = vec!["plan", "--batch", &file, "--room", "21", "--json"];
        arguments.extend(history);
        let finished = run("fobwatch", &arguments);
        assert_eq!(finished.status, Some(0), "{finished:#?}");
        finished
    };
    let (plain, known) = (plan(&[]), plan(&["--history", &past]));
    for told in [
        "jar 8 is known from 3 earlier batches",
        "another is skipped: it was made with `jar 5`, not `jar 8`",
        "later is skipped: it was bottled Monday 6 July 2026, 07:00 UTC, not before Monday 27 April 2026, 07:00 UTC",
        "pictures is skipped: it has neither a record nor batch.toml",
    ] {
        assert!(known.stderr.contains(told), "{told}\n{}", known.stderr);
    }
    let read = |text: &str| serde_json::from_str::<Value>(text).expect("as written");
    let (before, after) = (read(&plain.stdout), read(&known.stdout));
    assert!(width_h(&after) < 0.8 * width_h(&before), "{before}\n{after}");
    assert!(
        known.stdout.contains("is known from 3 earlier batches."),
        "{}",
        known.stdout
    );
    // Nothing to learn from is no difference.
    assert_eq!(plan(&["--history", &nothing]).stdout, plain.stdout);

    let at = (scenario(8, 4).bottled_at + SignedDuration::from_hours(6)).to_string();
    let mut replay = vec![
        "replay",
        "--batch",
        &file,
        "--readings",
        &rows,
        "--at",
        &at,
        "--history",
        &past,
    ];
    let first = run("fobwatch", &replay);
    assert_eq!(first.status, Some(0), "{first:#?}");
    assert_eq!(first.stdout, run("fobwatch", &replay).stdout);
    replay.truncate(7);
    let forecast = |text: &str| {
        text.lines()
            .map(read)
            .find(|line| line["record"] == "forecast")
            .expect("as written")
    };
    let plain = run("fobwatch", &replay).stdout;
    assert!(
        width_h(&forecast(&first.stdout)) < width_h(&forecast(&plain)),
        "{plain}\n{}",
        first.stdout
    );
}

#[test]
fn a_bad_history_is_refused_with_its_place() {
    let kitchen = Kitchen::new();
    filled(&kitchen, "next", &scenario(8, 4));
    let file = kitchen.path("next/batch.toml").display().to_string();
    let nowhere = kitchen.path("nowhere").display().to_string();
    let finished = run("fobwatch", &["plan", "--batch", &file, "--history", &nowhere]);
    assert_eq!(finished.status, Some(1), "{finished:#?}");
    assert!(finished.stderr.contains("cannot be read"), "{finished:#?}");
    std::fs::create_dir_all(kitchen.path("past/0")).expect("as written");
    let past = kitchen.path("past").display().to_string();
    let bad = |name: &str, text: &str, why: &str| {
        let path = kitchen.write(name, text);
        let finished = run("fobwatch", &["plan", "--batch", &file, "--history", &past]);
        assert_eq!(finished.status, Some(2), "{finished:#?}");
        assert!(finished.stdout.is_empty(), "{finished:#?}");
        for told in [path.as_str(), why] {
            assert!(finished.stderr.contains(told), "{told}\n{finished:#?}");
        }
        std::fs::remove_file(path).expect("as written");
    };
    let head = "\"culture\":\"jar 8\",\"batch\":\"plum 1\",\"bottled_at\":\"2026-03-02T07:00:00Z\",\"hours\":100.0,\
                \"dose_ml_per_l\":25.0,\"traits\":[],\"covariance\":[]";
    bad("past/0/culture.json", "{\"record\":", "line 1");
    bad(
        "past/0/culture.json",
        &format!("{{\"record\":\"culture\",\"schema\":7,{head}}}"),
        "`schema` is 7; allowed: 1",
    );
    bad(
        "past/records.jsonl",
        &format!("{{\"record\":\"forecast\"}}\n{{\"record\":\"culture\",\"schema\":1,{head}}}\n"),
        "line 2: `traits` is 0 long; allowed: 14 of them",
    );
    kitchen.write("past/0/readings.csv", "time,source,quantity,value,unit\n");
    bad("past/0/batch.toml", "name = \"plum 1\"\nfill = 3\n", "bottled_at");
}
