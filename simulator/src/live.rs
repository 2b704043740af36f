//! A batch that is played bit by bit: the readings of each stretch of time, and a person who may step in.

use crate::fault::Faulty;
use crate::quantity::{Quantity, Unit};
use crate::scenario::{Deed, Scenario};
use crate::sensor::{Probe, Raw};
use crate::truth::Moment;
use crate::world::World;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use std::collections::BTreeMap;

/// One reading as it arrives.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Emitted {
    /// When it was measured.
    pub at: Timestamp,
    /// When it arrives; never before `at`.
    pub arrival: Timestamp,
    /// Name of the source.
    pub source: String,
    /// What was measured.
    pub quantity: Quantity,
    /// The value, finite, in `unit`.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
}

/// What a person wrote down.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Note {
    /// When it happened.
    pub time: Timestamp,
    /// Kind as notes spell it, such as `moved_to_fridge`.
    pub kind: String,
}

/// A batch in play. It starts at its sealing; [`LiveBatch::advance`] moves it on.
#[derive(Clone, Debug)]
pub struct LiveBatch {
    scenario: Scenario,
    world: World,
    probes: Vec<Probe>,
    faults: Vec<Faulty>,
    /// Readings on their way, by arrival and order of measuring.
    travelling: BTreeMap<(i64, u64), Raw>,
    measured: u64,
    notes: Vec<Note>,
    now_ms: i64,
}

impl LiveBatch {
    /// Seals the bottles.
    #[must_use]
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        let probes = (0..)
            .zip(&scenario.sensors)
            .map(|(index, spec)| Probe::new(spec.clone(), index, seed))
            .collect();
        let faults = (0..)
            .zip(&scenario.faults)
            .map(|(index, spec)| Faulty::new(spec, index, seed, scenario.bottled_at))
            .collect();
        Self {
            world: World::new(scenario, seed),
            probes,
            faults,
            travelling: BTreeMap::new(),
            measured: 0,
            notes: Vec::new(),
            now_ms: 0,
            scenario: scenario.clone(),
        }
    }

    /// The scenario in play.
    #[must_use]
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The time of the play.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        self.time(self.now_ms)
    }

    /// Whether the scenario's time is over. The batch can be moved on all the same.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.world.hours() >= self.scenario.lasts_h
    }

    /// Plays on by `by` (nothing if negative) and returns what arrives in that time, in order of arrival.
    pub fn advance(&mut self, by: SignedDuration) -> Vec<Emitted> {
        let by_ms = i64::try_from(by.as_millis())
            .unwrap_or(i64::MAX)
            .clamp(0, 400 * 86_400_000);
        self.now_ms += by_ms;
        while (self.world.elapsed_s + crate::world::STEP_S) * 1000 <= self.now_ms {
            self.step();
        }
        let later = self.travelling.split_off(&(self.now_ms + 1, 0));
        let arrived = std::mem::replace(&mut self.travelling, later);
        arrived.into_values().map(|raw| self.emit(raw)).collect()
    }

    /// Everything that is still on its way, for the end of a play.
    pub(crate) fn rest(&mut self) -> Vec<Emitted> {
        std::mem::take(&mut self.travelling)
            .into_values()
            .map(|raw| self.emit(raw))
            .collect()
    }

    fn step(&mut self) {
        for event in self.world.step() {
            if event.noted {
                let time = self.time(self.world.elapsed_s * 1000);
                self.notes.push(Note {
                    time,
                    kind: event.kind.kind().to_owned(),
                });
            }
        }
        let mut raws = Vec::new();
        for probe in &mut self.probes {
            probe.observe(&self.world, &mut raws);
        }
        for raw in raws {
            let sent = self.faults.iter_mut().try_fold(raw, |raw, fault| fault.pass(raw));
            let Some(raw) = sent else { continue };
            self.measured += 1;
            self.travelling.insert((raw.arrival_ms, self.measured), raw);
        }
    }

    /// Moves all bottles, the pilot included, into the fridge from the present moment of the play on.
    pub fn move_to_fridge(&mut self) {
        self.act(Deed::MovedToFridge);
    }

    /// Brings all bottles back into the room.
    pub fn take_out(&mut self) {
        self.act(Deed::TakenOut);
    }

    fn act(&mut self, deed: Deed) {
        self.world.perform(deed);
        self.notes.push(Note {
            time: self.now(),
            kind: deed.kind().to_owned(),
        });
    }

    /// What people have noted so far.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// The truth at the present moment.
    #[must_use]
    pub fn truth_now(&self) -> Moment {
        Moment::of(&self.world, self.scenario.bottled_at)
    }

    pub(crate) fn world(&self) -> &World {
        &self.world
    }

    fn time(&self, ms: i64) -> Timestamp {
        self.scenario
            .bottled_at
            .saturating_add(SignedDuration::from_millis(ms))
            .unwrap_or(self.scenario.bottled_at)
    }

    fn emit(&self, raw: Raw) -> Emitted {
        Emitted {
            at: self.time(raw.at_ms),
            arrival: self.time(raw.arrival_ms),
            source: raw.source,
            quantity: raw.quantity,
            value: raw.value,
            unit: raw.unit,
        }
    }
}
