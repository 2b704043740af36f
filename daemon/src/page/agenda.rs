//! The agenda: what to do, and when.

use maud::{Markup, html};

use super::{
    Context, moments,
    need::{Entry, Urgency},
    setting, tell,
};

/// More batches than this that need nothing are folded.
const MOST_QUIET: usize = 6;
/// So many planned moves are told in full; the later ones are folded.
const MOST_PLANNED: usize = 6;

/// So many have their choice of moments open.
const MOST_WITH_MOMENTS: usize = 2;

/// The list, most urgent first; what needs nothing is quiet, and folded when it is much.
pub(super) fn list(entries: &[Entry<'_>], context: &Context) -> Markup {
    let (wanting, quiet): (Vec<_>, Vec<_>) = entries
        .iter()
        .partition(|entry| entry.urgency != Urgency::Nothing);
    let (planned, pressing): (Vec<_>, Vec<_>) = wanting
        .into_iter()
        .partition(|entry| entry.urgency == Urgency::Planned);
    let (soon, later) = planned.split_at(planned.len().min(MOST_PLANNED));
    let (old, quiet): (Vec<_>, Vec<_>) = quiet.into_iter().partition(|entry| entry.shown.behind);
    html! {
        section class="agenda" aria-labelledby="agenda-head" {
            h2 id="agenda-head" { "What to do, and when" }
            @if !pressing.is_empty() || !soon.is_empty() {
                ol {
                    @for (index, entry) in pressing.iter().chain(soon).enumerate() {
                        (line(entry, index == 0, index < MOST_WITH_MOMENTS, context))
                    }
                }
            }
            @if !later.is_empty() {
                details id="later-moves" {
                    summary { (later.len()) " later " @if later.len() == 1 { "move" } @else { "moves" } }
                    ul {
                        @for entry in later { li { (entry.day) ": " (entry.heading) } }
                    }
                }
            }
            (quietly("Not known yet of", &old, context))
            (quietly("Nothing needed by", &quiet, context))
        }
    }
}

fn quietly(what: &str, entries: &[&Entry<'_>], context: &Context) -> Markup {
    html! {
        @if entries.len() > MOST_QUIET {
            details {
                summary { (what) " " (entries.len()) " batches" }
                ul {
                    @for entry in entries { li { (entry.heading) } }
                }
            }
        } @else if !entries.is_empty() {
            ol class="quiet" { @for entry in entries { (line(entry, false, false, context)) } }
        }
    }
}

/// `next`: it comes first; `open`: its choice of moments is not folded.
fn line(entry: &Entry<'_>, next: bool, open: bool, context: &Context) -> Markup {
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
                @if !entry.hours.is_empty() { small { (setting::set(&entry.hours)) } }
            }
            div {
                h3 {
                    @if let Some(word) = entry.urgency.word() {
                        span class={ "word" @if danger { " danger" } } { (word) } " "
                    }
                    (entry.heading)
                }
                @for reason in &entry.reasons { p { (reason) } }
                @if matches!(entry.urgency, Urgency::Move | Urgency::Planned) {
                    @match moments::table(entry.shown, context) {
                        Some(table) if open => (table),
                        Some(table) => details class="other-moments" id={ "moments-" (entry.shown.batch.name.slug()) } {
                            summary { "If you move them at another time" }
                            (table)
                        },
                        None => {},
                    }
                }
                @if open && entry.urgency == Urgency::Planned {
                    p class="tap" { a class="button quiet" href="/calendar.ics" { "Remind me in my calendar" } }
                }
                @if matches!(entry.urgency, Urgency::Move | Urgency::DangerAhead) && !entry.shown.is_danger() && !entry.shown.is_chilled() {
                    (tell::moved(entry.shown))
                }
                @match entry.alert {
                    Some(_) if entry.seen => p class="soft" { "Somebody has seen this." },
                    Some(alert) => (tell::seen(entry.shown, alert)),
                    None => {},
                }
                @if let Some(odd) = entry.asks { (tell::answer(entry.shown, odd)) }
                @if danger { p { a href="#gone-wrong" { "Gone wrong? What to do" } } }
                @if context.demo && danger { p class="soft" { "Made up: this is the demo." } }
            }
        }
    }
}
