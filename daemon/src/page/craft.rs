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
    let pieces: Vec<&str> = set.split('`').collect();
    let has = |place: Option<usize>, of: fn(&str) -> bool| {
        place
            .and_then(|place| pieces.get(place))
            .is_some_and(|words| of(words))
    };
    html! {
        @for (place, words) in pieces.iter().enumerate() {
            @if place % 2 == 1 {
                // A bracket round a command stays with it.
                @let opened = has(place.checked_sub(1), |before| before.ends_with('('));
                @let closed = has(place.checked_add(1), |after| after.starts_with(')'));
                @if opened || closed {
                    span class="bound" { @if opened { "(" } code { (words) } @if closed { ")" } }
                } @else {
                    code { (words) }
                }
            } @else {
                @let words = if place > 0 { words.strip_prefix(')').unwrap_or(words) } else { words };
                @let words = if place + 1 < pieces.len() { words.strip_suffix('(').unwrap_or(words) } else { words };
                (words)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brackets_and_figures_stay_with_what_they_belong_to() {
        let set = |text: &str| sentence(text).into_string();
        assert_eq!(
            set("(It can come back (`fobwatch rescue`).)"),
            "(It can come back <span class=\"bound\">(<code>fobwatch rescue</code>)</span>.)"
        );
        assert_eq!(
            set("`fobwatch plan` tells: 5.0 bar of CO2 at 20 degC)"),
            "<code>fobwatch plan</code> tells: 5.0\u{a0}bar of CO\u{2082} at 20\u{a0}\u{b0}C)"
        );
    }
}
