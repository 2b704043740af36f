//! The page of the cultures: how each stands, its diary, and a form to go on with it.

use fobwatch_core::{
    batch::CultureName,
    culture::{CultureState, Diary, DiaryEntry, Tended},
    quantity::Mass,
};
use maud::{DOCTYPE, Markup, html};

use super::{
    Context,
    clock::Clock,
    craft,
    head::{Top, head, top},
};

/// What to do with a starter that looks or smells wrong.
pub(crate) const SPOILT: &str =
    "Mould, pink or orange growth or a rotten smell: throw the starter out, and wash what it touched.";

/// Entries of a culture that are shown.
const SHOWN: usize = 20;

/// What the form offers, in the order of use.
const DEEDS: [(Tended, &str); 9] = [
    (Tended::Fed, "I fed it"),
    (Tended::Taken, "I took some"),
    (Tended::Chilled, "It went into the fridge"),
    (Tended::Warmed, "It came out of the fridge"),
    (Tended::Looked, "I looked at it and smelled it"),
    (Tended::Started, "It was begun, or came into the house"),
    (Tended::SplitFrom, "It was split from another culture"),
    (Tended::Holds, "It holds an allergen"),
    (Tended::Discarded, "I threw it out"),
];

/// `named`: cultures of live batches, which may have no diary yet.
pub(super) fn document(
    diary: &Diary,
    named: &[CultureName],
    context: &Context,
    wrong: Option<&str>,
) -> Markup {
    let clock = context.clock();
    let states: Vec<CultureState> = diary
        .cultures()
        .into_iter()
        .filter_map(|culture| diary.state(culture, context.now))
        .collect();
    let mut names: Vec<&str> = states.iter().map(|state| state.culture.as_str()).collect();
    names.extend(named.iter().map(CultureName::as_str));
    names.sort_unstable();
    names.dedup();
    html! {
        (DOCTYPE)
        html lang="en" {
            (head("Cultures", &html! { link rel="stylesheet" href="/label.css"; }))
            body {
                (top(Top::Other, context.demo))
                main id="main" {
                    (craft::of_cultures("/cultures"))
                    h1 { "The cultures" }
                    @if let Some(wrong) = wrong {
                        p class="press" role="alert" { strong { "Not noted. " } (wrong) "." }
                    }
                    @for state in &states { (one(state, diary, &clock)) }
                    @if states.is_empty() {
                        p { "No culture has a diary yet. Begin one below: the batches of a culture learn from each other, and its allergens \
                             come onto their labels." }
                    }
                    (form(&names))
                }
                footer { p { (SPOILT) " Allergens pass through the starter (barley, rye, whey): tell them here, and every label names them." } }
            }
        }
    }
}

fn one(state: &CultureState, diary: &Diary, clock: &Clock<'_>) -> Markup {
    let entries: Vec<&DiaryEntry> = diary.of(&state.culture).collect();
    let earlier = entries.len().saturating_sub(SHOWN);
    html! {
        section {
            h2 { (state.culture) }
            @for sentence in sentences(state, diary, clock) { p { (sentence) } }
            @if state.looks_spoilt && state.discarded_at.is_none() {
                p class="press" { strong class="danger" { "Throw it out? " } (SPOILT) }
            }
            details {
                summary { "Its diary: " (entries.len()) @if entries.len() == 1 { " entry" } @else { " entries" } }
                ul {
                    @for entry in entries.iter().rev().take(SHOWN) {
                        li {
                            time datetime=(entry.at) { (clock.moment(entry.at)) } ": " (said(entry))
                            form class="back" method="post" action="/cultures" {
                                input type="hidden" name="culture" value=(entry.culture);
                                input type="hidden" name="time" value=(entry.at);
                                input type="hidden" name="deed" value=(Tended::TakenBack.name());
                                input type="hidden" name="text" value=(entry.mark());
                                button class="quiet" { "That was wrong: take it back" }
                            }
                        }
                    }
                    @if earlier > 0 {
                        li class="soft" { (earlier) " earlier ones; " code { "fobwatch culture " (super::quoted(state.culture.as_str())) } " shows all." }
                    }
                }
            }
        }
    }
}

/// How a culture stands, in sentences.
pub(super) fn sentences(state: &CultureState, diary: &Diary, clock: &Clock<'_>) -> Vec<String> {
    let mut said = Vec::new();
    if let Some(at) = state.discarded_at {
        said.push(format!("It was thrown out {}.", clock.moment(at)));
    }
    said.push(match (state.fed_at, state.fed_grams) {
        (Some(at), Some(grams)) => format!("Fed last {}, with {grams} g.", clock.ago(at)),
        (Some(at), None) => format!("Fed last {}.", clock.ago(at)),
        (None, _) => "No feed was noted yet.".to_owned(),
    });
    if let Some(at) = state.chilled_since {
        said.push(format!("It rests in the fridge since {}.", clock.moment(at)));
    }
    if let Some(parent) = &state.parent {
        said.push(format!("It was split from {parent}."));
        if diary.of(parent).next().is_none() {
            said.push(unknown_parent(parent));
        }
    }
    if let Some((at, text)) = state.looked.as_ref().filter(|(_, text)| !text.is_empty()) {
        said.push(format!("Looked at {}: \u{201c}{text}\u{201d}.", clock.ago(*at)));
    }
    match state.proofs {
        0 => {}
        1 => said.push("It was proofed once.".to_owned()),
        many => said.push(format!("It was proofed {many} times.")),
    }
    said.push(if state.allergens.is_empty() {
        "No allergen was noted of it: if it was ever fed barley, rye, wheat, whey or the like, say so."
            .to_owned()
    } else {
        format!(
            "Allergens that its batches inherit: {}.",
            state.allergens.join(", ")
        )
    });
    said
}

