//! What people do from the page: forms that answer with the page again.

use std::sync::Arc;

use axum::{
    Extension,
    extract::{Path, State},
    http::StatusCode,
    response::{Html, IntoResponse, Redirect, Response},
};
use fobwatch_core::{
    alert::AlertName,
    batch::Material,
    engine::{Command, Deed},
};
use jiff::{Timestamp, tz::TimeZone};
use serde_json::{Map, Value, json};

use super::{
    answer::{Complaint, batch},
    batches::settle,
    fields::{self, Fields, Sent},
    notes::bounds,
    page,
};
use crate::{
    decode::bottles,
    gate::Caller,
    moment,
    noted::Bounds,
    watch::{House, Live, Request},
    wording::local,
};

/// Whoever sits before the page.
pub(super) const WHO: &str = "someone at the page";

/// The page on which notes are written.
pub(super) async fn ask(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Html<String>, Complaint> {
    let live = batch(&house, &slug)?;
    Ok(Html(page::tell(&house, &live, None)))
}

/// Takes a note; back to the agenda, or to the form with what was wrong.
pub(super) async fn tell(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    sent: Sent,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let fields = fields::read(sent)?;
    match noted(&house, &live, &fields).await {
        Ok(()) => Ok(back(&live)),
        Err(Wrong::Refused(why)) => {
            let kind = fields.get("kind").map_or("", String::as_str);
            let form = Html(page::tell(&house, &live, Some((kind, &why))));
            Ok((StatusCode::UNPROCESSABLE_ENTITY, form).into_response())
        }
        Err(Wrong::Failed(complaint)) => Err(complaint),
    }
}

enum Wrong {
    Refused(String),
    Failed(Complaint),
}

async fn noted(house: &House, live: &Live, fields: &Fields) -> Result<(), Wrong> {
    let now = house.now(live);
    let mut note = Map::new();
    note.insert("time".to_owned(), json!(now));
    let fields = &moved(live, fields)?;
    complete(live, fields)?;
    for (key, text) in fields {
        let text = text.trim();
        if key == "when" {
            if let Some(at) = when(text, &house.display.zone, live.batch.bottled_at, now)? {
                note.insert("time".to_owned(), json!(at));
            }
            continue;
        }
        if text.is_empty() {
            continue;
        }
        let value = match key.as_str() {
            "bottles" => json!(
                bottles(text)
                    .map_err(|why| Wrong::Refused(format!("The bottles are \"{}\"; {why}.", plain(text))))?
            ),
            "value" => {
                let number: f64 = text.parse().map_err(|_| {
                    Wrong::Refused(format!(
                        "The number is \"{}\"; allowed: a number, as 1.026.",
                        plain(text)
                    ))
                })?;
                json!(number)
            }
            _ => json!(text),
        };
        note.insert(key.clone(), value);
    }
    let bounds = bounds(house, live)
        .await
        .map_err(|error| Wrong::Failed(error.into()))?;
    let notes = Bounds { now, ..bounds }
        .read(Value::Object(note).to_string().as_bytes())
        .map_err(|why| Wrong::Refused(format!("{why}.")))?;
    for note in notes {
        let asked = house.ask(Request::Note(live.id, note)).await;
        let sequence = asked.map_err(|error| Wrong::Failed(error.into()))?;
        settle(live, sequence).await;
    }
    Ok(())
}

/// What the forms require is required of whoever bypasses them, too: a note without it would say more than was meant, or nothing.
fn complete(live: &Live, fields: &Fields) -> Result<(), Wrong> {
    let count = live.batch.bottle.count;
    let (key, missing) = match fields.get("kind").map_or("", String::as_str) {
        "opened" => (
            "bottles",
            format!("The number of the bottle is missing; allowed: 1 to {count}."),
        ),
        "given_away" | "broken" => (
            "bottles",
            format!("Which bottles is missing; allowed: 1 to {count}, as 1-4 or 2,5."),
        ),
        "gravity" | "gauge" => (
            "value",
            "The number is missing; allowed: as it was read.".to_owned(),
        ),
        "squeezed" if !has_plastic(live) => {
            return Err(Wrong::Refused(
                "None of these bottles is of plastic, so there is nothing to squeeze.".to_owned(),
            ));
        }
        "squeezed" | "tasted" | "other" => (
            "text",
            "How it was, or what was done, is missing; allowed: your own words.".to_owned(),
        ),
        _ => return Ok(()),
    };
    if fields.get(key).is_some_and(|text| !text.trim().is_empty()) {
        Ok(())
    } else {
        Err(Wrong::Refused(missing))
    }
}

fn has_plastic(live: &Live) -> bool {
    live.batch.sensor_vessel().material == Material::Pet
}

/// A local time to the minute; one within the present minute is the present. `None`: nothing was told.
fn when(
    text: &str,
    zone: &TimeZone,
    sealed_at: Timestamp,
    now: Timestamp,
) -> Result<Option<Timestamp>, Wrong> {
    if text.is_empty() {
        return Ok(None);
    }
    let at = moment::read(text, zone).map_err(|why| Wrong::Refused(format!("When it was: {why}.")))?;
    if !(sealed_at..=now).contains(&at) {
        return Err(Wrong::Refused(format!(
            "When it was is {}; allowed: from {}, when the batch was sealed, to now, {}.",
            local(at, zone),
            local(sealed_at, zone),
            local(now, zone)
        )));
    }
    Ok(Some(if now.duration_since(at).as_secs() / 60 == 0 {
        now
    } else {
        at
    }))
}

/// How many were moved, and whether the pilot went too, as the numbers of a note: none named means all, the pilot included.
fn moved(live: &Live, fields: &Fields) -> Result<Fields, Wrong> {
    let mut fields = fields.clone();
    let stayed = fields.remove("pilot").is_some_and(|pilot| pilot == "stayed");
    let Some(how_many) = fields.remove("how_many") else {
        return Ok(fields);
    };
    let count = live.batch.bottle.count;
    let named = fields
        .get("bottles")
        .is_some_and(|numbers| !numbers.trim().is_empty());
    let many: u32 = how_many
        .trim()
        .parse()
        .ok()
        .filter(|many| (1..=count).contains(many))
        .ok_or_else(|| {
            let given = plain(&how_many);
            Wrong::Refused(format!("How many is \"{given}\"; allowed: 1 to {count}."))
        })?;
    if !named && (many < count || stayed) {
        fields.insert("bottles".to_owned(), format!("1-{many}"));
    }
    Ok(fields)
}

/// An alert was seen.
pub(super) async fn seen(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path((slug, alert)): Path<(String, String)>,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let alert: AlertName = alert
        .parse()
        .map_err(|unknown: fobwatch_core::alert::UnknownAlert| Complaint::refused(unknown.to_string()))?;
    let command = Command {
        at: house.now(&live),
        alert,
        who: caller.signs(WHO),
        deed: Deed::Acknowledge,
    };
    // Seen by someone else in the meantime, or over: there is nothing left to do.
    if live.standing().failed.is_none() && live.standing().monitor.permits(&command).is_ok() {
        let sequence = house.ask(Request::Command(live.id, command)).await?;
        settle(&live, sequence).await;
    }
    Ok(back(&live))
}

/// GET again, so that a reload does not post twice.
fn back(live: &Live) -> Response {
    Redirect::to(&format!("/#batch-{}", live.slug)).into_response()
}

fn plain(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}
