//! Cultures beside each other.

use fobwatch_core::compare::Comparison;
use maud::{Markup, html};

use super::{Curve, amount::capital, compared, craft, pictured::pictured};
use crate::{config::Display, craft::words};

/// More batches, or pairs of cultures, than these are folded.
const MOST_OPEN: usize = 12;

/// `fed`: what each culture loses with the days since its feed. `curves`: their ways, those of one culture together.
pub(super) fn document(
    comparison: &Comparison,
    fed: &[String],
    left_out: &[String],
    curves: &[Curve<'_>],
    display: &Display,
    demo: bool,
) -> Markup {
    craft::document(
        "Cultures beside each other",
        demo,
        &html! {
            (craft::of_cultures("/compare"))
            @if comparison.cultures.is_empty() {
                h1 { "No culture can be compared yet." }
                p { "Name the culture when you begin a batch: once something was measured in it, it tells of its culture here." }
            } @else {
                h1 { (headline(comparison)) }
                p class="soft" { (craft::sentence(words::VIGOUR_ON_PAGE)) " A warm kitchen or a large dose does not make a culture look lively here." }
                table {
                    thead { tr {
                        th scope="col" { "Culture" }
                        th scope="col" { "Batches" }
                        th scope="col" { "Vigour" }
                        th scope="col" { "Lag, h" }
                        th scope="col" { "In 30 days" }
                    } }
                    tbody {
                        @for of in &comparison.cultures {
                            @let vigour = &of.standing.vigour;
                            @let lag = &of.standing.lag;
                            tr {
                                td class="name" { (of.culture) }
                                td { (of.batches) }
                                td class="value" { (format!("{:.2}", vigour.p50.ratio())) small { (format!("{:.2} to {:.2}", vigour.p05.ratio(), vigour.p95.ratio())) } }
                                td class="value" { (format!("{:.0}", lag.p50.0)) small { (format!("{:.0} to {:.0}", lag.p05.0, lag.p95.0)) } }
                                td {
                                    @match of.trend {
                                        Some(trend) => span class="value" { (format!("{:+.0} %", trend.0.p50)) small { (format!("{:+.0} to {:+.0} %", trend.0.p05, trend.0.p95)) } },
                                        None => small { "too few" },
                                    }
                                }
                            }
                        }
                    }
                }
                @if comparison.pairs.len() > 1 {
                    @let (first, rest) = comparison.pairs.split_at(comparison.pairs.len().min(MOST_OPEN));
                    section {
                        h2 { "Which is livelier" }
                        @for pair in first { p { (capital(&words::pair(pair))) } }
                        @if !rest.is_empty() {
                            details { summary { (rest.len()) " more pairs" } @for pair in rest { p { (capital(&words::pair(pair))) } } }
                        }
                    }
                }
                @if !fed.is_empty() {
                    section { h2 { "Since the last feed" } @for told in fed { p { (capital(told)) } } }
                }
                @if !curves.is_empty() {
                    section {
                        h2 { "Their curves" }
                        (pictured(|screen| compared(curves, screen), "Curves of each culture\u{2019}s batches, from sealing on and by time at 20 degC"))
                    }
                }
                @let (first, rest) = comparison.batches.split_at(comparison.batches.len().min(MOST_OPEN));
                section {
                    h2 { "Batch by batch" }
                    @for batch in first { p { (capital(&words::batch(batch, display))) } }
                    @if !rest.is_empty() {
                        details { summary { (rest.len()) " more batches" } @for batch in rest { p { (capital(&words::batch(batch, display))) } } }
                    }
                }
            }
            @if !left_out.is_empty() {
                details { summary { (left_out.len()) " left out" } @for why in left_out { p { (why) } } }
            }
            p class="soft" { "From a terminal, also as JSON, CSV and a picture: " code { "fobwatch compare --picture jars.svg" } }
        },
    )
}

fn headline(comparison: &Comparison) -> String {
    match (comparison.cultures.as_slice(), comparison.pairs.first()) {
        ([first, _, ..], Some(pair)) if pair.culture == first.culture => capital(&words::pair(pair)),
        ([first, ..], _) => format!(
            "{} is the only culture that can be told of.",
            capital(first.culture.as_str())
        ),
        ([], _) => String::new(),
    }
}
