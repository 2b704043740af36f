//! What a small seller keeps of a lot: who, when, what, numbers, moves, measured content.

use fobwatch_core::{note::NoteKind, quantity::CultureDose};
use jiff::Timestamp;
use serde::Serialize;

use super::Facts;
use crate::wording::local;

/// The record of one lot.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Lot {
    record: &'static str,
    batch: String,
    lot: Option<String>,
    made_by: Option<String>,
    bottled_at: Timestamp,
    bottles: u32,
    fill_ml: f64,
    pressure_limit_bar: f64,
    ph: Option<f64>,
    culture: Option<String>,
    culture_ml_per_l: Option<f64>,
    ingredients: Vec<Of>,
    steps: Vec<String>,
    allergens: Vec<String>,
    moves: Vec<Happened>,
    measured: Vec<Happened>,
    estimate: Option<Estimate>,
    caution: &'static str,
}

#[derive(Clone, Debug, Serialize)]
struct Of {
    name: String,
    grams: f64,
    lot: Option<String>,
}

#[derive(Clone, Debug, Serialize)]
struct Happened {
    time: Timestamp,
    kind: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    bottles: Option<Vec<u32>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
}

#[derive(Clone, Debug, Serialize)]
struct Estimate {
    at: Timestamp,
    co2_volumes: [f64; 3],
    abv_percent: [f64; 3],
}

const CAUTION: &str = "A record for whoever made it. It claims no compliance with any rule; the estimates are no test for a label or an \
                       authority.";

/// What is known of the lot.
pub(crate) fn record(facts: &Facts) -> Lot {
    let batch = &facts.batch;
    let (mut moves, mut measured) = (Vec::new(), Vec::new());
    let mut notes: Vec<_> = facts.notes.iter().collect();
    notes.sort_by_key(|note| note.at);
    for note in notes {
        let happened = Happened {
            time: note.at,
            kind: note.kind.name(),
            bottles: note.bottles.clone(),
            value: note.value,
            unit: note.unit.clone(),
            text: note.text.clone(),
        };
        match note.kind {
            NoteKind::Gravity
            | NoteKind::Gauge
            | NoteKind::Squeezed
            | NoteKind::Tasted
            | NoteKind::Opened => {
                measured.push(happened);
            }
            NoteKind::MovedToFridge
            | NoteKind::TakenOut
            | NoteKind::Vented
            | NoteKind::GivenAway
            | NoteKind::Broken => moves.push(happened),
            NoteKind::Corrected | NoteKind::Confirmed | NoteKind::Other | NoteKind::TakenBack => {}
        }
    }
    let (alcohol, recipe) = (facts.alcohol, facts.recipe.as_ref());
    Lot {
        record: "lot",
        batch: batch.name.to_string(),
        lot: recipe.and_then(|recipe| recipe.lot.clone()),
        made_by: recipe.and_then(|recipe| recipe.made_by.clone()),
        bottled_at: batch.bottled_at,
        bottles: batch.bottle.count,
        fill_ml: batch.bottle.fill.ml(),
        pressure_limit_bar: batch.bottle.pressure_limit.bar(),
        ph: batch.drink.ph,
        culture: batch.culture.as_ref().map(ToString::to_string),
        culture_ml_per_l: batch.drink.culture_dose.map(CultureDose::ml_per_l),
        ingredients: recipe
            .into_iter()
            .flat_map(|recipe| &recipe.ingredients)
            .map(|one| Of {
                name: one.name.clone(),
                grams: one.mass.grams(),
                lot: one.lot.clone(),
            })
            .collect(),
        steps: recipe.map(|recipe| recipe.steps.clone()).unwrap_or_default(),
        allergens: facts.allergens.clone(),
        moves,
        measured,
        estimate: facts.forecast.as_ref().map(|forecast| Estimate {
            at: forecast.at,
            co2_volumes: [forecast.co2.p05, forecast.co2.p50, forecast.co2.p95].map(|co2| co2.volumes()),
            abv_percent: [alcohol.p05, alcohol.p50, alcohol.p95].map(|abv| abv.percent()),
        }),
        caution: CAUTION,
    }
}

impl Lot {
    /// The same as lines of text.
    pub(crate) fn lines(&self, facts: &Facts) -> Vec<String> {
        let unknown = || "not written down".to_owned();
        let time = |at: Timestamp| local(at, &facts.zone);
        let mut said = vec![
            format!("Lot record of {}", self.batch),
            format!("Lot: {}", self.lot.clone().unwrap_or_else(unknown)),
            format!("Made by: {}", self.made_by.clone().unwrap_or_else(unknown)),
            format!("Sealed: {}", time(self.bottled_at)),
            format!(
                "Bottles: {} with {:.0} mL each; pressure limit entered: {:.1} bar",
                self.bottles, self.fill_ml, self.pressure_limit_bar
            ),
            format!(
                "pH at sealing: {}",
                self.ph.map_or_else(unknown, |ph| format!("{ph:.1}"))
            ),
            match self.culture_ml_per_l {
                Some(dose) => format!(
                    "Culture: {}, {dose} mL/L",
                    self.culture.clone().unwrap_or_else(unknown)
                ),
                None => format!("Culture: {}", self.culture.clone().unwrap_or_else(unknown)),
            },
        ];
        said.push(super::words::allergens(facts));
        said.push("Ingredients:".to_owned());
        said.extend(self.ingredients.iter().map(|one| {
            let lot = one
                .lot
                .as_ref()
                .map_or_else(String::new, |lot| format!(", lot {lot}"));
            format!("  {}: {} g{lot}", one.name, super::words::figure(one.grams))
        }));
        if self.ingredients.is_empty() {
            said.push("  not written down".to_owned());
        }
        for (head, list) in [("Moves:", &self.moves), ("Measured and tasted:", &self.measured)] {
            said.push(head.to_owned());
            said.extend(list.iter().map(|one| one.line(&time)));
            if list.is_empty() {
                said.push("  nothing noted".to_owned());
            }
        }
        if let Some(estimate) = &self.estimate {
            let [low, middle, high] = estimate.co2_volumes;
            said.push(format!(
                "Estimated content on {}: {middle:.2} volumes of CO2 (between {low:.2} and {high:.2})",
                time(estimate.at)
            ));
            let [low, middle, high] = estimate.abv_percent;
            said.push(format!(
                "Estimated alcohol then: {middle:.1} % (between {low:.1} and {high:.1})"
            ));
        }
        said.push(self.caution.to_owned());
        said
    }
}

impl Happened {
    fn line(&self, time: &dyn Fn(Timestamp) -> String) -> String {
        let bottles = match &self.bottles {
            Some(numbers) => {
                let numbers: Vec<String> = numbers.iter().map(ToString::to_string).collect();
                format!(", bottles {}", numbers.join(", "))
            }
            None => String::new(),
        };
        let value = match (self.value, &self.unit) {
            (Some(value), Some(unit)) => format!(", {value} {unit}"),
            _ => String::new(),
        };
        let text = self
            .text
            .as_ref()
            .map_or_else(String::new, |text| format!(", \u{201c}{text}\u{201d}"));
        format!(
            "  {}: {}{bottles}{value}{text}",
            time(self.time),
            self.kind.replace('_', " ")
        )
    }
}
