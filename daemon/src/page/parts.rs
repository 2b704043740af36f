//! Where many batches are watched, the page comes in parts: what wants somebody first, and links that need no script.

use maud::{Markup, html};

use super::{
    amount::count,
    survey::{Overview, Survey},
};

/// So many batches stand on one part of the page.
const MOST_ON_A_PAGE: usize = 50;

/// Which part of the page is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Part {
    /// The first is 1. Behind the last one the last is meant: there were more a moment ago.
    pub(crate) number: usize,
    /// Only batches whose name holds this.
    pub(crate) named: Option<String>,
}

impl Default for Part {
    fn default() -> Self {
        Self {
            number: 1,
            named: None,
        }
    }
}

impl Part {
    fn number_of(&self, batches: usize) -> usize {
        self.number.clamp(1, batches.div_ceil(MOST_ON_A_PAGE).max(1))
    }

    /// The places in the list of the batches that stand on it.
    pub(crate) fn of<'s>(&self, survey: &'s Survey) -> &'s [usize] {
        let from = (self.number_of(survey.batches()) - 1) * MOST_ON_A_PAGE;
        let rest = survey.order().get(from..).unwrap_or_default();
        rest.split_at(rest.len().min(MOST_ON_A_PAGE)).0
    }

    fn address(&self, number: usize) -> String {
        let named = self
            .named
            .as_ref()
            .map(|named| format!("named={}", in_an_address(named)));
        let page = (number > 1).then(|| format!("page={number}"));
        let asked: Vec<String> = named.into_iter().chain(page).collect();
        format!("/?{}", asked.join("&"))
    }
}

/// RFC 3986, section 2.1: whatever is not unreserved is escaped.
fn in_an_address(text: &str) -> String {
    let escaped = |byte: u8| match byte {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    };
    text.bytes().map(escaped).collect()
}

/// Says what is looked for, and asks.
pub(super) fn about(overview: &Overview, part: &Part) -> Markup {
    let batches = overview.survey.batches();
    if batches <= MOST_ON_A_PAGE && part.named.is_none() {
        return html! {};
    }
    html! {
        form class="find" action="/" method="get" role="search" {
            label for="named" { "Find batches by their name" }
            input id="named" name="named" type="search" maxlength="80" value=[part.named.as_deref()];
            button class="quiet" { "Find" }
        }
        @if let Some(named) = &part.named {
            p {
                "What is said here is only of " (count(batches, "batch", "batches")) " with \u{201c}" (named) "\u{201d} in the name. "
                a href="/" { "All batches" }
            }
        }
    }
}

/// Under the agenda: what wants somebody and does not stand here.
pub(super) fn more(overview: &Overview, part: &Part) -> Markup {
    let survey = &overview.survey;
    let number = part.number_of(survey.batches());
    let until = number * MOST_ON_A_PAGE;
    let wanting = survey.wanting.saturating_sub(until);
    html! {
        @if wanting > 0 {
            p {
                strong { (count(wanting, "more batch wants", "more batches want")) " somebody now: " }
                a href=(part.address(number + 1)) { "the next ones" }
            }
        } @else if survey.batches() > until {
            p {
                (count(survey.batches() - until, "more batch wants", "more batches want")) " nobody now: "
                a href=(part.address(number + 1)) { "the next ones" }
            }
        }
    }
}

/// Under it all: where one is, and the way on and back.
pub(super) fn turn(overview: &Overview, part: &Part) -> Markup {
    let batches = overview.survey.batches();
    if batches <= MOST_ON_A_PAGE {
        return html! {};
    }
    let number = part.number_of(batches);
    let last = batches.div_ceil(MOST_ON_A_PAGE);
    html! {
        nav aria-label="More batches" {
            p {
                "Batches " ((number - 1) * MOST_ON_A_PAGE + 1) " to " (batches.min(number * MOST_ON_A_PAGE)) " of " (batches)
                ", most urgent first."
            }
            p class="taps" {
                @if number > 1 {
                    a class="button quiet" href=(part.address(number - 1)) rel="prev" { "The ones before" }
                    " "
                }
                @if number < last { a class="button quiet" href=(part.address(number + 1)) rel="next" { "The next ones" } }
            }
        }
    }
}
