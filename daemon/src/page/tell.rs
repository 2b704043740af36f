//! What a person does from the page: one tap where one tap says it all, and a page of its own for what takes more words.
//!
//! Plain forms, without script. They post to addresses of the page, which answer with the page again.

use fobwatch_core::{alert::AlertName, note::Note};
use maud::{Markup, html};

use super::{
    Context, Shown,
    batch::quoted,
    caution,
    frame::{frame, refused},
};

/// Words for the fizz of an opened bottle, as a note knows them.
const FIZZ: [&str; 5] = ["flat", "light", "right", "lively", "gushing"];
/// How hard the plastic bottle is.
const SQUEEZED: [&str; 3] = ["soft", "firm", "hard"];

/// The button that fits the hour: all bottles moved, the pilot too, or taken out again.
pub(super) fn moved(shown: &Shown) -> Markup {
    let (kind, words) = if shown.is_chilled() {
        ("taken_out", "I took them all out of the fridge")
    } else {
        ("moved_to_fridge", "I have moved them all, the pilot too")
    };
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/tell" } {
            input type="hidden" name="kind" value=(kind);
            button { (words) }
        }
    }
}

/// Says that an alert was seen.
pub(super) fn seen(shown: &Shown, alert: AlertName) -> Markup {
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/alerts/" (alert.name()) "/seen" } {
            button class="quiet" { "I have seen this" }
        }
    }
}

/// At the end of a batch's section.
pub(super) fn below(shown: &Shown) -> Markup {
    html! {
        (moved(shown))
        p { a class="more" href={ "/batches/" (shown.batch.name.slug()) "/tell" } { "Tell something else: opened, squeezed, measured, only some moved" } }
        @if shown.is_chilled() { p { a class="more" href={ "/batches/" (shown.batch.name.slug()) "/rescue" } { "Chilled too early, or gone too far? What can be done" } } }
        @if crate::proof::looks_like_one(&shown.batch) {
            form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/proofed" } {
                button class="quiet" { "It was a proof: keep what it taught" }
            }
        }
        p { a class="more" href={ "/batches/" (shown.batch.name.slug()) "/label" } { "Label, shelf card and lot record" } }
        p { a class="more" href={ "/account?batch=" (shown.batch.name.slug()) "#links-head" } { "Let somebody look at it: a link that you can take back" } }
        p { a class="more" href={ "/batches/" (shown.batch.name.slug()) "/see-to" } { "See to its alerts, export it, end it" } }
        p class="soft" { "From a terminal: " code { "fobwatch note " (quoted(shown.batch.name.as_str())) " opened --bottles 3" } }
    }
}

/// The page on which a batch's notes are written. `wrong`: why the last one was not taken.
pub(super) fn document(shown: &Shown, context: &Context, wrong: Option<&str>) -> Markup {
    let name = shown.batch.name.as_str();
    let address = format!("/batches/{}/tell", shown.batch.name.slug());
    let count = shown.batch.bottle.count;
    let wrong: Vec<String> = wrong.map(str::to_owned).into_iter().collect();
    frame(
        &format!("What did you do or see with {name}?"),
        context,
        &html! {
            (refused("Not noted.", &wrong))
            @if shown.is_danger() {
                p class="press" { strong class="danger" { "Danger. " } (caution::KEEP_OUT) }
                p { "A note silences no alert of pressure. Tell what was done already; do nothing for it." }
            } @else {
                p class="soft" { "A note counts from now on. It never silences an alert of pressure." }
            }
            (group(&address, "opened", "I opened a bottle", html! {
                (number("Number of the bottle", count))
                (words("It was", "text", &FIZZ))
                p class="soft" { "A bottle that was opened no longer stands for the batch." }
            }))
            (group(&address, "squeezed", "I squeezed the plastic bottle with the sensors", words("It was", "text", &SQUEEZED)))
            (group(&address, "tasted", "I tasted it", html! {
                (words("It was", "text", &FIZZ))
            }))
            (group(&address, "tasted", "I tasted it, and say it in my own words", html! {
                (number("Number of the bottle", count))
                label { "It was" input name="text" maxlength="500" required; }
                p class="soft" {
                    "Said of two bottles or more that had been cold for a day, a word of your own counts in later batches, too."
                }
            }))
            @if !shown.is_danger() {
                (group(&address, "moved_to_fridge", "I moved them to the fridge", how_many(shown)))
            }
            (group(&address, "taken_out", "I took some out of the fridge", numbers("Which bottles, as 1-4 or 2,5; empty: all", false)))
            (group(&address, "gravity", "I measured the gravity in a sample", html! {
                (figure("Gravity, as 1.026", "0.0005", "SG"))
                (words("The sample was", "text", &["degassed", "gassy"]))
            }))
            (group(&address, "gauge", "I read a dial", figure("Gauge pressure, bar", "0.05", "bar")))
            (group(&address, "given_away", "I gave some away", numbers("Which bottles", true)))
            (group(&address, "other", "Something else", html! {
                label { "In your own words" input name="text" maxlength="500" required; }
            }))
        },
    )
}

