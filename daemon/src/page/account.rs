//! Who is logged in, and the links by which others look at one batch.

use jiff::Timestamp;
use maud::{Markup, html};

use super::{Context, craft, frame::refused};

/// What the form calls the calendar; no slug has a space.
pub(crate) const CALENDAR: &str = "the calendar";

/// What stands on the page.
#[derive(Clone, Debug, Default)]
pub struct Account {
    /// Who is logged in; `None` where nobody has to log in.
    pub who: Option<String>,
    /// Batches under watch: slug and name.
    pub batches: Vec<(String, String)>,
    /// The one that a link is wanted for, by its slug.
    pub chosen: Option<String>,
    /// Links that work, without their secrets: number, what each opens, when it was made.
    pub links: Vec<(u32, String, Timestamp)>,
    /// A link that was made just now, whole: the only time that it is shown.
    pub made: Option<String>,
    /// Why the last thing was not done.
    pub wrong: Option<String>,
}

pub(super) fn document(account: &Account, context: &Context) -> Markup {
    let wrong: Vec<String> = account.wrong.iter().cloned().collect();
    craft::document(
        "You",
        context.demo,
        &html! {
            @if let Some(who) = &account.who {
                h1 { "You are logged in as " (who) "." }
                p { "What you acknowledge or set aside stands under this name." }
                form class="tap" method="post" action="/logout" { button class="quiet" { "Log out" } }
            } @else {
                h1 { "Nobody has to log in here." }
                p { "fobwatch answers this machine alone. Whoever can use it may see and change everything. To look from a phone, name people under "
                    code { "[[http.person]]" } " in the configuration; the README tells how." }
            }
            section aria-labelledby="links-head" {
                h2 id="links-head" { "Links to look at" }
                p { "A link shows one batch to whoever has it, without a log-in: a guest's phone, say. Nothing can be changed by it, and no \
                     other batch is seen. It works until you take it back here, or the batch ends." }
                (refused("Not done.", &wrong))
                @if let Some(address) = &account.made {
                    div class="press" role="status" {
                        p { strong { "The link is made." } " It is kept nowhere and shown this once, so copy it now." }
                        pre { code { (address) } }
                    }
                }
                form class="tell" method="post" action="/account/links" {
                    label for="opens" { "What it shows" }
                    select id="opens" name="opens" {
                        @for (slug, name) in &account.batches {
                            option value=(slug) selected[account.chosen.as_ref() == Some(slug)] { (name) }
                        }
                        option value=(CALENDAR) { "expected moves of all batches, for a calendar" }
                    }
                    button { "Make a link" }
                }
                @if account.links.is_empty() {
                    p class="soft" { "No link opens anything now." }
                } @else {
                    ul class="files links" {
                        @for (number, what, made) in &account.links {
                            li {
                                p { "Link " (number) " shows " (what) small { "made " (context.clock().moment(*made)) } }
                                form method="post" action={ "/account/links/" (number) "/revoke" } {
                                    button class="quiet" { "Take back" span class="unseen" { " link " (number) } }
                                }
                            }
                        }
                    }
                }
            }
        },
    )
}
