//! The three made-up batches, each with the hands that move its bottles.

use fobwatch_core::{
    batch::Batch,
    quantity::UnknownUnit,
    reading::{Measured, Quantity, Reading, Source, UnknownQuantity},
};
use fobwatch_simulator::{Emitted, LiveBatch, Material, Scenario, Simulation, scenario::Pilot};
use jiff::{SignedDuration, Timestamp};

use super::kitchen;
use crate::watch::Failure;

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
    material: Material,
    /// The sensors sit on a bottle of their own.
    own_bottle: bool,
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
        material: Material::Pet,
        own_bottle: false,
        limit_bar: 6.0,
        target_volumes: 2.8,
        due_h: 6,
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
        material: Material::Pet,
        own_bottle: false,
        limit_bar: 6.0,
        target_volumes: 2.8,
        due_h: 20,
        hands: &[
            Hand {
                after: SignedDuration::from_hours(1),
                bottles: Some((1, 6)),
            },
            Hand {
                after: SignedDuration::from_hours(11),
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
        material: Material::Glass,
        own_bottle: true,
        limit_bar: 4.7,
        target_volumes: 2.6,
        due_h: 80,
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

impl From<Unplayable> for Failure {
    fn from(why: Unplayable) -> Self {
        Self::Demo(why.to_string())
    }
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
    let text = fobwatch_simulator::batch_toml(&scenario) + kitchen::recipe(part.name);
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
        scenario.bottle.material = self.material;
        scenario.bottle.pressure_limit_bar = self.limit_bar;
        // No gauge on glass: where the bottles are of glass, it sits on one of plastic.
        scenario.pilot = self.own_bottle.then_some(Pilot {
            material: Material::Pet,
            capacity_ml: 500.0,
            fill_ml: 475.0,
            dead_volume_ml: 10.0,
        });
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use fobwatch_core::batch::BatchFile;

    use super::*;

    fn start() -> Timestamp {
        "2026-03-06T12:00:00Z".parse().unwrap()
    }

    #[test]
    fn three_different_batches_are_in_the_midst_of_their_lives() {
        let cast = cast(7, start()).unwrap();
        assert_eq!(cast.len(), 3);
        let names: BTreeSet<_> = cast.iter().map(|member| &member.batch.name).collect();
        assert_eq!(names.len(), 3);
        for member in &cast {
            let file = BatchFile::from_toml(&member.text, "test").unwrap();
            assert!(
                file.recipe.is_some() && file.warnings.is_empty(),
                "{}",
                member.batch.name
            );
            let age = start().duration_since(member.batch.bottled_at);
            assert!(
                (12..240).contains(&age.as_hours()),
                "{}: {age:#}",
                member.batch.name
            );
        }
    }

    #[test]
    fn no_two_batches_share_a_sensor() {
        let mut all = BTreeSet::new();
        for mut member in cast(7, start()).unwrap() {
            let sent = member.bottles.advance(SignedDuration::from_hours(1));
            let own: BTreeSet<_> = sent
                .into_iter()
                .map(|emitted| (emitted.source, emitted.quantity.name()))
                .collect();
            assert_eq!(own.len(), 3);
            all.extend(own);
        }
        assert_eq!(all.len(), 9);
    }

    #[test]
    fn the_same_seed_plays_the_same() {
        let told = |seed| -> Vec<_> {
            cast(seed, start())
                .unwrap()
                .iter_mut()
                .map(|member| {
                    (
                        member.text.clone(),
                        member.bottles.advance(SignedDuration::from_hours(6)),
                    )
                })
                .collect()
        };
        assert_eq!(told(3), told(3));
        assert_ne!(told(3), told(4));
    }

    #[test]
    fn what_sensors_send_is_taken_as_from_any_input() {
        for mut member in cast(1, start()).unwrap() {
            let sent = member.bottles.advance(SignedDuration::from_hours(3));
            assert!(!sent.is_empty());
            for emitted in &sent {
                assert_eq!(reading(emitted).unwrap().at, emitted.at);
            }
        }
    }
}