/// How many were moved, and whether the bottle with the sensors went too: without it "all" is not all.
fn how_many(shown: &Shown) -> Markup {
    let count = shown.batch.bottle.count;
    html! {
        label {
            "How many of the " (count)
            input type="number" inputmode="numeric" name="how_many" min="1" max=(count) value=(count) required;
        }
        @if shown.batch.pilot.is_some() {
            div class="words" role="radiogroup" aria-label="The pilot, the bottle with the sensors" {
                span class="soft" { "The pilot, the bottle with the sensors" }
                label { input type="radio" name="pilot" value="moved" required; " went too" }
                label { input type="radio" name="pilot" value="stayed"; " stayed" }
            }
        }
        (numbers("Their numbers, if only some, as 1-4 or 2,5; empty: the first ones", false))
        p class="soft" { (caution::CARRYING) }
    }
}

/// Takes the last move back, as long as nothing was told of it since.
pub(super) fn undo(shown: &Shown, moved: &Note) -> Markup {
    let numbers: Vec<String> = moved.bottles.iter().flatten().map(u32::to_string).collect();
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/tell" } {
            input type="hidden" name="kind" value="taken_out";
            @if !numbers.is_empty() { input type="hidden" name="bottles" value=(numbers.join(",")); }
            input type="hidden" name="text" value="not moved after all";
            button class="quiet" { "Undo: they were not moved" }
        }
    }
}

fn group(address: &str, kind: &str, heading: &str, inside: Markup) -> Markup {
    html! {
        form class="tell" method="post" action=(address) {
            fieldset {
                legend { (heading) }
                input type="hidden" name="kind" value=(kind);
                (inside)
                button { "Note it" }
            }
        }
    }
}

fn number(label: &str, most: u32) -> Markup {
    html! {
        label { (label) input type="number" inputmode="numeric" name="bottles" min="1" max=(most) required; }
    }
}

fn numbers(label: &str, required: bool) -> Markup {
    html! {
        label { (label) input name="bottles" inputmode="text" maxlength="200" required[required]; }
    }
}

fn figure(label: &str, step: &str, unit: &str) -> Markup {
    html! {
        label { (label) input type="number" inputmode="decimal" name="value" step=(step) min="0" required; }
        input type="hidden" name="unit" value=(unit);
    }
}

/// One of a few words; 48 pixels high each, to be hit with a thumb.
fn words(label: &str, name: &str, words: &[&str]) -> Markup {
    html! {
        div class="words" role="radiogroup" aria-label=(label) {
            span class="soft" { (label) }
            @for word in words {
                label { input type="radio" name=(name) value=(word) required; " " (word) }
            }
        }
    }
}
