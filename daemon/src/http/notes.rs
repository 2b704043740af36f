//! Notes of people.

use std::sync::Arc;

use axum::{
    Json,
    body::Bytes,
    extract::{Path, State, rejection::BytesRejection},
    http::StatusCode,
};
use serde_json::{Value, json};

use super::{
    answer::{Complaint, batch},
    batches::settle,
};
use crate::{
    decode::Bounds,
    watch::{House, Request},
};

/// One note as a JSON object, or several, one a line: all are taken or none.
pub(super) async fn add(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    body: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Complaint> {
    let live = batch(&house, &slug)?;
    let bounds = Bounds {
        bottles: live.batch.bottle.count,
        sealed_at: live.batch.bottled_at,
        now: house.now(&live),
        clock: house.settings.clock,
    };
    let notes = bounds.read(&body?).map_err(Complaint::refused)?;
    let (mut taken, mut last) = (Vec::new(), None);
    for note in notes {
        taken.push(json!({ "time": note.at, "kind": note.kind.name() }));
        last = Some(house.ask(Request::Note(live.id, note)).await?);
    }
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
