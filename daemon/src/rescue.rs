//! What can still be done for a batch that was chilled too early, or went too far: for the command, the API and the page.
//!
//! The engine reckons ([`Monitor::rescue`]); here it becomes a record and sentences.

mod sentences;

use fobwatch_core::{
    batch::BatchName,
    engine::{Back, Monitor, Plight},
    forecast::{Quantiles, When},
    quantity::AbsolutePressure,
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use serde::{Deserialize, Serialize};

use self::sentences::Teller;
use crate::{
    config::Display,
    moment::typed,
    wording::{Units, local, plain},
};

/// How far ahead the question may ask.
pub(crate) const AHEAD: SignedDuration = SignedDuration::from_hours(7 * 24);

/// All of it, as a record.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(crate) struct Told {
    pub(crate) record: String,
    pub(crate) batch: BatchName,
    pub(crate) at: Timestamp,
    /// `danger`, `too_far`, `right`, `chilled_too_early`, `on_its_way`.
    pub(crate) plight: String,
    pub(crate) co2_volumes: Quantiles<f64>,
    pub(crate) fullest_bottle_bar: Quantiles<f64>,
    pub(crate) limit_bar: f64,
    pub(crate) chilled_since: Option<Timestamp>,
    /// Alcohol by then, % by volume.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) abv_percent: Option<Quantiles<f64>>,
    /// Back in the room from `at` on.
    pub(crate) back: Option<ToldBack>,
    /// Sentences.
    pub(crate) advice: Vec<String>,
}

/// Back in the room.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(crate) struct ToldBack {
    pub(crate) gains_at: Option<Timestamp>,
    /// Hours that the culture's waking costs, beside the warming up.
    pub(crate) asleep_h: Quantiles<f64>,
    pub(crate) move_at: Option<When>,
    pub(crate) limit_at: Option<When>,
    pub(crate) peak_bar: [f64; 2],
    pub(crate) sugar_left_g_per_l: f64,
    pub(crate) sugar_left_at_target_g_per_l: f64,
    pub(crate) abv_added_percent: f64,
    pub(crate) abv_at_target_percent: f64,
}

/// The moment that is meant: `now` if none is given, which is where the batch's clock stands or later.
///
/// # Errors
/// It lies before that, or more than a week ahead.
pub(crate) fn moment(at: Option<Timestamp>, now: Timestamp, zone: &TimeZone) -> Result<Timestamp, String> {
    let latest = now.saturating_add(AHEAD).unwrap_or(Timestamp::MAX);
    match at {
        None => Ok(now),
        Some(at) if (now..=latest).contains(&at) => Ok(at),
        Some(at) => Err(format!(
            "the moment is {}; allowed: from {}, as the batch stands, to {}, as \"{}\" on your own clock",
            local(at, zone),
            local(now, zone),
            local(latest, zone),
            typed(latest, zone)
        )),
    }
}

/// What is told of `monitor`'s batch if it goes back to the room at `at`.
pub(crate) fn told(monitor: &Monitor, at: Timestamp, ambient: AbsolutePressure, display: &Display) -> Told {
    let rescue = monitor.rescue(at);
    let teller = Teller {
        monitor,
        rescue: &rescue,
        units: Units::from(display),
        zone: &display.zone,
        ambient,
    };
    let back = rescue.back.as_ref().and_then(|back| back_record(&teller, back));
    let round = |value: f64| (value * 1e3).round() / 1e3;
    let three = |of: [f64; 3]| Quantiles {
        p05: round(of[0]),
        p50: round(of[1]),
        p95: round(of[2]),
    };
    let (co2, worst) = (rescue.co2, rescue.worst_bottle);
    Told {
        record: "rescue".to_owned(),
        batch: monitor.batch().name.clone(),
        at: rescue.at,
        plight: match rescue.plight {
            Plight::Danger => "danger",
            Plight::TooFar { .. } | Plight::TooFarAndWarm => "too_far",
            Plight::Right => "right",
            Plight::ChilledTooEarly => "chilled_too_early",
            Plight::OnItsWay => "on_its_way",
        }
        .to_owned(),
        co2_volumes: three([co2.p05, co2.p50, co2.p95].map(|co2| co2.volumes())),
        fullest_bottle_bar: three([worst.p05, worst.p50, worst.p95].map(|bar| bar.bar())),
        limit_bar: monitor.batch().bottle.pressure_limit.bar(),
        chilled_since: rescue.chilled_since,
        abv_percent: teller.alcohol().map(three),
        advice: teller
            .advice(back.as_ref())
            .iter()
            .map(|said| plain(said))
            .collect(),
        back,
    }
}

