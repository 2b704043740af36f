//! What the page tells about danger, word for word the project's cautions.

use maud::{Markup, html};

pub(super) use crate::wording::{CARRYING, GONE_TOO_FAR, KEEP_OUT};

/// Always in reach: what to do when it has gone wrong.
pub(super) fn gone_wrong() -> Markup {
    html! {
        section id="gone-wrong" class="wrong" aria-labelledby="gone-wrong-head" {
            h2 id="gone-wrong-head" { "Gone wrong?" }
            div class="flow" {
                div {
                    h3 { "A bottle may be at or over its limit, and is warm" }
                    p { strong class="danger" { "Danger. " } (KEEP_OUT) }
                    p { "Letting gas off lowers the pressure for hours only: it is no rescue." }
                }
                div {
                    h3 { "The pressure fell and nobody opened a bottle" }
                    p {
                        "A bottle may have burst or a stopper lifted. The others still hold pressure. "
                        strong { "Stay out." }
                    }
                }
                div {
                    h3 { "Gone too far, but cold" }
                    p { (GONE_TOO_FAR) }
                }
                div {
                    h3 { "It gains nothing" }
                    p {
                        "Sugar is left, so it can start again, and a leak would look the same. Treat the bottles as \
                         live."
                    }
                }
            }
        }
    }
}

/// At the foot of every page.
pub(super) fn foot() -> Markup {
    html! {
        h2 { "Before you rely on it" }
        div class="flow" {
            p {
                strong { "Pressure. " }
                "Bottles can burst. Use only bottles made for fizzy drinks whose maker states a pressure. The sensor's \
                 bottle tells about itself; the glass may be ahead of it. Keep warm bottles in a lidded crate, away \
                 from children, off high shelves, out of the sun and of cars. Never freeze, heat or pasteurise a \
                 sealed bottle. The fridge slows the culture; it does not stop it."
            }
            p { strong { "Carrying. " } (CARRYING) }
            p {
                strong { "Alcohol. " }
                "This drink holds alcohol, more the longer it stands: about a quarter of a percent for each volume of \
                 CO\u{2082} that yeast makes. Not for children, in pregnancy, with some medicines, before driving, or \
                 for those who abstain. The figure is an estimate, no test for a label or an authority."
            }
            p {
                strong { "Doubt. " }
                "All of this is estimated. Local codes and licensed practice stand above it."
            }
        }
    }
}
