//! Made-up batches for the tests of the page: the numbers fit together, no more.

use fobwatch_core::{
    alert::{AlarmState, AlertName, sentence::Doubt},
    batch::{Batch, BatchName},
    engine::{AlertView, Place, SensorView, View},
    forecast::{CurvePoint, Forecast, Hours, IfForgotten, Middle, Outlook, Quantiles, Upward},
    quantity::{AlcoholByVolume, Co2Volumes, GaugePressure, Probability, Temperature, Unit, Vigour},
    reading::{Measured, Quantity, Source},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use crate::config::Display;

use super::{Context, Shown, Warmth};

/// A batch to be made up.
#[derive(Clone, Debug)]
pub(super) struct Made {
    pub(super) name: String,
    pub(super) culture: String,
    /// Hours from sealing to now.
    pub(super) age_h: f64,
    /// Hours from sealing to half of the final content.
    pub(super) half_h: f64,
    /// Hours over which the rate rises and falls.
    pub(super) width_h: f64,
    pub(super) final_volumes: f64,
    pub(super) wish: f64,
    pub(super) limit_bar: f64,
    pub(super) place: Place,
}

impl Made {
    pub(super) fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            culture: "jar two".to_owned(),
            age_h: 61.0,
            half_h: 78.0,
            width_h: 14.0,
            final_volumes: 5.6,
            wish: 2.8,
            limit_bar: 5.0,
            place: Place::Room,
        }
    }

    fn volumes(&self, hour: f64, spread: f64) -> f64 {
        let start = 1.0 / (1.0 + (self.half_h / self.width_h).exp());
        let grown = 1.0 / (1.0 + (-(hour - self.half_h) / self.width_h).exp()) - start;
        let doubt = 1.0 + spread * (0.05 + 0.012 * (hour - self.age_h).max(0.0));
        (self.final_volumes * grown.max(0.0) * doubt.max(0.1)).max(0.0)
    }

    /// The hour at which the content reaches `volumes`.
    fn reaches(&self, volumes: f64, spread: f64) -> Option<Timestamp> {
        (0..24 * 60)
            .map(f64::from)
            .find(|hour| self.volumes(*hour, spread) >= volumes)
            .map(|hour| self.hour(hour))
    }

    fn hour(&self, hour: f64) -> Timestamp {
        now() + SignedDuration::try_from_secs_f64((hour - self.age_h) * 3_600.0).unwrap()
    }

    pub(super) fn shown(&self) -> Shown {
        let batch = self.batch();
        let chilled = self.place == Place::Fridge;
        let content = |hour: f64| three(|spread| co2(self.volumes(hour, spread)));
        let pressure = |hour: f64| three(|spread| bar(0.85 * self.volumes(hour, spread)));
        let when = |volumes: f64| {
            let quantiles = Quantiles {
                p05: self.reaches(volumes, 1.0),
                p50: self.reaches(volumes, 0.0),
                p95: self.reaches(volumes, -1.0),
            };
            (quantiles.p05.is_some() && !chilled).then_some(quantiles)
        };
        let forecast = Forecast {
            batch: batch.name.clone(),
            at: now(),
            co2: content(self.age_h),
            target_at: when(self.wish),
            move_at: when(self.wish * 0.96),
            limit_at: when(self.limit_bar / 0.85),
            if_forgotten: IfForgotten {
                pressure: Upward {
                    p50: bar(7.7),
                    p95: bar(13.5),
                },
                co2: Upward {
                    p50: co2(6.0),
                    p95: co2(9.4),
                },
                alcohol: Upward {
                    p50: AlcoholByVolume::from_percent(1.6).unwrap(),
                    p95: AlcoholByVolume::from_percent(2.5).unwrap(),
                },
            },
            vigour: three(|spread| Vigour::from_ratio(1.3 + 0.25 * spread).unwrap()),
            lag: three(|spread| Hours(8.0 + 2.0 * spread)),
        };
        let slope = self.volumes(self.age_h + 1.0, 0.0) - self.volumes(self.age_h, 0.0);
        let outlook = Outlook {
            at: now(),
            after_move_now: content(self.age_h + 4.0),
            worst_bottle_now: pressure(self.age_h),
            worst_bottle_24h: pressure(self.age_h + 24.0),
            limit_within_24h: Probability::from_share(0.1).unwrap(),
            limit_not_ruled_out: Probability::from_share(0.1).unwrap(),
            expected_gauge: pressure(self.age_h),
            rate: three(|spread| slope * (1.0 + 0.2 * spread)),
            gained: three(|spread| 36.0 * slope * (1.0 + 0.2 * spread)),
            suspicion: None,
            never_tight: None,
            odd: Vec::new(),
            curve: (0..=480)
                .map(|half_hour| f64::from(half_hour) / 2.0)
                .map(|hour| CurvePoint {
                    at: self.hour(hour),
                    co2: content(hour),
                    co2_middle: Middle {
                        p25: co2(self.volumes(hour, -0.4)),
                        p75: co2(self.volumes(hour, 0.4)),
                    },
                    worst_bottle: pressure(hour),
                })
                .collect(),
        };
        let read = 0.97 * 0.85 * self.volumes(self.age_h, 0.0);
        let sensors = vec![
            heard("pilot", Measured::Pressure(bar(read)), 2),
            heard(
                "pilot",
                Measured::LiquidTemperature(Temperature::from_celsius(20.8).unwrap()),
                2,
            ),
            heard(
                "kitchen",
                Measured::RoomTemperature(Temperature::from_celsius(21.4).unwrap()),
                4,
            ),
        ];
        let view = View {
            batch: batch.name.clone(),
            at: now(),
            bottled_at: batch.bottled_at,
            target: batch.target.co2,
            limit: batch.bottle.pressure_limit,
            bottles: batch.bottle.count,
            place: self.place,
            opened: false,
            apart: None,
            given_away: None,
            to_move: self.place == Place::Room,
            withdrawn: None,
            headline: String::new(),
            pressure: String::new(),
            next: String::new(),
            questions: Vec::new(),
            asked: Vec::new(),
            moments: Vec::new(),
            culture: None,
            sensors,
            set_aside: std::collections::BTreeMap::new(),
            counts_from: None,
            forecast: Some(forecast),
            outlook: Some(outlook),
            alerts: Vec::new(),
        };
        Shown {
            batch,
            view,
            failed: None,
            behind: false,
            notes: Vec::new(),
            taken_back: Vec::new(),
            warmth: Some(Warmth {
                quantity: Quantity::LiquidTemperature,
                part: SignedDuration::from_hours(1),
                points: std::iter::successors(Some(0.0), |hour| Some(hour + 1.0))
                    .take_while(|hour| *hour <= self.age_h)
                    .map(|hour| {
                        let swing = 0.7 * (hour * std::f64::consts::TAU / 24.0).sin();
                        (self.hour(hour), Temperature::from_celsius(20.6 + swing).unwrap())
                    })
                    .collect(),
            }),
        }
    }

    fn batch(&self) -> Batch {
        let text = format!(
            "name = \"given below\"\nculture = \"given below\"\nbottled_at = \"{}\"\n\
             [drink]\nsucrose_g_per_l = 60.0\n\
             [bottle]\nmaterial = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = {:?}\n\
             limit_source = \"printed on the base\"\n\
             [pilot]\nmaterial = \"pet\"\ncapacity_ml = 500\nfill_ml = 475\n\
             [target]\nco2_volumes = {:?}\nfridge_c = 4.0\n",
            self.hour(0.0),
            self.limit_bar,
            self.wish
        );
        let (mut batch, _) = Batch::from_toml(&text, "fixture").unwrap();
        batch.name = BatchName::new(&self.name).unwrap();
        batch.culture = Some(fobwatch_core::batch::CultureName::new(&self.culture).unwrap());
        batch
    }
}