/// What the room would do; `None`: its batch file cannot be reckoned with.
fn back_record(teller: &Teller<'_>, back: &Back) -> Option<ToldBack> {
    let planner = teller.planner()?;
    let (now, target) = (teller.rescue.co2.p50, teller.monitor.batch().target.co2);
    let round = |value: f64| (value * 1e3).round() / 1e3;
    let at_target = planner.alcohol_at(target).ok()?.percent();
    Some(ToldBack {
        gains_at: whole_second(back.gains_at),
        asleep_h: Quantiles {
            p05: round(back.asleep.p05.0),
            p50: round(back.asleep.p50.0),
            p95: round(back.asleep.p95.0),
        },
        move_at: back.forecast.move_at.map(whole_seconds),
        limit_at: back.forecast.limit_at.map(whole_seconds),
        peak_bar: back.peak.map(|bar| round(bar.bar())),
        sugar_left_g_per_l: round(planner.sugar_left_at(now).ok()?.grams_per_litre()),
        sugar_left_at_target_g_per_l: round(planner.sugar_left_at(target).ok()?.grams_per_litre()),
        abv_added_percent: round((at_target - planner.alcohol_at(now).ok()?.percent()).max(0.0)),
        abv_at_target_percent: round(at_target),
    })
}

fn whole_second(at: Option<Timestamp>) -> Option<Timestamp> {
    at.and_then(|at| Timestamp::from_second(at.as_second()).ok())
}

fn whole_seconds(when: When) -> When {
    Quantiles {
        p05: whole_second(when.p05),
        p50: whole_second(when.p50),
        p95: whole_second(when.p95),
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        batch::Batch,
        engine::{ClockSource, Event, drive_some},
        quantity::Unit,
        reading::{Measured, Quantity, Reading, Source},
    };

    use super::*;
    use crate::{
        config::Config,
        watch::tests::{batch_text, start},
        wording::KEEP_OUT,
    };

    /// After 40 hours without a word, or with a gauge that reads the limit of 1.5 bar at the end.
    fn after_hours(reads: Option<f64>) -> String {
        let config = Config::defaults().unwrap();
        let settings = config.settings(ClockSource::Ticks);
        let batch = Batch::from_toml(&batch_text("plum 1"), "test").unwrap().0;
        let ambient = settings.surroundings.usual_ambient;
        let mut monitor = Monitor::new(batch, settings);
        let at = start() + SignedDuration::from_hours(40);
        let mut go = |event| {
            drop(drive_some(&mut monitor, event, &mut |request| {
                (request.at >= at).then(|| request.run())
            }));
        };
        go(Event::Tick { at });
        for (minutes, bar) in [(4, reads), (2, reads)] {
            let Some(bar) = bar else { continue };
            go(Event::Measured(Reading {
                at: at - SignedDuration::from_mins(minutes),
                source: Source::new("pilot").unwrap(),
                measured: Measured::new(Quantity::Pressure, bar, Unit::Bar).unwrap(),
            }));
        }
        told(&monitor, at, ambient, &config.display).advice.join("\n")
    }

    #[test]
    fn danger_by_doubt_asks_for_what_was_seen_and_gives_nothing_up() {
        let said = after_hours(None);
        assert!(said.starts_with("Danger.") && said.contains(KEEP_OUT), "{said}");
        assert!(
            said.contains("because little is known of it, not because it was read"),
            "{said}"
        );
        assert!(
            said.contains("`fobwatch note 'plum 1'`; do nothing for it"),
            "{said}"
        );
        assert!(!said.contains("Nothing is to be saved"), "{said}");
        assert!(!said.contains("judged anew"), "{said}");
        let said = after_hours(Some(1.6));
        assert!(
            said.contains("judged anew at Tuesday 3 March 2026, 23:30 UTC"),
            "{said}"
        );
        assert!(said.contains("Nothing is to be saved"), "{said}");
    }
}
