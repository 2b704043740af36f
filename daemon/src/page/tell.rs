//! What a person does from the page: one tap where one tap says it all, and a page of its own for what takes more words.
//!
//! Plain forms, without script. They post to addresses of the page, which answer with the page again.

use fobwatch_core::{alert::AlertName, batch::Material, forecast::Odd, note::Note};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use maud::{Markup, PreEscaped, html};

use super::{
    Context, Shown, caution,
    frame::{frame, refused},
    quoted,
};

/// Words for the fizz of an opened bottle, as a note knows them.
const FIZZ: [&str; 5] = ["flat", "light", "right", "lively", "gushing"];
/// How hard the plastic bottle is.
const SQUEEZED: [&str; 3] = ["soft", "firm", "hard"];

/// The button that fits the hour: all bottles moved, the pilot too, or taken out again.
pub(super) fn moved(shown: &Shown) -> Markup {
    let (kind, words) = if shown.is_chilled() {
        ("taken_out", "I took them all out of the fridge")
    } else {
        let words = if shown.batch.pilot.is_some() {
            "I have moved them all, the pilot too"
        } else {
            "I have moved them all"
        };
        ("moved_to_fridge", words)
    };
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/tell" } {
            input type="hidden" name="kind" value=(kind);
            button { (words) }
        }
    }
}

/// Says that an alert was seen.
pub(super) fn seen(shown: &Shown, alert: AlertName) -> Markup {
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/alerts/" (alert.name()) "/seen" } {
            button class="quiet" { "I have seen this" }
        }
    }
}

/// Answers a question about an entry: it is right, or is corrected.
pub(super) fn answer(shown: &Shown, odd: Odd) -> Markup {
    let slug = shown.batch.name.slug();
    html! {
        @if odd != Odd::Altitude {
            p { a class="more" href={ "/batches/" (slug) "/correct" } { "Correct what was entered" } }
        }
        form class="tap" method="post" action={ "/batches/" (slug) "/tell" } {
            input type="hidden" name="kind" value="confirmed";
            input type="hidden" name="text" value=(odd.name());
            button class="quiet" { "It is right as entered" }
        }
    }
}

/// At the end of a batch's section.
pub(super) fn below(shown: &Shown) -> Markup {
    let slug = shown.batch.name.slug();
    html! {
        (moved(shown))
        p { a class="more" href={ "/batches/" (slug) "/tell" } { "Tell something else: opened, squeezed, measured, only some moved" } }
        @if shown.is_chilled() { p { a class="more" href={ "/batches/" (slug) "/rescue" } { "Chilled too early, or gone too far? What can be done" } } }
        @if crate::proof::looks_like_one(&shown.batch) {
            form class="tap" method="post" action={ "/batches/" (slug) "/proofed" } {
                button class="quiet" { "It was a proof: keep what it taught" }
            }
        }
        p class="ways" {
            a class="more" href={ "/batches/" (slug) "/see-to" } { "See to its alerts, export it, end it" }
            a class="more" href={ "/batches/" (slug) "/correct" } { "Correct what was entered" }
            a class="more" href={ "/batches/" (slug) "/label" } { "Label and lot record" }
            a class="more" href={ "/account?batch=" (slug) "#links-head" } { "Let somebody look at it" }
        }
        p class="soft" { "From a terminal: " code { "fobwatch note " (quoted(shown.batch.name.as_str())) " opened --bottles 3" } }
    }
}

