//! The engine's own rules on the simulator's sensors: what a fit would answer is taken from the simulator's truth, so
//! that only intake, sensor health, the raw gauge, moves and alerts are judged here.

mod row;

use std::sync::Arc;

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition, Units},
    batch::Batch,
    engine::{Action, ClockSource, Event, FitRequest, Fitted, Monitor, Rules, Settings, drive},
    fit::{Evidence, Posterior, Surroundings, fit},
    forecast::{CurvePoint, Forecast, Hours, IfForgotten, Middle, Outlook, Quantiles, Upward},
    note::{Note, NoteKind},
    quantity::{AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, Probability, Vigour},
    reading::Quantity,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

/// Answers fits from the truth of the play, with a spread as a good fit has it.
struct Oracle {
    played: Played,
    batch: Batch,
    posterior: Arc<Posterior>,
    move_at: Option<Timestamp>,
    alone: Vec<(Timestamp, f64)>,
}

impl Oracle {
    fn new(name: &str, seed: u64) -> Self {
        Self::of(&Scenario::shipped(name).expect("a shipped name"), seed)
    }

    fn of(scenario: &Scenario, seed: u64) -> Self {
        let played = Simulation::run(scenario, seed);
        let (batch, _) =
            Batch::from_toml(&played.batch_toml, "batch.toml").expect("the simulator's batch file");
        let posterior = Arc::new(fit(
            &Evidence::new(batch.clone(), surroundings()),
            batch.bottled_at,
            None,
        ));
        let alone = played.truth.moments.iter().map(|m| (m.at, m.worst_bar)).collect();
        let move_at = played.move_at();
        Self {
            move_at,
            played,
            batch,
            posterior,
            alone,
        }
    }

    fn answer(&self, request: &FitRequest) -> Fitted {
        let truth = &self.played.truth;
        let last = truth.moments.last().expect("moments");
        let now = truth.at(request.at).unwrap_or(last);
        // A drink goes on while it cools: about a twentieth of a volume.
        let after = now.co2_volumes + 0.05;
        let within = |from: Timestamp, hours: i64| {
            let until = from + SignedDuration::from_hours(hours);
            let in_it = self
                .alone
                .iter()
                .filter(move |(at, _)| *at >= from && *at <= until);
            in_it.map(|(_, bar)| *bar).fold(now.worst_bar, f64::max)
        };
        let highest = within(request.at, 24);
        let limit = self.batch.bottle.pressure_limit.bar();
        let chance = ((highest - limit) / 0.2 + 0.5).clamp(0.0, 1.0);
        let when = |at: Option<Timestamp>| {
            at.map(|at| Quantiles {
                p05: Some(at - SignedDuration::from_hours(2)),
                p50: Some(at),
                p95: Some(at + SignedDuration::from_hours(2)),
            })
        };
        let curve = truth.moments.iter().step_by(3).map(|moment| CurvePoint {
            at: moment.at,
            co2: contents(moment.co2_volumes),
            co2_middle: Middle {
                p25: contents(moment.co2_volumes).p50,
                p75: contents(moment.co2_volumes).p50,
            },
            worst_bottle: bars(moment.worst_bar),
        });
        Fitted {
            of: request.of,
            at: request.at,
            posterior: Arc::clone(&self.posterior),
            forecast: Forecast {
                batch: self.batch.name.clone(),
                at: request.at,
                co2: contents(now.co2_volumes),
                target_at: when(truth.target_at()),
                move_at: when(self.move_at),
                limit_at: when(truth.limit_at()),
                if_forgotten: IfForgotten {
                    pressure: upward(GaugePressure::from_bar(7.0).expect("bar")),
                    co2: upward(Co2Volumes::from_volumes(6.0).expect("volumes")),
                    alcohol: upward(AlcoholByVolume::from_percent(1.5).expect("percent")),
                },
                vigour: same(Vigour::from_ratio(1.0).expect("ratio")),
                lag: same(Hours(8.0)),
            },
            outlook: Outlook {
                at: request.at,
                after_move_now: contents(after),
                worst_bottle_now: bars(now.worst_bar),
                worst_bottle_24h: bars(highest),
                limit_within_24h: Probability::from_share(chance).expect("a share"),
                limit_not_ruled_out: Probability::from_share(chance).expect("a share"),
                expected_gauge: bars(now.pilot_bar),
                rate: same(0.03),
                gained: same(1.0),
                suspicion: None,
                never_tight: None,
                odd: Vec::new(),
                curve: curve.collect(),
            },
        }
    }

    fn replay(&self) -> (Vec<AlertRecord>, Monitor) {
        self.replay_with(&mut |request| self.answer(request))
    }

