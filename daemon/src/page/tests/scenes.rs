//! Made-up batches at hours and under names that a page easily gets wrong.

use fobwatch_core::{
    alert::AlertName,
    forecast::When,
    reading::{Quantity, Source},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::super::{
    Context, Shown,
    fixture::{Made, alert, context, danger, hibiscus, lime, now, pear, plum},
};

/// 60 characters and more without a space: umlauts, from right to left, pictures, one letter of many marks.
pub(super) const LONG: [&str; 4] = [
    "Überraschungsholunderblütenzitronenverbenenmischgetränkefläschchenkühlung",
    "שמפניהשלסמבוקעםלימוןונענעשנרקחהבבקבוקיםגדוליםבמרתףשלסבתאבחורףהקרליד",
    "🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑🍐🫧🫙🍋🌿🍑a",
    "WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW",
];

/// Midnight before the clocks go forward and back, and the hours themselves, in the fixture's zone.
pub(super) const BEFORE_MIDNIGHT: &str = "2026-03-27T22:50:00Z";
pub(super) const BEFORE_SPRING: &str = "2026-03-28T21:10:00Z";
pub(super) const BEFORE_AUTUMN: &str = "2026-10-24T20:10:00Z";
pub(super) const IN_AUTUMN: &str = "2026-10-25T01:10:00Z";

/// A context at another hour, in a zone of the time zone database where there is one.
pub(super) fn when(at: &str) -> Context {
    let mut context = context();
    context.now = at.parse().unwrap();
    if let Ok(zone) = TimeZone::get("Europe/Berlin") {
        context.display.zone = zone;
    }
    context
}

/// The batch as it stands at `then` instead of the fixture's hour.
pub(super) fn shifted(mut shown: Shown, then: Timestamp) -> Shown {
    let later = then.duration_since(now());
    shown.batch.bottled_at += later;
    let view = &mut shown.view;
    view.at += later;
    view.bottled_at += later;
    for sensor in &mut view.sensors {
        sensor.at = sensor.at.map(|at| at + later);
    }
    for alert in &mut view.alerts {
        alert.since += later;
    }
    if let Some(outlook) = &mut view.outlook {
        outlook.at += later;
        for point in &mut outlook.curve {
            point.at += later;
        }
    }
    if let Some(forecast) = &mut view.forecast {
        forecast.at += later;
        let of = [
            &mut forecast.move_at,
            &mut forecast.target_at,
            &mut forecast.limit_at,
        ];
        for when in of.into_iter().flatten() {
            for at in [&mut when.p05, &mut when.p50, &mut when.p95] {
                *at = at.map(|at| at + later);
            }
        }
    }
    if let Some(warmth) = &mut shown.warmth {
        for point in &mut warmth.points {
            point.0 += later;
        }
    }
    shown
}

/// Due in `minutes` from `context`'s hour, a little earlier and later.
pub(super) fn due(mut shown: Shown, context: &Context, minutes: [i64; 3]) -> Shown {
    let at = |minutes| Some(context.now + SignedDuration::from_mins(minutes));
    let forecast = shown.view.forecast.as_mut().unwrap();
    forecast.move_at = Some(When {
        p05: at(minutes[0]),
        p50: at(minutes[1]),
        p95: at(minutes[2]),
    });
    shown
}

/// Some batches at an hour: one that comes due, one just begun, one in the fridge.
pub(super) fn at_hour(context: &Context) -> Vec<Shown> {
    let of = |shown| shifted(shown, context.now);
    let night = Made {
        age_h: 70.0,
        ..Made::new("plum 3")
    };
    vec![
        due(of(night.shown()), context, [190, 250, 330]),
        of(hibiscus()),
        of(lime()),
        of(pear()),
    ]
}

/// One batch under each of the long names, its culture and its sources likewise; the first wants its move.
pub(super) fn long_names() -> Vec<Shown> {
    let kinds = [hibiscus(), lime(), plum(), danger()];
    let named = LONG.iter().zip(kinds).map(|(name, kind)| {
        let made = Made {
            culture: (*name).to_owned(),
            ..Made::new(name)
        };
        let mut shown = made.shown();
        let source = Source::new(name).unwrap();
        shown.view.alerts = kind.view.alerts;
        for alert in &mut shown.view.alerts {
            alert.source = Some(source.clone());
            alert.quantity = Some(Quantity::Pressure);
            alert.message =
                format!("{name}: nothing heard of gauge pressure from {name} since Tue 3 Mar 19:40 CET.");
        }
        for sensor in &mut shown.view.sensors {
            sensor.source = source.clone();
            sensor.silent = true;
        }
        shown.batch.bottle.limit_source = Some((*name).to_owned());
        shown
    });
    named.collect()
}

/// One batch of which almost everything is told at once.
pub(super) fn everything_at_once() -> Shown {
    let mut shown = danger();
    let more = [
        (
            AlertName::SuddenLoss,
            1,
            "Pressure fell from 4.1 bar and nobody noted an opening. A bottle may have burst or a stopper lifted. The others still hold pressure. Stay out.",
        ),
        (
            AlertName::LimitNear,
            7,
            "hibiscus 11 may pass your limit of 5.00 bar within a day. Move it to the fridge now, with eye protection.",
        ),
        (
            AlertName::LeakSuspected,
            9,
            "hibiscus 11: the bottle with the gauge seems to leak since Wed 4 Mar 08:00 CET. The others go on.",
        ),
        (
            AlertName::OutsideTemperature,
            12,
            "hibiscus 11 stands at 33.5 degC, warmer than its culture likes.",
        ),
    ];
    shown
        .view
        .alerts
        .extend(more.map(|(name, hours, words)| alert(name, hours, words)));
    let mut silent = alert(
        AlertName::SensorSilent,
        3,
        "hibiscus 11: nothing heard of gauge pressure from pilot since Wed 4 Mar 16:40 CET. Without it nobody can vouch for the pressure.",
    );
    silent.source = Some(Source::new("pilot").unwrap());
    silent.quantity = Some(Quantity::Pressure);
    shown.view.alerts.push(silent);
    shown
}
