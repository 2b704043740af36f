//! What people have told of a batch, in their words.

use fobwatch_core::note::{Note, NoteKind};
use jiff::SignedDuration;
use maud::{Markup, html};

use super::{Context, Shown, amount::capital, tell};

/// So many are shown; the older ones are in the export.
const MOST: usize = 6;
/// A move can be undone for so long; after that they were in the fridge.
const UNDONE_WITHIN: SignedDuration = SignedDuration::from_hours(6);

/// The last notes, newest first; nothing where nobody told anything.
pub(super) fn list(shown: &Shown, context: &Context) -> Markup {
    let mut notes: Vec<&Note> = shown.notes.iter().collect();
    // The order of arrival is not that of what happened, but tells of two things at once which came later.
    notes.reverse();
    notes.sort_by_key(|note| std::cmp::Reverse(note.at));
    let more = notes.len().saturating_sub(MOST);
    // What was told of the bottles' place last, if it was a move and not long ago.
    let undoable = notes
        .iter()
        .find(|note| matches!(note.kind, NoteKind::MovedToFridge | NoteKind::TakenOut))
        .filter(|note| note.kind == NoteKind::MovedToFridge)
        .filter(|note| context.now.duration_since(note.at) <= UNDONE_WITHIN)
        .copied();
    html! {
        @if !notes.is_empty() {
            h3 { "What was told" }
            ul class="noted" {
                @for note in notes.iter().take(MOST) {
                    li {
                        time datetime=(note.at) { (context.clock().moment(note.at)) } ": "
                        span { (capital(&words(note))) }
                        @if undoable == Some(*note) && !shown.is_danger() { " " (tell::undo(shown, note)) }
                    }
                }
            }
            @if more > 0 { p class="soft" { (more) " earlier; " code { "fobwatch export" } " writes them all." } }
        }
    }
}

/// "opened no. 3: lively".
fn words(note: &Note) -> String {
    let mut words = deed(note.kind).to_owned();
    if let Some(bottles) = note.bottles.as_deref().filter(|bottles| !bottles.is_empty()) {
        let numbers: Vec<String> = bottles.iter().map(u32::to_string).collect();
        words.push_str(&format!(" no. {}", numbers.join(", ")));
    } else if matches!(note.kind, NoteKind::MovedToFridge | NoteKind::TakenOut) {
        words.push_str(", all of them");
    }
    if let Some(value) = note.value {
        let unit = note.unit.as_deref().unwrap_or_default();
        words.push_str(format!(", {value} {unit}").trim_end());
    }
    if let Some(text) = &note.text {
        words.push_str(&format!(": {text}"));
    }
    words
}

/// What fits beside a circle on a chart.
pub(super) fn short(note: &Note) -> &'static str {
    match note.kind {
        NoteKind::MovedToFridge => "to the fridge",
        NoteKind::TakenOut => "taken out",
        kind => deed(kind),
    }
}

fn deed(kind: NoteKind) -> &'static str {
    match kind {
        NoteKind::MovedToFridge => "moved to the fridge",
        NoteKind::TakenOut => "taken out of the fridge",
        NoteKind::Vented => "let gas off",
        NoteKind::Opened => "opened",
        NoteKind::Gravity => "gravity measured",
        NoteKind::Gauge => "dial read",
        NoteKind::Squeezed => "squeezed",
        NoteKind::Tasted => "tasted",
        NoteKind::GivenAway => "given away",
        NoteKind::Broken => "broken",
        NoteKind::Corrected => "entries corrected",
        NoteKind::Confirmed => "said that it is right",
        NoteKind::Other => "noted",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::fixture::{context, hibiscus, now};

    fn note(kind: NoteKind, text: Option<&str>) -> Note {
        Note {
            at: now(),
            kind,
            bottles: Some(vec![1, 3]),
            value: None,
            unit: None,
            text: text.map(str::to_owned),
        }
    }

    #[test]
    fn a_note_is_told_in_words() {
        assert_eq!(
            words(&note(NoteKind::Opened, Some("lively"))),
            "opened no. 1, 3: lively"
        );
        let measured = Note {
            bottles: None,
            value: Some(1.026),
            unit: Some("SG".to_owned()),
            ..note(NoteKind::Gravity, None)
        };
        assert_eq!(words(&measured), "gravity measured, 1.026 SG");
        let moved = Note {
            bottles: None,
            ..note(NoteKind::MovedToFridge, None)
        };
        assert_eq!(words(&moved), "moved to the fridge, all of them");
    }

    #[test]
    fn few_are_shown_newest_first_and_none_can_write_html() {
        let mut shown = hibiscus();
        let told = |hours: i64, text: &str| Note {
            at: now() - jiff::SignedDuration::from_hours(hours),
            ..note(NoteKind::Other, Some(text))
        };
        shown.notes = (0..9).map(|hours| told(hours, "<b>a hiss</b>")).collect();
        shown.notes.push(told(-1, "the newest"));
        let text = list(&shown, &context()).into_string();
        assert_eq!(text.matches("<li>").count(), MOST);
        assert!(text.contains("4 earlier"), "{text}");
        assert!(!text.contains("<b>") && text.contains("&lt;b&gt;"), "{text}");
        assert!(text.find("the newest") < text.find("a hiss"), "{text}");
        assert!(list(&hibiscus(), &context()).into_string().is_empty());
    }
}
