//! `replay` on every shipped scenario, judged against the simulator's truth.
//!
//! The bounds are those of one made-up batch each, wide enough that only a broken engine passes them by: how good the
//! forecasts are is measured on hundreds of batches by a study, not here.

use std::{fs, path::Path, process::Command};

use fobwatch_simulator::{Played, Scenario, Simulation, notes_jsonl, readings_csv};
use fobwatch_tests::{Finished, program, run};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

const SEED: u64 = 7;

/// A scenario played, replayed, and its records by kind.
struct Judged {
    played: Played,
    forecasts: Vec<Value>,
    alerts: Vec<Value>,
}

fn write(played: &Played, folder: &Path) {
    fs::write(folder.join("batch.toml"), &played.batch_toml).unwrap();
    fs::write(folder.join("readings.csv"), readings_csv(&played.readings)).unwrap();
    fs::write(folder.join("notes.jsonl"), notes_jsonl(&played.notes)).unwrap();
}

fn replay(folder: &Path) -> Finished {
    let path = |name: &str| folder.join(name).display().to_string();
    let arguments = [
        "replay".to_owned(),
        "--batch".to_owned(),
        path("batch.toml"),
        "--readings".to_owned(),
        path("readings.csv"),
        "--notes".to_owned(),
        path("notes.jsonl"),
    ];
    run("fobwatch", &arguments)
}

fn judged(scenario: &str) -> Judged {
    let played = Simulation::run(&Scenario::shipped(scenario).unwrap(), SEED);
    let folder = tempfile::tempdir().unwrap();
    write(&played, folder.path());
    let finished = replay(folder.path());
    assert_eq!(finished.status, Some(0), "{scenario}: {}", finished.stderr);
    let records: Vec<Value> = finished
        .stdout
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let of = |kind: &str| {
        records
            .iter()
            .filter(|record| record["record"] == kind)
            .cloned()
            .collect()
    };
    let judged = Judged {
        forecasts: of("forecast"),
        alerts: of("alert"),
        played,
    };
    assert!(
        judged.forecasts.len() >= 8,
        "{scenario}: {} forecasts",
        judged.forecasts.len()
    );
    for forecast in &judged.forecasts {
        in_order(forecast);
    }
    judged
}

/// Every quantile stands in its order; an absent one counts as later than any time.
fn in_order(forecast: &Value) {
    let number = |value: &Value| value.as_f64().unwrap();
    for key in ["co2_volumes", "vigour", "lag_h"] {
        let q = &forecast[key];
        assert!(
            number(&q["p05"]) <= number(&q["p50"]) && number(&q["p50"]) <= number(&q["p95"]),
            "{forecast}"
        );
    }
    for key in ["pressure_bar", "co2_volumes", "abv_percent"] {
        let q = &forecast["if_forgotten"][key];
        assert!(number(&q["p50"]) <= number(&q["p95"]), "{forecast}");
    }
    for key in ["target_at", "move_at", "limit_at"] {
        let at = |quantile: &str| moment(&forecast[key][quantile]).unwrap_or(Timestamp::MAX);
        if !forecast[key].is_null() {
            assert!(at("p05") <= at("p50") && at("p50") <= at("p95"), "{forecast}");
            assert!(
                at("p05") < Timestamp::MAX,
                "{key} is null when no quantile is reached: {forecast}"
            );
        }
    }
}

fn moment(value: &Value) -> Option<Timestamp> {
    value.as_str().map(|text| text.parse().unwrap())
}

impl Judged {
    fn raised(&self, alert: &str) -> Vec<Timestamp> {
        let wanted = |record: &&Value| record["alert"] == alert && record["state"] == "raised";
        self.alerts
            .iter()
            .filter(wanted)
            .map(|record| moment(&record["at"]).unwrap())
            .collect()
    }

    /// Absolute errors of the content's median, and how many of the 90 % intervals hold the truth.
    fn content(&self) -> (Vec<f64>, usize) {
        let mut held = 0;
        let mut errors = Vec::new();
        for forecast in &self.forecasts {
            let Some(truth) = self.played.truth.at(moment(&forecast["at"]).unwrap()) else {
                continue;
            };
            let q = |quantile: &str| forecast["co2_volumes"][quantile].as_f64().unwrap();
            errors.push((q("p50") - truth.co2_volumes).abs());
            held += usize::from((q("p05")..=q("p95")).contains(&truth.co2_volumes));
        }
        errors.sort_by(f64::total_cmp);
        (errors, held)
    }

    /// Median error and share of intervals that hold, both asserted.
    fn content_is_known(&self, median: f64, worst: f64) {
        let (errors, held) = self.content();
        let middle = errors[errors.len() / 2];
        assert!(middle <= median, "median error {middle:.3} volumes; {errors:.2?}");
        assert!(errors.last().is_some_and(|error| *error <= worst), "{errors:.2?}");
        assert!(
            2 * held >= errors.len(),
            "{held} of {} intervals hold",
            errors.len()
        );
    }

    /// The advice to move came, and the content 72 h after obeying it at once is near the target.
    fn move_ends_near_target(&self, tolerance: f64) {
        let advised = self.raised("move_to_fridge");
        let first = *advised
            .first()
            .unwrap_or_else(|| panic!("no advice to move: {:#?}", self.alerts));
        let target = self.played.truth.target_volumes;
        let ends = self
            .played
            .content_after_move(first)
            .expect("the advice lies within the play");
        assert!(
            (ends - target).abs() <= tolerance,
            "moved at {first} it ends at {ends:.2}, wanted {target:.2}"
        );
    }

