//! What people have told of a batch, in their words.

use fobwatch_core::note::{Note, NoteKind};
use jiff::SignedDuration;
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::capital,
    caution,
    frame::{frame, refused},
    tell,
};
use crate::{decode, wording::clock::Clock};

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
        }
        @if !notes.is_empty() || !shown.taken_back.is_empty() {
            p {
                a class="more" href={ "/batches/" (shown.batch.name.slug()) "/told" } {
                    @if more > 0 { (more) " earlier, and what was told wrongly: take it back" } @else { "Told wrongly? Take it back" }
                }
            }
        }
    }
}

/// All that was told, newest first, each with the button that takes it back. `wrong`: why the last was not taken back.
pub(super) fn document(shown: &Shown, context: &Context, wrong: Option<&str>) -> Markup {
    let name = shown.batch.name.as_str();
    let clock = context.clock();
    let all = in_order(&shown.notes, &shown.taken_back);
    let why: Vec<String> = wrong.map(|why| format!("{why}.")).into_iter().collect();
    frame(
        &format!("What was told of {name}"),
        context,
        &html! {
            (refused("Not taken back.", &why))
            @if shown.is_danger() {
                p class="press" { strong class="danger" { "Danger. " } (caution::KEEP_OUT) }
            }
            p {
                "What is taken back counts as never said: everything since the sealing is reckoned again without it. It stays in the list and in exports, \
                 with who took it back and when. Take back what was wrong, and nothing to quieten an alert."
            }
            @if all.is_empty() { p { "Nothing was told yet." } }
            @if !all.is_empty() { ul class="noted" {
                @for (note, back) in all.iter().rev() {
                    li {
                        time datetime=(note.at) { (clock.moment(note.at)) } ": "
                        @match back {
                            Some(back) => { s { (capital(&words(note))) } " " span class="soft" { (taken_back(back, &clock)) } }
                            None => {
                                span { (capital(&words(note))) }
                                @if note.kind != NoteKind::Corrected { (take_back(shown, note)) }
                            }
                        }
                    }
                }
            } }
            p { a class="more" href={ "/batches/" (shown.batch.name.slug()) "/tell" } { "Tell it rightly" } }
            p { a class="more" href={ "/#batch-" (shown.batch.name.slug()) } { "To " (name) } }
            p class="soft" { "From a terminal: " code { "fobwatch note " (super::quoted(name)) } }
        },
    )
}

fn take_back(shown: &Shown, note: &Note) -> Markup {
    html! {
        form class="back" method="post" action={ "/batches/" (shown.batch.name.slug()) "/told" } {
            input type="hidden" name="note" value=(decode::notes::write(note));
            button class="quiet" { "That was wrong: take it back" }
        }
    }
}

/// The same for a terminal, oldest first.
pub(super) fn lines(notes: &[Note], clock: &Clock<'_>) -> Vec<String> {
    let (back, told): (Vec<Note>, Vec<Note>) =
        notes.iter().cloned().partition(|note| note.takes_back.is_some());
    in_order(&told, &back)
        .into_iter()
        .map(|(note, back)| {
            let back = back.map_or_else(String::new, |back| format!(" ({})", taken_back(back, clock)));
            format!("{}: {}{back}", clock.moment(note.at), words(note))
        })
        .collect()
}

/// What was told, by its time, and the word that took it back.
fn in_order<'n>(told: &'n [Note], back: &'n [Note]) -> Vec<(&'n Note, Option<&'n Note>)> {
    let word = |note: &Note| back.iter().find(|back| back.takes_back.as_deref() == Some(note));
    let mut all: Vec<(&Note, Option<&Note>)> = Vec::new();
    let gone = back.iter().filter_map(|back| back.takes_back.as_deref());
    for note in gone.chain(told) {
        if !all.iter().any(|(known, _)| *known == note) {
            all.push((note, word(note)));
        }
    }
    all.sort_by_key(|(note, _)| note.at);
    all
}

/// "Ada took it back: wrong bottle, Thu 5 Mar 17:00 CET".
fn taken_back(back: &Note, clock: &Clock<'_>) -> String {
    let who = back.text.as_deref().unwrap_or("somebody took it back");
    format!("{who}, {}", clock.moment(back.at))
}

/// "opened no. 3: lively".
pub(super) fn words(note: &Note) -> String {
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
        NoteKind::TakenBack => "taken back",
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
            takes_back: None,
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
        assert!(
            text.contains("4 earlier") && text.contains("/batches/hibiscus-12/told"),
            "{text}"
        );
        assert!(!text.contains("<b>") && text.contains("&lt;b&gt;"), "{text}");
        assert!(text.find("the newest") < text.find("a hiss"), "{text}");
        assert!(list(&hibiscus(), &context()).into_string().is_empty());
    }

    #[test]
    fn what_was_taken_back_stays_in_sight_with_who_did_it_and_is_not_offered_again() {
        let mut shown = hibiscus();
        let (wrong, right) = (
            note(NoteKind::Opened, Some("<b>gushing")),
            note(NoteKind::Tasted, Some("right")),
        );
        shown.notes = vec![right.clone()];
        shown.taken_back = vec![
            wrong.taken_back(now(), "Ada", None),
            wrong.taken_back(now(), "Ben", None),
        ];
        let text = document(&shown, &context(), Some("no <b>")).into_string();
        assert_eq!(text.matches("That was wrong: take it back").count(), 1, "{text}");
        assert_eq!(
            text.matches("<s>Opened no. 1, 3: &lt;b&gt;gushing</s>").count(),
            1,
            "{text}"
        );
        assert!(
            text.contains("Ada took it back, ") && text.contains("no &lt;b&gt;."),
            "{text}"
        );
        assert!(!text.contains("<b>"), "{text}");
        assert!(!list(&shown, &context()).into_string().contains("gushing"));
        let told = lines(
            &[
                wrong.clone(),
                right,
                wrong.taken_back(now(), "Ada", Some("bottle 4")),
            ],
            &context().clock(),
        );
        assert_eq!(told.len(), 2);
        assert!(
            told.iter()
                .any(|line| line.contains("opened no. 1, 3: <b>gushing (Ada took it back: bottle 4, ")),
            "{told:?}"
        );
    }
}
