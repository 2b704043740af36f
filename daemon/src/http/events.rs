//! `/api/v1/events`: says when there is something new, as server-sent events (WHATWG HTML, section 9.2). The page then fetches itself anew.

use std::{convert::Infallible, sync::Arc, time::Duration};

use axum::{
    extract::State,
    http::StatusCode,
    response::{
        IntoResponse,
        sse::{Event, KeepAlive, Sse},
    },
};
use futures_util::stream;
use tokio::{
    sync::{OwnedSemaphorePermit, watch},
    time::sleep,
};

use super::answer::Complaint;
use crate::{store::Sequence, watch::House};

/// No more often than this, however many readings come.
const AT_MOST_EVERY: Duration = Duration::from_secs(3);
/// So that whoever sits between does not think it dead.
const ALIVE: Duration = Duration::from_secs(25);

/// One page that listens.
struct Listener {
    house: Arc<House>,
    readings: watch::Receiver<Sequence>,
    alerts: watch::Receiver<u64>,
    _place: OwnedSemaphorePermit,
}

pub(super) async fn listen(State(house): State<Arc<House>>) -> Result<impl IntoResponse, Complaint> {
    let place = Arc::clone(&house.listeners)
        .try_acquire_owned()
        .map_err(|_full| {
            let why = "as many pages listen as may; this one fetches itself anew instead";
            Complaint::new(StatusCode::SERVICE_UNAVAILABLE, why)
        })?;
    let listener = Listener {
        readings: house.latest.subscribe(),
        alerts: house.alerts.subscribe(),
        house,
        _place: place,
    };
    let news = stream::unfold(listener, |mut listener| async move {
        let parting = listener.house.parting.clone();
        tokio::select! {
            biased;
            () = parting.cancelled() => return None,
            _ = listener.alerts.changed() => {}
            () = async {
                sleep(AT_MOST_EVERY).await;
                listener.readings.changed().await.ok();
            } => {}
        }
        listener.readings.mark_unchanged();
        listener.alerts.mark_unchanged();
        Some((
            Ok::<_, Infallible>(Event::default().event("news").data("1")),
            listener,
        ))
    });
    Ok(Sse::new(news).keep_alive(KeepAlive::new().interval(ALIVE)))
}
