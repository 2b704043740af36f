//! One batch for somebody who was given a link: to look at, without forms, and without a word of any other batch.

use maud::{DOCTYPE, Markup, html};

use super::{Context, Shown, amount::capital, caution, chart, craft, head::head, setting, told};

pub(super) fn document(shown: &Shown, context: &Context) -> Markup {
    let name = shown.batch.name.as_str();
    let told = told(std::slice::from_ref(shown), context);
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(name, &html! { meta name="robots" content="noindex"; noscript { meta http-equiv="refresh" content="60"; } script src="/page.js" defer {} script src="/chart.js" defer {} }))
            body {
                @if context.demo {
                    p class="demo" role="note" { strong { "Demo." } " Made-up batches. No real bottle is watched." }
                }
                header { p class="mark-name" { "fobwatch" } }
                main id="main" {
                    h1 class=[shown.is_danger().then_some("danger")] { (setting::headline(&told.headline)) }
                    @if let Some(pressure) = &told.pressure { p class="press" { (craft::sentence(pressure)) } }
                    p class="soft" { time datetime=(context.now) { (told.local) } ". " (told.heard) }
                    section class="batch" {
                        h2 { (capital(name)) }
                        @for batch in &told.batches {
                            @for need in &batch.needs {
                                p class="when" { (setting::set(&capital(&need.when))) }
                                h3 class="need" { (craft::sentence(&need.what)) }
                                @for why in &need.why { p { (craft::sentence(why)) } }
                            }
                        }
                        @if let Some(picture) = chart::draw(shown, "chart", context, chart::MOST_POINTS) {
                            figure {
                                figcaption { "CO\u{2082} in the drink, volumes" }
                                (picture)
                            }
                        }
                    }
                    p class="soft" { "You see this batch by a link that its keeper gave you and may take back. You can look, and change nothing." }
                }
                footer { (caution::foot()) }
            }
        }
    }
}
