//! A whole batch at once, with its truth and the answers to "what if".

use crate::live::{Emitted, LiveBatch, Note};
use crate::scenario::{Deed, Drink, Room, Scenario};
use crate::truth::{Forgotten, Moment, Truth, Vigour};
use crate::world::{STEP_S, World};
use jiff::{SignedDuration, Timestamp};

/// Seconds between two moments of truth.
const TRUTH_EVERY_S: i64 = 600;
/// Seconds between two kept states, from which the "what if" plays go on.
const KEPT_EVERY_S: i64 = 4 * 3600;
/// What "after the move" means.
const AFTER_MOVE_S: i64 = 72 * 3600;

/// Runs scenarios.
#[derive(Clone, Copy, Debug)]
pub struct Simulation;

impl Simulation {
    /// Plays the scenario to its end. The same scenario and seed give the same bytes.
    #[must_use]
    pub fn run(scenario: &Scenario, seed: u64) -> Played {
        let mut live = LiveBatch::new(scenario, seed);
        let mut readings = Vec::new();
        let mut moments = vec![live.truth_now()];
        let mut kept = vec![live.world().left_alone()];
        while !live.is_over() {
            readings.extend(live.advance(SignedDuration::from_secs(TRUTH_EVERY_S)));
            moments.push(live.truth_now());
            if live.world().elapsed_s % KEPT_EVERY_S == 0 {
                kept.push(live.world().left_alone());
            }
        }
        readings.extend(live.rest());
        Played {
            readings,
            notes: live.notes().to_vec(),
            batch_toml: crate::batch_file::batch_toml(scenario),
            truth: Truth {
                moments,
                target_volumes: scenario.target.co2_volumes,
                limit_bar: scenario.bottle.pressure_limit_bar,
            },
            scenario: scenario.clone(),
            kept,
        }
    }
}

/// A batch that was played to its end.
#[derive(Clone, Debug)]
pub struct Played {
    /// In order of arrival.
    pub readings: Vec<Emitted>,
    /// What people wrote down.
    pub notes: Vec<Note>,
    /// The batch file as its maker would write it.
    pub batch_toml: String,
    /// What really happened.
    pub truth: Truth,
    /// What was played.
    pub scenario: Scenario,
    kept: Vec<World>,
}

impl Played {
    /// The world at a time of the play, with what people did until then and nothing after it.
    fn world_at(&self, at: Timestamp) -> Option<World> {
        let wanted = at.duration_since(self.scenario.bottled_at).as_secs();
        if wanted < 0 || at > self.truth.moments.last()?.at {
            return None;
        }
        let index = self.kept.iter().rposition(|world| world.elapsed_s <= wanted)?;
        let mut world = self.kept.get(index)?.clone();
        // Deeds between the kept state and the time asked for.
        let mut due: Vec<_> = self
            .scenario
            .events
            .iter()
            .filter(|event| event.at_h > world.hours() && event.at_h * 3600.0 <= at_s(wanted))
            .collect();
        due.sort_by(|a, b| a.at_h.total_cmp(&b.at_h));
        for event in due {
            while world.hours() < event.at_h {
                world.step();
            }
            world.perform(event.kind);
        }
        world.run_until(wanted);
        Some(world)
    }

    /// The truth 72 h after all bottles move to the fridge at `at`; `None` outside the play.
    #[must_use]
    pub fn after_move(&self, at: Timestamp) -> Option<Moment> {
        let mut world = self.world_at(at)?;
        world.perform(Deed::MovedToFridge);
        world.run_until(world.elapsed_s + AFTER_MOVE_S);
        Some(Moment::of(&world, self.scenario.bottled_at))
    }

    /// Content 72 h after all bottles move to the fridge at `at`, in volumes; `None` outside the play.
    #[must_use]
    pub fn content_after_move(&self, at: Timestamp) -> Option<f64> {
        Some(self.after_move(at)?.co2_volumes)
    }

