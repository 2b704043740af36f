//! The page on which a batch begins: the batch file as a form, and as the file itself.

use std::collections::BTreeMap;

use fobwatch_core::alert::sentence::zone_of;
use maud::{Markup, html};

use super::{
    Context,
    frame::{frame, refused},
    planned::by_label,
};

/// What was filled in, and what is wrong with it.
#[derive(Clone, Debug, Default)]
pub struct Begun {
    /// By the key of the batch file, as `bottle.fill_ml`; the whole file under `toml`.
    pub fields: BTreeMap<String, String>,
    /// By the same key: what stands there, and what is allowed.
    pub wrong: BTreeMap<String, String>,
    /// What belongs to no field.
    pub refused: Vec<String>,
    /// Sources that were heard, to choose from.
    pub sources: Vec<String>,
}

/// A field of the form.
struct Field {
    key: &'static str,
    label: &'static str,
    hint: &'static str,
    kind: Kind,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Words,
    Figure,
    Whole,
    Moment,
    Source,
}

const fn field(key: &'static str, kind: Kind, label: &'static str, hint: &'static str) -> Field {
    Field {
        key,
        label,
        hint,
        kind,
    }
}

const NAME: Field = field(
    "name",
    Kind::Words,
    "Name of the batch",
    "As you would say it: hibiscus 12",
);
const CULTURE: Field = field(
    "culture",
    Kind::Words,
    "Culture",
    "The name of your starter; leave it out if it has none",
);
const BOTTLED: Field = field("bottled_at", Kind::Moment, "When the last bottle was closed", "");
const BATCH: [Field; 3] = [NAME, CULTURE, BOTTLED];
const NAMED: [Field; 2] = [CULTURE, BOTTLED];
const DRINK: [Field; 4] = [
    field(
        "drink.sucrose_g_per_l",
        Kind::Figure,
        "Table sugar, grams per litre",
        "This or the next must be above 0",
    ),
    field(
        "drink.hexose_g_per_l",
        Kind::Figure,
        "Glucose and fructose, grams per litre",
        "Honey, fruit, syrup",
    ),
    field(
        "drink.unfermentable_g_per_l",
        Kind::Figure,
        "Lactose and the like, grams per litre",
        "",
    ),
    field(
        "drink.culture_ml_per_l",
        Kind::Figure,
        "Dose of the culture, mL per litre",
        "Leave it out if you do not know",
    ),
];
const BOTTLES: [Field; 3] = [
    field(
        "bottle.capacity_ml",
        Kind::Figure,
        "A bottle holds, brimful, mL",
        "",
    ),
    field("bottle.fill_ml", Kind::Figure, "Drink in it, mL", ""),
    field("bottle.count", Kind::Whole, "How many bottles", ""),
];
const LIMIT: [Field; 2] = [
    field(
        "bottle.pressure_limit_bar",
        Kind::Figure,
        "Your pressure limit, bar",
        "The figure of the bottles\u{2019} maker; there is no default. Without a printed or written rating do not use them.",
    ),
    field(
        "bottle.limit_source",
        Kind::Words,
        "Where that figure stands",
        "As: printed on the base",
    ),
];
const WISH: [Field; 2] = [
    field(
        "target.co2_volumes",
        Kind::Figure,
        "CO\u{2082} you want, volumes",
        "2 is light, 3 is brisk, 4 is much; common practice, no source",
    ),
    field("target.fridge_c", Kind::Figure, "Your fridge, \u{b0}C", ""),
];
const SENSORS: [Field; 3] = [
    field("sensors.pressure", Kind::Source, "Pressure", ""),
    field(
        "sensors.liquid_temperature",
        Kind::Source,
        "Temperature of the drink",
        "",
    ),
    field(
        "sensors.room_temperature",
        Kind::Source,
        "Temperature of the room",
        "",
    ),
];
const PILOT: [Field; 2] = [
    field(
        "pilot.capacity_ml",
        Kind::Figure,
        "It holds, brimful, mL",
        "Empty: as the others",
    ),
    field(
        "pilot.fill_ml",
        Kind::Figure,
        "Drink in it, mL",
        "Empty: as the others",
    ),
];

/// Every key that the form has a field for.
pub(crate) fn keys() -> impl Iterator<Item = &'static str> {
    let with_figures = [&BATCH[..], &DRINK, &BOTTLES, &LIMIT, &WISH, &SENSORS, &PILOT];
    let fields = with_figures.into_iter().flatten().map(|field| field.key);
    fields.chain(["bottle.material", "pilot.material"])
}

/// Whether what stands in the field is written as a number.
pub(crate) fn is_number(key: &str) -> bool {
    let all = [&DRINK[..], &BOTTLES, &LIMIT, &WISH, &PILOT];
    all.into_iter()
        .flatten()
        .any(|field| field.key == key && matches!(field.kind, Kind::Figure | Kind::Whole))
}

pub(super) fn document(begun: &Begun, context: &Context) -> Markup {
    let asked = Asked {
        address: "/batches/new",
        not_done: "Not begun.",
        batch: &BATCH,
        button: "Watch this batch",
        of_file: "Watch the batch of this file",
    };
    let inside = html! {
        p class="soft" { "Bottles can burst. Use only bottles made for fizzy drinks whose maker states a pressure." }
        (forms(begun, &asked, context))
    };
    frame("A new batch", context, &inside)
}

