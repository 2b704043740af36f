//! A batch, its rows, notes and commands, and fits answered by hand.

use std::{collections::BTreeMap, sync::OnceLock};

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::super::*;
use crate::{
    alert::{Transition, Units},
    batch::{Batch, BatchName, Bottle, Drink, Headspace, Material, Target},
    fit,
    forecast::{CurvePoint, Hours, IfForgotten, Middle, NeverTight, Quantiles, Suspicion, Upward},
    note::NoteKind,
    quantity::{
        AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, LiquidVolume, MassConcentration,
        Probability, Temperature, Unit, Vigour,
    },
    reading::{Measured, Quantity, Reading, Source},
};

pub(in crate::engine) fn batch() -> Batch {
    let litres = |ml| LiquidVolume::from_ml(ml).unwrap();
    let sugar = |g| MassConcentration::from_grams_per_litre(g).unwrap();
    Batch {
        name: BatchName::new("hibiscus 12").unwrap(),
        culture: None,
        bottled_at: "2026-03-02T07:00:00Z".parse().unwrap(),
        drink: Drink {
            sucrose: sugar(60.0),
            hexose: sugar(20.0),
            unfermentable: sugar(0.0),
            culture_dose: None,
            co2: None,
            alcohol: None,
            alcohol_ceiling: None,
            ph: None,
        },
        bottle: Bottle {
            material: Material::Glass,
            capacity: litres(500.0),
            fill: litres(475.0),
            count: 8,
            pressure_limit: bar(4.0),
            limit_source: None,
            headspace: Headspace::Air,
            fill_tolerance: litres(5.0),
        },
        pilot: None,
        target: Target {
            co2: volumes(2.8),
            fridge: Temperature::from_celsius(4.0).unwrap(),
        },
        sensors: BTreeMap::from([
            (Quantity::Pressure, source("pilot")),
            (Quantity::LiquidTemperature, source("pilot")),
        ]),
        expected_room: None,
        experiment: None,
    }
}

pub(in crate::engine) fn reading(at: &str, from: &str, quantity: Quantity, value: f64) -> Reading {
    let unit = match quantity {
        Quantity::Pressure | Quantity::AbsolutePressure | Quantity::AmbientPressure => Unit::Bar,
        Quantity::LiquidTemperature | Quantity::RoomTemperature => Unit::Celsius,
        Quantity::Gravity => Unit::SpecificGravity,
    };
    Reading {
        at: at.parse().unwrap(),
        source: source(from),
        measured: Measured::new(quantity, value, unit).unwrap(),
    }
}

pub(in crate::engine) fn source(name: &str) -> Source {
    Source::new(name).unwrap()
}

pub(in crate::engine) fn bar(value: f64) -> GaugePressure {
    GaugePressure::from_bar(value).unwrap()
}

pub(in crate::engine) fn volumes(value: f64) -> Co2Volumes {
    Co2Volumes::from_volumes(value).unwrap()
}

/// A life made by hand: what the fits answer, by hours since sealing.
pub(in crate::engine) struct Life {
    /// Content after a move made then, in volumes.
    pub(in crate::engine) content: fn(f64) -> f64,
    /// Gauge pressure of the worst bottle, in bar; the 95 % point lies 0.2 above.
    pub(in crate::engine) worst: fn(f64) -> f64,
    /// Chance of passing the limit within 24 h.
    pub(in crate::engine) chance: fn(f64) -> f64,
    /// What chance is not ruled out, if that is more.
    pub(in crate::engine) not_ruled_out: fn(f64) -> f64,
    /// Content gained in the last 36 h, in volumes.
    pub(in crate::engine) gained: fn(f64) -> Quantiles<f64>,
    /// What is suspected, and since which hour.
    pub(in crate::engine) suspicion: fn(f64) -> Option<(Suspicion, i64)>,
    /// Volumes that the others hold, if the bottle with the sensors was never tight.
    pub(in crate::engine) never_tight: fn(f64) -> Option<f64>,
}

impl Default for Life {
    fn default() -> Self {
        Self {
            content: |h| (0.03 * h).min(6.0),
            worst: |h| (0.03 * h).min(6.0),
            chance: |_| 0.0,
            not_ruled_out: |_| 0.0,
            gained: |_| Quantiles {
                p05: 0.9,
                p50: 1.0,
                p95: 1.1,
            },
            suspicion: |_| None,
            never_tight: |_| None,
        }
    }
}

