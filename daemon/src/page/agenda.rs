//! The agenda: what to do, and when.

use maud::{Markup, html};

use super::{
    Context,
    need::{Entry, Urgency},
};

/// More batches than this that need nothing are folded.
const MOST_QUIET: usize = 6;

/// The list, most urgent first; what needs nothing is quiet, and folded when it is much.
pub(super) fn list(entries: &[Entry<'_>], context: &Context) -> Markup {
    let (wanting, quiet): (Vec<_>, Vec<_>) = entries
        .iter()
        .partition(|entry| entry.urgency != Urgency::Nothing);
    html! {
        section class="agenda" aria-labelledby="agenda-head" {
            h2 id="agenda-head" { "What to do, and when" }
            @if !wanting.is_empty() {
                ol {
                    @for (index, entry) in wanting.iter().enumerate() { (line(entry, index == 0, context)) }
                }
            }
            @if quiet.len() > MOST_QUIET {
                details {
                    summary { "Nothing needed by " (quiet.len()) " batches" }
                    ul { @for entry in &quiet { li { (entry.heading) } } }
                }
            } @else if !quiet.is_empty() {
                ol class="quiet" { @for entry in &quiet { (line(entry, false, context)) } }
            }
        }
    }
}

fn line(entry: &Entry<'_>, next: bool, context: &Context) -> Markup {
    let danger = entry.urgency <= Urgency::DangerAhead;
    let class = if danger {
        "alarm"
    } else if next {
        "next"
    } else {
        "plain"
    };
    html! {
        li class=(class) {
            p class="when" {
                @match entry.at.filter(|_| entry.urgency != Urgency::Nothing) {
                    Some(at) => time datetime=(at) { (entry.day) },
                    None => (entry.day),
                }
                @if !entry.hours.is_empty() { small { (entry.hours) } }
            }
            div {
                h3 {
                    @if let Some(word) = entry.urgency.word() {
                        span class={ "word" @if danger { " danger" } } { (word) } " "
                    }
                    (entry.heading)
                }
                @for reason in &entry.reasons { p { (reason) } }
                @if entry.seen { p class="soft" { "Somebody has seen this." } }
                @if danger { p { a href="#gone-wrong" { "Gone wrong? What to do" } } }
                @if context.demo && danger { p class="soft" { "Made up: this is the demo." } }
            }
        }
    }
}
