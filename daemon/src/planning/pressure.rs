//! What a batch file alone tells: sugar, pressure at the target, what the filling matters, and which change would help.

use fobwatch_core::{
    batch::Batch,
    forecast::Forecast,
    plan::Planner,
    quantity::{NotAQuantity, Temperature},
};

use super::{Asked, room::tenth};
use crate::wording::Units;

/// Yields differ by about so much: the share of the sugar within which nobody can tell whether it suffices (common practice, no source).
const AT_THE_EDGE: f64 = 0.05;

/// Whether it suffices, and what is left to taste. It never contradicts the day that the forecast tells.
pub(super) fn sugar(planner: &Planner<'_>, forecast: &Forecast) -> Result<String, NotAQuantity> {
    let budget = planner.sugar()?;
    let (usable, taken) = (budget.usable.grams_per_litre(), budget.taken.grams_per_litre());
    let missing = budget.missing.grams_per_litre();
    let reached = forecast.target_at.is_some_and(|when| when.p50.is_some());
    if taken > 0.0 && ((usable - taken).abs() <= AT_THE_EDGE * taken || (missing > 0.0 && reached)) {
        // So much that twice the doubt is covered.
        let sure = ((1.0 + 2.0 * AT_THE_EDGE) * taken - usable).ceil();
        return Ok(format!(
            "The sugar suffices only just, if it does: the target takes about {taken:.0} g/L, as table sugar, and there are {usable:.0}. \
             About {sure:.0} g/L more would make it sure; next to nothing is left to taste."
        ));
    }
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

/// At the move, at the warmest hour, and by how much bottles differ that are not filled alike.
pub(super) fn at_the_move(planner: &Planner<'_>, asked: &Asked<'_>) -> Result<Vec<String>, NotAQuantity> {
    let units = Units::from(asked.display);
    let batch = asked.batch;
    let (middle, warmest) = (asked.room.middle(), asked.room.warmest_hour());
    let usual = planner.at_target(Temperature::from_celsius(middle)?)?;
    let warm = planner.at_target(Temperature::from_celsius(warmest)?)?;
    let cold = planner.at_target(batch.target.fridge)?;
    let limit = units.limit(batch.bottle.pressure_limit);
    let mut said = vec![format!(
        "With your target in them the bottles stand at about {} in a room of {} degC, and at the warmest hour ({} degC) at {}; cold, in \
         the fridge, at {}. Your limit is {limit}.",
        units.pressure(usual.plain),
        tenth(middle),
        tenth(warmest),
        units.at_most(warm.plain),
        units.pressure(cold.plain),
    )];
    let more = 1e3 * batch.bottle.fill_tolerance.litres();
    if more >= 0.5 {
        let emptier = planner.at_target_filled_less(Temperature::from_celsius(warmest)?)?;
        said.push(format!(
            "Fill them alike: one filled {more:.0} mL more stands at {} in that hour, one filled {more:.0} mL less at {}; the fullest is \
             the one to fear.",
            units.at_most(warm.fullest),
            units.pressure(emptier),
        ));
    }
    if warm.fullest > batch.bottle.pressure_limit {
        said.push(beyond(planner, Temperature::from_celsius(warmest)?));
    }
    Ok(said)
}

/// What brings the target below the limit.
fn beyond(planner: &Planner<'_>, warm: Temperature) -> String {
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
    format!(
        "That is beyond your limit. What would bring it to the limit, by this reckoning: {}. Leave room below that. Another dose of \
         culture would not: it changes the day, not the pressure.",
        ways.join(", or ")
    )
}

/// Never rounded up.
fn down(value: f64, steps: f64) -> f64 {
    (value * steps).floor() / steps
}

/// What would keep even forgotten bottles below the limit.
pub(super) fn forgotten(planner: &Planner<'_>, batch: &Batch, warm: Temperature) -> Option<String> {
    let share = planner.sugar_share_forgotten(warm);
    if share.is_some_and(|share| share >= 1.0) {
        return None;
    }
    let sugar = batch.drink.sucrose.grams_per_litre()
        + batch.drink.hexose.grams_per_litre()
        + batch.drink.unfermentable.grams_per_litre();
    let less = share.map_or_else(
        || "no amount of sugar keeps forgotten bottles below your limit".to_owned(),
        |share| {
            format!(
                "forgotten bottles stay below your limit only with less than {:.0} % of the sugar, {:.0} g/L",
                down(100.0 * share, 1.0),
                down(share * sugar, 1.0),
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
