//! The frame of the pages that stand beside the agenda: plan, rescue, compare, experiments.

use maud::{DOCTYPE, Markup, html};

use super::{
    amount::capital,
    caution,
    head::{Top, head, top},
    setting,
};

/// A whole page round `main`.
pub(super) fn document(title: &str, demo: bool, main: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, &html! {}))
            body {
                (top(Top::Other, demo))
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

/// The pages about cultures, at the top of each; `here` is the address of the one that is seen.
pub(super) fn of_cultures(here: &str) -> Markup {
    html! {
        nav class="beside" aria-label="Cultures" {
            @for (address, words) in [("/compare", "Compare"), ("/cultures", "Diaries"), ("/experiments", "Experiments")] {
                a href=(address) aria-current=[(address == here).then_some("page")] { (words) }
            }
        }
    }
}

/// A sentence of the terminal as the page sets it: commands between backticks, degrees with their sign.
pub(super) fn sentence(text: &str) -> Markup {
    let set = setting::set(
        &text
            .replace(" degC", "\u{a0}\u{b0}C")
            .replace("CO2", "CO\u{2082}"),
    );
    html! {
        @for (place, piece) in set.split('`').enumerate() {
            @if place % 2 == 1 { code { (piece) } } @else { (piece) }
        }
    }
}
