//! What secret links open: one batch to look at, or the calendar. Nothing can be changed by them, and nothing else is seen.

use std::sync::Arc;

use axum::{
    extract::{Path, State},
    http::StatusCode,
    response::{Html, IntoResponse, Response},
};

use super::{answer::Complaint, page};
use crate::gate::link::Opens;
use crate::watch::House;

/// The same for a link that was revoked, one that never was, and a batch that has ended.
fn closed() -> Complaint {
    Complaint::new(
        StatusCode::NOT_FOUND,
        "this link opens nothing (any more); ask whoever gave it to you for a new one",
    )
}

/// One batch.
pub(super) async fn batch(
    State(house): State<Arc<House>>,
    Path(secret): Path<String>,
) -> Result<Html<String>, Complaint> {
    let Some(Opens::Batch { slug, bottled_at }) = house.gate.opens(&secret) else {
        return Err(closed());
    };
    let live = house
        .batch(&slug)
        .filter(|live| live.batch.bottled_at == bottled_at);
    live.map(|live| Html(page::shared(&house, &live)))
        .ok_or_else(closed)
}

/// Expected moves; calendars like a name that ends in `.ics`.
pub(super) async fn calendar(
    State(house): State<Arc<House>>,
    Path(secret): Path<String>,
) -> Result<Response, Complaint> {
    let secret = secret.strip_suffix(".ics").unwrap_or(&secret);
    match house.gate.opens(secret) {
        Some(Opens::Calendar) => Ok(page::calendar(State(house)).await.into_response()),
        _ => Err(closed()),
    }
}