    fn limit_is_warned_of_hours_before(&self, hours: i64) {
        let passes = self
            .played
            .truth
            .limit_at()
            .expect("this scenario passes its limit");
        let warned = self
            .raised("limit_near")
            .into_iter()
            .chain(self.raised("over_limit"))
            .min();
        let warned = warned.unwrap_or_else(|| panic!("no warning: {:#?}", self.alerts));
        assert!(
            passes.duration_since(warned) >= SignedDuration::from_hours(hours),
            "warned at {warned}, the limit is passed at {passes}"
        );
        assert!(
            !self.raised("over_limit").is_empty(),
            "over_limit was never raised: {:#?}",
            self.alerts
        );
    }
}

#[test]
fn plain_is_known_and_moved_in_time() {
    let judged = judged("plain");
    judged.content_is_known(0.12, 0.5);
    judged.move_ends_near_target(0.25);
    assert!(judged.raised("over_limit").is_empty(), "{:#?}", judged.alerts);
    let soon = judged.raised("fridge_soon");
    assert!(
        soon.first() <= judged.raised("move_to_fridge").first() && !soon.is_empty(),
        "{:#?}",
        judged.alerts
    );
    // Twelve hours before the target is reached its time is known to within half a day.
    let reached = judged.played.truth.target_at().unwrap();
    let asked = judged
        .forecasts
        .iter()
        .rfind(|f| moment(&f["at"]).unwrap() <= reached - SignedDuration::from_hours(12))
        .unwrap();
    let expected = moment(&asked["target_at"]["p50"]).expect("a time is expected");
    assert!(
        expected.duration_since(reached).abs() < SignedDuration::from_hours(12),
        "{asked}"
    );
}

#[test]
fn a_warm_spell_is_followed() {
    let judged = judged("warm_spell");
    judged.content_is_known(0.15, 0.6);
    judged.move_ends_near_target(0.35);
}

#[test]
fn a_cool_cellar_is_followed() {
    judged("cool_cellar").content_is_known(0.15, 0.6);
}

#[test]
fn a_dead_culture_is_never_moved() {
    let judged = judged("dead_culture");
    assert!(judged.raised("move_to_fridge").is_empty(), "{:#?}", judged.alerts);
    assert!(judged.raised("over_limit").is_empty(), "{:#?}", judged.alerts);
}

#[test]
fn a_lively_culture_is_warned_of_before_the_limit() {
    let judged = judged("lively_culture");
    judged.limit_is_warned_of_hours_before(6);
    let forgotten = judged
        .played
        .if_forgotten(judged.played.truth.moments[0].at)
        .unwrap();
    let last = judged.forecasts.last().unwrap();
    let p95 = last["if_forgotten"]["pressure_bar"]["p95"].as_f64().unwrap();
    assert!(
        p95 > 0.8 * forgotten.highest_bar,
        "expected {p95:.1} bar at most, {:.1} come",
        forgotten.highest_bar
    );
}

#[test]
fn a_leak_never_raises_the_estimate_of_safety() {
    // The other bottles hold what the leaking one lost: the forecast for them must not fall to its level.
    let judged = judged("leak");
    let (errors, _) = judged.content();
    assert!(errors[errors.len() / 2] < 0.8, "{errors:.2?}");
}

#[test]
fn a_batch_chilled_too_early_goes_on_when_brought_back() {
    let judged = judged("rewarmed_after_fridge");
    judged.content_is_known(0.2, 0.8);
    let chilled = judged
        .forecasts
        .iter()
        .filter(|f| f["move_at"].is_null() && !f["target_at"].is_null());
    assert!(chilled.count() > 0, "no forecast from within the fridge");
    assert!(
        !judged.raised("move_to_fridge").is_empty(),
        "{:#?}",
        judged.alerts
    );
}

#[test]
fn gravity_alone_gives_an_honest_if_wide_answer() {
    let judged = judged("gravity_only");
    let (errors, held) = judged.content();
    assert!(errors[errors.len() / 2] < 0.5, "{errors:.2?}");
    assert!(
        2 * held >= errors.len(),
        "{held} of {} intervals hold",
        errors.len()
    );
    judged.move_ends_near_target(0.9);
}

#[test]
fn sensor_trouble_is_told_and_survived() {
    let judged = judged("sensor_trouble");
    let told = judged.raised("sensor_silent").len() + judged.raised("sensor_suspect").len();
    assert!(told > 0, "{:#?}", judged.alerts);
    let (errors, _) = judged.content();
    assert!(errors[errors.len() / 2] < 0.5, "{errors:.2?}");
}

#[test]
fn the_same_input_gives_the_same_bytes_alone_and_beside_others() {
    let played = Simulation::run(&Scenario::shipped("sensor_trouble").unwrap(), SEED);
    let folder = tempfile::tempdir().unwrap();
    write(&played, folder.path());
    let alone = Command::new("taskset")
        .args(["--cpu-list", "0"])
        .arg(program("fobwatch"))
        .args(["replay", "--batch"])
        .arg(folder.path().join("batch.toml"))
        .arg("--readings")
        .arg(folder.path().join("readings.csv"))
        .arg("--notes")
        .arg(folder.path().join("notes.jsonl"))
        .output()
        .unwrap();
    let alone = String::from_utf8(alone.stdout).unwrap();
    assert!(alone.lines().count() > 8);
    std::thread::scope(|scope| {
        let others: Vec<_> = (0..2)
            .map(|_| scope.spawn(|| replay(folder.path()).stdout))
            .collect();
        for other in others {
            assert!(other.join().unwrap() == alone, "the bytes differ");
        }
    });
}
