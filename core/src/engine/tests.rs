//! The engine on events made by hand, with fits answered by hand.

use std::{collections::BTreeMap, sync::OnceLock};

use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::*;
use crate::{
    alert::Transition,
    batch::{Batch, BatchName, Bottle, Drink, Headspace, Material, Target},
    fit,
    forecast::{CurvePoint, Hours, IfForgotten, Quantiles, Upward},
    note::NoteKind,
    quantity::{
        AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, LiquidVolume, MassConcentration,
        Probability, Temperature, Unit, Vigour,
    },
    reading::{Measured, Quantity, Reading, Source},
};

pub(super) fn batch() -> Batch {
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
    }
}

pub(super) fn reading(at: &str, from: &str, quantity: Quantity, value: f64) -> Reading {
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

pub(super) fn source(name: &str) -> Source {
    Source::new(name).unwrap()
}

pub(super) fn bar(value: f64) -> GaugePressure {
    GaugePressure::from_bar(value).unwrap()
}

pub(super) fn volumes(value: f64) -> Co2Volumes {
    Co2Volumes::from_volumes(value).unwrap()
}

/// A life made by hand: what the fits answer, by hours since sealing.
struct Life {
    /// Content after a move made then, in volumes.
    content: fn(f64) -> f64,
    /// Gauge pressure of the worst bottle, in bar; the 95 % point lies 0.2 above.
    worst: fn(f64) -> f64,
    /// Chance of passing the limit within 24 h.
    chance: fn(f64) -> f64,
}

impl Default for Life {
    fn default() -> Self {
        Self {
            content: |h| (0.03 * h).min(6.0),
            worst: |h| (0.03 * h).min(6.0),
            chance: |_| 0.0,
        }
    }
}

impl Life {
    fn answer(&self, request: &FitRequest) -> Fitted {
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
                expected_gauge: map_bar(spread((self.worst)(now), 0.2)),
                rate: spread(0.03, 0.01),
                curve: (0..400)
                    .map(|h| CurvePoint {
                        at: batch.bottled_at + SignedDuration::from_hours(h),
                        co2: map_co2(spread((self.content)(h as f64), 0.1)),
                        worst_bottle: map_bar(spread((self.worst)(h as f64), 0.2)),
                    })
                    .collect(),
            },
        }
    }
}

fn surroundings() -> Surroundings {
    Surroundings {
        usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
    }
}

fn settings(clock: ClockSource) -> Settings {
    Settings {
        zone: TimeZone::UTC,
        surroundings: surroundings(),
        clock,
        rules: Rules::default(),
    }
}

fn monitor() -> Monitor {
    Monitor::new(batch(), settings(ClockSource::Readings))
}

fn hour(h: f64) -> Timestamp {
    batch().bottled_at + SignedDuration::from_secs((h * 3_600.0) as i64)
}

fn row(h: f64, quantity: Quantity, value: f64) -> Event {
    let mut row = reading("2026-03-02T07:00:00Z", "pilot", quantity, value);
    row.at = hour(h);
    Event::Measured(row)
}

fn note(h: f64, kind: NoteKind, bottles: Option<Vec<u32>>) -> Event {
    Event::Noted(Note {
        at: hour(h),
        kind,
        bottles,
        value: None,
        unit: None,
        text: None,
    })
}

fn command(h: f64, alert: AlertName, deed: Deed) -> Command {
    Command {
        at: hour(h),
        alert,
        who: "Ada".to_owned(),
        deed,
    }
}

