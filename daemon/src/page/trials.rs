//! Experiments: siblings side by side.

use fobwatch_core::{
    alert::sentence,
    batch::ExperimentName,
    experiment::{Experiment, Sibling},
};
use maud::{Markup, html};

use super::{Units, amount::capital, craft, experimented, pictured::pictured, setting};
use crate::{
    config::Display,
    craft::experiments::{CAUTION, Found, fizz, verdict},
};

pub(super) fn document(found: &Found, display: &Display, demo: bool) -> Markup {
    let (experiments, left_out) = (&found.experiments, &found.left_out);
    craft::document(
        "Experiments",
        demo,
        &html! {
            (craft::of_cultures("/experiments"))
            h1 { @if experiments.is_empty() { "No experiment yet." } @else { "Which one was right?" } }
            @if experiments.is_empty() {
                p { "Fill several batches from one drink, and pull them on several days or give them several doses. Give each the same name under \u{201c}Part of an experiment\u{201d} when you plan it, or in its file:" }
                pre { code { "experiment = \"which day\"" } }
                p { "Note when each goes to the fridge, taste them cold, and note how they were: then they stand here side by side." }
            } @else {
                p class="soft" { (CAUTION) }
            }
            @for (name, of) in experiments { (experiment(name, of, display)) }
            @if !found.more.is_empty() {
                section {
                    h2 { "Earlier ones" }
                    ul class="files" { @for name in &found.more { li { a class="more" href={ "/experiments?name=" (name.slug()) } { (name) } } } }
                }
            }
            @if !left_out.is_empty() {
                details { summary { (left_out.len()) " left out" } @for why in left_out { p { (why) } } }
            }
            p class="soft" { "From a terminal, also as JSON, CSV and a picture: " code { "fobwatch experiment --picture days.svg" } }
        },
    )
}

fn experiment(name: &ExperimentName, of: &Experiment, display: &Display) -> Markup {
    let units = Units::from(display);
    let best = of.verdict.as_ref().map(|verdict| &verdict.best);
    html! {
        section class="batch" {
            h2 { (name) }
            p { (capital(&verdict(of))) }
            table class="siblings" {
                thead { tr {
                    th scope="col" { "Batch" }
                    th scope="col" { "Volumes, cold" }
                    th scope="col" { "Fullest bottle" }
                    th scope="col" { "Tasted" }
                } }
                tbody {
                    @for sibling in &of.siblings {
                        tr {
                            th scope="row" class="name" {
                                @if Some(&sibling.batch) == best { strong { (sibling.batch) } } @else { (sibling.batch) }
                                small { (in_the_room(sibling)) }
                            }
                            td { (format!("{:.2}", sibling.after.p50.volumes())) small { (format!("{:.2} to {:.2}", sibling.after.p05.volumes(), sibling.after.p95.volumes())) } }
                            td { (units.pressure(sibling.fullest.p50)) small { (format!("{:.1}\u{a0}% alcohol", sibling.alcohol.percent())) } }
                            td {
                                @match fizz(sibling) { Some(word) => (word), None if sibling.tasted.is_empty() => "not told", None => "no one word" }
                                @for tasting in &sibling.tasted { @if !tasting.words.is_empty() { small { "\u{201c}" (tasting.words) "\u{201d}, " (setting::set(&sentence::local(tasting.at, &display.zone))) } } }
                            }
                        }
                    }
                }
            }
            (pictured(
                |screen| experimented([(name.as_str(), of)].into_iter(), screen),
                "Content of each sibling when cold, beside the wish",
            ))
        }
    }
}

/// "2.5 days in the room so far, 25 mL of culture per litre".
fn in_the_room(sibling: &Sibling) -> String {
    let so_far = if sibling.pulled_at.is_none() {
        " so far"
    } else {
        ""
    };
    let dose = sibling
        .dose_ml_per_l
        .map_or_else(String::new, |dose| format!(", {dose:.0}\u{a0}mL/L of culture"));
    format!("{:.1} days in the room{so_far}{dose}", sibling.hours() / 24.0)
}
