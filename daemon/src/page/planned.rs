//! The page on which a batch is planned, and put under watch: one form, answered with sentences.

use std::collections::BTreeMap;

use fobwatch_core::{batch::Warning, quantity::GaugePressure, recipe::SugarKind};
use maud::{Markup, PreEscaped, html};

use super::{Units, amount::capital, craft};
use crate::{
    config::Display,
    planning::{Day, FORGOTTEN, Planned, form, form::Refused},
};

/// What somebody typed, by the names of the fields.
pub(crate) type Typed = BTreeMap<String, String>;

/// What came of it.
#[derive(Debug)]
pub(crate) enum Answer {
    /// Nothing was asked yet.
    Nothing,
    /// It cannot be planned so: every problem.
    Wrong(Vec<Refused>),
    /// The plan, the batch file that it is of, and what should be thought about.
    Plan(Box<Planned>, String, Vec<Warning>),
}

/// `sources`: names of sensors that were heard.
pub(super) fn document(
    typed: &Typed,
    answer: &Answer,
    sources: &[String],
    display: &Display,
    demo: bool,
) -> Markup {
    let zone = display.zone.iana_name().unwrap_or("the zone of this machine");
    craft::document(
        "Plan a batch",
        demo,
        &html! {
            h1 { "What would become of it?" }
            p class="soft" {
                "Fill in what you mean to bottle. Nothing is kept until you put it under watch, and nothing is guessed for your bottles: the \
                 pressure limit is the figure of their maker. Times are local: " (zone) "."
            }
            @match answer {
                Answer::Nothing => {},
                Answer::Wrong(problems) => div class="press" role="alert" {
                    p {
                        strong { "It cannot be planned so." }
                        @if problems.iter().any(|problem| problem.field.is_some()) { " What has to be mended stands beside its field." }
                    }
                    @if problems.iter().any(|problem| problem.field.is_none()) {
                        ul { @for problem in problems.iter().filter(|problem| problem.field.is_none()) { li { (by_label(&problem.why)) } } }
                    }
                },
                Answer::Plan(planned, toml, warnings) => {
                    p { a class="more" href="#form" { "Change what you filled in" } }
                    @if !warnings.is_empty() {
                        div class="press" role="alert" {
                            p { strong { "Think about this first." } }
                            ul { @for warning in warnings {
                                @let told = by_label(&warning.to_string());
                                li { (craft::sentence(&told)) @if !told.ends_with('?') { "." } }
                            } }
                        }
                    }
                    (told(planned, toml, Units::from(display)))
                },
            }
            (form(&Filled { typed, wrong: if let Answer::Wrong(wrong) = answer { wrong } else { &[] } }, sources))
        },
    )
}

fn told(planned: &Planned, toml: &str, units: Units) -> Markup {
    html! {
        @for (place, part) in planned.parts.iter().enumerate() {
            section {
                h2 { (part.heading) }
                @for (first, sentence) in part.said.iter().enumerate() {
                    p class=[(place == 0 && first == 0).then_some("press")] { (craft::sentence(sentence)) }
                }
                @if part.heading == FORGOTTEN { (days(&planned.course, planned.limit, units)) }
            }
        }
        section {
            h2 { "Bottled it?" }
            p { "Once the last bottle is closed, put it under watch. If that is not when you said, change it first." }
            form class="tap" method="post" action="/plan/watch" {
                input type="hidden" name="toml" value=(toml);
                button { "I have filled them: watch this batch" }
            }
            details { summary { "Its batch file" } pre { code { (toml) } } }
        }
    }
}

/// Day by day.
fn days(course: &[Day], limit: GaugePressure, units: Units) -> Markup {
    let cell = |pressure: GaugePressure, told: String| {
        html! {
            td class="value" {
                @if pressure >= limit { strong class="danger" { "Danger: " (told) } } @else { (told) }
            }
        }
    };
    html! {
        table {
            thead { tr {
                th scope="col" { "Days in the room" }
                th scope="col" { "CO\u{2082}, volumes" }
                th scope="col" { "Fullest bottle" }
                th scope="col" { "One in twenty above" }
                th scope="col" { "Alcohol" }
            } }
            tbody {
                @for day in course {
                    tr {
                        td { (day.days) }
                        td { (format!("{:.1}", day.co2.p50.volumes())) }
                        (cell(day.pressure.p50, units.pressure(day.pressure.p50)))
                        (cell(day.pressure.p95, units.at_most(day.pressure.p95)))
                        td class="value" { (format!("{:.1} %", day.alcohol[0].percent())) }
                    }
                }
            }
        }
    }
}

struct Field {
    name: &'static str,
    label: &'static str,
    /// Type of the input, and its step.
    kind: &'static str,
    hint: &'static str,
    required: bool,
}

const fn number(name: &'static str, label: &'static str, hint: &'static str, required: bool) -> Field {
    Field {
        name,
        label,
        kind: "number",
        hint,
        required,
    }
}

