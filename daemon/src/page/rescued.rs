//! What can still be done for a batch.

use maud::{Markup, html};

use super::{amount::capital, caution, craft};
use crate::rescue::Told;

/// `earliest` and `latest`: what may be asked for, as a browser has local times.
pub(super) fn document(told: &Told, [earliest, latest]: &[String; 2], demo: bool) -> Markup {
    let name = told.batch.as_str();
    let slug = told.batch.slug();
    let danger = told.plight == "danger";
    craft::document(
        &format!("What can be done for {name}"),
        demo,
        &html! {
            h1 class=[danger.then_some("danger")] { "What can be done for " (name) }
            @for (place, sentence) in told.advice.iter().enumerate() {
                p class=[(place == 0).then_some("press")] { (craft::sentence(&on_page(sentence))) }
            }
            @if told.plight == "chilled_too_early" {
                form class="tap" method="post" action={ "/batches/" (slug) "/tell" } {
                    input type="hidden" name="kind" value="taken_out";
                    button { "I have taken them all out of the fridge" }
                }
            }
            @if !danger {
                form class="tell" method="get" action={ "/batches/" (slug) "/rescue" } {
                    label {
                        @if told.plight == "chilled_too_early" { "If they are taken out later" } @else { "As it will stand later" }
                        input type="datetime-local" name="at" min=(earliest) max=(latest) required;
                    }
                    button class="quiet" { "Tell me for then" }
                }
            }
            p class="soft" { "Nothing was changed by asking. From a terminal: " code { "fobwatch rescue " (super::quoted(name)) } }
            (caution::gone_wrong())
        },
    )
}

/// What the terminal says with a command is a tap away here.
fn on_page(sentence: &str) -> String {
    let said = sentence.replace("`fobwatch status` tells", "The agenda tells");
    let said = match said.split_once(", and note it: fobwatch note") {
        Some((said, _)) => format!("{said}, and note it here."),
        None => said,
    };
    capital(&said)
}
