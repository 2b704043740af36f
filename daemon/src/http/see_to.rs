//! What a person sees to on the page: alerts set aside, put out of service or cleared, a batch ended, its data taken along.

use std::sync::Arc;

use axum::{
    Extension,
    body::Body,
    extract::{Path, State},
    http::{
        StatusCode,
        header::{CONTENT_DISPOSITION, CONTENT_TYPE},
    },
    response::{Html, IntoResponse, Redirect, Response},
};
use fobwatch_core::{
    alert::AlertName,
    engine::{Command, Deed},
};
use futures_util::stream;
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use serde_json::json;

use super::{
    alerts::carry_out,
    answer::{Complaint, batch},
    fields::{self, Fields, Sent},
    forms::WHO,
    page,
};
use crate::{
    decode::{csv, notes},
    gate::Caller,
    page::{self as pages, Offer},
    store::{BatchId, Sequence, StoredWhat},
    watch::{House, Live, Request},
    wish::Wish,
};

/// Readings that are read at once: a short transaction each.
const AT_ONCE: u32 = 2_000;

/// What may be done.
pub(super) async fn ask(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Html<String>, Complaint> {
    let live = batch(&house, &slug)?;
    Ok(Html(written(&house, &live, None)))
}

fn written(house: &House, live: &Live, wrong: Option<&str>) -> String {
    let (shown, context) = page::of_one(house, live);
    pages::see_to(&shown, &offers(house, live), &context, wrong)
}

/// What the engine would let a person do now.
fn offers(house: &House, live: &Live) -> Vec<(AlertName, Vec<Offer>)> {
    let standing = live.standing();
    let at = house.now(live);
    let until = at.saturating_add(SignedDuration::from_hours(1)).unwrap_or(at);
    let permitted = |alert, offer| {
        let reason = || "as a person would say".to_owned();
        let deed = match offer {
            Offer::Acknowledge => Deed::Acknowledge,
            Offer::Shelve => Deed::Shelve {
                until,
                reason: reason(),
            },
            Offer::Unshelve => Deed::Unshelve,
            Offer::Reset => Deed::Reset { reason: reason() },
            Offer::TakeOut => Deed::TakeOut { reason: reason() },
            Offer::PutBack => Deed::PutBack,
        };
        let command = Command {
            at,
            alert,
            who: WHO.to_owned(),
            deed,
        };
        standing.failed.is_none() && standing.monitor.permits(&command).is_ok()
    };
    AlertName::ALL
        .into_iter()
        .map(|alert| {
            let may = Offer::ALL.into_iter().filter(|offer| permitted(alert, *offer));
            (alert, may.collect())
        })
        .collect()
}

/// Does it; back to the page, or the page with what was wrong.
pub(super) async fn to_alert(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path((slug, alert)): Path<(String, String)>,
    sent: Sent,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let fields = fields::read(sent)?;
    let done = match wish(&fields) {
        Ok(wish) => {
            let wish = Wish {
                who: caller.signs(WHO),
                ..wish
            };
            carry_out(&house, &slug, &alert, &wish).await.map(|_done| ())
        }
        Err(why) => Err(Complaint::refused(why)),
    };
    Ok(match done {
        Ok(()) => Redirect::to(&format!("/batches/{}/see-to", live.slug)).into_response(),
        Err(complaint) => {
            let status = complaint.status();
            let page = Html(written(
                &house,
                &live,
                Some(&format!("{}.", complaint.into_sentence())),
            ));
            (status, page).into_response()
        }
    })
}

fn wish(fields: &Fields) -> Result<Wish, String> {
    let text = |key: &str| {
        let text = fields.get(key).map(|text| text.trim());
        text.filter(|text| !text.is_empty()).map(str::to_owned)
    };
    let mut wish = json!({ "deed": text("deed"), "who": WHO, "reason": text("reason") });
    if let Some(seconds) = text("for_s") {
        let seconds: i64 = seconds
            .parse()
            .map_err(|_| "the time for which it is set aside is no number of seconds".to_owned())?;
        wish["for_s"] = json!(seconds);
    }
    Wish::deserialize(wish).map_err(|error| error.to_string())
}

/// Ends the batch.
pub(super) async fn end(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    sent: Sent,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let fields = fields::read(sent)?;
    let (shown, _context) = page::of_one(&house, &live);
    let wrong = if fields.get("sure").is_none_or(|sure| sure != "yes") {
        Some("A batch is ended once no sealed bottle of it is left: tick that first.")
    } else if shown.is_danger() {
        Some("A batch in danger is not ended from the page.")
    } else {
        None
    };
    if let Some(wrong) = wrong {
        let page = Html(written(&house, &live, Some(wrong)));
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
    }
    house.ask(Request::End(live)).await?;
    Ok(Redirect::to("/").into_response())
}

/// One of the three files that `fobwatch export --batch` writes.
pub(super) async fn file(
    State(house): State<Arc<House>>,
    Path((slug, name)): Path<(String, String)>,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let (kind, body) = match name.as_str() {
        "batch.toml" => ("application/toml; charset=utf-8", text_of(&house, live.id).await?),
        "notes.jsonl" => {
            let id = live.id;
            let all = house.store.read(move |reader| reader.notes(id)).await?;
            let lines: String = all.iter().map(|note| notes::write(note) + "\n").collect();
            ("application/jsonl; charset=utf-8", Body::from(lines))
        }
        "readings.csv" => ("text/csv; charset=utf-8", readings(&house, &live).await?),
        _ => {
            let why = "there is no such file of a batch; allowed: batch.toml, readings.csv and notes.jsonl";
            return Err(Complaint::new(StatusCode::NOT_FOUND, why));
        }
    };
    let kept = format!("attachment; filename=\"{}-{name}\"", live.slug);
    Ok((
        [(CONTENT_TYPE, kind.to_owned()), (CONTENT_DISPOSITION, kept)],
        body,
    )
        .into_response())
}

async fn text_of(house: &House, id: BatchId) -> Result<Body, Complaint> {
    let all = house.store.read(|reader| reader.batches()).await?;
    let stored = all.into_iter().find(|stored| stored.id == id);
    Ok(Body::from(stored.map(|stored| stored.text).unwrap_or_default()))
}

/// A few thousand rows at a time, each read when the one who asks has taken those before.
async fn readings(house: &Arc<House>, live: &Live) -> Result<Body, Complaint> {
    let (id, sealed_at): (BatchId, Timestamp) = (live.id, live.batch.bottled_at);
    let (first, end) = house
        .store
        .read(move |reader| Ok((reader.sequence_before(id, sealed_at)?, reader.last_sequence()?)))
        .await?;
    let begin = (Arc::clone(house), Some((first, true)));
    let batch = Arc::new(live.batch.clone());
    let rows = stream::unfold(begin, move |(house, next)| {
        let batch = Arc::clone(&batch);
        async move {
            let (seen, heads) = next?;
            let events = house
                .store
                .read(move |reader| reader.readings_after(seen, AT_ONCE))
                .await;
            let events = match events {
                Ok(events) => events,
                // The one who asked sees that the file is broken off.
                Err(error) => return Some((Err(std::io::Error::other(error.to_string())), (house, None))),
            };
            let mut text = if heads {
                csv::COLUMNS.join(",") + "\n"
            } else {
                String::new()
            };
            for event in events.iter().filter(|event| event.sequence <= end) {
                if let StoredWhat::Reading(reading) = &event.what
                    && batch.hears(reading)
                    && house
                        .claims()
                        .holder((id, &batch), &reading.source, reading.measured.quantity())
                        .is_none()
                {
                    text.push_str(&csv::write_row(reading));
                    text.push('\n');
                }
            }
            let last: Option<Sequence> = events.last().map(|event| event.sequence);
            let next = last.filter(|last| *last < end).map(|last| (last, false));
            Some((Ok(text), (house, next)))
        }
    });
    Ok(Body::from_stream(rows))
}
