//! The page at `/`, its style sheet and its icon.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    extract::{Query, State},
    http::{HeaderName, header::CONTENT_TYPE},
    response::{Html, IntoResponse},
};
use fobwatch_core::{
    note::Note,
    reading::{Quantity, Source},
};
use jiff::Timestamp;
use serde::Deserialize;
use tokio::time::timeout;
use tracing::warn;

use super::{
    answer::{Complaint, batch},
    batches::PATIENCE,
};
use crate::{
    page::{self, Context, Shown, Warmth},
    store::{BatchId, Reader, StoreError},
    watch::{House, Live},
};

/// A person who opens the page while much is reckoned sees soon what is known, and what is not.
const PATIENCE_OF_A_READER: Duration = Duration::from_secs(1);

/// With more batches than this the page does without the line of temperatures.
const MOST_WITH_WARMTH: usize = 40;

/// What a person must do, and when, once the engines have taken what is stored, or said to be behind.
pub(super) async fn agenda(
    State(house): State<Arc<House>>,
    Query(only): Query<Only>,
) -> Result<Html<String>, Complaint> {
    let batches = match only.batch {
        Some(slug) => vec![batch(&house, &slug)?],
        None => house.all(),
    };
    let (shown, context) = seen(&house, batches, PATIENCE_OF_A_READER).await;
    Ok(Html(page::agenda(&shown, &context)))
}

/// Which batches the page is about; all of them, unless one is named.
#[derive(Debug, Deserialize)]
pub(super) struct Only {
    batch: Option<String>,
}

/// Expected moves, for calendars that subscribe.
pub(super) async fn calendar(State(house): State<Arc<House>>) -> impl IntoResponse {
    let (shown, context) = seen(&house, house.all(), PATIENCE).await;
    (
        typed("text/calendar; charset=utf-8"),
        page::calendar(&shown, &context),
    )
}

/// The same as sentences without the page.
pub(super) async fn status(State(house): State<Arc<House>>) -> Json<page::Told> {
    let (shown, context) = seen(&house, house.all(), PATIENCE).await;
    Json(page::told(&shown, &context))
}

/// What a person should know of the channels and servers that are told things.
async fn servers(house: &House) -> Vec<String> {
    let known: Vec<String> = house.destinations().iter().map(|of| of.name.clone()).collect();
    let backlog = house.store.read(|reader| reader.backlog()).await;
    let backlog = backlog.unwrap_or_else(|error| {
        warn!("The page does not tell how the channels do: {error}.");
        Vec::new()
    });
    let channels = page::of_channels(&backlog, &known, Timestamp::now(), &house.display.zone);
    let servers = house.series.iter().filter_map(|state| state.sentence());
    let missed = house.peers.sentences(&house.display.zone);
    let crowd = house.crowd.sentence(&house.display.zone);
    missed
        .into_iter()
        .chain(channels)
        .chain(servers)
        .chain(crowd)
        .collect()
}

async fn seen(house: &House, all: Vec<Arc<Live>>, patience: Duration) -> (Vec<Shown>, Context) {
    let latest = *house.latest.borrow();
    let caught_up = async {
        for live in &all {
            live.reaches(latest).await;
        }
    };
    timeout(patience, caught_up).await.ok();
    let mut shown: Vec<Shown> = all
        .iter()
        .map(|live| {
            // Asked first: whoever is not behind then shows at least what was stored.
            let behind = live.is_behind(latest);
            let standing = live.standing();
            Shown {
                failed: standing.failed,
                behind,
                ..Shown::from(standing.monitor.as_ref())
            }
        })
        .collect();
    let asked: Vec<Asked> = all
        .iter()
        .zip(&shown)
        .map(|(live, shown)| Asked {
            id: live.id,
            thermometer: page::thermometer(shown).filter(|_| all.len() <= MOST_WITH_WARMTH),
            sealed_at: shown.batch.bottled_at,
            now: shown.view.at,
        })
        .collect();
    let stored = house
        .store
        .read(move |reader| asked.iter().map(|asked| asked.of(reader)).collect());
    let stored: Vec<(Vec<Note>, Option<Warmth>)> = stored.await.unwrap_or_else(|error| {
        warn!("The page shows no notes and no temperatures: {error}.");
        Vec::new()
    });
    for (shown, (notes, warmth)) in shown.iter_mut().zip(stored) {
        shown.notes = notes;
        shown.warmth = warmth;
    }
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
        servers: servers(house).await,
    };
    (shown, context)
}

/// What is read of one batch from the store: little, however much of it is stored.
struct Asked {
    id: BatchId,
    thermometer: Option<(Source, Quantity)>,
    sealed_at: Timestamp,
    now: Timestamp,
}

impl Asked {
    fn of(&self, reader: &Reader<'_>) -> Result<(Vec<Note>, Option<Warmth>), StoreError> {
        let warmth = self.thermometer.as_ref();
        let warmth = warmth.map(|of| page::warmth_of(reader, of, self.sealed_at, self.now));
        Ok((reader.notes(self.id)?, warmth.transpose()?))
    }
}

pub(super) async fn style() -> impl IntoResponse {
    (typed("text/css; charset=utf-8"), page::style())
}

pub(super) async fn script() -> impl IntoResponse {
    (typed("text/javascript; charset=utf-8"), page::script())
}

pub(super) async fn chart_script() -> impl IntoResponse {
    (typed("text/javascript; charset=utf-8"), page::chart_script())
}

/// One batch alone, for whoever has a link to it.
pub(super) fn shared(house: &House, live: &Live) -> String {
    let (shown, context) = of_one(house, live);
    page::shared(&shown, &context)
}

/// The page on which notes of a batch are written.
pub(super) fn tell(house: &House, live: &Live, wrong: Option<(&str, &str)>) -> String {
    let (shown, context) = of_one(house, live);
    page::tell(&shown, &context, wrong)
}

/// One batch, for a page of its own.
pub(super) fn of_one(house: &House, live: &Live) -> (Shown, Context) {
    let standing = live.standing();
    let shown = Shown {
        failed: standing.failed,
        ..Shown::from(standing.monitor.as_ref())
    };
    let context = Context {
        now: house.now(live),
        ..context(house)
    };
    (shown, context)
}

/// For a page about no batch.
pub(super) fn context(house: &House) -> Context {
    let clocks = house.all();
    let clocks = clocks.iter().map(|live| house.now(live));
    Context {
        now: clocks.max().unwrap_or_else(|| house.clock.now()),
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
        servers: Vec::new(),
    }
}

pub(super) async fn favicon() -> impl IntoResponse {
    (typed("image/svg+xml"), page::favicon())
}

fn typed(kind: &'static str) -> [(HeaderName, &'static str); 1] {
    [(CONTENT_TYPE, kind)]
}
