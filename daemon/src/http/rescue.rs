//! What can still be done for a batch that was chilled too early, or went too far.

use std::sync::Arc;

use axum::{
    Json, Router,
    extract::{Path, Query, State, rejection::QueryRejection},
    http::StatusCode,
    response::Html,
    routing::get,
};
use jiff::Timestamp;
use serde::Deserialize;

use super::answer::{Complaint, batch};
use crate::{
    page,
    rescue::{Told, moment, told},
    watch::House,
};

/// Its addresses.
pub(super) fn route() -> Router<Arc<House>> {
    Router::new()
        .route("/api/v1/batches/{slug}/rescue", get(record))
        .route("/batches/{slug}/rescue", get(shown))
}

#[derive(Debug, Deserialize)]
struct Asked {
    at: Option<String>,
}

async fn record(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Json<Told>, Complaint> {
    let (told, _now) = reckoned(&house, &slug, asked).await?;
    Ok(Json(told))
}

async fn shown(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Html<String>, Complaint> {
    let (told, now) = reckoned(&house, &slug, asked).await?;
    Ok(Html(page::rescued(&told, now, &house.display.zone, house.demo)))
}

async fn reckoned(
    house: &Arc<House>,
    slug: &str,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<(Told, Timestamp), Complaint> {
    let live = batch(house, slug)?;
    let Query(asked) = asked
        .map_err(|bad| Complaint::refused(format!("{}; allowed: `at` once, or nothing", bad.body_text())))?;
    // A form that was left empty asks for none.
    let at = asked.at.as_deref().map(str::trim).filter(|at| !at.is_empty());
    let standing = live.standing();
    if let Some(why) = standing.failed {
        return Err(Complaint::conflict(format!(
            "{} is set aside: {why}. Treat its bottles as live.",
            live.batch.name
        )));
    }
    let now = house.now(&live).max(standing.monitor.clock());
    let at = at
        .map(|text| {
            let read = crate::moment::read(text, &house.display.zone);
            read.map_err(|why| Complaint::refused(format!("`at`: {why}")))
        })
        .transpose()?;
    // Browsers have no seconds: the minute that has begun is now.
    let at = at.map(|at| {
        if (0..60).contains(&now.duration_since(at).as_secs()) {
            now
        } else {
            at
        }
    });
    let at = moment(at, now, &house.display.zone).map_err(Complaint::refused)?;
    let (ambient, display) = (house.settings.surroundings.usual_ambient, house.display.clone());
    let Ok(_turn) = super::batches::FORECASTS.acquire().await else {
        return Err(broken());
    };
    // On a copy: it leaves no trace.
    let monitor = standing.monitor;
    tokio::task::spawn_blocking(move || told(&monitor, at, ambient, &display))
        .await
        .map(|told| (told, now))
        .map_err(|_panic| broken())
}

fn broken() -> Complaint {
    Complaint::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "what can be done could not be reckoned; look into the log",
    )
}
