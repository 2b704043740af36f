//! "Ready on Saturday at noon": which dose, room or hour of sealing.

use fobwatch_core::{
    batch::Batch,
    forecast::{Forecast, When},
    plan::{Backwards, Change, DOSES_ML_PER_L, Prospect, ROOMS_C, Way},
    quantity::{CultureDose, NotAQuantity, Temperature},
};
use jiff::{SignedDuration, Timestamp};

use super::{Asked, about, room::tenth};
use crate::wording::local;

/// Hours in the fridge before a bottle is opened: it has to be cold through, and its gas back in the drink.
const COLD: SignedDuration = SignedDuration::from_hours(24);

/// What would make it ready in time.
#[derive(Clone, Debug)]
pub(crate) struct Ready {
    pub(crate) at: Timestamp,
    /// When the bottles have to go into the fridge for it.
    pub(crate) moved: Timestamp,
    pub(crate) ways: Vec<Way>,
    /// When they would have to be sealed with dose and room as they are.
    pub(crate) sealed: Option<Timestamp>,
    /// As planned.
    as_planned: Forecast,
}

pub(super) fn of(asked: &Asked<'_>, at: Timestamp) -> Result<Ready, NotAQuantity> {
    let moved = at.saturating_sub(COLD).unwrap_or(at);
    let room = Temperature::from_celsius(asked.room.middle())?;
    let back = Backwards {
        batch: asked.batch,
        lessons: asked.lessons,
        surroundings: asked.surroundings,
    };
    let as_planned = Prospect::new(asked.batch, asked.lessons, room, asked.surroundings).forecast();
    let planned = as_planned.move_at.and_then(|when| when.p50);
    Ok(Ready {
        at,
        moved,
        ways: back
            .dose(room, moved)
            .into_iter()
            .chain(back.room(moved))
            .collect(),
        sealed: planned.and_then(|planned| {
            asked
                .batch
                .bottled_at
                .checked_add(moved.duration_since(planned))
                .ok()
        }),
        as_planned,
    })
}

pub(super) fn said(asked: &Asked<'_>, ready: &Ready) -> Vec<String> {
    let zone = &asked.display.zone;
    let mut said = vec![format!(
        "To be drunk {} they go into the fridge a day before, {}.",
        local(ready.at, zone),
        local(ready.moved, zone)
    )];
    match ready.as_planned.move_at.and_then(|when| when.p50) {
        Some(planned) => said.push(format!(
            "As it is planned the move would be right about {}, {}.",
            about(planned, zone),
            off(planned, ready.moved)
        )),
        None => said.push(
            "As it is planned the target is more likely than not missed within 60 days: first mind the sugar.".to_owned(),
        ),
    }
    let fits = ready.ways.iter().any(|way| way.fits);
    if !fits {
        said.push(impossible(ready, zone));
    }
    said.extend(
        ready
            .ways
            .iter()
            .filter_map(|found| way(asked, found, ready.moved, "at that hour")),
    );
    if fits {
        said.extend(
            ready
                .ways
                .iter()
                .filter_map(|way| out_of_reach(way, ready.moved, zone)),
        );
    }
    if let Some(sealed) = ready.sealed {
        said.push(format!(
            "With dose and room as they are: seal them {}.",
            about(sealed, zone)
        ));
    }
    said.push(
        "No day before a reading is sure: the width above is what cultures differ by. Go by the gauge."
            .to_owned(),
    );
    said
}

/// That one of the two changes cannot make it, though the other can.
fn out_of_reach(way: &Way, wanted: Timestamp, zone: &jiff::tz::TimeZone) -> Option<String> {
    if way.fits {
        return None;
    }
    let (none, furthest) = match way.change {
        Change::Dose(dose) => ("No dose", format!("{:.0} mL/L of culture", dose.ml_per_l())),
        Change::Room(room) => ("No room", format!("a room of {} degC", tenth(room.celsius()))),
    };
    Some(match way.move_at.and_then(|when| when.p50) {
        Some(middle) => format!(
            "{none} makes it: even with {furthest} the move is right about {}, {}.",
            about(middle, zone),
            off(middle, wanted)
        ),
        None => format!(
            "{none} makes it: even with {furthest} the target is more likely than not missed within 60 days."
        ),
    })
}

