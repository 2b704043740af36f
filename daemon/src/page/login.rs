//! The pages on which people log in and out.

use maud::{DOCTYPE, Markup, html};

use super::head::head;

fn around(title: &str, demo: bool, inside: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title, &html! { meta name="robots" content="noindex"; }))
            body {
                @if demo {
                    p class="demo" role="note" { strong { "Demo." } " Made-up batches. No real bottle is watched." }
                }
                header { p class="mark-name" { "fobwatch" } }
                main id="main" { (inside) }
            }
        }
    }
}

/// `next`: where to go then; `wrong`: why the last try was refused.
pub(super) fn form(next: &str, wrong: Option<&str>, demo: bool) -> Markup {
    around(
        "Log in",
        demo,
        &html! {
            h1 { "Who is there?" }
            @if let Some(wrong) = wrong {
                p class="press" role="alert" { (wrong) }
            }
            form class="tell" method="post" action="/login" {
                input type="hidden" name="next" value=(next);
                label { "Name" input name="name" autocomplete="username" autocapitalize="none" maxlength="40" required autofocus; }
                label { "Password" input type="password" name="password" autocomplete="current-password" maxlength="256" required; }
                p { button { "Log in" } }
            }
            p class="soft" { "Bottles can burst. Alerts reach people without a log-in, by the channels that were set up for them." }
        },
    )
}
