//! From TOML to a checked scenario, with all complaints at once.

use super::{
    Air, BadEntry, BadScenario, Bottles, Deed, Drink, Fault, Fridge, Gas, Happening, Leak, Pilot, Room,
    Scenario, Sensor, Starter, Target, Trouble, WarmSpell, section::Section,
};
use crate::bottle::{Cap, Material};
use crate::gas::Solubility;
use crate::quantity::{Quantity, Unit};
use jiff::Timestamp;
use toml::Table;

pub(super) fn scenario(text: &str) -> Result<Scenario, BadScenario> {
    let table: Table = match text.parse() {
        Ok(table) => table,
        Err(error) => {
            return Err(BadScenario(vec![BadEntry {
                key: "the file".to_owned(),
                given: format!("no TOML ({})", error.to_string().trim()),
                allowed: "TOML 1.0".to_owned(),
            }]));
        }
    };
    let mut problems = Vec::new();
    let scenario = whole(&table, &mut problems);
    if problems.is_empty() {
        Ok(scenario)
    } else {
        Err(BadScenario(problems))
    }
}

/// The faults of a table that holds nothing else, for these sensors.
pub(super) fn faults(table: &Table, sensors: &[Sensor]) -> Result<Vec<Fault>, BadScenario> {
    let mut problems = Vec::new();
    let mut root = Section::root(table);
    let found = root
        .tables("fault", &mut problems)
        .into_iter()
        .map(|section| fault(section, sensors, &mut problems))
        .collect();
    root.done(&mut problems);
    if problems.is_empty() {
        Ok(found)
    } else {
        Err(BadScenario(problems))
    }
}

const MATERIALS: &str = "\"glass\", \"pet\" or \"steel\"";

fn whole(table: &Table, p: &mut Vec<BadEntry>) -> Scenario {
    let mut root = Section::root(table);
    let sealed = root.text("bottled_at", "2026-03-02T07:00:00Z", 40, p);
    let bottled_at = sealed
        .parse::<Timestamp>()
        .ok()
        .filter(|at| (0..=7_258_118_400).contains(&at.as_second()));
    if bottled_at.is_none() {
        root.refuse(
            "bottled_at",
            &format!("{sealed:?}"),
            "an RFC 3339 time from 1970 to 2200",
            p,
        );
    }
    let bottle = bottles(root.table("bottle", p), p);
    let mut scenario = Scenario {
        title: root.text("title", "A batch without a description.", 400, p),
        name: root.text("name", "hibiscus 12", 80, p),
        culture_name: root.text("culture_name", "jar two", 80, p),
        bottled_at: bottled_at.unwrap_or(Timestamp::UNIX_EPOCH),
        lasts_h: root.number("lasts_h", 168.0, (1.0, 2400.0), p),
        drink: drink(root.table("drink", p), p),
        culture: starter(root.table("culture", p), p),
        pilot: root
            .table
            .is_some_and(|t| t.contains_key("pilot"))
            .then(|| pilot(root.table("pilot", p), &bottle, p)),
        bottle,
        target: target(root.table("target", p), p),
        gas: gas(root.table("gas", p), p),
        room: room(root.table("room", p), p),
        fridge: fridge(root.table("fridge", p), p),
        air: air(root.table("air", p), p),
        leak: root
            .table
            .is_some_and(|t| t.contains_key("leak"))
            .then(|| leak(root.table("leak", p), p)),
        events: root
            .tables("event", p)
            .into_iter()
            .map(|section| event(section, p))
            .collect(),
        sensors: root
            .tables("sensor", p)
            .into_iter()
            .map(|section| sensor(section, p))
            .collect(),
        faults: Vec::new(),
    };
    scenario.faults = root
        .tables("fault", p)
        .into_iter()
        .map(|section| fault(section, &scenario.sensors, p))
        .collect();
    root.asked.extend(["pilot", "leak"]);
    root.done(p);
    if scenario.drink.sucrose_g_per_l + scenario.drink.glucose_g_per_l + scenario.drink.fructose_g_per_l
        <= 0.0
    {
        p.push(BadEntry {
            key: "drink".to_owned(),
            given: "without sugar".to_owned(),
            allowed: "sucrose, glucose or fructose above 0".to_owned(),
        });
    }
    scenario
}