fn impossible(ready: &Ready, zone: &jiff::tz::TimeZone) -> String {
    let nearest = ready
        .ways
        .iter()
        .filter_map(|way| way.move_at.and_then(|when| when.p50))
        .min_by_key(|at| at.duration_since(ready.moved).abs());
    let Some(nearest) = nearest else {
        return "No dose and no room brings it to the target at all: the sugar does not give it.".to_owned();
    };
    let why = if nearest > ready.moved {
        format!(
            "Neither {:.0} mL/L of culture nor a room of {:.0} degC is quick enough",
            DOSES_ML_PER_L[1], ROOMS_C[1]
        )
    } else {
        format!(
            "Neither {:.0} mL/L of culture nor a room of {:.0} degC is slow enough",
            DOSES_ML_PER_L[0], ROOMS_C[0]
        )
    };
    let nearest_ready = nearest.saturating_add(COLD).unwrap_or(nearest);
    format!(
        "That time cannot be made by dose or room alone. {why}; the nearest they come is {}.",
        about(nearest_ready, zone)
    )
}

/// "9 h later than that".
fn off(at: Timestamp, wanted: Timestamp) -> String {
    let hours = at.duration_since(wanted).as_secs_f64() / 3_600.0;
    let (count, unit) = if hours.abs() < 48.0 {
        (hours.abs(), "h")
    } else {
        (hours.abs() / 24.0, "days")
    };
    if hours.abs() < 1.5 {
        return "as wanted".to_owned();
    }
    format!(
        "{count:.0} {unit} {}",
        if hours > 0.0 { "too late" } else { "too early" }
    )
}

/// One change as a sentence; `None` for one that is too far from what was wanted, or changes nothing worth telling.
pub(super) fn way(asked: &Asked<'_>, way: &Way, wanted: Timestamp, then: &str) -> Option<String> {
    let zone = &asked.display.zone;
    let middle = way.move_at.and_then(|when| when.p50)?;
    if !way.fits {
        return None;
    }
    let change = match way.change {
        Change::Dose(dose) => {
            let instead = asked.batch.drink.culture_dose.map_or_else(
                || "no dose is in the batch file".to_owned(),
                |own| format!("instead of {:.0}", own.ml_per_l()),
            );
            format!(
                "By the dose: about {:.0} mL/L of culture ({instead}), in a room of {}",
                dose.ml_per_l(),
                asked.room.middle_words()
            )
        }
        Change::Room(room) => format!(
            "By the room: about {} degC (instead of {})",
            tenth(room.celsius()),
            asked.room.words()
        ),
    };
    let when = if off(middle, wanted) == "as wanted" {
        then.to_owned()
    } else {
        format!("about {}", about(middle, zone))
    };
    let mut sentence = format!(
        "{change}: the move is right {when}, as likely as not{}.",
        way.move_at.map_or_else(String::new, |when| width(&when, zone)),
    );
    let early = way.forecast.limit_at.and_then(|limit| limit.p05);
    if let Some(early) = early.filter(|early| *early <= wanted) {
        sentence.push_str(&format!(
            " But your limit may be passed from {} on: watch the gauge from the first day.",
            about(early, zone)
        ));
    }
    Some(sentence)
}

fn width(when: &When, zone: &jiff::tz::TimeZone) -> String {
    let late = when.p95.map_or_else(
        || "more than 60 days after sealing".to_owned(),
        |at| about(at, zone),
    );
    when.p05.map_or_else(String::new, |early| {
        format!("; nine times in ten between {} and {late}", about(early, zone))
    })
}

/// What half and twice the culture would do to the day.
pub(super) fn other_doses(asked: &Asked<'_>, planned: &Forecast) -> Option<String> {
    planned.move_at.and_then(|when| when.p50)?;
    let own = asked.batch.drink.culture_dose?.ml_per_l();
    let room = Temperature::from_celsius(asked.room.middle()).ok()?;
    let with = |factor: f64| -> Option<Timestamp> {
        let mut batch: Batch = asked.batch.clone();
        batch.drink.culture_dose = Some(CultureDose::from_ml_per_l(own * factor).ok()?);
        let prospect = Prospect::new(&batch, asked.lessons, room, asked.surroundings);
        prospect.forecast().move_at?.p50
    };
    let zone = &asked.display.zone;
    let words = |at: Option<Timestamp>| {
        at.map_or_else(
            || "more than 60 days after sealing".to_owned(),
            |at| about(at, zone),
        )
    };
    Some(format!(
        "The dose changes the day, not the end: with half of your {own:.0} mL/L the move would be right about {}, with twice as much about \
         {}.",
        words(with(0.5)),
        words(with(2.0))
    ))
}
