//! The bottles of a batch in their place, moved on in fixed steps of time.

use crate::bottle::{Bottle, Build, Surroundings};
use crate::brew::{Brew, ETHANOL_G_PER_L_PER_PERCENT};
use crate::culture::Culture;
use crate::gas::CO2_G_PER_VOLUME;
use crate::place::Place;
use crate::quantity::Kelvin;
use crate::random::{Chance, Stream};
use crate::scenario::{Deed, Happening, Leak, Scenario, Starter};

/// Length of a step in seconds.
pub(crate) const STEP_S: i64 = 60;

impl Starter {
    pub(crate) fn culture(&self) -> Culture {
        Culture {
            yeast_growth_per_h: self.yeast_growth_per_h,
            yeast_uptake_g_per_g_h: self.yeast_uptake_g_per_g_h,
            yeast_lag_h: self.yeast_lag_h,
            yeast_decay_per_h: self.yeast_decay_per_h,
            bacteria_growth_per_h: self.bacteria_growth_per_h,
            bacteria_lag_h: self.bacteria_lag_h,
            ceiling_percent: self.ceiling_percent,
            ferments_lactose: self.ferments_lactose,
            published: self.published,
        }
    }
}

/// All bottles: the one that stands for the batch's label, the worst one, the pilot, and each real one.
#[derive(Clone, Debug)]
pub(crate) struct World {
    culture: Culture,
    pub(crate) place: Place,
    /// Filled exactly as the label says.
    pub(crate) labelled: Bottle,
    /// Fuller by the tolerance (never past 99 % of the brim) and 0.5 degC warmer.
    pub(crate) worst: Bottle,
    pub(crate) pilot: Bottle,
    pub(crate) others: Vec<Bottle>,
    pub(crate) chilled: bool,
    pub(crate) elapsed_s: i64,
    pub(crate) fridge: Kelvin,
    events: Vec<Happening>,
    leak: Option<Leak>,
}

impl World {
    pub(crate) fn new(scenario: &Scenario, seed: u64) -> Self {
        let mut chance = Chance::new(seed, Stream::Filling);
        let zoned = scenario.bottled_at.as_second().rem_euclid(86_400);
        #[expect(clippy::cast_precision_loss, reason = "below a day of seconds")]
        let hour = zoned as f64 / 3600.0;
        let place = Place::new(
            scenario.room.clone(),
            scenario.fridge.clone(),
            scenario.air.clone(),
            hour,
            seed,
        );
        let t = Kelvin::from_celsius(scenario.drink.temperature_c);
        let b = &scenario.bottle;
        let build = Build {
            material: b.material,
            capacity_l: b.capacity_ml / 1000.0,
            dead_l: 0.0,
            fill_l: b.fill_ml / 1000.0,
            warmer_c: 0.0,
            exchange_per_h: scenario.gas.exchange_per_h,
            henry_factor: scenario.gas.henry_factor,
            solubility: scenario.gas.solubility,
            sugar_effect_per_g_l: scenario.gas.sugar_effect / 100.0,
            // A larger bottle follows more slowly; the scenario speaks of half a litre.
            cooling_h: (b.capacity_ml / 500.0).powf(0.4),
        };
        let seal = |build: Build, dose: f64| {
            Bottle::sealed(build, brew(scenario, dose), b.headspace, t, place.air())
        };
        let tolerance = b.fill_tolerance_ml / 1000.0;
        let fullest = 0.99 * build.capacity_l;
        let worst_fill = (build.fill_l + tolerance).min(fullest.max(build.fill_l));
        let pilot_build = scenario.pilot.as_ref().map_or(build, |p| Build {
            material: p.material,
            capacity_l: p.capacity_ml / 1000.0,
            dead_l: p.dead_volume_ml / 1000.0,
            fill_l: p.fill_ml / 1000.0,
            cooling_h: (p.capacity_ml / 500.0).powf(0.4),
            ..build
        });
        let mut vary = |build: Build| {
            let spread = (0.5 * chance.normal()).clamp(-1.0, 1.0) * tolerance;
            let dose = (b.dose_spread * chance.normal()).exp();
            let fill_l = (build.fill_l + spread).min(0.99 * build.capacity_l);
            let warmer_c = chance.between(-0.3, 0.3);
            seal(
                Build {
                    fill_l,
                    warmer_c,
                    ..build
                },
                dose,
            )
        };
        let pilot = vary(pilot_build);
        let others = (0..b.count).map(|_| vary(build)).collect();
        let mut events = scenario.events.clone();
        events.sort_by(|a, b| a.at_h.total_cmp(&b.at_h));
        Self {
            culture: scenario.culture.culture(),
            labelled: seal(build, 1.0),
            worst: seal(
                Build {
                    fill_l: worst_fill,
                    warmer_c: 0.5,
                    ..build
                },
                1.0,
            ),
            pilot,
            others,
            place,
            chilled: false,
            elapsed_s: 0,
            fridge: Kelvin::from_celsius(scenario.target.fridge_c),
            events,
            leak: scenario.leak.clone(),
        }
    }

