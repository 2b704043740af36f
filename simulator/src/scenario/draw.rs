//! Ordinary batches drawn at random, for studies.

use super::{Air, Bottles, Drink, Fridge, Gas, Leak, Pilot, Room, Scenario, Sensor, Starter, Target};
use crate::bottle::{Cap, Material};
use crate::gas::Solubility;
use crate::published::Published;
use crate::quantity::Quantity;
use crate::random::{Chance, Stream};
use jiff::{SignedDuration, Timestamp};

/// 2026-03-02T07:00:00Z.
const FIRST_BATCH_S: i64 = 1_772_434_800;

/// The batch of [`ordinary`] with gauge and float.
pub(super) fn with_both(seed: u64) -> Scenario {
    let mut scenario = ordinary(seed);
    let float = with_float(seed).sensors.into_iter();
    scenario
        .sensors
        .extend(float.filter(|sensor| sensor.quantity == Quantity::Gravity));
    scenario
}

/// The batch of [`ordinary`] with nothing but thermometers.
pub(super) fn with_temperature_alone(seed: u64) -> Scenario {
    let mut scenario = ordinary(seed);
    scenario
        .sensors
        .retain(|sensor| sensor.quantity != Quantity::Pressure);
    scenario
}

pub(super) fn ordinary(seed: u64) -> Scenario {
    let mut c = Chance::new(seed, Stream::Scenario);
    let capacity = if c.happens(0.75) {
        500.0
    } else {
        330.0 + 420.0 * c.uniform().round()
    };
    let fill_ml = (capacity * c.between(0.93, 0.97)).round();
    #[expect(clippy::cast_possible_truncation, reason = "below a day of minutes")]
    let minutes = c.between(0.0, 20.0 * 1440.0) as i64;
    let first = Timestamp::from_second(FIRST_BATCH_S).unwrap_or(Timestamp::UNIX_EPOCH);
    let mean_c = c.between(17.0, 25.0);
    let hexose = if c.happens(0.4) { c.between(5.0, 30.0) } else { 0.0 };
    let glucose = hexose * c.between(0.4, 0.6);
    let pet = c.happens(0.4);
    Scenario {
        title: format!("An ordinary batch, drawn with seed {seed}."),
        name: format!("hibiscus {}", seed % 1000),
        culture_name: "jar two".to_owned(),
        bottled_at: first
            .saturating_add(SignedDuration::from_mins(minutes))
            .unwrap_or(first),
        lasts_h: 336.0,
        drink: Drink {
            sucrose_g_per_l: c.between(45.0, 85.0).round(),
            glucose_g_per_l: glucose,
            fructose_g_per_l: hexose - glucose,
            lactose_g_per_l: if c.happens(0.15) { 15.0 } else { 0.0 },
            culture_ml_per_l: c.between(15.0, 65.0).round(),
            co2_volumes: if c.happens(0.25) {
                c.between(0.05, 0.4)
            } else {
                0.0
            },
            abv_percent: 0.0,
            nitrogen_mg_per_l: c.log_normal(30.0, 0.4).clamp(8.0, 120.0),
            temperature_c: mean_c + c.between(-3.0, 4.0),
        },
        culture: Starter {
            yeast_g_per_l: c.log_normal(2.2, 0.7),
            bacteria_g_per_l: c.log_normal(0.3, 0.9),
            yeast_growth_per_h: c.log_normal(0.12, 0.25).min(0.4),
            yeast_uptake_g_per_g_h: c.log_normal(0.65, 0.3).min(3.0),
            yeast_lag_h: c.log_normal(10.0, 0.5),
            yeast_decay_per_h: c.log_normal(0.003, 0.4).min(0.05),
            bacteria_growth_per_h: c.log_normal(0.12, 0.3).min(0.5),
            bacteria_lag_h: c.log_normal(10.0, 0.5),
            ceiling_percent: c.happens(0.3).then(|| c.between(1.5, 2.2)),
            ferments_lactose: false,
            published: None,
        },
        bottle: Bottles {
            material: Material::Glass,
            capacity_ml: capacity,
            fill_ml,
            count: 8,
            pressure_limit_bar: 6.0,
            headspace: Cap::Air,
            fill_tolerance_ml: 0.01 * capacity,
            dose_spread: 0.05,
        },
        pilot: pet.then_some(Pilot {
            material: Material::Pet,
            capacity_ml: 500.0,
            fill_ml: 475.0,
            dead_volume_ml: 8.0,
        }),
        target: Target {
            co2_volumes: (c.between(2.2, 3.3) * 10.0).round() / 10.0,
            fridge_c: 4.0,
        },
        gas: Gas {
            exchange_per_h: c.log_normal(0.15, 0.7).clamp(0.02, 3.0),
            solubility: Solubility::Weiss,
            henry_factor: (1.0 + 0.01 * c.normal()).clamp(0.95, 1.05),
            sugar_effect: c.between(0.08, 0.14),
        },
        room: Room {
            mean_c,
            swing_c: c.between(0.3, 2.0),
            weather_c: c.between(0.2, 1.0),
            follows_h: c.between(1.6, 3.0),
            warm_spell: None,
        },
        fridge: Fridge {
            temperature_c: c.between(3.0, 5.0),
            cooling_h: c.between(1.8, 4.0),
        },
        air: Air {
            mean_bar: c.between(0.99, 1.02),
            wander_bar: c.between(0.004, 0.010),
        },
        leak: None,
        events: Vec::new(),
        sensors: sensors(&mut c),
        faults: Vec::new(),
    }
}

