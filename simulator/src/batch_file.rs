//! The batch file as its maker would write it: what a person knows, not the truth.

use crate::bottle::{Cap, Material};
use crate::scenario::Scenario;
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Serialize)]
struct File<'a> {
    name: &'a str,
    culture: &'a str,
    bottled_at: String,
    drink: Drink,
    bottle: Bottle,
    #[serde(skip_serializing_if = "Option::is_none")]
    pilot: Option<Pilot>,
    target: Target,
    sensors: BTreeMap<&'static str, &'a str>,
    room: Room,
}

#[derive(Serialize)]
struct Drink {
    sucrose_g_per_l: f64,
    hexose_g_per_l: f64,
    unfermentable_g_per_l: f64,
    culture_ml_per_l: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    co2_volumes: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    abv_percent: Option<f64>,
}

#[derive(Serialize)]
struct Bottle {
    material: Material,
    capacity_ml: f64,
    fill_ml: f64,
    count: u32,
    pressure_limit_bar: f64,
    headspace: Cap,
    fill_tolerance_ml: f64,
}

#[derive(Serialize)]
struct Pilot {
    material: Material,
    capacity_ml: f64,
    fill_ml: f64,
    dead_volume_ml: f64,
}

#[derive(Serialize)]
struct Target {
    co2_volumes: f64,
    fridge_c: f64,
}

#[derive(Serialize)]
struct Room {
    expected_c: f64,
}

/// The batch file that belongs to a scenario, as its maker would write it: weighed to half a gram, the room known to half a
/// degree.
#[must_use]
pub fn batch_toml(scenario: &Scenario) -> String {
    let (drink, bottle) = (&scenario.drink, &scenario.bottle);
    // People weigh to half a gram and know a room to half a degree.
    let round = |value: f64, step: f64| (value / step).round() * step;
    let file = File {
        name: &scenario.name,
        culture: &scenario.culture_name,
        bottled_at: scenario.bottled_at.to_string(),
        drink: Drink {
            sucrose_g_per_l: round(drink.sucrose_g_per_l, 0.5),
            hexose_g_per_l: round(drink.glucose_g_per_l + drink.fructose_g_per_l, 0.5),
            unfermentable_g_per_l: round(drink.lactose_g_per_l, 0.5),
            culture_ml_per_l: drink.culture_ml_per_l,
            co2_volumes: (drink.co2_volumes > 0.0).then(|| (drink.co2_volumes * 10.0).round() / 10.0),
            abv_percent: (drink.abv_percent > 0.0).then(|| (drink.abv_percent * 10.0).round() / 10.0),
        },
        bottle: Bottle {
            material: bottle.material,
            capacity_ml: bottle.capacity_ml,
            fill_ml: bottle.fill_ml,
            count: bottle.count,
            pressure_limit_bar: bottle.pressure_limit_bar,
            headspace: bottle.headspace,
            fill_tolerance_ml: bottle.fill_tolerance_ml,
        },
        pilot: scenario.pilot.as_ref().map(|pilot| Pilot {
            material: pilot.material,
            capacity_ml: pilot.capacity_ml,
            fill_ml: pilot.fill_ml,
            dead_volume_ml: pilot.dead_volume_ml,
        }),
        target: Target {
            co2_volumes: scenario.target.co2_volumes,
            fridge_c: scenario.target.fridge_c,
        },
        sensors: scenario
            .sensors
            .iter()
            .map(|s| (s.quantity.name(), s.source.as_str()))
            .collect(),
        room: Room {
            expected_c: round(scenario.room.mean_c, 0.5),
        },
    };
    toml::to_string(&file).unwrap_or_else(|error| unreachable!("a batch file is plain TOML: {error}"))
}
