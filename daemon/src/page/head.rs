//! What the head of every page holds, and what stands at its top.

use maud::{Markup, html};

/// With `title` before the program's name; `more` is what this page alone has.
pub(crate) fn head(title: &str, more: &Markup) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light dark";
            (more)
            title { (title) " \u{2013} fobwatch" }
            link rel="icon" href="/favicon.svg" type="image/svg+xml";
            link rel="stylesheet" href="/style.css";
        }
    }
}

/// Which page it is, for the links at its top.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Top {
    /// The agenda itself.
    Agenda,
    /// Any other.
    Other,
}

/// What stands at the top of every page that somebody works on: the demo's mark, the pages, what to do when it has gone wrong.
pub(crate) fn top(which: Top, demo: bool) -> Markup {
    let is_agenda = which == Top::Agenda;
    html! {
        @if demo {
            aside class="demo" aria-label="Demo" {
                strong { "Demo." } " Made-up batches"
                @if is_agenda { ", up to an hour in every second" }
                ". No real bottle is watched."
            }
        }
        header {
            p class="mark-name" { "fobwatch" }
            nav aria-label="Pages" {
                @if !is_agenda { a href="/" { "Agenda" } }
                a href="/batches/new" { "New batch" }
                a href="/plan" { "Plan" }
                a href="/compare" { "Cultures" }
                a href="/account" { "You" }
            }
            a class="help" href={ @if is_agenda { "#gone-wrong" } @else { "/#gone-wrong" } } { "Gone wrong?" }
        }
    }
}
