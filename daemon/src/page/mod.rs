//! The page: what a person must do, and when, in plain sentences, rendered on the server.
//!
//! Pure functions: [`agenda()`] and [`chart()`] take what is known and the time, and give HTML and SVG. Whatever came from
//! outside (names, sources, messages) is escaped by the `maud` macros. The page needs no script; [`script`] makes it
//! pleasanter. With it, [`style`] and [`favicon`] the page lives under a policy that allows nothing from elsewhere and nothing inline.

mod account;
mod agenda;
mod batch;
mod begin;
mod calendar;
mod caution;
mod channels;
mod chart;
mod compared;
mod corrected;
mod craft;
mod cultures;
mod diaries;
mod drawing;
mod experimented;
#[cfg(test)]
mod fixture;
mod frame;
mod geometry;
mod head;
mod headline;
mod layout;
mod lettering;
mod login;
mod moments;
mod need;
mod noted;
mod parts;
mod pictured;
mod planned;
mod rescued;
mod see_to;
mod setting;
mod shared;
mod shelf;
mod shown;
mod survey;
mod tell;
#[cfg(test)]
mod tests;
mod told;
mod trials;

mod warmth;

use fobwatch_core::{alert::AlertName, batch::CultureName, culture::Diary};
use jiff::Timestamp;

use crate::{
    config::Display,
    watch::Trouble,
    wording::{Units, amount, clock, plain, quoted},
};

pub use account::Account;
pub(crate) use account::CALENDAR;
pub use begin::Begun;
pub(crate) use begin::{is_number, keys};
pub use channels::sentences as of_channels;
pub use compared::{Curve, compared};
pub(crate) use diaries::{SPOILT, unknown_parent};
pub(crate) use experimented::experimented;
pub(crate) use head::{Top, head, top};
pub(crate) use lettering::wrapped;
pub use need::Urgency;
pub(crate) use parts::Part;
pub use pictured::Screen;
pub(crate) use planned::{Answer, Typed};
pub use see_to::Offer;
pub use shown::Shown;
pub(crate) use survey::{Overview, Passed, Survey};
pub(crate) use told::told_of;
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
    /// What a person should know of the channels and servers that are told things, in sentences.
    pub servers: Vec<String>,
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

/// The page at `/` of `batches`, which are all that are watched: an HTML document. Of many it shows those that come first.
#[must_use]
pub fn agenda(batches: &[Shown], context: &Context) -> String {
    let overview = Overview::of(batches, context.now);
    let part = Part::default();
    let places = part.of(&overview.survey);
    let some: Vec<Shown> = places
        .iter()
        .filter_map(|place| batches.get(*place).cloned())
        .collect();
    agenda_of(&some, &overview, &part, context)
}

/// The same of the batches that stand on one part of it.
pub(crate) fn agenda_of(batches: &[Shown], overview: &Overview, part: &Part, context: &Context) -> String {
    layout::document(batches, overview, part, context).into_string()
}

/// Expected moves as a calendar, to be served at `/calendar.ics` as `text/calendar`. `others`: how many more there are.
#[must_use]
pub fn calendar(batches: &[Shown], others: usize, context: &Context) -> String {
    calendar::of(batches, others, context)
}

/// The places in the list of the batches whose moves the calendar holds, and how many more have one.
pub(crate) fn in_calendar(all: &[Passed]) -> (Vec<usize>, usize) {
    calendar::chosen(all)
}

/// The page on which notes of a batch are written: an HTML document. `wrong`: which kind was not taken, and why.
#[must_use]
pub fn tell(batch: &Shown, context: &Context, wrong: Option<(&str, &str)>) -> String {
    tell::document(batch, context, wrong).into_string()
}

/// The page of all that was told of a batch: an HTML document. `wrong`: why a note was not taken back.
pub(crate) fn all_told(batch: &Shown, context: &Context, wrong: Option<&str>) -> String {
    noted::document(batch, context, wrong).into_string()
}

/// All that was told of a batch, for a terminal, a line each; with what was taken back.
pub(crate) fn noted(notes: &[fobwatch_core::note::Note], now: Timestamp, display: &Display) -> Vec<String> {
    let zone = &display.zone;
    noted::lines(notes, &clock::Clock { now, zone })
}

/// A note in words, as [`noted()`] has it behind its time.
pub(crate) fn note_in_words(note: &fobwatch_core::note::Note) -> String {
    noted::words(note)
}

