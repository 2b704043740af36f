//! Alerts: what stands, and what people do to them.

use std::sync::Arc;

use axum::{
    Json,
    body::Bytes,
    extract::{Path, State, rejection::BytesRejection},
};
use fobwatch_core::{
    alert::AlertName,
    engine::{Command, Deed},
};
use jiff::{SignedDuration, Timestamp};
use serde::Deserialize;
use serde_json::{Value, json};

use super::{
    answer::{Complaint, batch},
    batches::settle,
};
use crate::watch::{House, Live, Request};

/// The longest that an alert may be shelved.
const LONGEST_SHELF_S: i64 = 30 * 86_400;

pub(super) async fn list(State(house): State<Arc<House>>) -> Json<Value> {
    let all = house.all();
    let alerts: Vec<Value> = all.iter().flat_map(|live| of(live)).collect();
    Json(json!({ "alerts": alerts }))
}

fn of(live: &Live) -> Vec<Value> {
    let standing = live.standing();
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
    for alert in standing.monitor.view().alerts {
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

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wish {
    deed: DeedName,
    who: String,
    for_s: Option<i64>,
    reason: Option<String>,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum DeedName {
    Acknowledge,
    Shelve,
    Unshelve,
    Reset,
}

pub(super) async fn obey(
    State(house): State<Arc<House>>,
    Path((slug, alert)): Path<(String, String)>,
    body: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Complaint> {
    let live = batch(&house, &slug)?;
    let alert: AlertName = alert.parse().map_err(refused)?;
    let wish: Wish = serde_json::from_slice(&body?).map_err(refused)?;
    let at = house.now(&live);
    let command = Command {
        at,
        alert,
        who: words("who", &wish.who, 80)?,
        deed: deed(&wish, at)?,
    };
    let standing = live.standing();
    if let Some(why) = standing.failed {
        return Err(Complaint::conflict(why));
    }
    if let Err(why) = standing.monitor.permits(&command) {
        return Err(Complaint::conflict(why.to_string()));
    }
    let sequence = house.ask(Request::Command(live.id, command)).await?;
    settle(&live, sequence).await;
    Ok(Json(
        json!({ "batch": live.batch.name, "alert": alert, "at": at }),
    ))
}

fn refused(error: impl std::fmt::Display) -> Complaint {
    Complaint::refused(error.to_string())
}

fn deed(wish: &Wish, at: Timestamp) -> Result<Deed, Complaint> {
    let reason = || match &wish.reason {
        Some(reason) => words("reason", reason, 500),
        None => Err(Complaint::refused("`reason` is missing; allowed: why, in words")),
    };
    Ok(match wish.deed {
        DeedName::Acknowledge => Deed::Acknowledge,
        DeedName::Unshelve => Deed::Unshelve,
        DeedName::Reset => Deed::Reset { reason: reason()? },
        DeedName::Shelve => {
            let until = wish
                .for_s
                .filter(|seconds| (1..=LONGEST_SHELF_S).contains(seconds))
                .and_then(|seconds| at.checked_add(SignedDuration::from_secs(seconds)).ok());
            let Some(until) = until else {
                let given = wish
                    .for_s
                    .map_or_else(|| "missing".to_owned(), |seconds| seconds.to_string());
                let why = format!("`for_s` is {given}; allowed: 1 to {LONGEST_SHELF_S} seconds (30 days)");
                return Err(Complaint::refused(why));
            };
            Deed::Shelve {
                until,
                reason: reason()?,
            }
        }
    })
}

fn words(key: &str, given: &str, most: usize) -> Result<String, Complaint> {
    let words = given.trim();
    let plain = !words.chars().any(char::is_control);
    if plain && (1..=most).contains(&words.chars().count()) {
        Ok(words.to_owned())
    } else {
        let shown: String = words.chars().filter(|c| !c.is_control()).take(60).collect();
        let why = format!("`{key}` is {shown:?}; allowed: 1 to {most} characters, no control characters");
        Err(Complaint::refused(why))
    }
}
