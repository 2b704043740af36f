//! Alerts: what stands, and what people do to them.

use std::sync::Arc;

use axum::{
    Extension, Json,
    body::Bytes,
    extract::{
        Path, Query, State,
        rejection::{BytesRejection, QueryRejection},
    },
    response::Response,
};
use fobwatch_core::alert::AlertName;
use serde_json::{Value, json};

use super::{
    answer::{Complaint, batch, marked},
    batches::settle,
    paging,
};
use crate::{
    gate::Caller,
    watch::{House, Live, Request, Standing},
    wish::Wish,
};

/// Alerts in the order of their batches' slugs; of many some, and where the next ones are. Those of one batch are never parted.
pub(super) async fn list(
    State(house): State<Arc<House>>,
    asked: Result<Query<paging::Asked>, QueryRejection>,
) -> Result<Response, Complaint> {
    let asked = paging::BatchesOf::read(asked)?;
    let lives = match &asked.batch {
        Some(slug) => vec![batch(&house, slug)?],
        None => house.all(),
    };
    let (mut alerts, mut total) = (Vec::new(), 0);
    let (mut last, mut next) = (None, None);
    for live in &lives {
        let standing = live.standing();
        // Without a sentence: of ten thousand batches most are on another page.
        let count = standing.monitor.glance().alerts.len() + usize::from(standing.failed.is_some());
        total += count;
        let is_before = |after: &String| live.slug.as_str() <= after.as_str();
        if count == 0 || next.is_some() || asked.after.as_ref().is_some_and(is_before) {
            continue;
        }
        match last {
            Some(last) if alerts.len() + count > asked.limit => {
                next = Some(format!("/api/v1/alerts?limit={}&after={last}", asked.limit));
            }
            _ => {
                alerts.extend(of(live, &standing));
                last = Some(&live.slug);
            }
        }
    }
    let mut answer = marked(&house, "alerts", alerts);
    if let Value::Object(answer) = &mut answer {
        answer.insert("total".to_owned(), json!(total));
        if let Some(next) = &next {
            answer.insert("next".to_owned(), json!(next));
        }
    }
    Ok(paging::linked(next.as_deref(), Json(answer)))
}

fn of(live: &Live, standing: &Standing) -> Vec<Value> {
    let mut alerts = Vec::new();
    if let Some(why) = &standing.failed {
        alerts.push(json!({
            "batch": live.batch.name,
            "slug": live.slug,
            "alert": AlertName::SensorSuspect,
            "state": fobwatch_core::alert::AlarmState::Unacknowledged,
            "priority": AlertName::SensorSuspect.priority(),
            "since": standing.monitor.clock(),
            "message": why,
        }));
    }
    for alert in standing.monitor.alerts() {
        // An alert is written without fail; if it were not, it is named all the same.
        let mut entry =
            serde_json::to_value(&alert).unwrap_or_else(|_no_json| json!({ "alert": alert.alert }));
        if let Value::Object(entry) = &mut entry {
            entry.insert("batch".to_owned(), json!(live.batch.name));
            entry.insert("slug".to_owned(), json!(live.slug));
            entry.retain(|_key, value| !value.is_null());
        }
        alerts.push(entry);
    }
    alerts
}

pub(super) async fn obey(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path((slug, alert)): Path<(String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Complaint> {
    let mut wish: Wish = serde_json::from_slice(&body?).map_err(refused)?;
    wish.who = caller.signs(&wish.who);
    carry_out(&house, &slug, &alert, &wish).await.map(Json)
}

/// Does to an alert what a person wishes; answers once it is stored.
///
/// # Errors
/// Why it cannot be done.
pub(super) async fn carry_out(
    house: &House,
    slug: &str,
    alert: &str,
    wish: &Wish,
) -> Result<Value, Complaint> {
    let live = batch(house, slug)?;
    let alert: AlertName = alert.parse().map_err(refused)?;
    let at = house.now(&live);
    let command = wish.command(alert, at).map_err(Complaint::refused)?;
    let standing = live.standing();
    if let Some(why) = standing.failed {
        return Err(Complaint::conflict(why));
    }
    if let Err(why) = standing.monitor.permits(&command) {
        return Err(Complaint::conflict(why.to_string()));
    }
    let sequence = house.ask(Request::Command(live.id, command)).await?;
    settle(&live, sequence).await;
    Ok(json!({ "batch": live.batch.name, "alert": alert, "at": at }))
}

fn refused(error: impl std::fmt::Display) -> Complaint {
    Complaint::refused(error.to_string())
}
