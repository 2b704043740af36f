//! A shipped scenario, played once, replayed once, and what came of it beside the simulator's truth.

use std::{
    collections::BTreeMap,
    fs,
    path::Path,
    sync::{Arc, Mutex, OnceLock},
};

use fobwatch_simulator::{Played, Scenario, Simulation, notes_jsonl, readings_csv};
use fobwatch_tests::{Finished, run};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::kitchen::SEED;

/// A scenario played whole, its first hours replayed, and the records by kind.
pub(crate) struct Replayed {
    pub(crate) played: Played,
    pub(crate) forecasts: Vec<Value>,
    pub(crate) alerts: Vec<Value>,
    /// When the replayed rows end.
    pub(crate) end: Timestamp,
}

/// The scenario `name` with the rows of its first `hours`; one replay serves every test that asks for the same.
pub(crate) fn replayed(name: &'static str, hours: i64) -> Arc<Replayed> {
    type Slot = Arc<OnceLock<Arc<Replayed>>>;
    static ALL: Mutex<BTreeMap<(&str, i64), Slot>> = Mutex::new(BTreeMap::new());
    let slot = Slot::clone(ALL.lock().unwrap().entry((name, hours)).or_default());
    Arc::clone(slot.get_or_init(|| Arc::new(Replayed::new(name, hours))))
}

/// Writes what `replay` reads of the first `hours`: a play goes on after that, so that "what if" has an answer.
pub(crate) fn write(played: &Played, hours: i64, folder: &Path) {
    let end = played.scenario.bottled_at + SignedDuration::from_hours(hours);
    let rows: Vec<_> = played
        .readings
        .iter()
        .filter(|r| r.arrival <= end)
        .cloned()
        .collect();
    let notes: Vec<_> = played
        .notes
        .iter()
        .filter(|note| note.time <= end)
        .cloned()
        .collect();
    fs::write(folder.join("batch.toml"), &played.batch_toml).unwrap();
    fs::write(folder.join("readings.csv"), readings_csv(&rows)).unwrap();
    fs::write(folder.join("notes.jsonl"), notes_jsonl(&notes)).unwrap();
}

pub(crate) fn replay(folder: &Path) -> Finished {
    let path = |name: &str| folder.join(name).display().to_string();
    let (batch, readings, notes) = (path("batch.toml"), path("readings.csv"), path("notes.jsonl"));
    run(
        "fobwatch",
        &[
            "replay",
            "--batch",
            &batch,
            "--readings",
            &readings,
            "--notes",
            &notes,
        ],
    )
}

pub(crate) fn moment(value: &Value) -> Option<Timestamp> {
    value.as_str().map(|text| text.parse().unwrap())
}

impl Replayed {
    fn new(name: &str, hours: i64) -> Self {
        let played = Simulation::run(&Scenario::shipped(name).unwrap(), SEED);
        let folder = tempfile::tempdir().unwrap();
        write(&played, hours, folder.path());
        let finished = replay(folder.path());
        assert_eq!(finished.status, Some(0), "{name}: {}", finished.stderr);
        let (mut forecasts, mut alerts) = (Vec::new(), Vec::new());
        for line in finished.stdout.lines() {
            let record: Value = serde_json::from_str(line).unwrap();
            assert_eq!(record["batch"], played.scenario.name.as_str());
            match record["record"].as_str() {
                Some("forecast") => forecasts.push(record),
                Some("alert") => alerts.push(record),
                _ => panic!("{name}: {record}"),
            }
        }
        let replayed = Self {
            end: played.scenario.bottled_at + SignedDuration::from_hours(hours),
            played,
            forecasts,
            alerts,
        };
        replayed.forecasts_are_whole(hours);
        replayed.alerts_are_whole();
        replayed
    }

    /// One every six hours and one at the end, with every field, quantiles in their order.
    fn forecasts_are_whole(&self, hours: i64) {
        let sealed = self.played.scenario.bottled_at;
        let at: Vec<Timestamp> = self.forecasts.iter().map(|f| moment(&f["at"]).unwrap()).collect();
        for (step, at) in (1..).zip(at.iter().take(at.len() - 1)) {
            assert_eq!(*at, sealed + SignedDuration::from_hours(6 * step));
        }
        let last = at.last().unwrap();
        assert!(
            self.end.duration_since(*last) < SignedDuration::from_hours(1),
            "{last}"
        );
        assert!(i64::try_from(at.len()).unwrap() >= (hours - 1) / 6, "{at:?}");
        for forecast in &self.forecasts {
            in_order(forecast);
        }
    }