/// The page on which a batch is planned: an HTML document.
/// `sources`: names of sensors that were heard.
pub(crate) fn planned(
    typed: &Typed,
    answer: &Answer,
    sources: &[String],
    display: &Display,
    demo: bool,
) -> String {
    planned::document(typed, answer, sources, display, demo).into_string()
}

/// Cultures beside each other: an HTML document.
pub(crate) fn cultures(
    comparison: &fobwatch_core::compare::Comparison,
    fed: &[String],
    left_out: &[String],
    curves: &[Curve<'_>],
    display: &Display,
    demo: bool,
) -> String {
    cultures::document(comparison, fed, left_out, curves, display, demo).into_string()
}

/// Experiments: an HTML document.
pub(crate) fn trials(found: &crate::craft::experiments::Found, display: &Display, demo: bool) -> String {
    trials::document(found, display, demo).into_string()
}

/// What can still be done for a batch: an HTML document. `from`: when the question may ask for, at the earliest.
pub(crate) fn rescued(
    told: &crate::rescue::Told,
    from: jiff::Timestamp,
    zone: &jiff::tz::TimeZone,
    demo: bool,
) -> String {
    // Browsers have no seconds: the minute that has begun lies before `from`.
    let from = from
        .saturating_add(jiff::SignedDuration::from_mins(1))
        .unwrap_or(from);
    let to = from
        .saturating_add(crate::rescue::AHEAD - jiff::SignedDuration::from_mins(2))
        .unwrap_or(from);
    rescued::document(told, &tell::on_the_clock(from, to, zone), demo).into_string()
}

/// The page of the cultures with their diaries: an HTML document. `named`: cultures of live batches, which may have no diary yet;
/// `wrong`: why the last entry was not taken.
#[must_use]
pub fn diaries(diary: &Diary, named: &[CultureName], context: &Context, wrong: Option<&str>) -> String {
    diaries::document(diary, named, context, wrong).into_string()
}

/// How a culture stands and what its diary says, in sentences for a terminal.
pub(crate) fn tended(diary: &Diary, culture: &CultureName, context: &Context) -> Vec<String> {
    let clock = context.clock();
    let state = diary.state(culture, context.now);
    let mut said: Vec<String> = state
        .iter()
        .flat_map(|state| diaries::sentences(state, diary, &clock))
        .collect();
    said.extend(
        diary
            .of(culture)
            .map(|entry| format!("  {}: {}", clock.moment(entry.at), diaries::said(entry))),
    );
    said
}

/// The page on which a batch begins: an HTML document.
#[must_use]
pub fn begin(begun: &Begun, context: &Context) -> String {
    begin::document(begun, context).into_string()
}

/// The page on which a batch's entries are corrected: an HTML document.
#[must_use]
pub fn correct(batch: &Shown, begun: &Begun, context: &Context) -> String {
    corrected::document(batch, begun, context).into_string()
}

/// Says what was corrected, and what should be thought about: an HTML document.
#[must_use]
pub fn corrected(batch: &Shown, changes: &[String], warnings: &[String], context: &Context) -> String {
    corrected::done(batch, changes, warnings, context).into_string()
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

/// The page on which people log in. `next`: where to go then; `wrong`: why the last try was refused.
#[must_use]
pub fn login(next: &str, wrong: Option<&str>, demo: bool) -> String {
    login::form(next, wrong, demo).into_string()
}

/// A page that says why what was asked for is not there, or was not done.
pub(crate) fn complaint(why: &str, demo: bool) -> String {
    craft::complaint(why, demo).into_string()
}

/// The page that says who is logged in and lets him out, and keeps the links.
#[must_use]
pub fn account(account: &Account, context: &Context) -> String {
    account::document(account, context).into_string()
}

/// One batch alone, to look at, for whoever has a link to it.
#[must_use]
pub fn shared(batch: &Shown, context: &Context) -> String {
    shared::document(batch, context).into_string()
}

/// The script of charts, to be served at `/chart.js` as `text/javascript`: the value under the pointer, and a closer look. Nothing needs it.
#[must_use]
pub fn chart_script() -> &'static str {
    include_str!("chart.js")
}

/// The script, to be served at `/page.js` as `text/javascript`: fresh figures. Nothing needs it.
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
