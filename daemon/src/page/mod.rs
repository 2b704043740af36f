//! The page: what a person must do, and when, in plain sentences, rendered on the server.
//!
//! Pure functions: [`agenda`] and [`chart`] take what is known and the time, and give HTML and SVG. Whatever came from
//! outside (names, sources, messages) is escaped by the `maud` macros. The page needs no script; [`script`] makes it
//! pleasanter. With it, [`style`] and [`favicon`] the page lives under a policy that allows nothing from elsewhere and nothing inline.

mod agenda;
mod amount;
mod batch;
mod calendar;
mod caution;
mod chart;
mod clock;
mod compared;
#[cfg(test)]
mod fixture;
mod geometry;
mod headline;
mod layout;
mod login;
mod need;
mod noted;
mod shared;
mod shelf;
mod shown;
mod tell;
#[cfg(test)]
mod tests;
mod told;

use jiff::Timestamp;

use crate::{config::Display, watch::Trouble};

pub(crate) use amount::Units;
pub(crate) use batch::quoted;
pub use compared::{Curve, compared};
pub use need::Urgency;
pub use shown::Shown;
pub(crate) use told::plain;
pub use told::{Told, ToldAlert, ToldBatch, ToldNeed, told};

/// For whom and when the page is written.
#[derive(Clone, Debug)]
pub struct Context {
    /// What the clock shows.
    pub now: Timestamp,
    /// The user's zone and units.
    pub display: Display,
    /// The batches are made up: said everywhere.
    pub demo: bool,
    /// Nothing can be stored: said before all else.
    pub unstored: Option<Trouble>,
}

impl Context {
    fn clock(&self) -> clock::Clock<'_> {
        clock::Clock {
            now: self.now,
            zone: &self.display.zone,
        }
    }

    fn units(&self) -> amount::Units {
        amount::Units::from(&self.display)
    }
}

/// The page at `/`: an HTML document.
#[must_use]
pub fn agenda(batches: &[Shown], context: &Context) -> String {
    layout::document(batches, context).into_string()
}

/// Expected moves as a calendar, to be served at `/calendar.ics` as `text/calendar`.
#[must_use]
pub fn calendar(batches: &[Shown], context: &Context) -> String {
    calendar::of(batches, context)
}

/// The page on which notes of a batch are written: an HTML document. `wrong`: why the last one was not taken.
#[must_use]
pub fn tell(batch: &Shown, context: &Context, wrong: Option<&str>) -> String {
    tell::document(batch, context, wrong).into_string()
}

/// The page on which people log in. `next`: where to go then; `wrong`: why the last try was refused.
#[must_use]
pub fn login(next: &str, wrong: Option<&str>, demo: bool) -> String {
    login::form(next, wrong, demo).into_string()
}

/// The page that says who is logged in and lets him out; `who` is `None` where nobody has to log in.
#[must_use]
pub fn account(who: Option<&str>, demo: bool) -> String {
    login::account(who, demo).into_string()
}

/// One batch alone, to look at, for whoever has a link to it.
#[must_use]
pub fn shared(batch: &Shown, context: &Context) -> String {
    shared::document(batch, context).into_string()
}

/// The script, to be served at `/page.js` as `text/javascript`: fresh figures, and the value under the pointer. Nothing needs it.
#[must_use]
pub fn script() -> &'static str {
    include_str!("page.js")
}

/// The content of one batch over time with its forecast: an SVG element that stretches to the width it is given.
/// `None` while nothing has been reckoned.
#[must_use]
pub fn chart(batch: &Shown, context: &Context) -> Option<String> {
    chart::draw(batch, "chart", context, chart::MOST_POINTS).map(maud::PreEscaped::into_string)
}

/// The same as a picture of its own: with its style inside, and a size.
#[must_use]
pub fn picture(batch: &Shown, context: &Context) -> Option<String> {
    let chart = chart(batch, context)?;
    let inside = format!("<style>{}</style>", include_str!("style.css"));
    let head = chart.find('>')? + 1;
    let (open, rest) = chart.split_at(head);
    Some(format!(
        "{}{inside}{rest}",
        open.replacen("width=\"100%\"", "width=\"720\"", 1)
    ))
}

/// The style sheet, to be served at `/style.css` as `text/css`.
#[must_use]
pub fn style() -> &'static str {
    include_str!("style.css")
}

/// The icon, to be served at `/favicon.svg` as `image/svg+xml`.
#[must_use]
pub fn favicon() -> &'static str {
    include_str!("favicon.svg")
}