    /// Every transition has what the surface names, and no alert is raised twice in one episode.
    fn alerts_are_whole(&self) {
        let mut standing = BTreeMap::new();
        for alert in &self.alerts {
            let at = moment(&alert["at"]).unwrap();
            assert!(at <= self.end && at >= self.played.scenario.bottled_at, "{alert}");
            assert!(!alert["message"].as_str().unwrap().is_empty());
            assert!(["low", "medium", "high", "critical"].contains(&alert["priority"].as_str().unwrap()));
            let of_a_sensor = alert["alert"].as_str().unwrap().starts_with("sensor_");
            assert_eq!(
                alert["source"].is_string() && alert["quantity"].is_string(),
                of_a_sensor
            );
            let key = (&alert["alert"], &alert["source"], &alert["quantity"]);
            let key = format!("{key:?}");
            match alert["state"].as_str().unwrap() {
                "raised" => {
                    assert!(
                        standing.insert(key, at).is_none(),
                        "raised again while it stands: {alert}"
                    );
                }
                "cleared" => {
                    assert!(
                        standing.remove(&key).is_some(),
                        "cleared though it does not stand: {alert}"
                    );
                }
                _ => {}
            }
        }
    }

    pub(crate) fn raised(&self, alert: &str) -> Vec<Timestamp> {
        let wanted = |record: &&Value| record["alert"] == alert && record["state"] == "raised";
        self.alerts
            .iter()
            .filter(wanted)
            .map(|record| moment(&record["at"]).unwrap())
            .collect()
    }

    /// Absolute errors of the content's median in volumes, sorted, and how many of the 90 % intervals hold the truth.
    pub(crate) fn content(&self) -> (Vec<f64>, usize) {
        let mut held = 0;
        let mut errors = Vec::new();
        for forecast in &self.forecasts {
            let truth = self.played.truth.at(moment(&forecast["at"]).unwrap()).unwrap();
            let q = |quantile: &str| forecast["co2_volumes"][quantile].as_f64().unwrap();
            errors.push((q("p50") - truth.co2_volumes).abs());
            // A drink with next to nothing in it lies at the edge of what can be: two hundredths of a volume are as good as held.
            let held_by = q("p05") - 0.02..=q("p95") + 0.02;
            held += usize::from(held_by.contains(&truth.co2_volumes));
        }
        errors.sort_by(f64::total_cmp);
        (errors, held)
    }

    /// The content's median is near the truth: half of the time within `median` volumes, always within `worst`.
    pub(crate) fn content_is_near(&self, median: f64, worst: f64) {
        let (errors, _) = self.content();
        let middle = errors[errors.len() / 2];
        assert!(middle <= median, "median error {middle:.3} volumes; {errors:.2?}");
        assert!(errors.last().is_some_and(|error| *error <= worst), "{errors:.2?}");
    }

    /// Of the content's 90 % intervals at least six in ten hold the truth. Forecasts of one batch share the offset of one
    /// gauge and lean the same way, so that nine in ten cannot be asked of a single batch.
    pub(crate) fn intervals_hold(&self) {
        let (errors, held) = self.content();
        assert!(
            10 * held >= 6 * errors.len(),
            "{held} of {} intervals hold",
            errors.len()
        );
    }

    /// The advice to move came, at most so many hours from the right moment, and obeying it ends within so many volumes of
    /// the target.
    pub(crate) fn moved_in_time(&self, hours: i64, volumes: f64) {
        let advised = self.raised("move_to_fridge");
        let first = *advised
            .first()
            .unwrap_or_else(|| panic!("no advice to move: {:#?}", self.alerts));
        let right = self.played.move_at().expect("some time of the play is right");
        assert!(
            first.duration_since(right).abs() <= SignedDuration::from_hours(hours),
            "advised at {first}, right at {right}"
        );
        let target = self.played.truth.target_volumes;
        let ends = self.played.content_after_move(first).unwrap();
        assert!(
            (ends - target).abs() <= volumes,
            "moved at {first} it ends at {ends:.2} volumes, wanted {target:.2}"
        );
    }

    /// When somebody first hears that the limit comes near, or is reached.
    pub(crate) fn first_warning(&self) -> Option<Timestamp> {
        let mut all = self.raised("limit_near");
        all.extend(self.raised("over_limit"));
        all.into_iter().min()
    }
}

/// Every field is there, and every quantile in its order; an absent time counts as later than any.
fn in_order(forecast: &Value) {
    let number = |value: &Value| value.as_f64().unwrap_or_else(|| panic!("{forecast}"));
    for key in ["co2_volumes", "vigour", "lag_h"] {
        let q = &forecast[key];
        let [low, middle, high] = ["p05", "p50", "p95"].map(|quantile| number(&q[quantile]));
        assert!(0.0 <= low && low <= middle && middle <= high, "{key}: {forecast}");
    }
    for key in ["pressure_bar", "co2_volumes", "abv_percent"] {
        let q = &forecast["if_forgotten"][key];
        assert!(number(&q["p50"]) <= number(&q["p95"]), "{key}: {forecast}");
    }
    for key in ["target_at", "move_at", "limit_at"] {
        let times = forecast
            .get(key)
            .unwrap_or_else(|| panic!("no {key}: {forecast}"));
        if times.is_null() {
            continue;
        }
        let [low, middle, high] = ["p05", "p50", "p95"].map(|quantile| moment(&times[quantile]));
        let late = |at: Option<Timestamp>| at.unwrap_or(Timestamp::MAX);
        assert!(
            low.is_some(),
            "{key} is null when no quantile is reached: {forecast}"
        );
        assert!(
            late(low) <= late(middle) && late(middle) <= late(high),
            "{key}: {forecast}"
        );
    }
}