/// One reading of each kind every ten minutes from `from` to `to` hours, through [`drive`].
fn live(
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
fn feed(monitor: &mut Monitor, life: &Life, event: Event) -> Vec<Action> {
    drive(monitor, event, &mut |request| life.answer(request))
}

fn told(actions: &[Action]) -> Vec<(AlertName, Transition)> {
    actions
        .iter()
        .filter_map(|action| match action {
            Action::Alert(record) => Some((record.alert, record.state)),
            _ => None,
        })
        .collect()
}

fn record_of(actions: &[Action], alert: AlertName, state: Transition) -> AlertRecord {
    actions
        .iter()
        .find_map(|action| match action {
            Action::Alert(record) if record.alert == alert && record.state == state => Some(record.clone()),
            _ => None,
        })
        .unwrap_or_else(|| panic!("{alert} {state:?} was not told: {:?}", told(actions)))
}

const RAISED: Transition = Transition::Raised;
const CLEARED: Transition = Transition::Cleared;

#[test]
fn a_batch_that_ripens_is_announced_and_then_moved() {
    let life = Life::default();
    let mut monitor = monitor();
    // 2.8 volumes are reached at 93.3 h: the first whole hour is 94.
    let actions = live(&mut monitor, &life, 0.0, 100.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!(
        told(&actions),
        [(AlertName::FridgeSoon, RAISED), (AlertName::MoveToFridge, RAISED)]
    );
    assert_eq!(record_of(&actions, AlertName::FridgeSoon, RAISED).at, hour(82.0));
    // The content passes between the evaluations at 93 and 93.5 h; the second in a row is at 94 h.
    assert_eq!(
        record_of(&actions, AlertName::MoveToFridge, RAISED).at,
        hour(94.0)
    );
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 100.0) / 1.5).exp();
    let after = live(&mut monitor, &life, 100.0, 110.0, |_| 2.5, cooling);
    let cleared = record_of(&after, AlertName::MoveToFridge, CLEARED);
    assert!(cleared.message.contains("in the fridge"), "{}", cleared.message);
    assert_eq!(monitor.view().place, Place::Fridge);
}

#[test]
fn a_noted_move_clears_nothing_until_cooling_is_seen() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let noted = feed(&mut monitor, &life, note(96.0, NoteKind::MovedToFridge, None));
    let warm = live(&mut monitor, &life, 96.2, 99.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!((told(&noted), told(&warm)), (vec![], vec![]));
    assert!(monitor.view().apart.unwrap().why.contains("has not cooled yet"));
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 99.0) / 1.5).exp();
    let cold = live(&mut monitor, &life, 99.0, 104.0, |_| 2.5, cooling);
    assert!(told(&cold).contains(&(AlertName::MoveToFridge, CLEARED)));
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn a_noted_move_after_which_the_drink_stays_warm_is_not_believed() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 50.0, |h| 0.03 * h, |_| 21.0);
    feed(&mut monitor, &life, note(50.0, NoteKind::MovedToFridge, None));
    live(&mut monitor, &life, 50.2, 60.0, |h| 0.03 * h, |_| 21.0);
    assert_eq!(monitor.view().place, Place::Room);
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn bottles_left_behind_keep_their_alerts() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 96.0, |h| 0.03 * h, |_| 21.0);
    let some = note(96.0, NoteKind::MovedToFridge, Some(vec![1, 2, 3]));
    feed(&mut monitor, &life, some);
    let cooling = |h: f64| 4.0 + 17.0 * (-(h - 96.0) / 1.5).exp();
    let cold = live(&mut monitor, &life, 96.2, 104.0, |h| 3.0 - 0.01 * h, cooling);
    assert_eq!(told(&cold), []);
    let apart = monitor.view().apart.unwrap();
    assert_eq!(
        (apart.count, apart.why.as_str()),
        (5, "5 of 8 bottles are still in the room.")
    );
    let rest = note(104.0, NoteKind::MovedToFridge, Some((4..=8).collect()));
    let mut after = feed(&mut monitor, &life, rest);
    after.extend(live(
        &mut monitor,
        &life,
        104.2,
        106.0,
        |h| 3.0 - 0.01 * h,
        |_| 4.0,
    ));
    assert!(told(&after).contains(&(AlertName::MoveToFridge, CLEARED)));
}

#[test]
fn the_estimate_at_the_limit_is_danger_and_withdraws_the_move() {
    let life = Life {
        chance: |h| if h > 100.0 { 0.5 } else { 0.0 },
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 140.0, |_| 1.0, |_| 21.0);
    // p95 is 0.2 bar above 0.03 h: 4 bar at 126.67 h.
    let danger = record_of(&actions, AlertName::OverLimit, RAISED);
    assert_eq!(danger.at, hour(127.0));
    assert!(danger.message.starts_with(
        "Danger. hibiscus 12 may be at your limit of 4.00 bar. Keep people and animals out of the room. Do not touch, \
         open, move, cover or go to look. If you can cool the room from outside it, do. Stay out even if the gauge falls."
    ));
    let withdrawn = record_of(&actions, AlertName::MoveToFridge, Transition::Suppressed);
    assert_eq!(withdrawn.at, hour(127.0));
    assert!(withdrawn.message.contains("withdrawn"));
    assert!(record_of(&actions, AlertName::LimitNear, RAISED).at < danger.at);
}

