//! What the head of every page holds.

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
