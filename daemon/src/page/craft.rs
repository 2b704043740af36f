//! The frame of the pages that stand beside the agenda: plan, rescue, compare, experiments; the one list of pages.

use maud::{DOCTYPE, Markup, html};

use super::{amount::capital, caution, head::head};

/// A whole page round `main`.
pub(super) fn document(title: &str, demo: bool, main: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, &html! {}))
            body {
                @if demo {
                    p class="demo" role="note" { strong { "Demo." } " Made-up batches. No real bottle is watched." }
                }
                header {
                    p class="mark-name" { "fobwatch" }
                    nav aria-label="Pages" {
                        a href="/" { "Agenda" }
                        (links())
                    }
                }
                main id="main" { (main) }
                footer { (caution::foot()) }
            }
        }
    }
}

/// Why there is no such page, or what was asked was not done.
pub(super) fn complaint(why: &str, demo: bool) -> Markup {
    document(
        "Not here",
        demo,
        &html! {
            h1 { "That cannot be shown." }
            p { (capital(why)) "." }
            p { a class="more" href="/" { "To the agenda" } }
        },
    )
}

/// To each of them.
pub(super) fn links() -> Markup {
    html! {
        a href="/plan" { "Plan" }
        a href="/compare" { "Compare" }
        a href="/experiments" { "Experiments" }
        a href="/cultures" { "Diaries" }
    }
}

/// A sentence of the terminal as the page sets it: commands between backticks, degrees with their sign.
pub(super) fn sentence(text: &str) -> Markup {
    let set = text
        .replace(" degC", "\u{a0}\u{b0}C")
        .replace("CO2", "CO\u{2082}");
    html! {
        @for (place, piece) in set.split('`').enumerate() {
            @if place % 2 == 1 { code { (piece) } } @else { (piece) }
        }
    }
}
