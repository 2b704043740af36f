//! A gauge that creeps with a float beside it, and sound batches with both: each is to check the other.

use fobwatch_core::{
    alert::{AlertName, Transition},
    engine::Fitted,
    reading::Quantity,
};
use fobwatch_simulator::{Played, Scenario};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    fault::Fault,
    play::{self, Watched, spread},
    report::Report,
    score::{Count, quantile},
};

/// Sound batches are played for so long.
const SOUND_H: f64 = 144.0;
/// Alerts that say that something is wrong with bottle or sensor.
const SUSPICIONS: [AlertName; 4] = [
    AlertName::SensorSuspect,
    AlertName::LeakSuspected,
    AlertName::SuddenLoss,
    AlertName::Stalled,
];

/// Names among the parts of the journal.
pub(crate) const CREEPING: &str = "creeping gauge, a float beside it";
pub(crate) const SOUND: &str = "sound gauge, a float beside it";

/// An alert: its name, and when it was raised, hours.
type Raised = (String, f64);

/// Which of the creeping gauges a row tells of.
type Side = fn(&Crept) -> bool;

/// One batch whose gauge creeps.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Crept {
    begins_h: f64,
    /// Bar an hour; below nothing: downwards.
    bar_per_h: f64,
    before: Vec<Raised>,
    after: Vec<Raised>,
    /// Content by the last forecast (5, 50 and 95 %) less the truth, volumes.
    content_off: Option<[f64; 3]>,
}

impl Crept {
    /// How long it took to say this of it, hours.
    fn delay_h(&self, alert: AlertName) -> Option<f64> {
        let raised = self.after.iter().find(|(name, _)| name == alert.name());
        raised.map(|(_, at_h)| at_h - self.begins_h)
    }
}

/// One sound batch: what was said of it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Sound {
    raised: Vec<Raised>,
}

fn scenario(seed: u64) -> Scenario {
    let mut scenario = Scenario::drawn_with_both(seed);
    scenario.lasts_h = 216.0;
    scenario
}

/// Plays a batch whose gauge creeps, 5 to 30 mbar an hour up or down; `None` if it does not come to it.
pub(crate) fn play(seed: u64) -> Option<Crept> {
    let scenario = scenario(seed);
    let played = play::played(&scenario, seed);
    let begins_h = Fault::Drift.begins_h(&played)?;
    let size = 0.005 * 6.0_f64.powf(spread(seed, 1));
    // Not by the seed's parity: with it the sizes of one side would all be small.
    let bar_per_h = if spread(seed, 2) < 0.5 { size } else { -size };
    let mut watched = watched(&scenario, &played);
    let (before, _) = suspicions(&mut watched, begins_h);
    Fault::Drift.break_gauge(&mut watched, &played, bar_per_h);
    let (after, last) = suspicions(&mut watched, begins_h + Fault::Drift.within_h());
    let content_off = last.and_then(|(at, fitted)| {
        let truth = played.truth.at(at)?.co2_volumes;
        let co2 = &fitted.forecast.co2;
        Some([co2.p05, co2.p50, co2.p95].map(|content| content.volumes() - truth))
    });
    Some(Crept {
        content_off,
        begins_h,
        bar_per_h,
        before,
        after,
    })
}

/// Plays a sound one.
pub(crate) fn play_sound(seed: u64) -> Option<Sound> {
    let scenario = scenario(seed);
    let played = play::played(&scenario, seed);
    let (raised, _) = suspicions(&mut watched(&scenario, &played), SOUND_H);
    Some(Sound { raised })
}

fn watched(scenario: &Scenario, played: &Played) -> Watched {
    Watched::new(play::batch(scenario), play::rows(played))
}

/// What is raised until then, and what was fitted last.
fn suspicions(watched: &mut Watched, until_h: f64) -> (Vec<Raised>, Option<(Timestamp, Fitted)>) {
    let (mut raised, mut last) = (Vec::new(), None);
    while watched.at_h() < until_h {
        let said = watched.half_hour();
        let new = said.alerts.iter().filter(|record| {
            let of_bottle_or_gauge = record
                .quantity
                .is_none_or(|quantity| matches!(quantity, Quantity::Pressure | Quantity::Gravity));
            record.state == Transition::Raised && SUSPICIONS.contains(&record.alert) && of_bottle_or_gauge
        });
        raised.extend(new.map(|record| (record.alert.name().to_owned(), said.at_h)));
        last = said.fitted.map(|fitted| (said.at, fitted)).or(last);
    }
    (raised, last)
}

/// The tables.
pub(crate) fn report(report: &mut Report, creeping: &[(u64, Crept)], sound: &[(u64, Sound)]) {
    report.head(
        "A creeping gauge, a float beside it",
        &[
            "creeps",
            "told as such in 48 h",
            "median delay, h",
            "told as a leak",
            "anything said before",
            "content after 48 h less truth, volumes: told, and not told",
        ],
    );
    let mut kept = serde_json::Map::new();
    let sides: [(&str, Side); 3] = [
        ("upwards", |crept| crept.bar_per_h >= 0.0),
        ("of these 12 mbar an hour and more", |crept| {
            crept.bar_per_h >= 0.012
        }),
        ("downwards", |crept| crept.bar_per_h < 0.0),
    ];
    for (side, wanted) in sides {
        let plays: Vec<&Crept> = creeping
            .iter()
            .map(|(_, crept)| crept)
            .filter(|c| wanted(c))
            .collect();
        let told = |alert| Count::of(&plays, |crept| crept.delay_h(alert).is_some());
        let delays: Vec<f64> = plays
            .iter()
            .filter_map(|crept| crept.delay_h(AlertName::SensorSuspect))
            .collect();
        let median = quantile(&delays, 0.5);
        let (found, leak) = (told(AlertName::SensorSuspect), told(AlertName::LeakSuspected));
        let before = Count::of(&plays, |crept| !crept.before.is_empty());
        let content = [true, false].map(|told| {
            let those = plays.iter().filter(|crept| crept.after.is_empty() != told);
            let off: Vec<f64> = those.filter_map(|crept| Some(crept.content_off?[1])).collect();
            quantile(&off, 0.5)
        });
        report.row(&[
            side.to_owned(),
            found.to_string(),
            if delays.is_empty() {
                "none".to_owned()
            } else {
                format!("{median:.1}")
            },
            leak.to_string(),
            before.to_string(),
            content.map(|off| format!("{off:+.2}")).join(", "),
        ]);
        kept.insert(
            side.to_owned(),
            serde_json::json!({"found": found, "delay_median_h": median, "as_leak": leak, "before": before, "content_off": content}),
        );
    }
    report.head(
        "Sound batches with gauge and float, six days",
        &["alert", "raised falsely"],
    );
    for alert in SUSPICIONS {
        let falsely = Count::of(sound, |(_, play)| {
            play.raised.iter().any(|(name, _)| name == alert.name())
        });
        report.row(&[format!("`{alert}`"), falsely.to_string()]);
        kept.insert(alert.name().to_owned(), serde_json::json!(falsely));
    }
    report.keep("creeping beside a float", kept);
}
