//! The page on which a batch's entries are corrected, and what is said once they are.

use maud::{Markup, html};

use super::{
    Begun, Context, Shown,
    begin::{Asked, forms},
    caution,
    frame::frame,
    planned::by_label,
};

/// The entries as they hold, to be typed over.
pub(super) fn document(shown: &Shown, begun: &Begun, context: &Context) -> Markup {
    let name = shown.batch.name.as_str();
    let address = format!("/batches/{}/correct", shown.batch.name.slug());
    let asked = Asked::of_a_named(
        &address,
        "Not corrected.",
        "Correct these entries",
        "Correct by this file",
    );
    frame(
        &format!("Correct the entries of {name}"),
        context,
        &html! {
            @if shown.is_danger() {
                p class="press" { strong class="danger" { "Danger. " } (caution::KEEP_OUT) }
            }
            p { "Everything since the sealing is reckoned again with what you enter here: what sensors told and what you noted counts as before. The old \
                 entries are kept, with who corrected them and when. Its name stays." }
            p class="soft" { "Correct what was entered wrongly, and nothing to quieten an alert: the limit is the figure of the bottles\u{2019} maker." }
            (forms(begun, &asked, context))
            p class="soft" { "From a terminal: " code { "fobwatch batch correct " (super::quoted(name)) " --set bottle.fill_ml=470" } }
        },
    )
}

/// What was done.
pub(super) fn done(shown: &Shown, changes: &[String], warnings: &[String], context: &Context) -> Markup {
    let name = shown.batch.name.as_str();
    let title = if changes.is_empty() {
        format!("Nothing of {name} differs")
    } else {
        format!("{name} is corrected")
    };
    frame(
        &title,
        context,
        &html! {
            @if changes.is_empty() {
                p { "What was sent is what holds already: nothing was changed." }
            } @else {
                ul { @for change in changes { li { (change) } } }
                p { "It is reckoned again from its sealing on. Until that is done the page shows it as old: treat the bottles as live." }
            }
            @if !warnings.is_empty() {
                p { "Think about this before you rely on it:" }
                ul { @for warning in warnings { li { (by_label(warning)) } } }
            }
            p { a class="more" href={ "/#batch-" (shown.batch.name.slug()) } { "To " (name) } }
        },
    )
}
