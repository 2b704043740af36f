//! Notes of people.

use std::sync::Arc;

use axum::{
    Json,
    body::Bytes,
    extract::{Path, State, rejection::BytesRejection},
    http::StatusCode,
};
use fobwatch_core::note::Note;
use serde_json::{Value, json};

use super::{
    answer::{Complaint, batch, marked},
    batches::settle,
};
use crate::{
    decode::notes,
    noted::Bounds,
    store::StoreError,
    watch::{House, Live, Request},
};

/// What notes of a batch must fit.
pub(super) async fn bounds(house: &House, live: &Live) -> Result<Bounds, StoreError> {
    let known = all(house, live).await?;
    let present = (house.now(live), house.settings.clock);
    Ok(Bounds::of(&live.batch, known, present, &house.display.zone))
}

/// All that was noted of a batch, with what was taken back.
pub(super) async fn all(house: &House, live: &Live) -> Result<Vec<Note>, StoreError> {
    let id = live.id;
    house.store.read(move |reader| reader.all_notes(id)).await
}

/// All notes of a batch in the order in which they came, with those that were taken back and the words that did it.
pub(super) async fn list(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Json<Value>, Complaint> {
    let live = batch(&house, &slug)?;
    let notes: Vec<Value> = all(&house, &live).await?.iter().map(notes::written).collect();
    let mut answer = marked(&house, "notes", notes);
    if let Some(answer) = answer.as_object_mut() {
        answer.insert("batch".to_owned(), json!(live.batch.name));
        answer.insert("slug".to_owned(), json!(live.slug));
    }
    Ok(Json(answer))
}

/// One note as a JSON object, or several, one a line: all are taken or none.
pub(super) async fn add(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    body: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Complaint> {
    let live = batch(&house, &slug)?;
    let notes = bounds(&house, &live)
        .await?
        .read(&body?)
        .map_err(Complaint::refused)?;
    let (mut taken, mut last) = (Vec::new(), None);
    for note in notes {
        taken.push(json!({ "time": note.at, "kind": note.kind.name() }));
        last = Some(house.ask(Request::Note(live.id, note)).await?);
    }
    // What takes a note back lets the engine begin anew.
    let live = house.batch(&slug).unwrap_or(live);
    if let Some(sequence) = last {
        settle(&live, sequence).await;
    }
    if let Some(from) = live.standing().monitor.counts_from() {
        for note in taken.iter_mut().filter_map(Value::as_object_mut) {
            note.insert("counts_from".to_owned(), json!(from));
        }
    }
    let answer = json!({ "batch": live.batch.name, "slug": live.slug, "notes": taken });
    Ok((StatusCode::CREATED, Json(answer)))
}