    fn replay_with(&self, fit: &mut dyn FnMut(&FitRequest) -> Fitted) -> (Vec<AlertRecord>, Monitor) {
        let settings = Settings {
            zone: TimeZone::UTC,
            units: Units::default(),
            surroundings: surroundings(),
            clock: ClockSource::Readings,
            rules: Rules::default(),
        };
        let mut monitor = Monitor::new(self.batch.clone(), settings);
        let mut notes: Vec<Note> = self.played.notes.iter().map(note).collect();
        notes.reverse();
        let mut records = Vec::new();
        let mut feed = |monitor: &mut Monitor, event: Event| {
            for action in drive(monitor, event, &mut *fit) {
                if let Action::Alert(record) = action {
                    records.push(record);
                }
            }
        };
        for row in &self.played.readings {
            while notes.last().is_some_and(|note| note.at <= row.at) {
                if let Some(note) = notes.pop() {
                    feed(&mut monitor, Event::Noted(note));
                }
            }
            let Some(reading) = row::reading(row) else {
                continue;
            };
            feed(&mut monitor, Event::Measured(reading));
        }
        let end = Event::Tick { at: monitor.clock() };
        feed(&mut monitor, end);
        (records, monitor)
    }
}

fn note(note: &fobwatch_simulator::Note) -> Note {
    Note {
        at: note.time,
        kind: note.kind.parse::<NoteKind>().expect("a kind both know"),
        bottles: None,
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    }
}

fn surroundings() -> Surroundings {
    Surroundings {
        usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
    }
}

fn same<T: Copy>(value: T) -> Quantiles<T> {
    Quantiles {
        p05: value,
        p50: value,
        p95: value,
    }
}

fn upward<T: Copy>(value: T) -> Upward<T> {
    Upward {
        p50: value,
        p95: value,
    }
}

fn contents(middle: f64) -> Quantiles<Co2Volumes> {
    let volumes = |v: f64| Co2Volumes::from_volumes(v.max(0.0)).expect("volumes");
    Quantiles {
        p05: volumes(middle - 0.05),
        p50: volumes(middle),
        p95: volumes(middle + 0.05),
    }
}

fn bars(middle: f64) -> Quantiles<GaugePressure> {
    let bar = |v: f64| GaugePressure::from_bar(v).expect("bar");
    Quantiles {
        p05: bar(middle - 0.08),
        p50: bar(middle),
        p95: bar(middle + 0.08),
    }
}

fn raised(records: &[AlertRecord]) -> Vec<AlertName> {
    let raised = records.iter().filter(|record| record.state == Transition::Raised);
    raised.map(|record| record.alert).collect()
}

#[test]
fn sound_sensors_raise_no_sensor_alert_and_the_move_is_told_before_the_limit() {
    let (records, _) = Oracle::new("plain", 7).replay();
    use AlertName::{FridgeSoon, LimitNear, MoveToFridge, OverLimit};
    assert_eq!(raised(&records), [FridgeSoon, MoveToFridge, LimitNear, OverLimit]);
}

#[test]
fn a_move_to_the_fridge_and_back_raises_no_sensor_alert_and_no_loss() {
    let (records, monitor) = Oracle::new("rewarmed_after_fridge", 7).replay();
    let all = raised(&records);
    for wrong in [
        AlertName::SensorSuspect,
        AlertName::SensorSilent,
        AlertName::SuddenLoss,
    ] {
        assert!(!all.contains(&wrong), "{wrong}: {all:?}");
    }
    assert_eq!(monitor.view().apart, None);
}

#[test]
fn troubled_sensors_are_told_and_each_silence_ends() {
    let (records, _) = Oracle::new("sensor_trouble", 7).replay();
    let stuck = records.iter().find(|r| r.message.contains("has stood still"));
    let stuck = stuck.expect("the stuck gauge was not told");
    assert_eq!(
        (stuck.alert, stuck.state),
        (AlertName::SensorSuspect, Transition::Raised)
    );
    let count = |alert, state| {
        records
            .iter()
            .filter(|r| r.alert == alert && r.state == state)
            .count()
    };
    let silences = count(AlertName::SensorSilent, Transition::Raised);
    assert!(silences >= 3, "{silences}");
    assert_eq!(silences, count(AlertName::SensorSilent, Transition::Cleared));
    assert!(!raised(&records).contains(&AlertName::SuddenLoss));
}