impl Life {
    pub(in crate::engine) fn answer(&self, request: &FitRequest) -> Fitted {
        static POSTERIOR: OnceLock<Arc<fit::Posterior>> = OnceLock::new();
        let posterior = POSTERIOR.get_or_init(|| {
            let batch = batch();
            let at = batch.bottled_at;
            Arc::new(fit::fit(&Evidence::new(batch, surroundings()), at, None))
        });
        let batch = batch();
        let hours = |at: Timestamp| at.duration_since(batch.bottled_at).as_secs_f64() / 3_600.0;
        let now = hours(request.at);
        let spread = |p50: f64, by: f64| Quantiles {
            p05: p50 - by,
            p50,
            p95: p50 + by,
        };
        let co2 = |v: f64| volumes(v.max(0.0));
        let map_co2 = |q: Quantiles<f64>| Quantiles {
            p05: co2(q.p05),
            p50: co2(q.p50),
            p95: co2(q.p95),
        };
        let map_bar = |q: Quantiles<f64>| Quantiles {
            p05: bar(q.p05),
            p50: bar(q.p50),
            p95: bar(q.p95),
        };
        let first = |passed: &dyn Fn(f64) -> bool| {
            (0..1_440)
                .map(f64::from)
                .find(|h| passed(*h))
                .map(|h| batch.bottled_at + SignedDuration::from_secs((h * 3_600.0) as i64))
        };
        let when = |at: Option<Timestamp>| {
            at.map(|at| Quantiles {
                p05: Some(at - SignedDuration::from_hours(2)),
                p50: Some(at),
                p95: Some(at + SignedDuration::from_hours(3)),
            })
        };
        let limit = batch.bottle.pressure_limit.bar();
        let target = batch.target.co2.volumes();
        let ready = when(first(&|h| (self.content)(h) >= target));
        Fitted {
            of: request.of,
            at: request.at,
            posterior: Arc::clone(posterior),
            forecast: Forecast {
                batch: batch.name.clone(),
                at: request.at,
                co2: map_co2(spread((self.content)(now), 0.1)),
                target_at: ready,
                move_at: ready,
                limit_at: when(first(&|h| (self.worst)(h) >= limit)),
                if_forgotten: IfForgotten {
                    pressure: Upward {
                        p50: bar(6.0),
                        p95: bar(9.0),
                    },
                    co2: Upward {
                        p50: co2(6.0),
                        p95: co2(9.0),
                    },
                    alcohol: Upward {
                        p50: AlcoholByVolume::from_percent(1.5).unwrap(),
                        p95: AlcoholByVolume::from_percent(2.5).unwrap(),
                    },
                },
                vigour: Quantiles {
                    p05: Vigour::from_ratio(0.8).unwrap(),
                    p50: Vigour::from_ratio(1.0).unwrap(),
                    p95: Vigour::from_ratio(1.2).unwrap(),
                },
                lag: Quantiles {
                    p05: Hours(5.0),
                    p50: Hours(8.0),
                    p95: Hours(11.0),
                },
            },
            outlook: Outlook {
                at: request.at,
                after_move_now: map_co2(spread((self.content)(now), 0.1)),
                worst_bottle_now: map_bar(spread((self.worst)(now), 0.2)),
                worst_bottle_24h: map_bar(spread((self.worst)(now + 24.0), 0.4)),
                limit_within_24h: Probability::from_share((self.chance)(now)).unwrap(),
                limit_not_ruled_out: Probability::from_share(
                    (self.chance)(now).max((self.not_ruled_out)(now)),
                )
                .unwrap(),
                expected_gauge: map_bar(spread((self.worst)(now), 0.2)),
                rate: spread(0.03, 0.01),
                gained: (self.gained)(now),
                suspicion: (self.suspicion)(now)
                    .map(|(what, from_h)| (what, batch.bottled_at + SignedDuration::from_hours(from_h))),
                never_tight: (self.never_tight)(now).map(|volumes| NeverTight {
                    at: request.at,
                    co2: Co2Volumes::from_volumes(volumes).unwrap(),
                    spread: 0.25,
                }),
                odd: Vec::new(),
                curve: (0..400)
                    .map(|h| CurvePoint {
                        at: batch.bottled_at + SignedDuration::from_hours(h),
                        co2: map_co2(spread((self.content)(h as f64), 0.1)),
                        co2_middle: middle(map_co2(spread((self.content)(h as f64), 0.04))),
                        worst_bottle: map_bar(spread((self.worst)(h as f64), 0.2)),
                    })
                    .collect(),
            },
        }
    }
}