pub(super) fn now() -> Timestamp {
    "2026-03-04T19:10:00Z".parse().unwrap()
}

pub(super) fn context() -> Context {
    Context {
        now: now(),
        display: Display {
            zone: TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap(),
            pressure: Unit::Bar,
            temperature: Unit::Celsius,
        },
        demo: false,
        unstored: None,
        servers: Vec::new(),
    }
}

pub(super) fn alert(alert: AlertName, hours_ago: i64, message: &str) -> AlertView {
    AlertView {
        alert,
        state: AlarmState::Unacknowledged,
        present: true,
        latched: alert.latches(),
        priority: alert.priority(),
        since: now() - SignedDuration::from_hours(hours_ago),
        shelved_until: None,
        taken_out: None,
        message: message.to_owned(),
        source: None,
        quantity: None,
    }
}

/// On its way: comes due tomorrow.
pub(super) fn hibiscus() -> Shown {
    Made::new("hibiscus 12").shown()
}

/// Just begun.
pub(super) fn lime() -> Shown {
    Made {
        age_h: 27.0,
        half_h: 90.0,
        width_h: 16.0,
        final_volumes: 4.4,
        wish: 2.4,
        ..Made::new("lime and mint 4")
    }
    .shown()
}

/// In the fridge.
pub(super) fn pear() -> Shown {
    Made {
        age_h: 120.0,
        half_h: 60.0,
        final_volumes: 3.0,
        wish: 3.0,
        limit_bar: 6.0,
        culture: "rye in the tall jar".to_owned(),
        place: Place::Fridge,
        ..Made::new("pear and thyme 2")
    }
    .shown()
}

