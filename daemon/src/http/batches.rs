//! Batches: list, add, end, forecast.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    body::Bytes,
    extract::{
        Path, Query, State,
        rejection::{BytesRejection, QueryRejection},
    },
    http::StatusCode,
    response::Response,
};
use fobwatch_core::{
    batch::{Batch, BatchName},
    engine::SensorView,
    forecast::{Forecast, ForecastRecord},
    reading::Measured,
};
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use serde_json::{Map, Value, json};
use tokio::{sync::Semaphore, time::timeout};

use super::{
    answer::{Complaint, batch, marked},
    paging,
};
use crate::{
    claim,
    store::Sequence,
    watch::{House, Live, Request, whole_microseconds},
};

/// How long an answer waits for the engine to have taken what was asked; it is stored already.
pub(super) const PATIENCE: Duration = Duration::from_secs(5);
/// How far ahead of the clock a forecast may be asked.
const AHEAD: SignedDuration = SignedDuration::from_hours(24 * 60);
/// Forecasts beside those of the grid that are reckoned at once: the batches' own come first.
pub(super) static FORECASTS: Semaphore = Semaphore::const_new(1);

/// All batches, in the order of their slugs; of many some, and where the next ones are.
pub(super) async fn list(
    State(house): State<Arc<House>>,
    asked: Result<Query<paging::Asked>, QueryRejection>,
) -> Result<Response, Complaint> {
    let asked = paging::BatchesOf::read(asked)?;
    let (total, lives, more) = match &asked.batch {
        Some(slug) => (1, vec![batch(&house, slug)?], false),
        None => house.some(asked.after.as_deref(), asked.limit),
    };
    let next = lives.last().filter(|_| more).map(|last| {
        let (limit, after) = (asked.limit, &last.slug);
        format!("/api/v1/batches?limit={limit}&after={after}")
    });
    let batches: Vec<Value> = lives.iter().map(|live| shown(live)).collect();
    let mut answer = marked(&house, "batches", batches);
    if let Value::Object(answer) = &mut answer {
        answer.insert("total".to_owned(), json!(total));
        if let Some(next) = &next {
            answer.insert("next".to_owned(), json!(next));
        }
    }
    Ok(paging::linked(next.as_deref(), Json(answer)))
}

/// The view, with units in the keys where it holds bare numbers.
fn shown(live: &Live) -> Value {
    let standing = live.standing();
    let view = standing.monitor.view();
    let mut entry = Map::new();
    entry.insert("slug".to_owned(), json!(live.slug));
    // A view is written without fail; if it were not, the slug still names the batch.
    if let Ok(Value::Object(all)) = serde_json::to_value(&view) {
        entry.extend(all);
    }
    for bare in ["target", "limit", "outlook"] {
        entry.remove(bare);
    }
    entry.insert("target_co2_volumes".to_owned(), json!(view.target.volumes()));
    entry.insert("limit_bar".to_owned(), json!(view.limit.bar()));
    let record = |forecast: Option<&Forecast>| json!(forecast.map(ForecastRecord::from));
    entry.insert("forecast".to_owned(), record(view.forecast.as_ref()));
    for (key, bottles) in [("apart", &view.apart), ("given_away", &view.given_away)] {
        if let (Some(bottles), Some(Value::Object(shown))) = (bottles, entry.get_mut(key)) {
            shown.insert("forecast".to_owned(), record(bottles.forecast.as_ref()));
            shown.remove("outlook");
        }
    }
    entry.insert("move_at".to_owned(), json!(view.move_at()));
    let sensors = view.sensors.iter().map(sensor).collect();
    entry.insert("sensors".to_owned(), Value::Array(sensors));
    if let Some(why) = standing.failed {
        entry.insert("set_aside_because".to_owned(), json!(why));
    }
    Value::Object(entry)
}