fn middle(half: Quantiles<Co2Volumes>) -> Middle<Co2Volumes> {
    Middle {
        p25: half.p05,
        p75: half.p95,
    }
}

pub(in crate::engine) fn surroundings() -> Surroundings {
    Surroundings {
        usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
    }
}

pub(in crate::engine) fn settings(clock: ClockSource) -> Settings {
    Settings {
        zone: TimeZone::UTC,
        units: Units::default(),
        surroundings: surroundings(),
        clock,
        rules: Rules::default(),
    }
}

pub(in crate::engine) fn monitor() -> Monitor {
    Monitor::new(batch(), settings(ClockSource::Readings))
}

pub(in crate::engine) fn hour(h: f64) -> Timestamp {
    batch().bottled_at + SignedDuration::from_secs((h * 3_600.0) as i64)
}

pub(in crate::engine) fn row(h: f64, quantity: Quantity, value: f64) -> Event {
    let mut row = reading("2026-03-02T07:00:00Z", "pilot", quantity, value);
    row.at = hour(h);
    Event::Measured(row)
}

pub(in crate::engine) fn note(h: f64, kind: NoteKind, bottles: Option<Vec<u32>>) -> Event {
    Event::Noted(Note {
        at: hour(h),
        kind,
        bottles,
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    })
}

pub(in crate::engine) fn command(h: f64, alert: AlertName, deed: Deed) -> Command {
    Command {
        at: hour(h),
        alert,
        who: "Ada".to_owned(),
        deed,
    }
}

/// One reading of each kind every ten minutes from `from` to `to` hours, through [`drive`].
pub(in crate::engine) fn live(
    monitor: &mut Monitor,
    life: &Life,
    from: f64,
    to: f64,
    gauge: impl Fn(f64) -> f64,
    liquid: impl Fn(f64) -> f64,
) -> Vec<Action> {
    let mut out = Vec::new();
    let steps = ((to - from) * 6.0) as i32;
    for i in 0..steps {
        let h = from + f64::from(i) / 6.0;
        for event in [
            row(h, Quantity::Pressure, gauge(h)),
            row(h, Quantity::LiquidTemperature, liquid(h)),
        ] {
            out.extend(feed(monitor, life, event));
        }
    }
    out
}

/// One event through [`drive`].
pub(in crate::engine) fn feed(monitor: &mut Monitor, life: &Life, event: Event) -> Vec<Action> {
    let actions = drive(monitor, event, &mut |request| life.answer(request));
    assert_glanced(monitor);
    actions
}

/// Whatever happened to it: looked at in passing it shows what it shows when looked at in full.
pub(in crate::engine) fn assert_glanced(monitor: &Monitor) {
    let sorted = |mut glance: Glance| {
        glance.alerts.sort();
        glance
    };
    assert_eq!(sorted(monitor.glance()), sorted(Glance::from(&monitor.view())));
}

pub(in crate::engine) fn told(actions: &[Action]) -> Vec<(AlertName, Transition)> {
    actions
        .iter()
        .filter_map(|action| match action {
            Action::Alert(record) => Some((record.alert, record.state)),
            _ => None,
        })
        .collect()
}

pub(in crate::engine) fn told_of(actions: &[Action], of: AlertName) -> Vec<Transition> {
    let all = told(actions).into_iter();
    all.filter(|(alert, _)| *alert == of)
        .map(|(_, said)| said)
        .collect()
}

pub(in crate::engine) fn record_of(actions: &[Action], alert: AlertName, state: Transition) -> AlertRecord {
    actions
        .iter()
        .find_map(|action| match action {
            Action::Alert(record) if record.alert == alert && record.state == state => Some(record.clone()),
            _ => None,
        })
        .unwrap_or_else(|| panic!("{alert} {state:?} was not told: {:?}", told(actions)))
}

pub(in crate::engine) const RAISED: Transition = Transition::Raised;
pub(in crate::engine) const CLEARED: Transition = Transition::Cleared;
