//! The document around it all.

use std::collections::{BTreeMap, BTreeSet};

use maud::{DOCTYPE, Markup, html};

use super::{
    Context, Shown, agenda, batch, caution, channels, chart,
    head::{Top, head, top},
    headline,
    need::{self, Entry, Urgency},
    parts::{self, Part},
    setting, shelf,
    survey::Overview,
};

/// With more batches than this, those that need nobody soon are folded.
const MOST_OPEN: usize = 8;
/// Seconds until the page is fetched anew.
const REFRESH_SECS: u32 = 30;
/// The same in the demo, where an hour passes in a second.
const REFRESH_SECS_DEMO: u32 = 5;

/// A batch with its place in the document and its lines of the agenda.
struct Placed<'a> {
    shown: &'a Shown,
    anchor: String,
    entries: Vec<Entry<'a>>,
}

/// `batches`: those that this part of the page is about, of all that the overview is about.
pub(super) fn document(batches: &[Shown], overview: &Overview, part: &Part, context: &Context) -> Markup {
    let entries = need::entries(batches, context);
    let headline = headline::say(overview, context);
    let title = if context.demo {
        format!("Demo: {headline}")
    } else {
        headline.clone()
    };
    let danger = overview.survey.first == Some(Urgency::Danger);
    let refresh = if context.demo {
        REFRESH_SECS_DEMO
    } else {
        REFRESH_SECS
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(&title, &html! { noscript { meta http-equiv="refresh" content=(refresh); } script src="/page.js" defer {} script src="/chart.js" defer {} }))
            body {
                a class="skip" href="#main" { "To the agenda" }
                (top(Top::Agenda, context.demo))
                main id="main" {
                    h1 class=[danger.then_some("danger")] { (setting::headline(&headline)) }
                    @if let Some(pressure) = headline::pressure(overview, context) {
                        p class="press" { (pressure) }
                    }
                    (channels::told(context))
                    p class="soft" {
                        @if context.demo { "Demo time: " }
                        time datetime=(context.now) { (context.clock().in_full(context.now)) } ". "
                        (headline::heard(&overview.survey, context))
                    }
                    (parts::about(overview, part))
                    @if batches.is_empty() && part.named.is_none() {
                        (empty())
                    } @else if !batches.is_empty() {
                        (agenda::list(&entries, context))
                        (parts::more(overview, part))
                        (shelf_and_batches(batches, entries, context))
                        (parts::turn(overview, part))
                    }
                    (caution::gone_wrong())
                }
                footer { (caution::foot()) }
            }
        }
    }
}

fn shelf_and_batches<'a>(batches: &'a [Shown], entries: Vec<Entry<'a>>, context: &Context) -> Markup {
    let placed = place(batches, entries);
    let axis = shelf::axis(batches, context.now);
    let (days, days_drawn) = shelf::days(axis, context);
    let open = if placed.len() > MOST_OPEN {
        let wanting = placed
            .iter()
            .filter(|placed| placed.entries.iter().any(|entry| entry.urgency <= Urgency::Look))
            .count();
        wanting.max(MOST_OPEN)
    } else {
        placed.len()
    };
    let (first, rest) = placed.split_at(open.min(placed.len()));
    let row = |placed: &Placed<'_>| shelf::row(placed.shown, &placed.anchor, axis, &days, context);
    html! {
        section id="shelf" aria-labelledby="shelf-head" {
            h2 id="shelf-head" { "On the shelf" }
            (days_drawn)
            @for placed in first { (row(placed)) }
            @if !rest.is_empty() {
                details id="shelf-more" {
                    summary { (rest.len()) " more batches" }
                    @for placed in rest { (row(placed)) }
                }
            }
            (shelf::key())
        }
        @for placed in first {
            (batch::section(placed.shown, &placed.anchor, &placed.entries, context, chart::MOST_POINTS))
        }
        @for placed in rest {
            details class="folded" id={ (placed.anchor) "-folded" } {
                summary { (placed.shown.batch.name) }
                (batch::section(placed.shown, &placed.anchor, &placed.entries, context, chart::FEW_POINTS))
            }
        }
    }
}

/// The batches in the order of the agenda, each with an anchor of its own.
fn place<'a>(batches: &'a [Shown], entries: Vec<Entry<'a>>) -> Vec<Placed<'a>> {
    let mut taken = BTreeSet::new();
    let mut places: BTreeMap<*const Shown, usize> = BTreeMap::new();
    let mut placed: Vec<Placed<'a>> = Vec::with_capacity(batches.len());
    for entry in entries {
        let place = *places.entry(entry.shown).or_insert(placed.len());
        if let Some(placed) = placed.get_mut(place) {
            placed.entries.push(entry);
            continue;
        }
        let mut anchor = format!("batch-{}", entry.shown.batch.name.slug());
        while !taken.insert(anchor.clone()) {
            anchor.push_str("-x");
        }
        placed.push(Placed {
            shown: entry.shown,
            anchor,
            entries: vec![entry],
        });
    }
    placed
}

fn empty() -> Markup {
    html! {
        section aria-labelledby="start-head" {
            h2 id="start-head" { "Begin here" }
            p { "Ask first what to expect of a drink, or tell what you have just bottled." }
            div class="taps" {
                a class="button" href="/plan" { "Plan a batch" }
                a class="button quiet" href="/batches/new" { "I have bottled one" }
            }
            p { "fobwatch then says, here, when it goes to the fridge. A gauge or a thermometer makes it sure; without one, tell it what you see." }
            details id="by-file" {
                summary { "From a terminal, with a batch file" }
                p { "What is in the bottles, the limit that their maker states, the fizz you want: this prints a batch file." }
                pre { code { "fobwatch batch example" } }
                p { "Put your own figures into it, under a name of its own; there is no default for the limit. Then:" }
                pre { code { "fobwatch batch add hibiscus-12.toml" } }
                p { "And tell what you do with the bottles, as you do it:" }
                pre { code { "fobwatch note 'hibiscus 12' moved_to_fridge" } }
                p class="soft" {
                    "No bottles at hand? " code { "fobwatch watch --demo" } " shows the whole job with made-up batches."
                }
            }
        }
    }
}
