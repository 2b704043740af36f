//! Readings of a file that `fobwatch import` hands in, from this machine alone, like everything but what sensors post.
//!
//! They are in engineering units already and stand as they are: neither a calibration nor a gauge's zero is applied to them.

use std::sync::Arc;

use axum::{
    Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, State, rejection::BytesRejection},
    http::StatusCode,
    routing::post,
};
use serde_json::{Value, json};
use tokio::sync::oneshot;

use super::answer::Complaint;
use crate::{
    decode::{Calibrations, MAX_MESSAGE, csv},
    watch::{House, Request},
};

/// The one address, with a body limit of its own.
pub(super) fn route() -> Router<Arc<House>> {
    Router::new().route(
        "/api/v1/import",
        post(take).layer(DefaultBodyLimit::max(MAX_MESSAGE)),
    )
}

/// CSV as `export` writes it: all of it, or nothing; answered once it is stored.
async fn take(
    State(house): State<Arc<House>>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Complaint> {
    let body = body.map_err(|rejection| {
        let why = format!(
            "the body cannot be taken: {rejection}; allowed: up to {} KiB",
            MAX_MESSAGE / 1_024
        );
        Complaint::new(rejection.status(), why)
    })?;
    if house.demo {
        return Err(Complaint::new(
            StatusCode::CONFLICT,
            "this is the demo, whose batches are made up: it takes no readings of real ones",
        ));
    }
    let none = Calibrations::default();
    let rows = csv::rows(&body[..], &none).map_err(|bad| Complaint::refused(bad.to_string()))?;
    let readings: Vec<_> = rows
        .collect::<Result<_, _>>()
        .map_err(|bad| Complaint::refused(bad.to_string()))?;
    if readings.is_empty() {
        return Ok(Json(json!({ "new": 0, "duplicates": 0 })));
    }
    let whole = readings.len();
    let (tell, told) = oneshot::channel();
    house
        .ask(Request::Readings {
            readings,
            received_at: house.clock.now(),
            new: tell,
        })
        .await?;
    let new = told.await.unwrap_or(whole);
    Ok(Json(json!({ "new": new, "duplicates": whole - new })))
}