/// The page on which a batch's notes are written: a line for each thing that a person does or sees, opened by a tap. `wrong`: which kind
/// of note was not taken, and why.
pub(super) fn document(shown: &Shown, context: &Context, wrong: Option<(&str, &str)>) -> Markup {
    let name = shown.batch.name.as_str();
    let count = shown.batch.bottle.count;
    let why: Vec<String> = wrong.map(|(_, why)| why.to_owned()).into_iter().collect();
    let form = Form {
        address: format!("/batches/{}/tell", shown.batch.name.slug()),
        local: on_the_clock(shown.batch.bottled_at, context.now, &context.display.zone),
        open: wrong.map(|(kind, _)| kind.to_owned()),
    };
    let one = |kind: &str, heading: &str, inside: Markup| form.folded(kind, heading, &form.of(kind, &inside));
    frame(
        &if shown.is_danger() {
            format!("What was seen of {name} before?")
        } else {
            format!("What did you do or see with {name}?")
        },
        context,
        &html! {
            (refused("Not noted.", &why))
            @if shown.is_danger() {
                p class="press" { strong class="danger" { "Danger. " } (caution::KEEP_OUT) }
                p {
                    "Tell only what was done or seen before: it may narrow what is feared. Do nothing for it: no bottle is to be opened, squeezed, moved or \
                     looked at now. A note silences no alert of pressure."
                }
            } @else {
                p class="soft" { "A note never silences an alert of pressure." }
            }
            div class="told" {
                (one("opened", "I opened a bottle", html! {
                    (number("Number of the bottle", count))
                    (words("It was", &FIZZ))
                    p class="soft" { "A bottle that was opened no longer stands for the batch." }
                }))
                @if shown.batch.sensor_vessel().material == Material::Pet {
                    (one("squeezed", "I squeezed the plastic bottle with the sensors", words("It was", &SQUEEZED)))
                }
                (form.folded("tasted", "I tasted it", &html! {
                    (form.of("tasted", &words("It was", &FIZZ)))
                    (form.of("tasted", &html! {
                        (number("Or in your own words: number of the bottle", count))
                        label { "It was" input name="text" maxlength="500" required; }
                        p class="soft" {
                            "Said of two bottles or more that had been cold for a day, a word of your own counts in later batches, too."
                        }
                        (NOTE_IT)
                    }))
                }))
                @if !shown.is_danger() {
                    (one("moved_to_fridge", "I moved them to the fridge", html! { (how_many(shown)) (NOTE_IT) }))
                }
                (one("taken_out", "I took some out of the fridge", html! {
                    (numbers("Which bottles, as 1-4 or 2,5; empty: all", false)) (NOTE_IT)
                }))
                (one("gravity", "I measured the gravity in a sample", html! {
                    (figure("Gravity, as 1.026", "0.0005", "SG"))
                    (words("The sample was", &["degassed", "gassy"]))
                }))
                (one("gauge", "I read a dial", html! { (figure("Gauge pressure, bar", "0.05", "bar")) (NOTE_IT) }))
                (one("given_away", "I gave some away", html! { (numbers("Which bottles", true)) (NOTE_IT) }))
                (one("vented", "I let gas off", html! {
                    p class="soft" { "It lowers the pressure for hours only: it is no rescue. Told, it is not taken for a leak." }
                    (numbers("Which bottles, as 1-4 or 2,5; empty: all", false)) (NOTE_IT)
                }))
                (one("broken", "One broke or burst", html! {
                    p class="soft" { "The others still hold pressure." }
                    (numbers("Which bottles", true)) (NOTE_IT)
                }))
                (one("other", "Something else", html! {
                    label { "In your own words" input name="text" maxlength="500" required; }
                    (NOTE_IT)
                }))
            }
            p { a class="more" href="/cultures" { "I fed the culture, or did something else to it" } }
        },
    )
}

/// The last button of a form whose words were typed.
const NOTE_IT: PreEscaped<&str> = PreEscaped("<button>Note it</button>");

/// What the forms of a page share.
struct Form {
    address: String,
    /// When the batch was sealed, and the present, as a browser has local times.
    local: [String; 2],
    /// The one that is not folded.
    open: Option<String>,
}

impl Form {
    fn folded(&self, kind: &str, heading: &str, inside: &Markup) -> Markup {
        html! {
            details id={ "told-" (kind) } open[self.open.as_deref() == Some(kind)] {
                summary { (heading) }
                (inside)
            }
        }
    }

    fn of(&self, kind: &str, inside: &Markup) -> Markup {
        let [sealed, now] = &self.local;
        html! {
            form class="tell" method="post" action=(self.address) {
                // The key Enter presses the first button of a form, which must not be a word that nobody meant.
                button disabled hidden {}
                input type="hidden" name="kind" value=(kind);
                (inside)
                details class="when" {
                    summary { "It was earlier" }
                    label { "When" input type="datetime-local" name="when" min=(sealed) max=(now); }
                }
            }
        }
    }
}

