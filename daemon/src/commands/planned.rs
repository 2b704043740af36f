//! What `plan` says of sugar, pressure at the target, changes that help, and the pilot.

use fobwatch_core::{
    batch::{Batch, Material},
    plan::Planner,
    quantity::{AbsolutePressure, NotAQuantity, Temperature},
};

use crate::{
    config::Display,
    page::{Units, plain},
};

/// Sentences for bottles that stand in a room of at most `warmest` degC.
///
/// # Errors
/// A figure lies outside the range of its type.
pub(super) fn of(
    batch: &Batch,
    warmest: f64,
    ambient: AbsolutePressure,
    display: &Display,
) -> Result<Vec<String>, NotAQuantity> {
    let units = Units::from(display);
    let warm = Temperature::from_celsius(warmest)?;
    let planner = Planner::new(batch, ambient, warm);
    let mut said = vec![sugar(&planner)?];

    let limit = batch.bottle.pressure_limit;
    let there = planner.at_target(warm)?;
    said.push(format!(
        "With your target in them the bottles stand at about {} at {warmest:.0} degC, and one filled {:.0} mL more at {}; your \
         limit is {}.",
        units.pressure(there.plain),
        1e3 * batch.bottle.fill_tolerance.litres(),
        units.at_most(there.fullest),
        units.limit(limit),
    ));
    if there.fullest > limit {
        let mut ways = Vec::new();
        if let Some(target) = planner.largest_target(warm) {
            ways.push(format!(
                "a target of at most {:.2} volumes",
                down(target.volumes(), 100.0)
            ));
        }
        if let Some(place) = planner.warmest_place(warm) {
            ways.push(format!(
                "a place that never gets warmer than {:.0} degC",
                place.celsius().floor()
            ));
        }
        ways.push("bottles that bear more".to_owned());
        said.push(format!(
            "That is beyond your limit. What would bring it to the limit, by this reckoning: {}. Leave room below that.",
            ways.join(", or ")
        ));
    }
    said.extend(forgotten(&planner, batch, warm));
    said.push(pilot(batch));
    Ok(said.iter().map(|sentence| plain(sentence)).collect())
}

/// Never rounded up.
fn down(value: f64, steps: f64) -> f64 {
    (value * steps).floor() / steps
}

fn sugar(planner: &Planner<'_>) -> Result<String, NotAQuantity> {
    let budget = planner.sugar()?;
    let (usable, taken) = (budget.usable.grams_per_litre(), budget.taken.grams_per_litre());
    let missing = budget.missing.grams_per_litre();
    if missing > 0.0 {
        return Ok(format!(
            "The sugar does not suffice: the target takes about {taken:.0} g/L, as table sugar, and there are {usable:.0}. About \
             {:.0} g/L more would do, and nothing of it would be left to taste.",
            missing.ceil()
        ));
    }
    let unfermentable = budget.unfermentable.grams_per_litre();
    let beside = if unfermentable > 0.0 {
        format!(", beside {unfermentable:.0} g/L that the usual yeast does not use")
    } else {
        String::new()
    };
    Ok(format!(
        "The sugar suffices: the target takes about {taken:.0} of {usable:.0} g/L, as table sugar, and about {:.0} g/L of sweetness \
         remains{beside}.",
        budget.left.grams_per_litre()
    ))
}

/// What would keep even forgotten bottles below the limit.
fn forgotten(planner: &Planner<'_>, batch: &Batch, warm: Temperature) -> Option<String> {
    let share = planner.sugar_share_forgotten(warm);
    if share.is_some_and(|share| share >= 1.0) {
        return None;
    }
    let less = share.map_or_else(
        || "no amount of sugar keeps forgotten bottles below your limit".to_owned(),
        |share| {
            format!(
                "forgotten bottles stay below your limit only with less than {:.0} % of the sugar",
                down(100.0 * share, 1.0)
            )
        },
    );
    let fill = planner.most_fill_forgotten(warm).map_or_else(
        || "no headspace up to half the bottle makes up for it".to_owned(),
        |fill| {
            format!(
                "or with at most {:.0} mL in each instead of {:.0}",
                (1e3 * fill.litres()).floor(),
                1e3 * batch.bottle.fill.litres()
            )
        },
    );
    Some(format!(
        "Should all sugar be used, lactose too, {less}; {fill}. So they must not be forgotten."
    ))
}

fn pilot(batch: &Batch) -> String {
    let own = batch.sensor_vessel().material;
    let which = match own {
        Material::Pet => "Your pilot is of plastic, as it should be:",
        Material::Glass | Material::Steel => {
            "Take a new plastic bottle made for fizzy drinks as the pilot, never glass:"
        }
    };
    format!(
        "{which} screw the gauge onto its cap before filling, fill it as the others from the middle of the filling, and stand it \
         among them in the same crate. It tells about its own bottle; the glass may be ahead of it."
    )
}