fn drink(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Drink {
    let sugar = (0.0, 300.0);
    let drink = Drink {
        sucrose_g_per_l: s.number("sucrose_g_per_l", 70.0, sugar, p),
        glucose_g_per_l: s.number("glucose_g_per_l", 0.0, sugar, p),
        fructose_g_per_l: s.number("fructose_g_per_l", 0.0, sugar, p),
        lactose_g_per_l: s.number("lactose_g_per_l", 0.0, sugar, p),
        culture_ml_per_l: s.number("culture_ml_per_l", 25.0, (0.0, 500.0), p),
        co2_volumes: s.number("co2_volumes", 0.0, (0.0, 2.0), p),
        abv_percent: s.number("abv_percent", 0.0, (0.0, 8.0), p),
        nitrogen_mg_per_l: s.number("nitrogen_mg_per_l", 30.0, (0.0, 500.0), p),
        temperature_c: s.number("temperature_c", 22.0, (1.0, 40.0), p),
    };
    s.done(p);
    drink
}

fn starter(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Starter {
    let starter = Starter {
        yeast_g_per_l: s.number("yeast_g_per_l", 2.5, (0.0, 100.0), p),
        bacteria_g_per_l: s.number("bacteria_g_per_l", 0.3, (0.0, 100.0), p),
        yeast_growth_per_h: s.number("yeast_growth_per_h", 0.12, (0.0, 0.6), p),
        yeast_uptake_g_per_g_h: s.number("yeast_uptake_g_per_g_h", 0.53, (0.0, 5.0), p),
        yeast_lag_h: s.number("yeast_lag_h", 10.0, (0.1, 500.0), p),
        yeast_decay_per_h: s.number("yeast_decay_per_h", 0.003, (0.0, 0.2), p),
        bacteria_growth_per_h: s.number("bacteria_growth_per_h", 0.12, (0.0, 0.8), p),
        bacteria_lag_h: s.number("bacteria_lag_h", 10.0, (0.1, 500.0), p),
        ceiling_percent: s.optional("ceiling_percent", (0.1, 20.0), p),
        ferments_lactose: s.yes("ferments_lactose", false, p),
        published: None,
    };
    s.done(p);
    starter
}

fn bottles(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Bottles {
    let capacity = s.number("capacity_ml", 500.0, (50.0, 20_000.0), p);
    let fill = s.number("fill_ml", 0.95 * capacity, (10.0, 20_000.0), p);
    if fill > 0.995 * capacity || fill < 0.3 * capacity {
        s.refuse("fill_ml", &fill.to_string(), "30 to 99.5 % of capacity_ml", p);
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the range is checked"
    )]
    let count = s.number("count", 8.0, (1.0, 200.0), p) as u32;
    let limit = s.optional("pressure_limit_bar", (0.1, 50.0), p);
    if limit.is_none() && s.table.is_none_or(|t| !t.contains_key("pressure_limit_bar")) {
        s.refuse(
            "pressure_limit_bar",
            "absent",
            "the figure of the bottle's maker, 0.1 to 50 bar",
            p,
        );
    }
    let bottles = Bottles {
        material: s.choice("material", MATERIALS, p).unwrap_or(Material::Glass),
        capacity_ml: capacity,
        fill_ml: fill,
        count,
        pressure_limit_bar: limit.unwrap_or(0.0),
        headspace: s
            .choice("headspace", "\"air\", \"purged\" or \"foam\"", p)
            .unwrap_or(Cap::Air),
        fill_tolerance_ml: s.number("fill_tolerance_ml", 0.01 * capacity, (0.0, 0.2 * capacity), p),
        dose_spread: s.number("dose_spread", 0.05, (0.0, 1.0), p),
    };
    s.done(p);
    bottles
}

fn pilot(mut s: Section<'_>, bottle: &Bottles, p: &mut Vec<BadEntry>) -> Pilot {
    let capacity = s.number("capacity_ml", bottle.capacity_ml, (50.0, 20_000.0), p);
    let fill = s.number("fill_ml", 0.95 * capacity, (10.0, 20_000.0), p);
    if fill > 0.995 * capacity || fill < 0.3 * capacity {
        s.refuse("fill_ml", &fill.to_string(), "30 to 99.5 % of capacity_ml", p);
    }
    let pilot = Pilot {
        material: s.choice("material", MATERIALS, p).unwrap_or(Material::Pet),
        capacity_ml: capacity,
        fill_ml: fill,
        dead_volume_ml: s.number("dead_volume_ml", 0.0, (0.0, 500.0), p),
    };
    s.done(p);
    pilot
}

fn target(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Target {
    let target = Target {
        co2_volumes: s.number("co2_volumes", 2.8, (0.1, 8.0), p),
        fridge_c: s.number("fridge_c", 4.0, (0.0, 15.0), p),
    };
    s.done(p);
    target
}

fn gas(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Gas {
    let gas = Gas {
        exchange_per_h: s.number("exchange_per_h", 0.15, (0.001, 20.0), p),
        solubility: s
            .choice("solubility", "\"weiss\" or \"carroll\"", p)
            .unwrap_or(Solubility::Weiss),
        henry_factor: s.number("henry_factor", 1.0, (0.8, 1.2), p),
        sugar_effect: s.number("sugar_effect", 0.10, (0.0, 0.25), p),
    };
    s.done(p);
    gas
}

fn room(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Room {
    let has_spell = s.table.is_some_and(|t| t.contains_key("warm_spell"));
    let room = Room {
        mean_c: s.number("mean_c", 21.0, (0.0, 40.0), p),
        swing_c: s.number("swing_c", 1.2, (0.0, 10.0), p),
        weather_c: s.number("weather_c", 0.6, (0.0, 5.0), p),
        follows_h: s.number("follows_h", 2.2, (0.1, 48.0), p),
        warm_spell: has_spell.then(|| {
            let mut t = s.table("warm_spell", p);
            let spell = WarmSpell {
                from_h: t.number("from_h", 0.0, (0.0, 2400.0), p),
                to_h: t.number("to_h", 24.0, (0.0, 2400.0), p),
                by_c: t.number("by_c", 6.0, (-15.0, 15.0), p),
            };
            t.done(p);
            spell
        }),
    };
    s.asked.insert("warm_spell");
    s.done(p);
    room
}

fn fridge(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Fridge {
    let fridge = Fridge {
        temperature_c: s.number("temperature_c", 4.0, (0.0, 15.0), p),
        cooling_h: s.number("cooling_h", 2.8, (0.1, 48.0), p),
    };
    s.done(p);
    fridge
}

fn air(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Air {
    let air = Air {
        mean_bar: s.number("mean_bar", 1.013, (0.5, 1.1), p),
        wander_bar: s.number("wander_bar", 0.008, (0.0, 0.03), p),
    };
    s.done(p);
    air
}

fn leak(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Leak {
    let leak = Leak {
        from_h: s.number("from_h", 0.0, (0.0, 2400.0), p),
        mol_per_h_per_bar: s.number("mol_per_h_per_bar", 2.0e-4, (0.0, 1.0), p),
    };
    s.done(p);
    leak
}

fn event(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Happening {
    let kinds = "\"moved_to_fridge\", \"taken_out\", \"vented\" or \"opened\"";
    if s.table.is_some_and(|t| !t.contains_key("kind")) {
        s.refuse("kind", "absent", kinds, p);
    }
    let event = Happening {
        at_h: s.number("at_h", 0.0, (0.0, 2400.0), p),
        kind: s.choice("kind", kinds, p).unwrap_or(Deed::Vented),
        noted: s.yes("noted", true, p),
    };
    s.done(p);
    event
}

fn sensor(mut s: Section<'_>, p: &mut Vec<BadEntry>) -> Sensor {
    let names: Vec<&str> = Quantity::ALL.iter().map(|q| q.name()).collect();
    if s.table.is_some_and(|t| !t.contains_key("quantity")) {
        s.refuse("quantity", "absent", names.join(", "), p);
    }
    let quantity = s
        .choice("quantity", &names.join(", "), p)
        .unwrap_or(Quantity::Pressure);
    let units: Vec<&str> = Unit::ALL
        .iter()
        .filter(|u| u.fits(quantity))
        .map(|u| u.symbol())
        .collect();
    let mut unit: Unit = s
        .choice("unit", &units.join(", "), p)
        .unwrap_or(quantity.usual_unit());
    if !unit.fits(quantity) {
        s.refuse(
            "unit",
            unit.symbol(),
            format!("for {}: {}", quantity.name(), units.join(", ")),
            p,
        );
        unit = quantity.usual_unit();
    }
    let source = s.text("source", "pilot", 80, p);
    if source.contains(['/', ',', '"']) {
        s.refuse(
            "source",
            &format!("{source:?}"),
            "a name without slash, comma and quote",
            p,
        );
    }
    let chance = (0.0, 1.0);
    let error = (-100.0, 100.0);
    let size = (0.0, 100.0);
    let time = (0.0, 2400.0);
    let sensor = Sensor {
        interval_s: s.number("interval_s", 300.0, (1.0, 86_400.0), p),
        offset: s.number("offset", 0.0, error, p),
        offset_spread: s.number("offset_spread", 0.0, size, p),
        gain: s.number("gain", 1.0, (0.5, 2.0), p),
        gain_spread: s.number("gain_spread", 0.0, (0.0, 0.2), p),
        drift_per_c: s.number("drift_per_c", 0.0, (-1.0, 1.0), p),
        noise: s.number("noise", 0.0, size, p),
        step: s.number("step", 0.0, size, p),
        outlier_chance: s.number("outlier_chance", 0.0, chance, p),
        outlier_size: s.number("outlier_size", 0.0, size, p),
        gaps_per_day: s.number("gaps_per_day", 0.0, (0.0, 100.0), p),
        gap_h: s.number("gap_h", 1.0, (0.0, 500.0), p),
        gap_delivers_later: s.yes("gap_delivers_later", false, p),
        duplicate_chance: s.number("duplicate_chance", 0.0, chance, p),
        late_chance: s.number("late_chance", 0.0, chance, p),
        late_min: s.number("late_min", 10.0, (0.0, 10_000.0), p),
        starts_h: s.number("starts_h", 0.0, time, p),
        stops_h: s.optional("stops_h", time, p),
        stuck_from_h: s.optional("stuck_from_h", time, p),
        stuck_for_h: s.number("stuck_for_h", 1.0e6, (0.0, 1.0e6), p),
        source,
        quantity,
        unit,
    };
    s.done(p);
    sensor
}

fn fault(mut s: Section<'_>, sensors: &[Sensor], p: &mut Vec<BadEntry>) -> Fault {
    let kinds = "\"stuck\", \"dying\", \"drift\", \"swapped\" or \"brownout\"";
    let has = |key: &str| s.table.is_some_and(|table| table.contains_key(key));
    let (has_kind, has_size, has_every, has_with) = (
        has("kind"),
        has("size"),
        has("every_h"),
        has("with_source") || has("with_quantity"),
    );
    if !has_kind {
        s.refuse("kind", "absent", kinds, p);
    }
    let kind = s.choice("kind", kinds, p).unwrap_or(Trouble::Stuck);
    let names: Vec<&str> = Quantity::ALL.iter().map(|q| q.name()).collect();
    let names = names.join(", ");
    let quantity: Option<Quantity> = s.choice("quantity", &names, p);
    let usual_h = match kind {
        Trouble::Dying => 24.0,
        Trouble::Brownout => 0.1,
        Trouble::Stuck | Trouble::Drift | Trouble::Swapped => 1.0e6,
    };
    let fault = Fault {
        kind,
        source: s.text("source", "pilot", 80, p),
        quantity,
        from_h: s.number("from_h", 0.0, (0.0, 2400.0), p),
        for_h: s.number("for_h", usual_h, (0.001, 1.0e6), p),
        size: s.optional("size", (-100.0, 100.0), p),
        every_h: s.optional("every_h", (0.01, 2400.0), p),
        with_source: s.text("with_source", "", 80, p),
        with_quantity: s.choice("with_quantity", &names, p),
    };
    let known = |source: &str, quantity: Option<Quantity>| {
        sensors
            .iter()
            .any(|sensor| sensor.source == source && quantity.is_none_or(|own| own == sensor.quantity))
    };
    let here: Vec<String> = sensors
        .iter()
        .map(|sensor| format!("{} {}", sensor.source, sensor.quantity.name()))
        .collect();
    let here = format!("a sensor of the scenario: {}", here.join(", "));
    if !known(&fault.source, fault.quantity) {
        s.refuse("source", &format!("{:?}", fault.source), here.clone(), p);
    }
    if has_size && !matches!(kind, Trouble::Drift | Trouble::Dying) {
        s.refuse("size", "given", "absent but for \"drift\" and \"dying\"", p);
    }
    if has_every && kind != Trouble::Brownout {
        s.refuse("every_h", "given", "absent but for \"brownout\"", p);
    }
    if fault.every_h.is_some_and(|every| every <= fault.for_h) {
        s.refuse("every_h", "not above for_h", "more than for_h", p);
    }
    if kind == Trouble::Swapped {
        let other = fault.with_quantity.or(quantity);
        if !known(&fault.with_source, other) {
            s.refuse("with_source", &format!("{:?}", fault.with_source), here, p);
        }
        let unit = |quantity: Option<Quantity>| quantity.map(Quantity::usual_unit);
        let alike = quantity.is_some() && unit(quantity) == unit(other);
        if !alike {
            s.refuse(
                "quantity",
                "absent, or measured in other units than with_quantity",
                "what both probes can measure",
                p,
            );
        }
    } else if has_with {
        s.refuse("with_source", "given", "absent but for \"swapped\"", p);
    }
    s.done(p);
    fault
}
