//! The page at `/`, its style sheet and its icon.

use std::sync::Arc;

use axum::{
    Json,
    extract::State,
    http::{HeaderName, header::CONTENT_TYPE},
    response::{Html, IntoResponse},
};
use tokio::time::timeout;

use super::batches::PATIENCE;
use crate::{
    page::{self, Context, Shown},
    watch::House,
};

/// What a person must do, and when.
pub(super) async fn agenda(State(house): State<Arc<House>>) -> Html<String> {
    let (shown, context) = seen(&house);
    Html(page::agenda(&shown, &context))
}

/// The same as sentences without the page, once the engines have taken what is stored, or said to be behind.
pub(super) async fn status(State(house): State<Arc<House>>) -> Json<page::Told> {
    let latest = *house.latest.borrow();
    let all = house.all();
    let caught_up = async {
        for live in &all {
            live.reaches(latest).await;
        }
    };
    timeout(PATIENCE, caught_up).await.ok();
    let behind = all.iter().filter(|live| live.is_behind(latest));
    let behind = behind.map(|live| live.batch.name.clone()).collect();
    let (shown, context) = seen(&house);
    Json(page::told(&shown, &context).with_behind(behind))
}

fn seen(house: &House) -> (Vec<Shown>, Context) {
    let shown: Vec<Shown> = house
        .all()
        .iter()
        .map(|live| {
            let standing = live.standing();
            Shown {
                failed: standing.failed,
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
    };
    (shown, context)
}

pub(super) async fn style() -> impl IntoResponse {
    (typed("text/css; charset=utf-8"), page::style())
}

pub(super) async fn favicon() -> impl IntoResponse {
    (typed("image/svg+xml"), page::favicon())
}

fn typed(kind: &'static str) -> [(HeaderName, &'static str); 1] {
    [(CONTENT_TYPE, kind)]
}
