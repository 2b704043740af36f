//! What can be said of a batch before anything is filled: for `plan` and for the page.
//!
//! Figures come from [`fobwatch_core::plan`]; here they become sentences in parts, each with a heading.

mod advice;
mod away;
mod backwards;
mod course;
pub(crate) mod form;
mod pilot;
mod pressure;
mod room;
#[cfg(test)]
mod tests;

use fobwatch_core::{
    batch::Batch,
    culture::Lesson,
    fit::{Evidence, Surroundings},
    forecast::Forecast,
    plan::{Planner, Prospect},
    quantity::{GaugePressure, NotAQuantity, Temperature},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use crate::{
    config::Display,
    wording::{local, plain},
};
pub(crate) use away::Home;
pub(crate) use backwards::Ready;
pub(crate) use course::{Day, table as course_table};
pub(crate) use room::{Room, USUAL as USUAL_ROOM, read as read_room};

/// What is asked.
#[derive(Clone, Debug)]
pub(crate) struct Asked<'a> {
    /// The batch as it is planned.
    pub(crate) batch: &'a Batch,
    /// What earlier batches taught of its culture.
    pub(crate) lessons: &'a [Lesson],
    /// The room it is to stand in, and the sentence that says where that comes from.
    pub(crate) room: Room,
    pub(crate) room_said: String,
    pub(crate) surroundings: &'a Surroundings,
    pub(crate) display: &'a Display,
    /// It is to be drunk at this moment.
    pub(crate) ready: Option<Timestamp>,
    /// Nobody is at home until this moment.
    pub(crate) home: Option<Timestamp>,
}

/// Some sentences on one thing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Part {
    pub(crate) heading: &'static str,
    pub(crate) said: Vec<String>,
}

/// All that can be said.
#[derive(Clone, Debug)]
pub(crate) struct Planned {
    pub(crate) forecast: Forecast,
    pub(crate) course: Vec<Day>,
    /// Of the bottles, as the batch file has it.
    pub(crate) limit: GaugePressure,
    pub(crate) ready: Option<Ready>,
    pub(crate) home: Option<Home>,
    pub(crate) parts: Vec<Part>,
}

/// The room of a batch for which none was given: the batch file's, else a usual one.
pub(crate) fn room_of(batch: &Batch) -> (Room, String) {
    if let Some(expected) = batch.expected_room {
        let room = Room::one(expected.celsius());
        let word = format!(
            "Reckoned for a room of {}, as the batch file expects.",
            room.words()
        );
        return (room, word);
    }
    let room = read_room(USUAL_ROOM).unwrap_or(Room::one(21.0));
    let word = format!(
        "No room temperature was given, so {} were assumed: the early times hold for the warmest, the late ones for the coolest. Tell \
         yours, and the days come closer together.",
        room.words()
    );
    (room, word)
}

/// Plans.
///
/// # Errors
/// A figure lies outside the range of its type, or a moment that was asked for lies before it can be.
pub(crate) fn plan(asked: &Asked<'_>) -> Result<Planned, String> {
    let zone = &asked.display.zone;
    let earliest = asked.batch.bottled_at;
    for (what, at) in [("ready", asked.ready), ("home", asked.home)] {
        let latest = earliest.saturating_add(HORIZON).unwrap_or(Timestamp::MAX);
        if let Some(at) = at.filter(|at| *at <= earliest || *at > latest) {
            return Err(format!(
                "`{what}` is {}; allowed: after the sealing, {}, and within 60 days of it",
                local(at, zone),
                local(earliest, zone)
            ));
        }
    }
    let told = |bad: NotAQuantity| bad.to_string();
    let prospects = asked.prospects().map_err(told)?;
    let forecast = room::whichever(prospects.iter().map(Prospect::forecast).collect())
        .ok_or_else(|| "nothing was reckoned".to_owned())?;
    let course = course::of(asked, &prospects).map_err(told)?;
    let ready = asked
        .ready
        .map(|at| backwards::of(asked, at))
        .transpose()
        .map_err(told)?;
    let home = match asked.home {
        Some(at) => away::of(asked, &prospects, at).map_err(told)?,
        None => None,
    };
    let mut planned = Planned {
        forecast,
        course,
        limit: asked.batch.bottle.pressure_limit,
        ready,
        home,
        parts: Vec::new(),
    };
    planned.parts = parts(asked, &planned).map_err(told)?;
    Ok(planned)
}

