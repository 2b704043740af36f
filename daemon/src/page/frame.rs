//! What stands round every page but the agenda: the way back, the demo's mark, the cautions.

use maud::{DOCTYPE, Markup, html};

use super::{
    Context, caution,
    head::{Top, head, top},
};

/// A page of its own with `title` as its heading.
pub(super) fn frame(title: &str, context: &Context, inside: &Markup) -> Markup {
    let marked = if context.demo {
        format!("Demo: {title}")
    } else {
        title.to_owned()
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(&marked, &html! {}))
            body {
                a class="skip" href="#main" { "To the form" }
                (top(Top::Other, context.demo))
                main id="main" {
                    h1 { (title) }
                    (inside)
                }
                footer { (caution::foot()) }
            }
        }
    }
}

/// Why what was asked was not done.
pub(super) fn refused(what: &str, why: &[String]) -> Markup {
    html! {
        @if !why.is_empty() {
            div class="press" role="alert" {
                p { strong { (what) } " " @if why.len() == 1 { (why[0]) } }
                @if why.len() > 1 { ul { @for why in why { li { (why) } } } }
            }
        }
    }
}
