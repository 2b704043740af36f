//! What would happen if nothing went wrong: two made-up batches, one over a broker and one over a serial port, and a person.

use fobwatch_core::{
    alert::AlertName,
    batch::Batch,
    engine::{Command, Deed},
    note::{Note, NoteKind},
    reading::Reading,
};
use fobwatch_simulator::{
    Emitted, LiveBatch, Quantity, Scenario, Simulation,
    scenario::{Pilot, Sensor},
};
use jiff::{SignedDuration, Timestamp};

use crate::{config::Config, decode::csv};

/// Of the busy time before the move of the first batch, and after: in it forecasts are made.
const BEFORE: SignedDuration = SignedDuration::from_mins(75);
const AFTER: SignedDuration = SignedDuration::from_mins(105);
/// Between two steps of the busy hours, and of the past.
const STEP: SignedDuration = SignedDuration::from_mins(15);
const PAST_STEP: SignedDuration = SignedDuration::from_mins(60);

/// Moments that a play lies around: clocks go forward and back in Lisbon (Directive 2000/84/EC), a leap day, a new year.
pub(super) const AROUND: [&str; 4] = [
    "2026-03-29T01:00:00Z",
    "2026-10-25T01:00:00Z",
    "2028-02-29T00:00:00Z",
    "2026-12-31T23:30:00Z",
];

/// A play.
pub(super) struct Play {
    pub(super) config: Config,
    pub(super) batches: Vec<(Batch, String)>,
    pub(super) steps: Vec<Step>,
    /// The first step with forecasts.
    pub(super) busy: usize,
    /// Forecasts are made from here on.
    pub(super) fits_from: Timestamp,
}

/// One moment of the play.
#[derive(Default)]
pub(super) struct Step {
    pub(super) at: Timestamp,
    /// What sensors publish.
    pub(super) messages: Vec<Published>,
    /// What comes over the line, line by line.
    pub(super) lines: Vec<String>,
    /// What a sensor posts.
    pub(super) posted: Vec<Reading>,
    /// What a person does: to which batch.
    pub(super) deeds: Vec<(usize, Done)>,
}

/// What a sensor publishes.
#[derive(Clone, Debug)]
pub(super) struct Published {
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
    /// The broker keeps it until it was acknowledged.
    pub(super) at_least_once: bool,
}

/// What a person does.
#[derive(Clone, Debug)]
pub(super) enum Done {
    Noted(Note),
    Commanded(Command),
}

/// Why a play cannot be made: a fault of the simulation.
#[derive(Debug, thiserror::Error)]
#[error("the play cannot be made: {0}")]
pub(super) struct Unplayable(String);

fn unplayable(error: &dyn std::fmt::Display) -> Unplayable {
    Unplayable(error.to_string())
}

const CONFIG: &str = r#"
[display]
time_zone = "Europe/Lisbon"
[alerts]
remind_h = 2
[[mqtt]]
host = "127.0.0.1"
publish_prefix = "fobwatch"
senml = ["sensors/+/senml"]
[[mqtt.number]]
topic = "cellar/temperature"
source = "cellar"
quantity = "room_temperature"
unit = "degC"
[[serial]]
port = "/dev/serial/by-id/usb-gauge"
format = "delimited"
[[serial.columns]]
column = 1
source = "pilot-b"
quantity = "pressure"
unit = "bar"
[[serial.columns]]
column = 2
source = "pilot-b"
quantity = "liquid_temperature"
unit = "degC"
[[webhook]]
name = "phone"
url = "http://127.0.0.1:9/phone"
remind_after_h = 1
remind_at_most = 2
[[webhook]]
name = "evening"
url = "http://127.0.0.1:9/evening"
digest_at = "01:30"
digest_priority = "medium"
[[webhook]]
name = "neighbour"
url = "http://127.0.0.1:9/neighbour"
unacknowledged_for_min = 40
"#;

impl Play {
    /// The play around one of the moments.
    pub(super) fn around(which: usize) -> Result<Self, Unplayable> {
        let moment: Timestamp = AROUND
            .get(which)
            .ok_or_else(|| unplayable(&"there is no such moment"))?
            .parse()
            .map_err(|error: jiff::Error| unplayable(&error))?;
        let seed = 20 + u64::try_from(which).unwrap_or(0);
        let config = Config::from_toml(CONFIG, "the simulation's configuration")
            .map_err(|error| unplayable(&error))?;
        // Tried once to see when it comes due, then moved so that it does just after the moment.
        let mut first = lively();
        first.bottled_at = moment - SignedDuration::from_hours(30);
        let due = Simulation::run(&first, seed)
            .move_at()
            .ok_or_else(|| unplayable(&"the lively batch never comes due"))?;
        let age = due.duration_since(first.bottled_at).as_mins();
        // A round minute: what a sensor measured is in whole milliseconds, and a broker's message too.
        first.bottled_at = moment + SignedDuration::from_mins(50) - SignedDuration::from_mins(age);
        let mut second = slow();
        second.bottled_at = first.bottled_at + SignedDuration::from_mins(20);
        let due = first.bottled_at + SignedDuration::from_mins(age);
        let fits_from = due - BEFORE;
        let until = due + AFTER;
        let moved = due + SignedDuration::from_mins(55);

        let mut batches = Vec::new();
        for scenario in [&first, &second] {
            let text = fobwatch_simulator::batch_toml(scenario);
            let (batch, _) = Batch::from_toml(&text, &scenario.name).map_err(|error| unplayable(&error))?;
            batches.push((batch, text));
        }
        let mut lives = (LiveBatch::new(&first, seed), LiveBatch::new(&second, seed + 100));
        let mut steps = Vec::new();
        let mut busy = 0;
        let mut at = first.bottled_at;
        let mut is_moved = false;
        while at < until {
            at += if at < fits_from { PAST_STEP } else { STEP };
            if at <= fits_from {
                busy = steps.len() + 1;
            }
            if at >= moved && !is_moved {
                lives.0.move_to_fridge();
                is_moved = true;
            }
            let mut step = Step {
                at,
                ..Step::default()
            };
            let by = |live: &LiveBatch| at.duration_since(live.now());
            let (by_first, by_second) = (by(&lives.0), by(&lives.1));
            step.send(
                &newest(lives.0.advance(by_first)),
                &newest(lives.1.advance(by_second)),
            )?;
            step.deeds = deeds(at, due, moved);
            steps.push(step);
        }
        Ok(Self {
            config,
            batches,
            steps,
            busy,
            fits_from,
        })
    }
}