/// Heading of what becomes of forgotten bottles: the days belong below it.
pub(crate) const FORGOTTEN: &str = "If they are forgotten";

/// As far as anything is told.
const HORIZON: SignedDuration = SignedDuration::from_hours(60 * 24);

/// An estimated moment, to the hour: no minute of it is known.
pub(crate) fn about(at: Timestamp, zone: &TimeZone) -> String {
    let hour = at
        .as_second()
        .saturating_add(1_800)
        .div_euclid(3_600)
        .saturating_mul(3_600);
    local(Timestamp::from_second(hour).unwrap_or(at), zone)
}

impl Asked<'_> {
    fn prospects(&self) -> Result<Vec<Prospect>, NotAQuantity> {
        let rooms = self.room.steps().into_iter().map(Temperature::from_celsius);
        rooms
            .map(|room| Ok(Prospect::new(self.batch, self.lessons, room?, self.surroundings)))
            .collect()
    }
}

fn parts(asked: &Asked<'_>, planned: &Planned) -> Result<Vec<Part>, NotAQuantity> {
    let Asked { batch, display, .. } = *asked;
    let middle = Temperature::from_celsius(asked.room.middle())?;
    let warmest = Temperature::from_celsius(asked.room.warmest_hour())?;
    let planner = Planner::new(batch, asked.surroundings.usual_ambient, middle);
    let mut parts = Vec::new();
    let mut part = |heading: &'static str, said: Vec<String>| {
        let said: Vec<String> = said.iter().map(|sentence| plain(sentence)).collect();
        if !said.is_empty() {
            parts.push(Part { heading, said });
        }
    };
    part(
        "When",
        vec![
            advice::day(batch, &planned.forecast, display),
            asked.room_said.clone(),
            culture(asked),
        ],
    );
    if let Some(ready) = &planned.ready {
        part("To be ready in time", backwards::said(asked, ready));
    }
    if let Some(home) = &planned.home {
        part("While nobody is there", away::said(asked, home));
    }
    let mut sugar = vec![pressure::sugar(&planner, &planned.forecast)?];
    sugar.extend(backwards::other_doses(asked, &planned.forecast));
    part("Sugar and culture", sugar);
    part(
        "Pressure with the target in the bottles",
        pressure::at_the_move(&planner, asked)?,
    );
    let mut forgotten = advice::forgotten(batch, &planned.forecast, display);
    forgotten.extend(course::said(asked, &planned.course));
    forgotten.extend(pressure::forgotten(&planner, batch, warmest));
    part(FORGOTTEN, forgotten);
    part("The pilot", pilot::of(batch));
    part(
        "Before anything else",
        advice::careful(batch, &planned.forecast, display),
    );
    Ok(parts)
}

/// How the culture is known: by as many batches as truly inform the plan, each filling once.
fn culture(asked: &Asked<'_>) -> String {
    let evidence = Evidence::new(asked.batch.clone(), asked.surroundings.clone());
    let known = evidence.with_history(asked.lessons);
    match (
        &asked.batch.culture,
        known.expectation().map_or(0, |known| known.batches),
    ) {
        (None, _) => {
            "The batch names no culture, so any culture is expected, from a sleepy one to a lively one."
                .to_owned()
        }
        (Some(culture), 0) => format!(
            "No earlier batch of its culture, {culture}, is known here, so any culture is expected, from a sleepy one to a lively one."
        ),
        (Some(culture), 1) => format!("Its culture, {culture}, is known from 1 earlier batch."),
        (Some(culture), some) => format!("Its culture, {culture}, is known from {some} earlier batches."),
    }
}