const fn text(name: &'static str, label: &'static str, hint: &'static str, required: bool) -> Field {
    Field {
        name,
        label,
        kind: "text",
        hint,
        required,
    }
}

const fn moment(name: &'static str, label: &'static str, required: bool) -> Field {
    Field {
        name,
        label,
        kind: "datetime-local",
        hint: "",
        required,
    }
}

const BATCH: [Field; 4] = [
    text("name", "Its name", "hibiscus 12", true),
    text(
        "culture",
        "The culture, by the name you give it",
        "jar two",
        false,
    ),
    moment("bottled_at", "The last bottle is closed", true),
    text("experiment", "Part of an experiment", "which day", false),
];
const DRINK: [Field; 3] = [
    number("sucrose_g_per_l", "Table sugar, g per litre", "60", false),
    number(
        "hexose_g_per_l",
        "Glucose and fructose (honey, fruit), g per litre",
        "20",
        false,
    ),
    number("culture_ml_per_l", "Culture, mL per litre", "25", false),
];
const MORE_OF_DRINK: [Field; 5] = [
    number(
        "unfermentable_g_per_l",
        "Lactose and the like, g per litre",
        "15",
        false,
    ),
    number("co2_volumes", "Already fizzy, volumes", "0.3", false),
    number("abv_percent", "Alcohol already in it, %", "0.1", false),
    number(
        "alcohol_ceiling_percent",
        "The culture gives up at, % of alcohol, if truly known",
        "2",
        false,
    ),
    number("ph", "pH, measured", "3.6", false),
];
const BOTTLE: [Field; 4] = [
    number("capacity_ml", "Brimful, mL", "500", true),
    number("fill_ml", "Drink in each, mL", "475", true),
    number("count", "How many", "8", false),
    number(
        "pressure_limit_bar",
        "Pressure limit of their maker, bar",
        "",
        true,
    ),
];
const MORE_OF_BOTTLE: [Field; 2] = [
    text(
        "limit_source",
        "Where the limit stands",
        "printed on the base",
        false,
    ),
    number("fill_tolerance_ml", "You fill to within, mL", "5", false),
];
const WISH: [Field; 6] = [
    number("target_volumes", "Fizz wanted, volumes", "2.8", true),
    number("fridge_c", "The fridge, \u{b0}C", "4", true),
    number("room_low_c", "The room at its coolest, \u{b0}C", "18", false),
    number("room_high_c", "The room at its warmest, \u{b0}C", "23", false),
    moment("ready", "To be drunk", false),
    moment("home", "Nobody at home until", false),
];

const SENSORS: [Field; 3] = [
    text("pressure", "Pressure", "pilot", false),
    text("liquid_temperature", "Temperature of the drink", "pilot", false),
    text("room_temperature", "Temperature of the room", "kitchen", false),
];

const PILOT: [Field; 3] = [
    number(
        "pilot_capacity_ml",
        "It holds, brimful, mL; empty: as the others",
        "500",
        false,
    ),
    number(
        "pilot_fill_ml",
        "Drink in it, mL; empty: as the others",
        "475",
        false,
    ),
    number("dead_volume_ml", "Gas space of the gauge on it, mL", "10", false),
];

const RECIPE: [Field; 3] = [
    number(
        "recipe_makes_ml",
        "The ingredients make, mL, before any dilution",
        "1000",
        false,
    ),
    text(
        "recipe_dilution",
        "Diluted, parts of syrup to parts of water; empty: straight",
        "1:3",
        false,
    ),
    text("recipe_lot", "Lot", "12 A", false),
];

/// What was typed, and what is wrong with it.
struct Filled<'a> {
    typed: &'a Typed,
    wrong: &'a [Refused],
}

impl Filled<'_> {
    fn given(&self, name: &str) -> &str {
        self.typed.get(name).map_or("", String::as_str)
    }

    /// Why a field is refused.
    fn why<'b>(&'b self, name: &'b str) -> impl Iterator<Item = &'b str> {
        let own = self
            .wrong
            .iter()
            .filter(move |refused| refused.field == Some(name));
        own.map(|refused| refused.why.as_str())
    }

    /// Something stands there, or is wrong with it.
    fn is_used(&self, name: &str) -> bool {
        !self.given(name).trim().is_empty() || self.why(name).next().is_some()
    }
}

