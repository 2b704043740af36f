//! Whole workers over a store.

mod aside;
mod by_readings;
mod claims;
mod corrected;
mod handed_out;
mod intake;
mod restart;
mod taken_back;
mod taught;

use std::{sync::Arc, time::Duration};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition},
    batch::Batch,
    engine::{FitRequest, Fitted},
    forecast::Forecast,
    note::{Note, NoteKind},
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;

pub(crate) use super::fixture::{StoppedClock, batch_text, house, house_by, start, watch_loop};
use super::{House, Request, fit::Fit, workers::Workers};
use crate::{
    config::Config,
    store::{BatchId, Sequence, Store, StoredWhat},
};

/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) fn reading(minutes: i64, quantity: Quantity, value: f64, unit: Unit) -> Reading {
    Reading {
        at: start() + SignedDuration::from_mins(minutes),
        source: Source::new("pilot").unwrap(),
        measured: Measured::new(quantity, value, unit).unwrap(),
    }
}

/// Words of a person that are of no kind.
fn said(at: Timestamp, text: &str) -> Note {
    Note {
        at,
        kind: NoteKind::Other,
        bottles: None,
        value: None,
        unit: None,
        text: Some(text.to_owned()),
        takes_back: None,
    }
}

/// With so many lines under `[sensors]`.
pub(crate) fn batch_with(name: &str, sensors: &str) -> Batch {
    let text = format!("{}\n[sensors]\n{sensors}", batch_text(name));
    Batch::from_toml(&text, name).unwrap().0
}

fn batch(name: &str) -> Batch {
    Batch::from_toml(&batch_text(name), "test").unwrap().0
}

/// Twelve hours: the gauge climbs through the limit, and is silent for two hours on the way.
fn hours() -> Vec<(i64, Vec<Reading>)> {
    (0..144)
        .map(|step| step * 5)
        .map(|minutes| {
            let heard = !(180..300).contains(&minutes);
            let hours = f64::from(i32::try_from(minutes).unwrap()) / 60.0;
            let readings = vec![
                reading(minutes, Quantity::Pressure, 0.15 * hours, Unit::Bar),
                reading(minutes, Quantity::LiquidTemperature, 21.0, Unit::Celsius),
            ];
            (minutes, if heard { readings } else { Vec::new() })
        })
        .collect()
}

async fn feed(store: &Store, hours: &[(i64, Vec<Reading>)]) {
    let hours = hours.to_vec();
    store
        .write(move |writer| {
            for (minutes, readings) in &hours {
                let at = start() + SignedDuration::from_mins(*minutes);
                writer.append_clock(at)?;
                writer.append_readings(readings, at)?;
            }
            Ok(())
        })
        .await
        .unwrap();
}

async fn add(store: &Store, name: &str) -> BatchId {
    let (batch, text) = (batch(name), batch_text(name));
    store
        .write(move |writer| writer.add_batch(&batch, &text, start()))
        .await
        .unwrap()
}

/// Runs the workers over all that is stored, and stops them in order.
async fn run_through(store: &Store, batches: &[(BatchId, &str)], fit: fn(&FitRequest) -> Fitted) {
    let (house, _requests) = house(store).await;
    let mut workers = Workers::with_fit(Fit {
        run: fit,
        from: Timestamp::MIN,
    });
    for (id, name) in batches {
        workers.begin(&house, batch(name), *id).await.unwrap();
    }
    let last = *house.latest.borrow();
    for live in house.all() {
        timeout(PATIENCE, live.reaches(last)).await.unwrap();
    }
    workers.finish().await;
}

async fn left(store: &Store, id: BatchId) -> (Vec<AlertRecord>, Vec<Forecast>) {
    store
        .read(move |reader| Ok((reader.alerts(id)?, reader.forecasts(id)?)))
        .await
        .unwrap()
}

fn raised(alerts: &[AlertRecord], name: AlertName) -> usize {
    alerts
        .iter()
        .filter(|alert| alert.alert == name && alert.state == Transition::Raised)
        .count()
}