    /// When to move the bottles so that the content 72 h after the move is the target; `None` if no time of
    /// the play does it.
    #[must_use]
    pub fn move_at(&self) -> Option<Timestamp> {
        let target = self.scenario.target.co2_volumes;
        let (mut low, mut high) = (
            0,
            self.truth
                .moments
                .last()?
                .at
                .duration_since(self.scenario.bottled_at)
                .as_secs(),
        );
        let content = |seconds: i64| self.content_after_move(self.after(seconds));
        if content(low)? > target || content(high)? < target {
            return None;
        }
        while high - low > STEP_S {
            let middle = low + (high - low) / 2;
            if content(middle)? < target {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(self.after(high))
    }

    /// The truth from `from` on if nobody touches the bottles any more, for `horizon`; `None` outside the play.
    #[must_use]
    pub fn left_alone(&self, from: Timestamp, horizon: SignedDuration) -> Option<Truth> {
        let mut world = self.world_at(from)?;
        let end = world.elapsed_s + horizon.as_secs().clamp(0, 400 * 86_400);
        let mut moments = vec![Moment::of(&world, self.scenario.bottled_at)];
        while world.elapsed_s < end {
            world.run_until(world.elapsed_s + TRUTH_EVERY_S);
            moments.push(Moment::of(&world, self.scenario.bottled_at));
        }
        Some(Truth {
            moments,
            ..self.truth.clone()
        })
    }

    /// What becomes of the batch if nobody moves or opens it for 60 days from `from`; `None` outside the play.
    #[must_use]
    pub fn if_forgotten(&self, from: Timestamp) -> Option<Forgotten> {
        let mut world = self.world_at(from)?;
        let end = world.elapsed_s + 60 * 86_400;
        let mut highest_bar = world.gauge_bar(&world.worst);
        while world.elapsed_s < end {
            world.step();
            highest_bar = highest_bar.max(world.gauge_bar(&world.worst));
        }
        Some(Forgotten {
            highest_bar,
            co2_volumes: world.labelled.volumes_at(world.fridge),
            abv_percent: world.labelled.brew.abv_percent(),
        })
    }

    fn after(&self, seconds: i64) -> Timestamp {
        let sealed = self.scenario.bottled_at;
        sealed
            .saturating_add(SignedDuration::from_secs(seconds))
            .unwrap_or(sealed)
    }
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a batch are far below 2^53")]
fn at_s(seconds: i64) -> f64 {
    seconds as f64
}

impl Scenario {
    /// How this culture works in the reference drink: 80 g/L of sucrose, 25 mL of culture per litre, 30 mg/L of
    /// usable nitrogen, half a litre holding 0.475 L, a steady 20 degC. Found by running it for 30 days; a
    /// culture that does nothing has a rate near 0 and whatever lag that gives.
    #[must_use]
    pub fn vigour(&self) -> Vigour {
        let plain = Self::reference_drink();
        let scenario = Self {
            culture: self.culture.clone(),
            ..plain
        };
        let mut world = World::new(&scenario, 0).left_alone();
        let start = world.labelled.all_co2_g_per_l();
        let mut before = start;
        let mut best = Vigour {
            volumes_per_h: 0.0,
            lag_h: 0.0,
        };
        for _ in 0..30 * 24 {
            world.run_until(world.elapsed_s + 3600);
            let all = world.labelled.all_co2_g_per_l();
            let rate = (all - before) / crate::gas::CO2_G_PER_VOLUME;
            if rate > best.volumes_per_h {
                let made = (0.5 * (all + before) - start) / crate::gas::CO2_G_PER_VOLUME;
                best = Vigour {
                    volumes_per_h: rate,
                    lag_h: (world.hours() - 0.5 - made / rate).max(0.0),
                };
            }
            before = all;
        }
        best
    }

    fn reference_drink() -> Self {
        let plain = Self::shipped("plain").unwrap_or_else(|| unreachable!("`plain` is shipped"));
        Self {
            drink: Drink {
                sucrose_g_per_l: 80.0,
                glucose_g_per_l: 0.0,
                fructose_g_per_l: 0.0,
                lactose_g_per_l: 0.0,
                culture_ml_per_l: 25.0,
                co2_volumes: 0.0,
                abv_percent: 0.0,
                nitrogen_mg_per_l: 30.0,
                temperature_c: 20.0,
            },
            room: Room {
                mean_c: 20.0,
                swing_c: 0.0,
                weather_c: 0.0,
                follows_h: 2.2,
                warm_spell: None,
            },
            events: Vec::new(),
            sensors: Vec::new(),
            faults: Vec::new(),
            ..plain
        }
    }
}
