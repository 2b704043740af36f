//! The diary of the cultures: for programs, and as a page with its form.

use std::sync::Arc;

use axum::{
    Json,
    body::Bytes,
    extract::{Path, State, rejection::BytesRejection},
    http::StatusCode,
    response::{Html, IntoResponse, Redirect, Response},
};
use fobwatch_core::{
    batch::CultureName,
    culture::{CultureState, Diary, DiaryEntry},
};
use jiff::tz::TimeZone;
use serde_json::{Map, Value, json};

use super::{
    answer::{Complaint, batch, marked},
    fields::{self, Fields, Sent},
};
use crate::{
    decode, moment,
    page::{self, Context},
    proof::{self, Proof},
    store::StoreError,
    watch::House,
};

/// How each culture with a diary stands.
pub(super) async fn list(State(house): State<Arc<House>>) -> Result<Json<Value>, Complaint> {
    let diary = read(&house).await?;
    let states = states(&house, &diary);
    let all = states.iter().map(|state| json!(state)).collect();
    Ok(Json(dated(&house, "cultures", all)))
}

/// Every entry, in order of time.
pub(super) async fn diary(State(house): State<Arc<House>>) -> Result<Json<Value>, Complaint> {
    let diary = read(&house).await?;
    let all = diary.entries().iter().map(|entry| json!(entry)).collect();
    Ok(Json(dated(&house, "diary", all)))
}

/// A list, and what the clock shows: it may be another one than the asker's.
fn dated(house: &House, key: &str, entries: Vec<Value>) -> Value {
    let mut answer = marked(house, key, entries);
    if let Some(answer) = answer.as_object_mut() {
        answer.insert("at".to_owned(), json!(house.clock.now()));
    }
    answer
}

/// Takes entries, one JSON object a line: all or none.
pub(super) async fn add(
    State(house): State<Arc<House>>,
    body: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Complaint> {
    let entries =
        decode::diary::entries(&body?, house.clock.now(), &house.display.zone).map_err(Complaint::refused)?;
    let new = keep(&house, entries).await?;
    Ok((StatusCode::CREATED, Json(json!({ "new": new }))))
}

/// The page of the cultures.
pub(super) async fn page(State(house): State<Arc<House>>) -> Result<Html<String>, Complaint> {
    shown(&house, None).await
}

/// Takes an entry from the page's form; back to the page, or the form with what was wrong.
pub(super) async fn told(State(house): State<Arc<House>>, sent: Sent) -> Result<Response, Complaint> {
    let fields = fields::read(sent)?;
    let line = match entry(&fields, &house.display.zone) {
        Ok(line) => line,
        Err(why) => return refused(&house, &why).await,
    };
    let line = line.to_string();
    match decode::diary::entries(line.as_bytes(), house.clock.now(), &house.display.zone) {
        Ok(entries) => {
            keep(&house, entries).await?;
            Ok(Redirect::to("/cultures").into_response())
        }
        Err(why) => refused(&house, &why).await,
    }
}

/// Keeps what a proof under watch has taught; on to the diaries.
pub(super) async fn proofed(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let name = live.batch.name.to_string();
    let fits = match &live.batch.culture {
        Some(culture) => proof::fits(&live.batch, culture, &name).map(|_doubts| ()),
        None => Err(format!("{name}: its batch file names no culture")),
    };
    if let Err(why) = fits {
        return refused(&house, &why).await;
    }
    let monitor = live.standing().monitor;
    // A dozen fits.
    let taught = tokio::task::spawn_blocking(move || Proof::of(&monitor)).await;
    let taught = taught.unwrap_or_else(|_panicked| Err(format!("the reckoning of {name} failed")));
    let entry = match taught {
        Ok(proof) => serde_json::from_value::<DiaryEntry>(proof.entry()).map_err(|bad| bad.to_string()),
        Err(why) => Err(why),
    };
    match entry {
        Ok(entry) => {
            keep(&house, vec![entry]).await?;
            Ok(Redirect::to("/cultures").into_response())
        }
        Err(why) => refused(&house, &why).await,
    }
}

async fn refused(house: &House, why: &str) -> Result<Response, Complaint> {
    let page = shown(house, Some(why)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}

/// The form's fields as an entry: empty ones are none, allergens stand between commas.
fn entry(fields: &Fields, zone: &TimeZone) -> Result<Value, String> {
    let mut entry = Map::new();
    for (key, text) in fields {
        let text = text.trim();
        if text.is_empty() {
            continue;
        }
        let value = match key.as_str() {
            "grams" => {
                let grams: f64 = text
                    .replace(',', ".")
                    .parse()
                    .map_err(|_| "the weight is no number; allowed: grams, as 20 or 12.5".to_owned())?;
                json!(grams)
            }
            "time" => json!(moment::read(text, zone).map_err(|why| format!("when it was: {why}"))?),
            "allergens" => json!(
                text.split(',')
                    .map(str::trim)
                    .filter(|one| !one.is_empty())
                    .collect::<Vec<_>>()
            ),
            _ => json!(text),
        };
        entry.insert(key.clone(), value);
    }
    Ok(Value::Object(entry))
}

async fn shown(house: &House, wrong: Option<&str>) -> Result<Html<String>, Complaint> {
    let diary = read(house).await?;
    let context = Context {
        now: house.clock.now(),
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
        servers: Vec::new(),
    };
    let mut named: Vec<CultureName> = house
        .all()
        .iter()
        .filter_map(|live| live.batch.culture.clone())
        .collect();
    named.sort();
    named.dedup();
    Ok(Html(page::diaries(&diary, &named, &context, wrong)))
}

fn states(house: &House, diary: &Diary) -> Vec<CultureState> {
    let now = house.clock.now();
    diary
        .cultures()
        .into_iter()
        .filter_map(|culture| diary.state(culture, now))
        .collect()
}

async fn read(house: &House) -> Result<Diary, StoreError> {
    house.store.read(|reader| reader.diary()).await.map(Diary::new)
}

async fn keep(house: &House, entries: Vec<DiaryEntry>) -> Result<usize, StoreError> {
    let now = house.clock.now();
    house
        .store
        .write(move |writer| writer.append_diary(&entries, now))
        .await
}
