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
    decode,
    watch::{House, Request},
};

pub(super) async fn add(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    body: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Complaint> {
    let live = batch(&house, &slug)?;
    let body = with_time(&body?, || house.now(&live).to_string());
    let note = decode::notes::read(&body).map_err(|wrong| Complaint::refused(format!("note: {wrong}")))?;
    let bottles = live.batch.bottle.count;
    if let Some(beyond) = note.bottles.iter().flatten().find(|number| **number > bottles) {
        let why = format!(
            "note: `bottles` names number {beyond}; allowed: 1 to {bottles}, the bottles of this batch"
        );
        return Err(Complaint::refused(why));
    }
    let answer = json!({ "batch": live.batch.name, "time": note.at, "kind": note.kind.name() });
    let sequence = house.ask(Request::Note(live.id, note)).await?;
    settle(&live, sequence).await;
    Ok((StatusCode::CREATED, Json(answer)))
}

/// The note, with the present time where it gives none; what is no JSON object is left for the decoder to refuse.
fn with_time(body: &[u8], now: impl Fn() -> String) -> Vec<u8> {
    let Ok(Value::Object(mut note)) = serde_json::from_slice(body) else {
        return body.to_vec();
    };
    if note.get("time").is_some_and(|time| !time.is_null()) {
        return body.to_vec();
    }
    note.insert("time".to_owned(), json!(now()));
    serde_json::to_vec(&note).unwrap_or_else(|_no_json| body.to_vec())
}