/// What the two forms are for.
pub(super) struct Asked<'a> {
    pub(super) address: &'a str,
    pub(super) not_done: &'a str,
    batch: &'a [Field],
    pub(super) button: &'a str,
    pub(super) of_file: &'a str,
}

impl<'a> Asked<'a> {
    /// For a batch that has its name.
    pub(super) const fn of_a_named(
        address: &'a str,
        not_done: &'a str,
        button: &'a str,
        of_file: &'a str,
    ) -> Self {
        Self {
            address,
            not_done,
            batch: &NAMED,
            button,
            of_file,
        }
    }
}

/// The batch file as a form, and as the file itself.
pub(super) fn forms(begun: &Begun, asked: &Asked<'_>, context: &Context) -> Markup {
    let fields = |fields: &[Field]| {
        html! { @for field in fields { (input(field, begun, context)) } }
    };
    let own = begun.fields.contains_key("pilot.material");
    let toml = begun.fields.get("toml").map_or("", String::as_str);
    html! {
        (refused(asked.not_done, &begun.refused))
        @if !begun.wrong.is_empty() {
            p class="press" role="alert" { strong { (asked.not_done) " " } "What has to be mended stands beside its field." }
        }
        form class="tell wide" method="post" action=(asked.address) {
            fieldset { legend { "The batch" } (fields(asked.batch)) }
            fieldset { legend { "What is in a bottle when it is closed" } (fields(&DRINK)) }
            fieldset {
                legend { "The bottles" }
                (material("bottle.material", begun))
                (fields(&BOTTLES))
                (fields(&LIMIT))
            }
            fieldset { legend { "What you want" } (fields(&WISH)) }
            fieldset {
                legend { "Which sensor is whose" }
                p class="soft" { "The name under which each sends. Leave out what you have not got." }
                @if !begun.sources.is_empty() {
                    datalist id="heard" { @for source in &begun.sources { option value=(source) {} } }
                }
                (fields(&SENSORS))
                label class="check" {
                    input type="checkbox" name="pilot.material" value="plastic" checked[own];
                    span { "The gauge sits on a plastic bottle of its own, the pilot" }
                }
                p class="soft" { "Never fit a gauge to glass. The pilot tells about itself; the glass may be ahead of it." }
                (fields(&PILOT))
            }
            button { (asked.button) }
        }
        form class="tell wide" method="post" action=(asked.address) {
            fieldset {
                legend { "Or as a batch file" }
                label for="toml" { "The text of the file, all keys allowed" }
                textarea id="toml" name="toml" rows="14" spellcheck="false" required { (toml) }
                button class="quiet" { (asked.of_file) }
            }
        }
    }
}

/// The batch is watched, but something of it should be thought about.
pub(super) fn warned(name: &str, slug: &str, warnings: &[String], context: &Context) -> Markup {
    frame(
        &format!("{name} is watched from now on"),
        context,
        &html! {
            p { "Think about this before you rely on it:" }
            ul { @for warning in warnings { li { (by_label(warning)) } } }
            p { a class="more" href={ "/#batch-" (slug) } { "To " (name) } }
        },
    )
}

fn input(field: &Field, begun: &Begun, context: &Context) -> Markup {
    let value = begun.fields.get(field.key).map(String::as_str);
    let id = field.key.replace('.', "-");
    let hint = match field.kind {
        Kind::Moment => {
            let zone = &context.display.zone;
            let now = context.clock().local(context.now);
            let called = zone.iana_name().map_or_else(|| zone_of(&now), str::to_owned);
            format!("Local time, {called}")
        }
        _ => field.hint.to_owned(),
    };
    let mode = match field.kind {
        Kind::Figure => "decimal",
        Kind::Whole => "numeric",
        _ => "text",
    };
    let wrong = begun.wrong.get(field.key);
    let told = match (wrong, hint.is_empty()) {
        (Some(_), true) => Some(format!("{id}-wrong")),
        (Some(_), false) => Some(format!("{id}-wrong {id}-hint")),
        (None, false) => Some(format!("{id}-hint")),
        (None, true) => None,
    };
    html! {
        div class={ "field" @if wrong.is_some() { " bad" } } {
            label for=(id) { (field.label) }
            @if !hint.is_empty() { p class="soft hint" id={ (id) "-hint" } { (hint) } }
            input id=(id) name=(field.key) value=[value] inputmode=(mode) maxlength="200" autocomplete="off"
                type={ @if field.kind == Kind::Moment { "datetime-local" } @else { "text" } }
                list=[(field.kind == Kind::Source && !begun.sources.is_empty()).then_some("heard")]
                aria-invalid=[wrong.map(|_| "true")] aria-describedby=[told];
            @if let Some(wrong) = wrong { p class="why" id={ (id) "-wrong" } { (wrong) } }
        }
    }
}

fn material(key: &str, begun: &Begun) -> Markup {
    let chosen = begun.fields.get(key).map_or("", String::as_str);
    html! {
        div class="words" role="radiogroup" aria-label="They are of" {
            span class="soft" { "They are of" }
            @for (value, words) in [("glass", "glass"), ("plastic", "plastic"), ("steel", "steel")] {
                label { input type="radio" name=(key) value=(value) checked[chosen == value]; " " (words) }
            }
        }
        @if let Some(wrong) = begun.wrong.get(key) { p class="why" { (wrong) } }
    }
}