/// The ordinary batch of the seed with kinetics of the literature.
pub(super) fn published(model: Published, seed: u64) -> Scenario {
    let plain = ordinary(seed);
    let mut c = Chance::new(seed, Stream::Variant);
    Scenario {
        title: format!(
            "A batch that ferments as {} has it, drawn with seed {seed}.",
            model.name()
        ),
        culture: Starter {
            published: Some(model.drawn(&mut c)),
            ..plain.culture
        },
        ..plain
    }
}

/// The ordinary batch of the seed, and its pilot begins to leak: between a slow seep and a cap that hisses.
pub(super) fn leaking(seed: u64) -> Scenario {
    let mut c = Chance::new(seed, Stream::Variant);
    Scenario {
        title: format!("A batch whose pilot begins to leak, drawn with seed {seed}."),
        leak: Some(Leak {
            from_h: c.between(24.0, 72.0),
            mol_per_h_per_bar: c.log_normal(0.0005, 0.6).clamp(0.00015, 0.003),
        }),
        ..ordinary(seed)
    }
}

/// The ordinary batch of the seed, and its culture gives up: at a trace of alcohol, or (one in four) before it began.
pub(super) fn stalling(seed: u64) -> Scenario {
    let mut c = Chance::new(seed, Stream::Variant);
    let plain = ordinary(seed);
    let dead = c.happens(0.25);
    let ceiling = c.between(0.15, 0.45);
    let living = if dead { 1.0e-4 } else { 1.0 };
    Scenario {
        title: format!("A batch whose culture gives up short of the target, drawn with seed {seed}."),
        culture: Starter {
            yeast_g_per_l: plain.culture.yeast_g_per_l * living,
            yeast_growth_per_h: plain.culture.yeast_growth_per_h * if dead { 0.02 } else { 1.0 },
            bacteria_g_per_l: plain.culture.bacteria_g_per_l * 1.0e-2 * living,
            bacteria_growth_per_h: plain.culture.bacteria_growth_per_h * 0.02,
            ceiling_percent: Some(ceiling),
            ..plain.culture
        },
        ..plain
    }
}

/// The ordinary batch of the seed with a float in the drink instead of the gauge.
pub(super) fn with_float(seed: u64) -> Scenario {
    let mut c = Chance::new(seed, Stream::Variant);
    let mut plain = ordinary(seed);
    let mut float = Sensor::perfect("float", Quantity::Gravity, 900.0);
    float.offset_spread = 0.0008;
    float.noise = c.between(0.0002, 0.0005);
    float.step = 0.0001;
    float.outlier_chance = 0.002;
    float.outlier_size = 0.01;
    let mut probe = Sensor::perfect("float", Quantity::LiquidTemperature, 900.0);
    probe.offset_spread = 0.3;
    probe.noise = 0.05;
    probe.step = 0.1;
    let kitchen = plain.sensors.pop();
    plain.sensors = [float, probe].into_iter().chain(kitchen).collect();
    plain.title = format!("A batch with a float in the drink, drawn with seed {seed}.");
    plain
}

/// The ordinary batch of the seed with the culture of another: how much of it lives, and how long it sleeps, differ a little from
/// batch to batch.
pub(super) fn of_culture(culture: u64, seed: u64) -> Scenario {
    let mut c = Chance::new(seed, Stream::Variant);
    let mut scenario = ordinary(seed);
    scenario.culture = ordinary(culture).culture;
    scenario.culture.yeast_g_per_l *= c.log_normal(1.0, 0.15);
    scenario.culture.bacteria_g_per_l *= c.log_normal(1.0, 0.15);
    scenario.culture.yeast_lag_h *= c.log_normal(1.0, 0.15);
    scenario.culture.bacteria_lag_h *= c.log_normal(1.0, 0.15);
    scenario.culture_name = format!("jar {culture}");
    scenario.title = format!("A batch of the culture of seed {culture}, drawn with seed {seed}.");
    scenario
}

/// A cheap gauge and probe on the pilot, a thermometer in the kitchen.
fn sensors(c: &mut Chance) -> Vec<Sensor> {
    let mut gauge = Sensor::perfect("pilot", Quantity::Pressure, 300.0);
    gauge.offset_spread = 0.03;
    gauge.gain_spread = 0.008;
    gauge.drift_per_c = 0.0012 * c.normal();
    gauge.noise = c.between(0.002, 0.008);
    gauge.step = 0.001;
    gauge.outlier_chance = 0.002;
    gauge.outlier_size = 0.5;
    gauge.gaps_per_day = c.between(0.0, 0.4);
    gauge.gap_h = 2.0;
    gauge.duplicate_chance = 0.005;
    gauge.late_chance = 0.005;
    gauge.starts_h = if c.happens(0.5) { c.between(0.0, 2.0) } else { 0.0 };
    let mut probe = Sensor::perfect("pilot", Quantity::LiquidTemperature, 300.0);
    probe.offset_spread = 0.25;
    probe.noise = 0.03;
    probe.step = 0.0625;
    probe.starts_h = gauge.starts_h;
    let mut kitchen = Sensor::perfect("kitchen", Quantity::RoomTemperature, 600.0);
    kitchen.offset_spread = 0.3;
    kitchen.noise = 0.05;
    kitchen.step = 0.1;
    vec![gauge, probe, kitchen]
}
