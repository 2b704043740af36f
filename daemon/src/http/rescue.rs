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
    Ok(Json(reckoned(&house, &slug, asked).await?))
}

async fn shown(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Html<String>, Complaint> {
    let told = reckoned(&house, &slug, asked).await?;
    Ok(Html(page::rescued(&told, house.demo)))
}

async fn reckoned(
    house: &Arc<House>,
    slug: &str,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Told, Complaint> {
    let live = batch(house, slug)?;
    let Query(asked) = asked
        .map_err(|bad| Complaint::refused(format!("{}; allowed: `at` once, or nothing", bad.body_text())))?;
    let at = asked.at.as_deref();
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
            let given: String = text.chars().filter(|c| !c.is_control()).take(60).collect();
            let read = text.parse::<Timestamp>();
            read.map_err(|_| Complaint::refused(format!("`at` is {given}; allowed: a time after RFC 3339")))
        })
        .transpose()?;
    let at = moment(at, now).map_err(Complaint::refused)?;
    let (ambient, display) = (house.settings.surroundings.usual_ambient, house.display.clone());
    let Ok(_turn) = super::batches::FORECASTS.acquire().await else {
        return Err(broken());
    };
    // On a copy: it leaves no trace.
    let monitor = standing.monitor;
    tokio::task::spawn_blocking(move || told(&monitor, at, ambient, &display))
        .await
        .map_err(|_panic| broken())
}

fn broken() -> Complaint {
    Complaint::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "what can be done could not be reckoned; look into the log",
    )
}
