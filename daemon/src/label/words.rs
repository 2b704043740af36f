//! The sentences of a label and of a shelf card.

use fobwatch_core::quantity::LiquidVolume;

use super::Facts;

/// What it hangs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A bottle: short.
    Label,
    /// A shelf, for whoever takes a bottle from it.
    Card,
}

/// Heading and sentences, in the order of a label.
pub(crate) fn lines(facts: &Facts, kind: Kind) -> (String, Vec<String>) {
    let mut said = Vec::new();
    if facts.demo {
        said.push("Demo: made up, no real bottle.".to_owned());
    }
    said.push(made_with(facts, kind));
    said.push(allergens(facts));
    let lot = facts.recipe.as_ref().and_then(|recipe| recipe.lot.as_ref());
    let bottled = facts.day(facts.batch.bottled_at);
    said.push(match lot {
        Some(lot) => format!("Bottled {bottled}. Lot {lot}."),
        None => format!("Bottled {bottled}."),
    });
    said.push(fizz(facts));
    said.push(match kind {
        Kind::Label => "Alive and under pressure: keep it in the fridge. Open it cold and slowly, away from faces; do not shake it, leave \
                        it in the warm, freeze or heat it."
            .to_owned(),
        Kind::Card => format!(
            "Alive and under pressure: bottles can burst. Keep them at about {:.0} \u{b0}C, away from children and sun; in the warm the \
             pressure goes on rising, and the fridge only slows it. Carry them upright and gently. Open cold, over a sink, slowly, away \
             from faces; do not shake, freeze or heat. A bottle that was left in the warm is not to be opened or moved: ask whoever made \
             it.",
            facts.batch.target.fridge.celsius()
        ),
    });
    said.push(alcohol(facts));
    if facts.honey() {
        said.push("Holds honey: not for infants under one year.".to_owned());
    }
    said.push("All figures are estimates, no test for a label or an authority.".to_owned());
    (facts.batch.name.to_string(), said)
}

fn made_with(facts: &Facts, kind: Kind) -> String {
    let culture = facts.batch.culture.as_ref().map_or_else(
        || "live culture".to_owned(),
        |culture| format!("live culture ({culture})"),
    );
    let Some(recipe) = &facts.recipe else {
        return format!(
            "Made with water, sugar and {culture}; what else is in it was not written down: ask whoever made it."
        );
    };
    let litres = recipe.drink().map_or(1.0, LiquidVolume::litres);
    let mut ingredients: Vec<(&str, f64)> = recipe
        .ingredients
        .iter()
        .map(|one| (one.name.as_str(), one.mass.grams()))
        .collect();
    // What is left of the volume is water, as near as a label needs it.
    let water = 1_000.0 * litres - ingredients.iter().map(|(_, grams)| grams).sum::<f64>();
    let named = ingredients
        .iter()
        .any(|(name, _)| name.to_lowercase().starts_with("water"));
    if !named && water > 50.0 * litres {
        ingredients.push(("water", water));
    }
    // The heaviest first, as is usual on labels.
    ingredients.sort_by(|a, b| b.1.total_cmp(&a.1));
    let named: Vec<String> = ingredients
        .iter()
        .map(|(name, grams)| match kind {
            Kind::Card if *name != "water" => format!("{name} ({} g/L)", figure(grams / litres)),
            Kind::Card | Kind::Label => (*name).to_owned(),
        })
        .collect();
    format!("Made with {} and {culture}.", named.join(", "))
}

/// Two digits that count.
pub(super) fn figure(value: f64) -> String {
    if value >= 10.0 {
        format!("{value:.0}")
    } else {
        format!("{value:.1}")
    }
}

pub(super) fn allergens(facts: &Facts) -> String {
    match (facts.allergens.as_slice(), facts.culture_told) {
        ([], true) => "Allergens: none was noted. Who must be sure asks whoever made it.".to_owned(),
        ([], false) => {
            "Allergens: nothing is known of the culture, which may have been fed barley, rye or whey. Ask whoever made it.".to_owned()
        }
        (some, true) => format!("Allergens: {}.", some.join(", ")),
        (some, false) => format!(
            "Allergens: {}; nothing is known of the culture, which may hold more (barley, rye, whey).",
            some.join(", ")
        ),
    }
}

fn fizz(facts: &Facts) -> String {
    let co2 = facts.co2;
    if facts.reached {
        format!(
            "Fizz: about {:.1} volumes of CO2 (between {:.1} and {:.1}).",
            co2.p50.volumes(),
            co2.p05.volumes(),
            co2.p95.volumes()
        )
    } else {
        format!(
            "Fizz: meant for {:.1} volumes of CO2; not there yet.",
            facts.batch.target.co2.volumes()
        )
    }
}

fn alcohol(facts: &Facts) -> String {
    let [low, middle, high] = [facts.alcohol.p05, facts.alcohol.p50, facts.alcohol.p95]
        .map(fobwatch_core::quantity::AlcoholByVolume::percent);
    let when = if facts.reached {
        ""
    } else {
        " once it is as fizzy as meant"
    };
    let line = crate::legal::lines([low, middle, high]).map_or_else(String::new, |line| format!(" {line}"));
    format!(
        "Holds alcohol: about {middle:.1} % vol{when} (estimate, {low:.1} to {high:.1}), more the longer and warmer it stands.{line} Not for \
         children, in pregnancy, with some medicines, before driving, or for those who abstain."
    )
}