/// A parent without a diary passes on nothing: a name that was typed wrong looks the same.
pub(crate) fn unknown_parent(parent: &CultureName) -> String {
    format!("Nothing is known here of {parent}: no allergen is inherited from it. Is that its name?")
}

/// An entry in words.
pub(super) fn said(entry: &DiaryEntry) -> String {
    let what = match entry.deed {
        Tended::Started => "begun".to_owned(),
        Tended::Fed => "fed".to_owned(),
        Tended::Taken => "taken from".to_owned(),
        Tended::Chilled => "into the fridge".to_owned(),
        Tended::Warmed => "out of the fridge".to_owned(),
        Tended::SplitFrom => match &entry.parent {
            Some(parent) => format!("split from {parent}"),
            None => "split".to_owned(),
        },
        Tended::Looked => "looked at".to_owned(),
        Tended::Proofed => proofed(entry),
        Tended::Holds => "holds".to_owned(),
        Tended::FreeOf => "free of".to_owned(),
        Tended::Discarded => "thrown out".to_owned(),
        Tended::TakenBack => "taken back".to_owned(),
    };
    let mut said = what;
    if let Some(grams) = entry.mass.map(Mass::grams) {
        said.push_str(&format!(", {grams} g"));
    }
    if !entry.allergens.is_empty() {
        let before = if matches!(entry.deed, Tended::Holds | Tended::FreeOf) {
            " "
        } else {
            ", with "
        };
        said.push_str(before);
        said.push_str(&entry.allergens.join(", "));
    }
    if let Some(text) = &entry.text {
        said.push_str(&format!(" (\u{201c}{text}\u{201d})"));
    }
    said
}

fn proofed(entry: &DiaryEntry) -> String {
    let Some(lesson) = &entry.lesson else {
        return "proofed".to_owned();
    };
    match lesson.liveliness {
        Some(lively) => {
            let [low, middle, high] = lively.ln_vigour.points().map(f64::exp);
            format!(
                "proofed as {} for {:.0} h: vigour {middle:.2}, between {low:.2} and {high:.2}",
                lesson.batch, lesson.hours
            )
        }
        None => format!("proofed as {} for {:.0} h", lesson.batch, lesson.hours),
    }
}

fn form(names: &[&str]) -> Markup {
    html! {
        form class="tell" method="post" action="/cultures" {
            fieldset {
                legend { "Go on with a diary, or begin one" }
                label {
                    "Culture"
                    input name="culture" maxlength="80" required list="cultures" autocomplete="off";
                }
                datalist id="cultures" { @for name in names { option value=(name) {} } }
                label {
                    "What happened"
                    select name="deed" required {
                        @for (deed, words) in DEEDS { option value=(deed.name()) { (words) } }
                    }
                }
                label { "Grams, where you fed or took" input name="grams" inputmode="decimal" maxlength="12"; }
                label { "Split from which culture" input name="parent" maxlength="80" list="cultures" autocomplete="off"; }
                label { "Allergens that came in with it, between commas" input name="allergens" maxlength="300"; }
                label { "In your own words" input name="text" maxlength="500"; }
                details class="when" {
                    summary { "It was earlier" }
                    label { "When" input type="datetime-local" name="time"; }
                }
                button { "Note it" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_culture_is_shown_with_its_feeds_allergens_and_what_looks_wrong_and_names_are_text() {
        let line = |more: &str| -> DiaryEntry {
            let line =
                format!(r#"{{"record":"diary","culture":"jar <two>","time":"2026-03-01T08:00:00Z",{more}}}"#);
            serde_json::from_str(&line).unwrap()
        };
        let diary = Diary::new(vec![
            line(r#""deed":"fed","grams":20,"allergens":["rye"]"#),
            line(r#""deed":"looked","text":"a pink spot""#),
            line(r#""deed":"split_from","parent":"jar <onne>""#),
        ]);
        let context = Context {
            now: "2026-03-02T07:00:00Z".parse().unwrap(),
            display: crate::config::Config::defaults().unwrap().display,
            demo: false,
            unstored: None,
            servers: Vec::new(),
        };
        let page = document(&diary, &[], &context, Some("no <b>")).into_string();
        assert!(
            page.contains("jar &lt;two&gt;") && !page.contains("jar <two>") && page.contains("no &lt;b&gt;")
        );
        assert!(
            page.contains("with 20 g") && page.contains("inherit: rye"),
            "{page}"
        );
        assert!(page.contains("name=\"text\" value=\"fed 20 g rye\""), "{page}");
        assert!(page.contains("Throw it out?"), "{page}");
        assert!(
            page.contains("Nothing is known here of jar &lt;onne&gt;"),
            "{page}"
        );
    }
}