#[test]
fn a_raw_gauge_at_the_limit_is_danger_at_once_whatever_the_model_says() {
    let life = Life {
        worst: |_| 0.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let creeping = |h: f64| 0.5 + 0.4 * h;
    let actions = live(&mut monitor, &life, 0.0, 9.5, creeping, |_| 21.0);
    let danger = record_of(&actions, AlertName::OverLimit, RAISED);
    assert!(
        danger.at >= hour(8.75) && danger.at <= hour(8.84),
        "{}",
        danger.at
    );
    assert!(
        danger.message.contains("The gauge pilot read 4.0"),
        "{}",
        danger.message
    );
}

#[test]
fn over_limit_cannot_be_shelved_and_only_a_person_clears_it_once_it_is_gone() {
    let mut monitor = monitor();
    let high = Life {
        worst: |_| 4.5,
        ..Life::default()
    };
    live(&mut monitor, &high, 0.0, 2.0, |_| 1.0, |_| 21.0);
    let alert = AlertName::OverLimit;
    let shelve = Deed::Shelve {
        until: hour(10.0),
        reason: "busy".to_owned(),
    };
    assert_eq!(
        monitor.permits(&command(2.0, alert, shelve.clone())),
        Err(Refused::NeverShelved { alert })
    );
    let refused = feed(&mut monitor, &high, Event::Commanded(command(2.0, alert, shelve)));
    assert!(matches!(refused.last(), Some(Action::Refused { .. })));
    let reset = Deed::Reset {
        reason: "all moved to the yard".to_owned(),
    };
    assert_eq!(
        monitor.permits(&command(2.0, alert, reset.clone())),
        Err(Refused::StillPresent { alert })
    );
    let low = Life {
        worst: |_| 1.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let gone = live(&mut monitor, &low, 2.0, 5.0, |_| 1.0, |_| 21.0);
    assert!(!told(&gone).contains(&(alert, CLEARED)), "it is latched");
    assert_eq!(monitor.permits(&command(5.0, alert, reset.clone())), Ok(()));
    let cleared = feed(&mut monitor, &low, Event::Commanded(command(5.0, alert, reset)));
    let record = record_of(&cleared, alert, CLEARED);
    assert_eq!(record.who.as_deref(), Some("Ada"));
}

#[test]
fn limit_near_needs_two_evaluations_with_a_gauge_and_one_without() {
    let life = Life {
        chance: |h| {
            if h >= 10.0 {
                0.3
            } else if h >= 5.0 {
                0.1
            } else {
                0.0
            }
        },
        worst: |_| 1.0,
        content: |_| 1.0,
    };
    let mut with_gauge = monitor();
    let actions = live(&mut with_gauge, &life, 0.0, 12.0, |h| 0.9 + 0.01 * h, |_| 21.0);
    assert_eq!(record_of(&actions, AlertName::LimitNear, RAISED).at, hour(10.5));
    let mut without = monitor();
    let mut actions = Vec::new();
    for h in 0..12 {
        let event = row(f64::from(h), Quantity::LiquidTemperature, 21.0);
        actions.extend(feed(&mut without, &life, event));
    }
    let near = record_of(&actions, AlertName::LimitNear, RAISED);
    assert_eq!(near.at, hour(5.0));
    assert!(
        near.message.contains("No trustworthy gauge is heard"),
        "{}",
        near.message
    );
}

#[test]
fn noise_round_a_threshold_does_not_chatter() {
    let life = Life {
        // 2.77 and 2.83 in turn, after 10 h.
        content: |h| {
            if h < 10.0 {
                1.0
            } else if ((h * 2.0) as i64) % 2 == 0 {
                2.83
            } else {
                2.775
            }
        },
        worst: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 60.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let moves = told(&actions)
        .iter()
        .filter(|(alert, _)| *alert == AlertName::MoveToFridge)
        .count();
    assert!(moves <= 1, "{:?}", told(&actions));
}

#[test]
fn a_target_above_the_limit_is_told_from_the_start() {
    let life = Life {
        content: |h| 0.01 * h,
        worst: |h| 0.03 * h,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 1.0, |_| 0.1, |_| 21.0);
    let near = record_of(&actions, AlertName::LimitNear, RAISED);
    assert_eq!(near.at, hour(0.0));
    assert!(
        near.message
            .contains("target of hibiscus 12 lies above its limit"),
        "{}",
        near.message
    );
}

#[test]
fn a_gap_raises_silence_at_its_time_and_the_next_row_ends_it() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 10.0, |h| 0.03 * h, |_| 21.0);
    let actions = live(&mut monitor, &life, 20.0, 20.5, |h| 0.03 * h, |_| 21.0);
    let silent = record_of(&actions, AlertName::SensorSilent, RAISED);
    // The last row came at 9 h 50 min; six intervals of ten minutes later is 10 h 50 min, the next tick 10 h 55 min.
    assert_eq!(silent.at, hour(10.0) + SignedDuration::from_mins(55));
    assert_eq!(silent.source, Some(source("pilot")));
    assert_eq!(
        record_of(&actions, AlertName::SensorSilent, CLEARED).at,
        hour(20.0)
    );
}

#[test]
fn a_fall_to_zero_that_nobody_noted_is_danger_and_a_noted_opening_is_none() {
    let life = Life {
        worst: |_| 2.0,
        content: |_| 1.0,
        ..Life::default()
    };
    let burst = |h: f64| {
        if h < 10.0 {
            2.0 + 0.001 * h
        } else {
            0.01 + 0.0001 * h
        }
    };
    let mut unnoted = monitor();
    let actions = live(&mut unnoted, &life, 0.0, 12.0, burst, |_| 21.0);
    let loss = record_of(&actions, AlertName::SuddenLoss, RAISED);
    assert!(
        loss.message.contains("nobody noted an opening"),
        "{}",
        loss.message
    );
    assert!(!unnoted.hears_a_gauge(hour(12.0)));
    let mut noted = monitor();
    live(&mut noted, &life, 0.0, 9.5, burst, |_| 21.0);
    feed(&mut noted, &life, note(9.8, NoteKind::Opened, None));
    let actions = live(&mut noted, &life, 10.0, 12.0, burst, |_| 21.0);
    assert_eq!(told(&actions), []);
}

#[test]
fn an_unresolved_pressure_alert_comes_back_without_a_second_raise() {
    let life = Life {
        worst: |_| 4.5,
        content: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 20.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let raised = told(&actions)
        .iter()
        .filter(|told| **told == (AlertName::OverLimit, RAISED))
        .count();
    let reminded = actions
        .iter()
        .filter(|action| matches!(action, Action::Remind(record) if record.alert == AlertName::OverLimit))
        .count();
    assert_eq!((raised, reminded), (1, 3));
}

#[test]
fn an_acknowledged_alert_comes_back_later_and_a_shelved_one_at_its_time() {
    let life = Life {
        chance: |_| 0.5,
        worst: |_| 1.0,
        content: |_| 1.0,
    };
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 2.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    let shelve = Deed::Shelve {
        until: hour(6.0),
        reason: "at work".to_owned(),
    };
    let shelved = feed(
        &mut monitor,
        &life,
        Event::Commanded(command(2.0, AlertName::LimitNear, shelve)),
    );
    record_of(&shelved, AlertName::LimitNear, Transition::Shelved);
    let after = live(&mut monitor, &life, 2.1, 7.0, |h| 1.0 + 0.001 * h, |_| 21.0);
    assert_eq!(
        record_of(&after, AlertName::LimitNear, Transition::Unshelved).at,
        hour(6.0)
    );
}

#[test]
fn time_going_back_clears_nothing() {
    let life = Life {
        worst: |_| 4.5,
        content: |_| 3.5,
        ..Life::default()
    };
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    let ahead = Event::Tick { at: hour(10.0) };
    feed(&mut monitor, &life, ahead);
    let before = monitor.view();
    let well = Life {
        worst: |_| 0.1,
        content: |_| 0.1,
        ..Life::default()
    };
    for h in [9.0, 1.0, -400.0] {
        let actions = feed(&mut monitor, &well, Event::Tick { at: hour(h) });
        assert!(actions.is_empty());
    }
    assert_eq!(monitor.view(), before);
}

#[test]
fn weeks_of_absence_cost_a_bounded_number_of_fits() {
    let life = Life::default();
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    let (mut fits, mut carried) = (0, 0);
    let late = Event::Tick {
        at: hour(24.0 * 365.0 * 5.0),
    };
    let actions = drive(&mut monitor, late, &mut |request| {
        match request.work {
            Work::Fit => fits += 1,
            Work::CarryOn => carried += 1,
        }
        life.answer(request)
    });
    assert_eq!(fits, 1);
    assert!(carried < 500, "{carried}");
    // Two evaluations after 93.3 h; after 48 h of quiet they come every hour and a half or so.
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED).at;
    assert!(raised >= hour(94.0) && raised <= hour(97.0), "{raised}");
}

#[test]
fn a_row_ahead_of_the_daemons_clock_counts_as_of_the_clock() {
    let life = Life::default();
    let mut monitor = Monitor::new(batch(), settings(ClockSource::Ticks));
    feed(&mut monitor, &life, Event::Tick { at: hour(1.0) });
    feed(&mut monitor, &life, row(5.0, Quantity::Pressure, 0.2));
    assert_eq!(monitor.clock(), hour(1.0));
    let view = monitor.view();
    let gauge = view
        .sensors
        .iter()
        .find(|s| s.quantity == Quantity::Pressure)
        .unwrap();
    assert_eq!(gauge.at, Some(hour(1.0)));
}

#[test]
fn a_row_from_2099_makes_its_sensor_suspect_and_the_rest_goes_on() {
    let life = Life::default();
    let mut monitor = monitor();
    live(&mut monitor, &life, 0.0, 2.0, |h| 0.03 * h, |_| 21.0);
    let mut far = reading("2099-01-01T00:00:00Z", "pilot", Quantity::Pressure, 1.0);
    far.at = "2099-01-01T00:00:00Z".parse().unwrap();
    let mut actions = feed(&mut monitor, &life, Event::Measured(far));
    assert!(actions.is_empty());
    actions.extend(live(&mut monitor, &life, 2.0, 4.0, |h| 0.03 * h, |_| 21.0));
    let suspect = record_of(&actions, AlertName::SensorSuspect, RAISED);
    assert!(
        suspect.message.contains("ahead of the clock"),
        "{}",
        suspect.message
    );
    record_of(&actions, AlertName::SensorSuspect, CLEARED);
    assert!(monitor.clock() < hour(4.0));
    assert_eq!(
        monitor.view().set_aside.get(&SetAsideReason::FromTheFuture),
        Some(&1)
    );
}

#[test]
fn a_forecast_asked_between_grid_points_leaves_no_trace() {
    let life = Life::default();
    let (mut asked, mut left_alone) = (monitor(), monitor());
    for h in 0..30 {
        let h = f64::from(h) / 3.0;
        let _ = asked.forecast_request(hour(h));
        let a = feed(&mut asked, &life, row(h, Quantity::Pressure, 0.03 * h));
        let b = feed(&mut left_alone, &life, row(h, Quantity::Pressure, 0.03 * h));
        assert_eq!(format!("{a:?}"), format!("{b:?}"));
    }
    assert_eq!(asked.snapshot(), left_alone.snapshot());
}

#[test]
fn damaged_and_foreign_snapshots_are_refused() {
    let bytes = monitor().snapshot();
    let restored = |bytes: &[u8], batch| Monitor::restore(bytes, batch, settings(ClockSource::Readings));
    assert!(restored(&bytes, batch()).is_ok());
    let mut other = batch();
    other.bottle.pressure_limit = bar(3.0);
    assert!(matches!(
        restored(&bytes, other),
        Err(BadSnapshot::OtherBatch { .. })
    ));
    assert!(matches!(
        restored(&bytes[..20], batch()),
        Err(BadSnapshot::Damaged { .. })
    ));
    assert!(matches!(
        restored(&[9, 0, 0, 0, 1], batch()),
        Err(BadSnapshot::Version { given: 9 })
    ));
    assert!(matches!(restored(&[], batch()), Err(BadSnapshot::Damaged { .. })));
}

mod any_sequence {
    use proptest::prelude::*;

    use super::*;

    fn events() -> impl Strategy<Value = Vec<Event>> {
        let quantity = prop::sample::select(&Quantity::ALL[..]);
        let source_name = prop::sample::select(&["pilot", "kitchen", "other"][..]);
        let measured = (-2.0..200.0, quantity, source_name, 0.0..1.0).prop_map(
            |(h, quantity, from, share): (f64, Quantity, &str, f64)| {
                let value = match quantity {
                    Quantity::Pressure => -1.0 + 6.0 * share,
                    Quantity::AbsolutePressure => 7.0 * share,
                    Quantity::AmbientPressure => 0.4 + 0.8 * share,
                    Quantity::LiquidTemperature | Quantity::RoomTemperature => -10.0 + 45.0 * share,
                    Quantity::Gravity => 0.9 + 0.4 * share,
                };
                let mut row = reading("2026-03-02T07:00:00Z", from, quantity, value);
                row.at = hour(h);
                Event::Measured(row)
            },
        );
        let kinds = prop::sample::select(&NoteKind::ALL[..]);
        let noted = (
            0.0..200.0,
            kinds,
            prop::option::of(prop::collection::vec(0..10u32, 0..9)),
        )
            .prop_map(|(h, kind, bottles)| note(h, kind, bottles));
        let alerts = prop::sample::select(&AlertName::ALL[..]);
        let commanded = (0.0..200.0, alerts, 0..4u8).prop_map(|(h, alert, deed)| {
            let reason = "because".to_owned();
            let deed = match deed {
                0 => Deed::Acknowledge,
                1 => Deed::Shelve {
                    until: hour(h + 8.0),
                    reason,
                },
                2 => Deed::Unshelve,
                _ => Deed::Reset { reason },
            };
            Event::Commanded(command(h, alert, deed))
        });
        let ticks = (-10.0..300.0).prop_map(|h| Event::Tick { at: hour(h) });
        prop::collection::vec(
            prop_oneof![6 => measured, 1 => noted, 1 => commanded, 1 => ticks],
            0..80,
        )
    }

    fn life() -> Life {
        Life {
            content: |h| 1.0 + 2.5 * (h / 7.0).sin().abs(),
            worst: |h| 1.5 + 3.0 * (h / 11.0).sin().abs(),
            chance: |h| (h / 13.0).sin().abs(),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn restored_and_gone_on_it_is_as_if_never_stopped(events in events(), cut in 0.0..1.0, ticks: bool) {
            let clock = if ticks { ClockSource::Ticks } else { ClockSource::Readings };
            let life = life();
            let mut whole = Monitor::new(batch(), settings(clock));
            let mut stopped = whole.clone();
            let at = (cut * events.len() as f64) as usize;
            for (i, event) in events.into_iter().enumerate() {
                if i == at {
                    stopped = Monitor::restore(&stopped.snapshot(), batch(), settings(clock)).unwrap();
                }
                let a = feed(&mut whole, &life, event.clone());
                let b = feed(&mut stopped, &life, event);
                prop_assert_eq!(format!("{a:?}"), format!("{b:?}"));
            }
            prop_assert_eq!(whole.snapshot(), stopped.snapshot());
        }

        #[test]
        fn every_row_is_used_held_or_set_aside_and_the_clock_never_goes_back(events in events()) {
            let life = life();
            let mut monitor = monitor();
            let mut clock = monitor.clock();
            for event in events {
                feed(&mut monitor, &life, event);
                prop_assert!(monitor.clock() >= clock);
                clock = monitor.clock();
                let view = monitor.view();
                prop_assert!(!view.headline.is_empty() && !view.pressure.is_empty() && !view.next.is_empty());
            }
        }

        #[test]
        fn danger_stands_until_a_person_clears_it(events in events()) {
            let life = life();
            let mut monitor = monitor();
            let mut danger = false;
            for event in events {
                for action in feed(&mut monitor, &life, event) {
                    let Action::Alert(record) = action else { continue };
                    match (record.alert, record.state) {
                        (AlertName::OverLimit, RAISED) => danger = true,
                        (AlertName::OverLimit, CLEARED) => {
                            prop_assert!(record.who.is_some());
                            danger = false;
                        }
                        (AlertName::MoveToFridge | AlertName::FridgeSoon, RAISED) => prop_assert!(!danger),
                        _ => {}
                    }
                }
                let stands = monitor.view().alerts.iter().any(|alert| alert.alert == AlertName::OverLimit);
                prop_assert_eq!(stands, danger);
            }
        }
    }
}
