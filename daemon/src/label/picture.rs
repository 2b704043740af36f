//! Label and card as SVG, alone and on a page that is printed. Plain attributes, no style: the page's policy allows none inline.

use maud::{DOCTYPE, Markup, html};

use super::{Facts, Kind, lines};
use crate::page::{KEEP_OUT, Top, head, top, wrapped};

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

/// A bold letter is so much wider.
const BOLD: f64 = 1.12;
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
    for row in wrapped(&heading, room / (title * BOLD)) {
        y += title;
        rows.push((y, title, row));
        y += title * (LINE - 1.0);
    }
    for sentence in &sentences {
        y += 0.45 * text;
        for row in wrapped(&sentence.replace("CO2", "CO\u{2082}"), room / text) {
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
            rect x="0.3" y="0.3" width=(mm(wide - 0.6)) height=(mm(tall - 0.6)) rx="0.8" fill="#ffffff" stroke="#17605c" stroke-width="0.6" {}
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
                    h1 class="unprinted" { "Label and shelf card of " (name) }
                    @if facts.danger {
                        p class="press" { strong class="danger" { "Danger. " } (KEEP_OUT) " A label makes no bottle safe." }
                    }
                    p class="unprinted" {
                        "What a guest must know. Print this page; ingredients, lot and allergens come from " code { "[recipe]" }
                        " of the batch file and from the culture\u{2019}s diary. It claims no compliance with any rule: what a label must say \
                         where you live stands above it."
                    }
                    p class="unprinted" { a class="more" href={ "/batches/" (name.slug()) "/recipe" } { "Its recipe, for another volume" } }
                    div class="labels" { (drawn(facts, Kind::Label)) (drawn(facts, Kind::Card)) }
                    section class="lot" {
                        @for (place, line) in lot.iter().enumerate() { (lot_line(place, line)) }
                    }
                }
            }
        }
    };
    markup.into_string()
}

/// A line of the record as the page sets it: its title, what a line is about, what belongs to the line above.
fn lot_line(place: usize, line: &str) -> Markup {
    html! {
        @if place == 0 {
            h2 { (line) }
        } @else if let Some(inner) = line.strip_prefix("  ") {
            p class="inner" { (inner) }
        } @else {
            @match line.split_once(": ") {
                Some((about, told)) => p { strong { (about) ":" } " " (told) },
                None => p { (line) },
            }
        }
    }
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
}