fn form(typed: &Filled<'_>, sources: &[String]) -> Markup {
    let given = |name: &str| typed.given(name);
    html! {
        form class="tell plan" id="form" method="get" action="/plan" {
            (group("The batch", &BATCH, typed, &html! {}))
            (group("What is in it", &DRINK, typed, &html! {
                (more("Less usual: lactose, already fizzy, alcohol, pH", &MORE_OF_DRINK, typed, &html! {}))
                (recipe(typed))
            }))
            (group("The bottles", &BOTTLE, typed, &html! {
                (choice("material", "They are of", &[("glass", "glass"), ("plastic", "plastic"), ("steel", "steel")], given("material")))
                (choice("pilot", "The gauge sits", &[("plastic", "on a plastic bottle, the pilot"), ("none", "nowhere: no gauge")], given("pilot")))
                (more("Less usual: where the limit stands, headspace", &MORE_OF_BOTTLE, typed, &html! {
                    (choice("headspace", "Above the drink is", &[("air", "air: capped as filled"), ("foam", "foam: capped on foam"), ("purged", "CO\u{2082}: purged")], given("headspace")))
                }))
                (more("The pilot, where it differs from the others", &PILOT, typed, &html! {}))
            }))
            (group("The wish and the room", &WISH, typed, &html! {
                p class="soft whole" { "A volume is a litre of CO\u{2082} gas in a litre of drink: 2 is light, 3 is brisk, 4 is much." }
                label class="check" { input type="checkbox" name="last_week" value="yes" checked[!given("last_week").is_empty()]; " The room as its thermometer told it in the last week" }
            }))
            (group("Which sensor is whose", &SENSORS, typed, &html! {
                p class="soft whole" {
                    "The name under which each sends. What you leave out is taken from the only source that is heard and that no other batch names; write none for what you have not got."
                    @if !sources.is_empty() { " Heard so far: " (sources.join(", ")) "." }
                }
            }))
            button { "Tell me what to expect" }
        }
    }
}

/// The sugar by weighing what goes in, instead of by the litre.
fn recipe(typed: &Filled<'_>) -> Markup {
    let kinds = SugarKind::ALL.map(|kind| kind.name().replace('_', " "));
    let used = typed.is_used("ingredients") || RECIPE.iter().any(|field| typed.is_used(field.name));
    html! {
        details class="whole" open[used] {
            summary { "Instead of the sugars: a recipe" }
            div class="fields" {
                label class="whole" {
                    "Ingredients, one a line: grams, kind where it holds sugar, name; allergens behind a semicolon"
                    textarea name="ingredients" rows="4" spellcheck="false" placeholder="220 table sugar" { (typed.given("ingredients")) }
                    @for why in typed.why("ingredients") { span class="why" { (by_label(why)) } }
                }
                @for field in &RECIPE { (input(field, typed)) }
            }
            p class="soft" { "Kinds: " (kinds.join(", ")) ". Sugars by a label as 65%: \u{201c}100 syrup 65% of elderflowers\u{201d}, \u{201c}100 oat drink; oats\u{201d}." }
        }
    }
}

/// What few batches need: folded, unless something of it was typed.
fn more(heading: &str, fields: &[Field], typed: &Filled<'_>, also: &Markup) -> Markup {
    let used = |field: &Field| typed.is_used(field.name);
    html! {
        details class="whole" open[fields.iter().any(used)] {
            summary { (heading) }
            div class="fields" { @for field in fields { (input(field, typed)) } (PreEscaped(&also.0)) }
        }
    }
}

/// A problem of the batch file by the words of the form.
pub(super) fn by_label(problem: &str) -> String {
    let all = [
        &BATCH[..],
        &DRINK,
        &MORE_OF_DRINK,
        &BOTTLE,
        &MORE_OF_BOTTLE,
        &PILOT,
        &RECIPE,
        &WISH,
        &SENSORS,
    ];
    // A line of a file that nobody has seen tells nobody anything.
    let told = match problem
        .strip_prefix("line ")
        .and_then(|rest| rest.split_once(": "))
    {
        Some((number, told)) if number.bytes().all(|byte| byte.is_ascii_digit()) => told,
        _ => problem,
    };
    let told = all.into_iter().flatten().fold(told.to_owned(), |told, field| {
        let Some(key) = form::key_of(field.name) else {
            return told;
        };
        told.replace(&format!("`{key}`"), &format!("\u{201c}{}\u{201d}", field.label))
    });
    capital(&told)
}

fn input(field: &Field, typed: &Filled<'_>) -> Markup {
    let wrong = typed.why(field.name).next().is_some();
    html! {
        label {
            (field.label)
            input type=(field.kind) name=(field.name) value=(typed.given(field.name)) aria-invalid=[wrong.then_some("true")]
                placeholder=[(!field.hint.is_empty()).then(|| format!("as {}", field.hint))]
                step=[(field.kind == "number").then_some("any")] maxlength=[(field.kind == "text").then_some("80")]
                required[field.required];
            @for why in typed.why(field.name) { span class="why" { (why) } }
        }
    }
}

fn group(heading: &str, fields: &[Field], typed: &Filled<'_>, more: &Markup) -> Markup {
    html! {
        fieldset {
            legend { (heading) }
            div class="fields" {
                @for field in fields { (input(field, typed)) }
                (PreEscaped(&more.0))
            }
        }
    }
}

fn choice(name: &str, label: &str, options: &[(&str, &str)], given: &str) -> Markup {
    html! {
        label { (label)
            select name=(name) {
                @for (value, words) in options { option value=(value) selected[*value == given] { (words) } }
            }
        }
    }
}