    pub(crate) fn hours(&self) -> f64 {
        hours(self.elapsed_s)
    }

    /// The same world without what people would do later and without the bottles no counterfactual asks for.
    pub(crate) fn left_alone(&self) -> Self {
        Self {
            events: Vec::new(),
            others: Vec::new(),
            ..self.clone()
        }
    }

    fn bottles(&mut self) -> impl Iterator<Item = &mut Bottle> {
        [&mut self.labelled, &mut self.worst, &mut self.pilot]
            .into_iter()
            .chain(&mut self.others)
    }

    /// One step; returns what people did at its end.
    pub(crate) fn step(&mut self) -> Vec<Happening> {
        let hours = hours(STEP_S);
        self.place.step(hours);
        self.elapsed_s += STEP_S;
        if let Some(leak) = self.leak.as_ref().filter(|leak| leak.from_h <= self.hours()) {
            self.pilot.leak_mol_per_h_bar = leak.mol_per_h_per_bar;
        }
        let around = if self.chilled {
            Surroundings {
                temperature: self.place.fridge(),
                air: self.place.air(),
                follows_h: self.place.fridge_follows_h(),
            }
        } else {
            Surroundings {
                temperature: self.place.room(),
                air: self.place.air(),
                follows_h: self.place.room_follows_h(),
            }
        };
        let culture = self.culture;
        for bottle in self.bottles() {
            bottle.step(&culture, around, hours);
        }
        let now = self.hours();
        let due = self.events.iter().take_while(|event| event.at_h <= now).count();
        let done: Vec<Happening> = self.events.drain(..due).collect();
        for event in &done {
            self.perform(event.kind);
        }
        done
    }

    pub(crate) fn perform(&mut self, deed: Deed) {
        let air = self.place.air();
        match deed {
            Deed::MovedToFridge => self.chilled = true,
            Deed::TakenOut => self.chilled = false,
            Deed::Vented => self.bottles().for_each(|bottle| bottle.vent(air)),
            Deed::Opened => {
                self.pilot.vent(air);
                self.pilot.open = true;
            }
        }
    }

    pub(crate) fn run_until(&mut self, elapsed_s: i64) {
        while self.elapsed_s < elapsed_s {
            self.step();
        }
    }

    pub(crate) fn gauge_bar(&self, bottle: &Bottle) -> f64 {
        bottle.head.total.bar() - self.place.air().bar()
    }
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a batch are far below 2^53")]
fn hours(seconds: i64) -> f64 {
    seconds as f64 / 3600.0
}

fn brew(scenario: &Scenario, dose: f64) -> Brew {
    let drink = &scenario.drink;
    let starter_l = drink.culture_ml_per_l / 1000.0 * dose;
    Brew {
        sucrose: drink.sucrose_g_per_l,
        glucose: drink.glucose_g_per_l,
        fructose: drink.fructose_g_per_l,
        lactose: drink.lactose_g_per_l,
        ethanol: drink.abv_percent * ETHANOL_G_PER_L_PER_PERCENT,
        asleep: scenario.culture.yeast_g_per_l * starter_l,
        bacteria: scenario.culture.bacteria_g_per_l * starter_l,
        nitrogen: drink.nitrogen_mg_per_l / 1000.0,
        co2: drink.co2_volumes * CO2_G_PER_VOLUME,
        ..Brew::default()
    }
}
