//! Readings that sensors post. Whoever posts has to know the token; the answer comes once they are stored.

use std::sync::Arc;

use axum::{
    Extension, Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, State, rejection::BytesRejection},
    http::{
        HeaderMap, StatusCode,
        header::{CONTENT_TYPE, WWW_AUTHENTICATE},
    },
    middleware,
    response::{IntoResponse, Response},
    routing::post,
};
use serde_json::{Value, json};
use tokio::{net::TcpListener, sync::oneshot};
use tokio_util::sync::CancellationToken;

use super::{
    answer::{Complaint, too_many},
    connection,
};
use crate::{
    decode::{Calibrations, Decoded, MAX_MESSAGE, csv, senml},
    gate::Came,
    watch::{House, Request},
};

/// Where they are posted to.
pub(super) const ADDRESS: &str = "/api/v1/readings";

/// The most refusals that an answer lists.
const MOST_LISTED: usize = 100;

const TYPES: &str = "application/senml+json or application/json for SenML, text/csv for CSV";

/// The one address at which readings are posted, with a body limit of its own.
pub(super) fn route() -> Router<Arc<House>> {
    Router::new().route(ADDRESS, post(take).layer(DefaultBodyLimit::max(MAX_MESSAGE)))
}

/// Serves that one address, and nothing else, to other machines too, until the stop.
pub(crate) async fn serve(house: Arc<House>, listener: TcpListener, stop: CancellationToken) {
    let router = route()
        .layer(middleware::map_request(connection::patient))
        .with_state(Arc::clone(&house));
    connection::serve_plain(house, listener, router, stop).await;
}

async fn take(
    State(house): State<Arc<House>>,
    came: Option<Extension<Came>>,
    headers: HeaderMap,
    body: Result<Bytes, BytesRejection>,
) -> Result<Response, Complaint> {
    let door = house.door();
    let gate = &house.gate;
    if door.token.is_none() && !gate.takes_posts() {
        let why =
            "nobody may post readings; allowed: once `http.token_file` in the configuration names a token";
        return Err(Complaint::new(StatusCode::FORBIDDEN, why));
    }
    let came = came.map_or(Came::HERE, |Extension(came)| came);
    let may_post = match gate.may_post(came, &headers, door.token.as_ref()) {
        Ok(may_post) => may_post,
        Err(wait) => return Ok(too_many(wait).into_response()),
    };
    if !may_post {
        let why = "the token is missing or wrong; allowed: the header `Authorization: Bearer TOKEN`";
        let complaint = Complaint::new(StatusCode::UNAUTHORIZED, why);
        // RFC 6750, section 3.
        return Ok(([(WWW_AUTHENTICATE, "Bearer")], complaint).into_response());
    }
    let body = body.map_err(|rejection| {
        let why = format!(
            "the body cannot be taken: {rejection}; allowed: up to {} KiB",
            MAX_MESSAGE / 1_024
        );
        Complaint::new(rejection.status(), why)
    })?;
    let kind = headers
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .unwrap_or_default();
    let kind = kind
        .split(';')
        .next()
        .unwrap_or_default()
        .trim()
        .to_ascii_lowercase();
    let at = house.clock.now();
    let decoded = match kind.as_str() {
        "application/senml+json" | "application/json" => senml::read(&body, at, &door.calibrations),
        "text/csv" => rows(&body, &door.calibrations),
        _ => {
            let given: String = kind.chars().take(60).collect();
            let why = format!("the Content-Type is `{given}`; allowed: {TYPES}");
            return Err(Complaint::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, why));
        }
    };
    drop(door);
    let meter = &house.posted;
    meter.took(decoded.readings.len());
    for bad in &decoded.refused {
        meter.refused("a posted reading", bad);
    }
    let whole = decoded.readings.len();
    let accepted = if whole == 0 {
        0
    } else {
        let (tell, told) = oneshot::channel();
        house
            .ask(Request::Readings {
                readings: decoded.readings,
                received_at: at,
                new: tell,
            })
            .await?;
        told.await.unwrap_or(whole)
    };
    let refused: Vec<Value> = decoded
        .refused
        .iter()
        .take(MOST_LISTED)
        .map(|bad| json!({ "place": bad.place.to_string(), "why": bad.wrong.to_string() }))
        .collect();
    let answer = json!({
        "accepted": accepted,
        "duplicates": whole - accepted,
        "refused": decoded.refused.len(),
        "refusals": refused,
    });
    let status = if whole == 0 && !decoded.refused.is_empty() {
        StatusCode::UNPROCESSABLE_ENTITY
    } else {
        StatusCode::OK
    };
    Ok((status, Json(answer)).into_response())
}

fn rows(body: &[u8], calibrations: &Calibrations) -> Decoded {
    let mut decoded = Decoded::default();
    match csv::rows(body, calibrations) {
        Ok(rows) => {
            for row in rows {
                match row {
                    Ok(reading) => decoded.readings.push(reading),
                    Err(bad) => decoded.refused.push(bad),
                }
            }
        }
        Err(bad) => decoded.refused.push(bad),
    }
    decoded
}
