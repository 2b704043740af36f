//! Label and card as SVG, alone and on a page that is printed. Plain attributes, no style: the page's policy allows none inline.

use maud::{DOCTYPE, Markup, html};

use super::{Facts, Kind, lines};
use crate::page::{KEEP_OUT, Top, head, top};

/// Sizes in millimetres.
struct Form {
    wide: f64,
    margin: f64,
    title: f64,
    text: f64,
}

fn form(kind: Kind) -> Form {
    match kind {
        Kind::Label => Form {
            wide: 90.0,
            margin: 4.0,
            title: 7.0,
            text: 2.7,
        },
        Kind::Card => Form {
            wide: 148.0,
            margin: 8.0,
            title: 12.0,
            text: 4.2,
        },
    }
}

/// Mean width of a letter, of the letters' height: a plain sans, with room to spare.
const LETTER: f64 = 0.55;
const TITLE_LETTER: f64 = 0.62;
const LINE: f64 = 1.35;

/// As SVG, as tall as its text.
pub(crate) fn picture(facts: &Facts, kind: Kind) -> String {
    drawn(facts, kind).into_string()
}

fn drawn(facts: &Facts, kind: Kind) -> Markup {
    let Form {
        wide,
        margin,
        title,
        text,
    } = form(kind);
    let (heading, sentences) = lines(facts, kind);
    let room = wide - 2.0 * margin;
    let mut rows: Vec<(f64, f64, String)> = Vec::new();
    let mut y = margin;
    for row in wrapped(&heading, room / (title * TITLE_LETTER)) {
        y += title;
        rows.push((y, title, row));
        y += title * (LINE - 1.0);
    }
    for sentence in &sentences {
        y += 0.45 * text;
        for row in wrapped(sentence, room / (text * LETTER)) {
            y += text;
            rows.push((y, text, row));
            y += text * (LINE - 1.0);
        }
    }
    let tall = y + margin;
    // The page's own style would draw over the attributes; its style sheet says the sizes again, by these names.
    let class = match kind {
        Kind::Label => "label",
        Kind::Card => "card",
    };
    html! {
        svg class=(class) xmlns="http://www.w3.org/2000/svg" width={ (mm(wide)) "mm" } height={ (mm(tall)) "mm" } viewBox={ "0 0 " (mm(wide)) " " (mm(tall)) }
            role="img" aria-label={ (heading) ". " (sentences.join(" ")) } {
            rect x="0.3" y="0.3" width=(mm(wide - 0.6)) height=(mm(tall - 0.6)) rx="2" fill="#ffffff" stroke="#17605c" stroke-width="0.6" {}
            @for (y, size, row) in &rows {
                text class=[(*size > text).then_some("title")] x=(mm(margin)) y=(mm(*y)) font-family="'Noto Sans', system-ui, sans-serif" font-size=(mm(*size))
                    font-weight=[(*size > text).then_some("600")] fill="#20261f" { (row) }
            }
        }
    }
}

fn mm(value: f64) -> String {
    format!("{value:.2}")
}

/// Words in rows of at most `letters`; a word that is longer is broken.
fn wrapped(text: &str, letters: f64) -> Vec<String> {
    let most = (1..=400_u32)
        .take_while(|count| f64::from(*count) <= letters)
        .count()
        .max(8);
    let mut rows = vec![String::new()];
    for word in text.split_whitespace() {
        let mut rest: Vec<char> = word.chars().collect();
        while let Some(row) = rows.last_mut() {
            let used = row.chars().count();
            let gap = usize::from(used > 0);
            if used + gap + rest.len() <= most {
                if gap > 0 {
                    row.push(' ');
                }
                row.extend(rest.iter());
                break;
            }
            if used == 0 {
                row.extend(rest.drain(..most));
            }
            rows.push(String::new());
        }
    }
    rows
}

/// A file of its own: the labels of all bottles and the card, to be printed.
pub(crate) fn document(facts: &Facts, kinds: &[Kind]) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                title { (facts.batch.name) }
                style { "body{margin:8mm;background:#fff}svg{display:inline-block;margin:2mm;break-inside:avoid}" }
            }
            body { @for kind in kinds { (drawn(facts, *kind)) } }
        }
    };
    markup.into_string()
}

/// The page at `/batches/NAME/label`.
pub(crate) fn sheet(facts: &Facts) -> String {
    let name = &facts.batch.name;
    let lot = super::record(facts).lines(facts);
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("Label of {name}"), &html! { link rel="stylesheet" href="/label.css"; }))
            body {
                (top(Top::Other, facts.demo))
                main id="main" {
                    p class="unprinted" { a class="more" href={ "/batches/" (name.slug()) "/recipe" } { "Its recipe, for another volume" } }
                    h1 class="unprinted" { "Label and shelf card of " (name) }
                    @if facts.danger {
                        p class="press" { strong class="danger" { "Danger. " } (KEEP_OUT) " A label makes no bottle safe." }
                    }
                    p class="unprinted" {
                        "What a guest must know. Print this page; ingredients, lot and allergens come from " code { "[recipe]" }
                        " of the batch file and from the culture\u{2019}s diary. It claims no compliance with any rule: what a label must say \
                         where you live stands above it."
                    }
                    div class="labels" { (drawn(facts, Kind::Label)) (drawn(facts, Kind::Card)) }
                    section class="lot" {
                        h2 { "Lot record" }
                        @for line in &lot { p { (line) } }
                    }
                }
            }
        }
    };
    markup.into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_draws_letters_as_large_as_the_file_does() {
        let css = include_str!("label.css");
        for (kind, name) in [(Kind::Label, "label"), (Kind::Card, "card")] {
            let Form { title, text, .. } = form(kind);
            assert!(
                css.contains(&format!(".labels svg.{name} text {{ font-size: {text}px; }}")),
                "{css}"
            );
            assert!(
                css.contains(&format!(
                    ".labels svg.{name} text.title {{ font-size: {title}px; }}"
                )),
                "{css}"
            );
        }
    }

    #[test]
    fn rows_are_no_longer_than_their_room_and_lose_no_word() {
        let text = "Alive and under pressure: keep it cold. Averyveryverylongwordthatfitsnowhereatall end";
        let rows = wrapped(text, 12.9);
        assert!(rows.iter().all(|row| row.chars().count() <= 12), "{rows:?}");
        let joined: String = rows.concat().chars().filter(|c| !c.is_whitespace()).collect();
        let all: String = text.chars().filter(|c| !c.is_whitespace()).collect();
        assert_eq!(joined, all);
    }
}
