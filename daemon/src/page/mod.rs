//! The page: what a person must do, and when, in plain sentences, rendered on the server.
//!
//! Pure functions: [`agenda`] and [`chart`] take what is known and the time, and give HTML and SVG. Whatever came from
//! outside (names, sources, messages) is escaped by the `maud` macros. The page needs no script; [`script`] makes it
//! pleasanter. With it, [`style`] and [`favicon`] the page lives under a policy that allows nothing from elsewhere and nothing inline.

mod agenda;
mod amount;
mod batch;
mod begin;
mod calendar;
mod caution;
mod chart;
mod clock;
mod compared;
#[cfg(test)]
mod fixture;
mod frame;
mod geometry;
mod headline;
mod layout;
mod moments;
mod need;
mod noted;
mod see_to;
mod shelf;
mod shown;
mod tell;
#[cfg(test)]
mod tests;
mod told;
mod warmth;

use fobwatch_core::alert::AlertName;
use jiff::Timestamp;

use crate::{config::Display, watch::Trouble};

pub(crate) use amount::Units;
pub(crate) use batch::quoted;
pub use begin::Begun;
pub(crate) use begin::{is_number, keys};
pub use compared::{Curve, compared};
pub use need::Urgency;
pub use see_to::Offer;
pub use shown::Shown;
pub(crate) use told::plain;
pub use told::{Told, ToldAlert, ToldBatch, ToldNeed, told};
pub use warmth::Warmth;
pub(crate) use warmth::{of as warmth_of, thermometer};

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

/// The page on which a batch begins: an HTML document.
#[must_use]
pub fn begin(begun: &Begun, context: &Context) -> String {
    begin::document(begun, context).into_string()
}

/// Says that the batch `name` is watched, and what should be thought about: an HTML document.
#[must_use]
pub fn begun_with_warnings(name: &str, slug: &str, warnings: &[String], context: &Context) -> String {
    begin::warned(name, slug, warnings, context).into_string()
}

/// The page on which a person sees to a batch's alerts, export and end: an HTML document. `offers`: what may be done to
/// which alert; `wrong`: why the last thing was not done.
#[must_use]
pub fn see_to(
    batch: &Shown,
    offers: &[(AlertName, Vec<Offer>)],
    context: &Context,
    wrong: Option<&str>,
) -> String {
    see_to::document(batch, offers, context, wrong).into_string()
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
