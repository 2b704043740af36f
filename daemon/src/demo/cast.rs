//! The three made-up batches, each with the hands that move its bottles.

use fobwatch_core::{
    batch::Batch,
    quantity::UnknownUnit,
    reading::{Measured, Quantity, Reading, Source, UnknownQuantity},
};
use fobwatch_simulator::{Emitted, LiveBatch, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

/// Grids of half an hour that do not coincide spread the work of the fits.
const APART: SignedDuration = SignedDuration::from_mins(10);

/// How a batch is played.
#[derive(Clone, Copy, Debug)]
struct Part {
    scenario: &'static str,
    name: &'static str,
    culture: &'static str,
    pilot: &'static str,
    room: &'static str,
    room_c: f64,
    limit_bar: f64,
    target_volumes: f64,
    /// Hours of the play until its bottles should go to the fridge.
    due_h: i64,
    hands: &'static [Hand],
}

/// Somebody moves bottles to the fridge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hand {
    /// So long after the alert that asked for it.
    pub(super) after: SignedDuration,
    /// First and last number of the bottles; `None`: all.
    pub(super) bottles: Option<(u32, u32)>,
}

const PARTS: [Part; 3] = [
    // As it should go: due within half a day, and moved half a day after the alert, for a visitor to see it.
    Part {
        scenario: "plain",
        name: "hibiscus 12",
        culture: "jar two",
        pilot: "hibiscus pilot",
        room: "kitchen",
        room_c: 21.0,
        limit_bar: 6.0,
        target_volumes: 2.8,
        due_h: 10,
        hands: &[Hand {
            after: SignedDuration::from_hours(10),
            bottles: None,
        }],
    },
    // A lively culture: the limit comes near, and two bottles are forgotten at first.
    Part {
        scenario: "lively_culture",
        name: "lime and mint 4",
        culture: "jar three",
        pilot: "mint pilot",
        room: "pantry",
        room_c: 21.0,
        limit_bar: 4.7,
        target_volumes: 2.8,
        due_h: 24,
        hands: &[
            Hand {
                after: SignedDuration::from_hours(1),
                bottles: Some((1, 6)),
            },
            Hand {
                after: SignedDuration::from_hours(5),
                bottles: Some((7, 8)),
            },
        ],
    },
    // Slow, in the cool: nothing to do for days.
    Part {
        scenario: "cool_cellar",
        name: "plum 1",
        culture: "jar two",
        pilot: "plum pilot",
        room: "cellar",
        room_c: 16.0,
        limit_bar: 6.0,
        target_volumes: 2.8,
        due_h: 90,
        hands: &[Hand {
            after: SignedDuration::from_hours(12),
            bottles: None,
        }],
    },
];

/// A batch of the play.
#[derive(Debug)]
pub(super) struct Member {
    pub(super) batch: Batch,
    /// Its batch file.
    pub(super) text: String,
    /// The bottles themselves.
    pub(super) bottles: LiveBatch,
    pub(super) hands: &'static [Hand],
}

/// Why a batch or sensor cannot be played: a fault of the program.
#[derive(Debug, thiserror::Error)]
#[error("the made-up {name} cannot be played: {why}")]
pub struct Unplayable {
    name: String,
    why: String,
}

/// The batches as they are sealed, so that at `start` they are in the midst of their lives. The same seed and start give the
/// same batches.
///
/// # Errors
/// A part that the simulator or the engine refuses.
pub(super) fn cast(seed: u64, start: Timestamp) -> Result<Vec<Member>, Unplayable> {
    (0_u8..)
        .zip(PARTS)
        .map(|(index, part)| {
            member(
                part,
                seed.wrapping_add(u64::from(index)),
                start - APART * i32::from(index),
            )
        })
        .collect()
}

fn member(part: Part, seed: u64, start: Timestamp) -> Result<Member, Unplayable> {
    let unplayable = |why: String| Unplayable {
        name: part.name.to_owned(),
        why,
    };
    let mut scenario = Scenario::shipped(part.scenario)
        .ok_or_else(|| unplayable(format!("there is no scenario `{}`", part.scenario)))?;
    part.direct(&mut scenario);
    // Tried once to see when it comes due; the daily swing of the room makes what follows a matter of an hour or so.
    scenario.bottled_at = start - SignedDuration::from_hours(72);
    let due = Simulation::run(&scenario, seed)
        .move_at()
        .ok_or_else(|| unplayable("it never comes due".to_owned()))?;
    let age = due.duration_since(scenario.bottled_at) - SignedDuration::from_hours(part.due_h);
    let age = SignedDuration::from_hours(age.as_hours().max(12));
    scenario.bottled_at = start - age;
    let text = fobwatch_simulator::batch_toml(&scenario);
    let (batch, _warnings) = Batch::from_toml(&text, part.name).map_err(|bad| unplayable(bad.to_string()))?;
    Ok(Member {
        batch,
        text,
        bottles: LiveBatch::new(&scenario, seed),
        hands: part.hands,
    })
}

impl Hand {
    pub(super) fn words(self) -> String {
        match self.bottles {
            None => "all bottles".to_owned(),
            Some((first, last)) => format!("bottles {first} to {last}"),
        }
    }
}

impl Part {
    fn direct(&self, scenario: &mut Scenario) {
        scenario.name = self.name.to_owned();
        scenario.culture_name = self.culture.to_owned();
        scenario.room.mean_c = self.room_c;
        scenario.bottle.pressure_limit_bar = self.limit_bar;
        scenario.target.co2_volumes = self.target_volumes;
        scenario.lasts_h = 400.0;
        for sensor in &mut scenario.sensors {
            let in_room = sensor.quantity == fobwatch_simulator::Quantity::RoomTemperature;
            sensor.source = if in_room { self.room } else { self.pilot }.to_owned();
        }
    }
}

/// What a sensor of the play sends, as any input would hand it on.
///
/// # Errors
/// The engine has no such reading.
pub(super) fn reading(emitted: &Emitted) -> Result<Reading, Unplayable> {
    let unplayable = |why: String| Unplayable {
        name: emitted.source.clone(),
        why,
    };
    let quantity: Quantity = emitted
        .quantity
        .name()
        .parse()
        .map_err(|error: UnknownQuantity| unplayable(error.to_string()))?;
    let unit = emitted
        .unit
        .symbol()
        .parse()
        .map_err(|error: UnknownUnit| unplayable(error.to_string()))?;
    Ok(Reading {
        at: emitted.at,
        source: Source::new(&emitted.source).map_err(|error| unplayable(error.to_string()))?,
        measured: Measured::new(quantity, emitted.value, unit)
            .map_err(|error| unplayable(error.to_string()))?,
    })
}
