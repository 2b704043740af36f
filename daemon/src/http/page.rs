//! The page at `/`, its style sheet and its icon.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    extract::State,
    http::{HeaderName, header::CONTENT_TYPE},
    response::{Html, IntoResponse},
};
use fobwatch_core::note::Note;
use tokio::time::timeout;
use tracing::warn;

use super::batches::PATIENCE;
use crate::{
    page::{self, Context, Shown},
    store::BatchId,
    watch::{House, Live},
};

/// A person who opens the page while much is reckoned sees soon what is known, and what is not.
const PATIENCE_OF_A_READER: Duration = Duration::from_secs(1);

/// What a person must do, and when, once the engines have taken what is stored, or said to be behind.
pub(super) async fn agenda(State(house): State<Arc<House>>) -> Html<String> {
    let (shown, context) = seen(&house, PATIENCE_OF_A_READER).await;
    Html(page::agenda(&shown, &context))
}

/// Expected moves, for calendars that subscribe.
pub(super) async fn calendar(State(house): State<Arc<House>>) -> impl IntoResponse {
    let (shown, context) = seen(&house, PATIENCE).await;
    (
        typed("text/calendar; charset=utf-8"),
        page::calendar(&shown, &context),
    )
}

/// The same as sentences without the page.
pub(super) async fn status(State(house): State<Arc<House>>) -> Json<page::Told> {
    let (shown, context) = seen(&house, PATIENCE).await;
    let servers = house.series.iter().filter_map(|state| state.sentence());
    Json(page::Told {
        servers: servers.collect(),
        ..page::told(&shown, &context)
    })
}

async fn seen(house: &House, patience: Duration) -> (Vec<Shown>, Context) {
    let latest = *house.latest.borrow();
    let all = house.all();
    let caught_up = async {
        for live in &all {
            live.reaches(latest).await;
        }
    };
    timeout(patience, caught_up).await.ok();
    let ids: Vec<BatchId> = all.iter().map(|live| live.id).collect();
    let notes = house
        .store
        .read(move |reader| ids.into_iter().map(|id| reader.notes(id)).collect());
    let mut notes: Vec<Vec<Note>> = notes.await.unwrap_or_else(|error| {
        warn!("The page shows no notes: {error}.");
        Vec::new()
    });
    notes.resize_with(all.len(), Vec::new);
    let shown: Vec<Shown> = all
        .iter()
        .zip(notes)
        .map(|(live, notes)| {
            // Asked first: whoever is not behind then shows at least what was stored.
            let behind = live.is_behind(latest);
            let standing = live.standing();
            Shown {
                failed: standing.failed,
                behind,
                notes,
                ..Shown::from(standing.monitor.as_ref())
            }
        })
        .collect();
    let clocks = shown.iter().map(|shown| shown.view.at);
    let context = Context {
        // Where readings move the clocks of the batches, the page follows them.
        now: match house.settings.clock {
            fobwatch_core::engine::ClockSource::Ticks => house.clock.now(),
            fobwatch_core::engine::ClockSource::Readings => clocks.max().unwrap_or_else(|| house.clock.now()),
        },
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
    };
    (shown, context)
}

pub(super) async fn style() -> impl IntoResponse {
    (typed("text/css; charset=utf-8"), page::style())
}

pub(super) async fn script() -> impl IntoResponse {
    (typed("text/javascript; charset=utf-8"), page::script())
}

/// One batch alone, for whoever has a link to it.
pub(super) fn shared(house: &House, live: &Live) -> String {
    let (shown, context) = alone(house, live);
    page::shared(&shown, &context)
}

/// The page on which notes of a batch are written.
pub(super) fn tell(house: &House, live: &Live, wrong: Option<&str>) -> String {
    let (shown, context) = alone(house, live);
    page::tell(&shown, &context, wrong)
}

fn alone(house: &House, live: &Live) -> (Shown, Context) {
    let standing = live.standing();
    let shown = Shown {
        failed: standing.failed,
        ..Shown::from(standing.monitor.as_ref())
    };
    let context = Context {
        now: house.now(live),
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
    };
    (shown, context)
}

pub(super) async fn favicon() -> impl IntoResponse {
    (typed("image/svg+xml"), page::favicon())
}

fn typed(kind: &'static str) -> [(HeaderName, &'static str); 1] {
    [(CONTENT_TYPE, kind)]
}