/// Slow, its gauge silent for a day.
pub(super) fn plum() -> Shown {
    let mut shown = Made {
        age_h: 100.0,
        half_h: 52.0,
        final_volumes: 1.1,
        wish: 2.6,
        culture: "plum skins".to_owned(),
        ..Made::new("plum 1")
    }
    .shown();
    let mut silent = alert(
        AlertName::SensorSilent,
        23,
        "plum 1: nothing heard of gauge pressure from pilot b since Tue 3 Mar 19:40 CET. Without it nobody can vouch for \
         the pressure: it is reckoned on from what was known, and warnings come early. Look at the sensor and its wiring.",
    );
    silent.source = Some(Source::new("pilot b").unwrap());
    silent.quantity = Some(Quantity::Pressure);
    shown.view.alerts.push(silent);
    shown.view.sensors = vec![
        SensorView {
            silent: true,
            ..heard("pilot b", Measured::Pressure(bar(0.91)), 24 * 60 - 30)
        },
        SensorView {
            doubt: Some(Doubt::Stuck),
            ..heard(
                "pilot b",
                Measured::LiquidTemperature(Temperature::from_celsius(19.1).unwrap()),
                3,
            )
        },
    ];
    shown
}

/// At its limit.
pub(super) fn danger() -> Shown {
    let mut shown = Made {
        age_h: 90.0,
        final_volumes: 9.0,
        ..Made::new("hibiscus 11")
    }
    .shown();
    shown.view.alerts = vec![alert(
        AlertName::OverLimit,
        2,
        "Danger. Hibiscus 11 may be at your limit of 5.00 bar. Keep people and animals out of the room. Do not touch, open, \
         move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls. The \
         fullest bottle is estimated at 4.33 bar, and may be at 5.05 bar.",
    )];
    shown
}

fn heard(source: &str, measured: Measured, minutes_ago: i64) -> SensorView {
    SensorView {
        source: Source::new(source).unwrap(),
        quantity: measured.quantity(),
        last: Some(measured),
        at: Some(now() - SignedDuration::from_mins(minutes_ago)),
        usual_interval_s: 60,
        silent: false,
        doubt: None,
        words: String::new(),
    }
}

fn three<T>(of: impl Fn(f64) -> T) -> Quantiles<T> {
    Quantiles {
        p05: of(-1.0),
        p50: of(0.0),
        p95: of(1.0),
    }
}

pub(super) fn bar(bar: f64) -> GaugePressure {
    GaugePressure::from_bar(bar.clamp(-1.2, 100.0)).unwrap()
}

fn co2(volumes: f64) -> Co2Volumes {
    Co2Volumes::from_volumes(volumes.clamp(0.0, 100.0)).unwrap()
}
