//! What stands round every page but the agenda: the way back, the demo's mark, the cautions.

use maud::{DOCTYPE, Markup, html};

use super::{Context, caution};

/// A page of its own with `title` as its heading.
pub(super) fn frame(title: &str, context: &Context, inside: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { @if context.demo { "Demo: " } (title) " \u{2013} fobwatch" }
                link rel="icon" href="/favicon.svg" type="image/svg+xml";
                link rel="stylesheet" href="/style.css";
            }
            body {
                a class="skip" href="#main" { "To the form" }
                @if context.demo {
                    aside class="demo" aria-label="Demo" { strong { "Demo." } " Made-up batches. No real bottle is watched." }
                }
                header {
                    p class="mark-name" { "fobwatch" }
                    nav aria-label="Back" {
                        a href="/" { "Back to the agenda" }
                        a href="/#gone-wrong" { "Gone wrong?" }
                    }
                }
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