/// The earliest and latest that a clock on the wall showed between two moments, as a browser has local times. When the clocks go back an
/// hour is shown twice, and what was before by the sun may be later by the clock.
pub(super) fn on_the_clock(from: Timestamp, to: Timestamp, zone: &TimeZone) -> [String; 2] {
    let shown = |at: Timestamp| {
        let local = at.to_zoned_datetime(zone.clone());
        local.strftime("%Y-%m-%dT%H:%M").to_string()
    };
    let within = |at: &Timestamp| (from..=to).contains(at);
    let minutes = || (0..=60).map(SignedDuration::from_mins);
    let first = minutes().filter_map(|later| from.checked_add(later).ok().filter(within));
    let last = minutes().filter_map(|earlier| to.checked_sub(earlier).ok().filter(within));
    [
        first.map(shown).min().unwrap_or_else(|| shown(from)),
        last.map(shown).max().unwrap_or_else(|| shown(to)),
    ]
}

/// How many were moved, and whether the bottle with the sensors went too: without it "all" is not all.
fn how_many(shown: &Shown) -> Markup {
    let count = shown.batch.bottle.count;
    html! {
        label {
            "How many of the " (count)
            input type="number" inputmode="numeric" name="how_many" min="1" max=(count) value=(count) required;
        }
        @if shown.batch.pilot.is_some() {
            div class="words" role="radiogroup" aria-label="The pilot, the bottle with the sensors" {
                span class="soft" { "The pilot, the bottle with the sensors" }
                label { input type="radio" name="pilot" value="moved" required; " went too" }
                label { input type="radio" name="pilot" value="stayed"; " stayed" }
            }
        }
        (numbers("Their numbers, if only some, as 1-4 or 2,5; empty: the first ones", false))
        p class="soft" { (caution::CARRYING) }
    }
}

/// Takes the last move back, as long as nothing was told of it since.
pub(super) fn undo(shown: &Shown, moved: &Note) -> Markup {
    let numbers: Vec<String> = moved.bottles.iter().flatten().map(u32::to_string).collect();
    html! {
        form class="tap" method="post" action={ "/batches/" (shown.batch.name.slug()) "/tell" } {
            input type="hidden" name="kind" value="taken_out";
            @if !numbers.is_empty() { input type="hidden" name="bottles" value=(numbers.join(",")); }
            input type="hidden" name="text" value="not moved after all";
            button class="quiet" { "Undo: they were not moved" }
        }
    }
}

fn number(label: &str, most: u32) -> Markup {
    html! {
        label { (label) input type="number" inputmode="numeric" name="bottles" min="1" max=(most) required; }
    }
}

fn numbers(label: &str, required: bool) -> Markup {
    html! {
        label { (label) input name="bottles" inputmode="text" maxlength="200" required[required]; }
    }
}

fn figure(label: &str, step: &str, unit: &str) -> Markup {
    html! {
        label { (label) input type="number" inputmode="decimal" name="value" step=(step) min="0" required; }
        input type="hidden" name="unit" value=(unit);
    }
}

/// One of a few words: each a button that notes it, to be hit with a thumb.
fn words(label: &str, words: &[&str]) -> Markup {
    html! {
        div class="words" role="group" aria-label=(label) {
            span class="soft" { (label) }
            @for word in words { button class="quiet" name="text" value=(word) { (word) } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn in_the_hour_that_is_shown_twice_what_was_before_can_still_be_told() {
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let clock = |from: &str, to: &str| on_the_clock(from.parse().unwrap(), to.parse().unwrap(), &zone);
        // It is 02:10 CET, and was 02:59 CEST eleven minutes ago.
        let now = clock("2026-10-24T06:00:00Z", "2026-10-25T01:10:00Z");
        assert_eq!(now, ["2026-10-24T08:00", "2026-10-25T02:59"]);
        // Sealed at 02:30 CEST; half an hour later it was 02:00 CET.
        let sealed = clock("2026-10-25T00:30:00Z", "2026-10-25T05:00:00Z");
        assert_eq!(sealed, ["2026-10-25T02:00", "2026-10-25T06:00"]);
        let just_sealed = clock("2026-03-04T12:00:00Z", "2026-03-04T12:01:00Z");
        assert_eq!(just_sealed, ["2026-03-04T13:00", "2026-03-04T13:01"]);
    }
}