/// Due within two days, and near its limit.
fn lively() -> Scenario {
    let mut scenario = Scenario::shipped("lively_culture").unwrap_or_else(|| unreachable!("it is shipped"));
    scenario.name = "lime and mint 4".to_owned();
    scenario.room.mean_c = 25.0;
    scenario.bottle.pressure_limit_bar = 3.6;
    scenario.pilot = Some(Pilot {
        material: fobwatch_simulator::Material::Pet,
        capacity_ml: 500.0,
        fill_ml: 475.0,
        dead_volume_ml: 10.0,
    });
    scenario.lasts_h = 120.0;
    named(&mut scenario, "a");
    scenario
}

/// Nothing to do for days.
fn slow() -> Scenario {
    let mut scenario = Scenario::shipped("plain").unwrap_or_else(|| unreachable!("it is shipped"));
    scenario.name = "plum 1".to_owned();
    scenario.room.mean_c = 22.0;
    scenario.lasts_h = 120.0;
    named(&mut scenario, "b");
    scenario
}

fn named(scenario: &mut Scenario, letter: &str) {
    for sensor in &mut scenario.sensors {
        let Sensor {
            source,
            quantity,
            interval_s,
            ..
        } = sensor;
        let place = if *quantity == Quantity::RoomTemperature {
            "room"
        } else {
            "pilot"
        };
        *source = format!("{place}-{letter}");
        *interval_s = 300.0;
    }
}

/// The last of each sensor.
fn newest(sent: Vec<Emitted>) -> Vec<Emitted> {
    let mut last: Vec<Emitted> = Vec::new();
    for emitted in sent {
        let same = |other: &Emitted| other.source == emitted.source && other.quantity == emitted.quantity;
        last.retain(|other| !same(other));
        last.push(emitted);
    }
    last
}

impl Step {
    /// The first batch and the room of the second publish, the bottle of the second speaks over the line, and posts as well.
    fn send(&mut self, first: &[Emitted], second: &[Emitted]) -> Result<(), Unplayable> {
        for emitted in first {
            self.messages.push(Published {
                topic: format!("sensors/{}/senml", emitted.source),
                payload: emitted.senml().into_bytes(),
                at_least_once: true,
            });
        }
        let of = |quantity| second.iter().find(|emitted| emitted.quantity == quantity);
        if let (Some(pressure), Some(liquid)) = (of(Quantity::Pressure), of(Quantity::LiquidTemperature)) {
            self.lines
                .push(format!("{:.4},{:.4}", pressure.value, liquid.value));
        }
        if let Some(room) = of(Quantity::RoomTemperature) {
            self.messages.push(Published {
                topic: "cellar/temperature".to_owned(),
                payload: format!("{:.2}", room.value - 3.0).into_bytes(),
                at_least_once: false,
            });
            let text = format!("{}\n{}\n", fobwatch_simulator::CSV_HEADER, room.csv_row());
            let none = crate::decode::Calibrations::default();
            let rows = csv::rows(text.as_bytes(), &none).map_err(|error| unplayable(&error))?;
            for row in rows {
                self.posted.push(row.map_err(|error| unplayable(&error))?);
            }
        }
        Ok(())
    }
}

/// What the person does in the step that ends at `at`: sees the alerts, moves the bottles, squeezes the other batch.
fn deeds(at: Timestamp, due: Timestamp, moved: Timestamp) -> Vec<(usize, Done)> {
    let in_step = |when: Timestamp| when <= at && at.duration_since(when) < STEP;
    let note = |kind, when| Note {
        at: when,
        kind,
        bottles: None,
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    };
    let seen = |alert, when| {
        Done::Commanded(Command {
            at: when,
            alert,
            who: "Ada".to_owned(),
            deed: Deed::Acknowledge,
        })
    };
    let early = due - SignedDuration::from_mins(40);
    let mut deeds = Vec::new();
    if in_step(early) {
        deeds.push((0, seen(AlertName::FridgeSoon, at)));
        deeds.push((1, Done::Noted(note(NoteKind::Other, at))));
    }
    let late = due + SignedDuration::from_mins(30);
    if in_step(late) {
        deeds.push((0, seen(AlertName::LimitNear, at)));
    }
    if in_step(moved) {
        deeds.push((0, Done::Noted(note(NoteKind::MovedToFridge, moved))));
    }
    deeds
}