/// As the answers of fits waver on noisy data: no more than their own doubt, from one grid point to the next.
fn wavering(mut fitted: Fitted, turn: u32) -> Fitted {
    let by = f64::from((turn * 7_919) % 11) / 5.0 - 1.0;
    let now = fitted.forecast.co2.p50.volumes();
    fitted.forecast.co2 = contents(now + 0.05 * by);
    fitted.outlook.after_move_now = contents(fitted.outlook.after_move_now.p50.volumes() + 0.05 * by);
    fitted.outlook.worst_bottle_now = bars(fitted.outlook.worst_bottle_now.p50.bar() + 0.08 * by);
    let chance = fitted.outlook.limit_within_24h.share() + 0.15 * by;
    fitted.outlook.limit_within_24h = Probability::from_share(chance.clamp(0.0, 1.0)).expect("a share");
    fitted.outlook.limit_not_ruled_out = fitted.outlook.limit_within_24h;
    let hours = SignedDuration::from_secs_f64(3_600.0 * 4.0 * by);
    let moved = |at: Option<Timestamp>| at.map(|at| at + hours);
    fitted.forecast.move_at = fitted.forecast.move_at.map(|when| Quantiles {
        p05: moved(when.p05),
        p50: moved(when.p50),
        p95: moved(when.p95),
    });
    let gained = fitted.outlook.gained.p50.min(0.09) + 0.05 * by;
    fitted.outlook.gained = Quantiles {
        p05: gained,
        p50: gained,
        p95: gained + 0.04,
    };
    fitted
}

#[test]
fn no_alert_changes_state_more_than_twice_an_hour_under_the_noisiest_sensors() {
    for (name, seed) in [
        ("sensor_trouble", 1),
        ("sensor_trouble", 2),
        ("sensor_trouble", 3),
        ("sensor_faults", 4),
        ("warm_spell", 5),
    ] {
        let mut scenario = Scenario::shipped(name).expect("a shipped name");
        for sensor in &mut scenario.sensors {
            sensor.noise *= 4.0;
            sensor.outlier_chance = (5.0 * sensor.outlier_chance).max(0.02);
            sensor.outlier_size = sensor.outlier_size.max(0.5);
            sensor.gaps_per_day *= 3.0;
        }
        let oracle = Oracle::of(&scenario, seed);
        let mut turn = 0;
        let (records, _) = oracle.replay_with(&mut |request| {
            turn += 1;
            wavering(oracle.answer(request), turn)
        });
        assert!(records.len() > 5, "{name} {seed}: nothing happened");
        for first in &records {
            let same = records.iter().filter(|other| {
                let gone = other.at.duration_since(first.at);
                let key = |record: &AlertRecord| (record.alert, record.source.clone(), record.quantity);
                key(other) == key(first)
                    && (SignedDuration::ZERO..SignedDuration::from_hours(1)).contains(&gone)
            });
            let states: Vec<_> = same.map(|record| (record.at, record.state)).collect();
            assert!(
                states.len() <= 2,
                "{name} {seed}: {} of {:?} {:?}: {states:?}",
                first.alert,
                first.source,
                first.quantity
            );
        }
    }
}

#[test]
fn each_dead_board_is_one_silence_and_raises_nothing_else() {
    let mut scenario = Scenario::shipped("plain").expect("a shipped name");
    for sensor in &mut scenario.sensors {
        sensor.stops_h = Some(20.0);
    }
    let oracle = Oracle::of(&scenario, 3);
    let (mut records, mut monitor) = oracle.replay();
    // Time goes on for two days without a word, before the batch is ripe.
    let at = oracle.batch.bottled_at + SignedDuration::from_hours(44);
    let later = drive(&mut monitor, Event::Tick { at }, &mut |request| {
        oracle.answer(request)
    });
    records.extend(later.into_iter().filter_map(|action| match action {
        Action::Alert(record) => Some(record),
        _ => None,
    }));
    // "pilot" sends pressure and drink temperature: the gauge speaks for both.
    let silences: Vec<_> = records
        .iter()
        .filter(|record| record.alert == AlertName::SensorSilent)
        .map(|record| {
            let (source, quantity) = (record.source.as_ref(), record.quantity);
            (record.state, source.map_or("", |of| of.as_str()), quantity)
        })
        .collect();
    assert_eq!(
        silences,
        [
            (Transition::Raised, "pilot", Some(Quantity::Pressure)),
            (Transition::Raised, "kitchen", Some(Quantity::RoomTemperature)),
        ]
    );
    let of_the_board = records
        .iter()
        .find(|record| record.alert == AlertName::SensorSilent);
    let said = of_the_board.map_or("", |record| record.message.as_str());
    assert!(
        said.contains("nothing heard of gauge pressure and drink temperature from pilot since"),
        "{said}"
    );
    let others: Vec<_> = raised(&records)
        .into_iter()
        .filter(|alert| {
            !matches!(
                alert,
                AlertName::SensorSilent | AlertName::FridgeSoon | AlertName::LimitNear
            )
        })
        .collect();
    assert_eq!(others, []);
}