fn sensor(sensor: &SensorView) -> Value {
    let (value, unit) = match sensor.last {
        None => (None, None),
        Some(Measured::Pressure(p)) => (Some(p.bar()), Some("bar")),
        Some(Measured::AbsolutePressure(p) | Measured::AmbientPressure(p)) => (Some(p.bar()), Some("bar")),
        Some(Measured::LiquidTemperature(t) | Measured::RoomTemperature(t)) => {
            (Some(t.celsius()), Some("degC"))
        }
        Some(Measured::Gravity(g)) => (Some(g.specific()), Some("SG")),
    };
    json!({
        "source": sensor.source,
        "quantity": sensor.quantity,
        "value": value,
        "unit": unit,
        "at": sensor.at,
        "usual_interval_s": sensor.usual_interval_s,
        "silent": sensor.silent,
        "doubt": sensor.doubt,
        "words": sensor.words,
    })
}

pub(super) async fn add(
    State(house): State<Arc<House>>,
    body: Result<Bytes, BytesRejection>,
) -> Result<(StatusCode, Json<Value>), Complaint> {
    let body = body?;
    let text = str::from_utf8(&body)
        .map_err(|error| Complaint::refused(format!("the batch file is not UTF-8 text: {error}")))?;
    let (name, warnings) = added(&house, text).await?;
    let answer = json!({ "name": name, "slug": name.slug(), "warnings": warnings });
    Ok((StatusCode::CREATED, Json(answer)))
}

/// Takes a batch under watch; its name and what the user should think about.
pub(super) async fn added(house: &House, text: &str) -> Result<(BatchName, Vec<String>), Complaint> {
    let (read, warnings) =
        Batch::from_toml(text, "the batch file").map_err(|bad| Complaint::refused(bad.to_string()))?;
    if let Some(why) = house.share.refuses(&read.name.slug()) {
        return Err(Complaint::refused(why));
    }
    let others = house.all();
    claim::free(&read, others.iter().map(|live| &live.batch))
        .map_err(|claimed| Complaint::conflict(claimed.to_string()))?;
    let name = read.name.clone();
    let mut warnings: Vec<String> = warnings.iter().map(ToString::to_string).collect();
    warnings.extend(claim::borrowed(&read, others.iter().map(|live| &live.batch)));
    house.ask(Request::Add(Box::new(read), text.to_owned())).await?;
    Ok((name, warnings))
}

pub(super) async fn end(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Json<Value>, Complaint> {
    let live = batch(&house, &slug)?;
    house.ask(Request::End(Arc::clone(&live))).await?;
    Ok(Json(json!({ "name": live.batch.name, "slug": live.slug })))
}

#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    at: Option<String>,
}

pub(super) async fn forecast(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Json<ForecastRecord>, Complaint> {
    let live = batch(&house, &slug)?;
    let Query(asked) = asked
        .map_err(|bad| Complaint::refused(format!("{}; allowed: `at` once, or nothing", bad.body_text())))?;
    let monitor = live.standing().monitor;
    let clock = monitor.clock();
    let at = match asked.at {
        None => house.now(&live).max(clock),
        Some(text) => parse(&text, clock)?,
    };
    let Ok(_turn) = FORECASTS.acquire().await else {
        return Err(broken());
    };
    // On a copy: it leaves no trace.
    let reckoned = tokio::task::spawn_blocking(move || monitor.forecast_request(at).run()).await;
    let fitted = reckoned.map_err(|_panic| broken())?;
    Ok(Json(ForecastRecord::from(&fitted.forecast)))
}

fn broken() -> Complaint {
    Complaint::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "the forecast could not be reckoned; look into the log",
    )
}

fn parse(text: &str, clock: Timestamp) -> Result<Timestamp, Complaint> {
    let latest = clock.saturating_add(AHEAD).unwrap_or(Timestamp::MAX);
    let given: String = text.chars().filter(|c| !c.is_control()).take(60).collect();
    text.parse::<Timestamp>()
        .ok()
        .map(whole_microseconds)
        .filter(|at| (clock..=latest).contains(at))
        .ok_or_else(|| {
            Complaint::refused(format!(
                "`at` is {given}; allowed: a time after RFC 3339 from {clock}, where the batch's clock stands, to {latest}"
            ))
        })
}

/// Waits until the engine has taken what was stored at `sequence`, so that the next look shows it; not for ever.
pub(super) async fn settle(live: &Live, sequence: Sequence) {
    timeout(PATIENCE, live.reaches(sequence)).await.ok();
}
