//! The page at `/`, its style sheet and its icon.

use std::{sync::Arc, time::Duration};

use axum::{
    Json,
    extract::{Query, State, rejection::QueryRejection},
    http::{HeaderName, header::CONTENT_TYPE},
    response::{Html, IntoResponse, Response},
};
use fobwatch_core::{
    engine::ClockSource,
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
    paging,
};
use crate::{
    page::{self, Context, Overview, Part, Passed, Shown, Survey, Warmth},
    store::{BatchId, Reader, Sequence, StoreError},
    watch::{House, Live},
};

/// A person who opens the page while much is reckoned sees soon what is known, and what is not.
const PATIENCE_OF_A_READER: Duration = Duration::from_secs(1);

/// With more batches than this the page does without the line of temperatures.
const MOST_WITH_WARMTH: usize = 40;

/// With more batches than this some are behind at any time, and nobody waits for all of them ...
const MOST_WAITED_FOR: usize = 64;
/// ... but for those that are shown, so long.
const PATIENCE_FOR_SOME: Duration = Duration::from_millis(100);

/// What a person must do, and when, once the engines have taken what is stored, or said to be behind.
pub(super) async fn agenda(
    State(house): State<Arc<House>>,
    only: Result<Query<Only>, QueryRejection>,
) -> Result<Html<String>, Complaint> {
    let Query(only) = only.map_err(|bad| {
        Complaint::refused(format!(
            "{}; allowed: `batch`, or `named` and `page`, each once",
            bad.body_text()
        ))
    })?;
    let part = Part {
        number: match &only.page {
            None => 1,
            Some(text) => paging::number(text, "page", 1..=usize::MAX)?,
        },
        named: only.named.filter(|named| !named.trim().is_empty()),
    };
    let batches = match (only.batch, &part.named) {
        (Some(slug), _) => vec![batch(&house, &slug)?],
        (None, Some(named)) => {
            let named = named.trim().to_lowercase();
            let mut all = house.all();
            all.retain(|live| live.batch.name.as_str().to_lowercase().contains(&named));
            all
        }
        (None, None) => house.all(),
    };
    let (shown, overview, mut context) = seen(&house, batches, PATIENCE_OF_A_READER, |survey| {
        part.of(survey).to_vec()
    })
    .await;
    context.servers = servers(&house).await;
    let shown = with_stored(&house, shown).await;
    Ok(Html(page::agenda_of(&shown, &overview, &part, &context)))
}

/// Which batches the page is about; all of them, unless one is named.
#[derive(Debug, Deserialize)]
pub(super) struct Only {
    batch: Option<String>,
    named: Option<String>,
    page: Option<String>,
}

/// Expected moves, for calendars that subscribe.
pub(super) async fn calendar(State(house): State<Arc<House>>) -> impl IntoResponse {
    let mut others = 0;
    let (shown, _, context) = seen_some(&house, house.all(), PATIENCE, |passed, _| {
        let (places, more) = page::in_calendar(passed);
        others = more;
        places
    })
    .await;
    let shown: Vec<Shown> = shown.into_iter().map(|(_, shown)| shown).collect();
    (
        typed("text/calendar; charset=utf-8"),
        page::calendar(&shown, others, &context),
    )
}

/// The same as sentences without the page.
pub(super) async fn status(
    State(house): State<Arc<House>>,
    asked: Result<Query<paging::Asked>, QueryRejection>,
) -> Result<Response, Complaint> {
    let asked = paging::StatusOf::read(asked)?;
    let all = match &asked.batch {
        Some(slug) => vec![batch(&house, slug)?],
        None => house.all(),
    };
    let slugs: Vec<_> = all.iter().map(|live| live.slug.clone()).collect();
    let mut next = None;
    let (shown, overview, mut context) = seen(&house, all, PATIENCE, |survey| {
        let limit = asked.limit;
        match &asked.order {
            paging::Order::Urgency => survey.order().iter().copied().take(limit).collect(),
            // The list is in that order.
            paging::Order::Name { after } => {
                let from = slugs.partition_point(|slug| {
                    after
                        .as_ref()
                        .is_some_and(|after| slug.as_str() <= after.as_str())
                });
                let until = slugs.len().min(from + limit);
                next = slugs
                    .get(until.wrapping_sub(1))
                    .filter(|_| until < slugs.len())
                    .map(|last| format!("/api/v1/status?order=name&limit={limit}&after={last}"));
                (from..until).collect()
            }
        }
    })
    .await;
    context.servers = servers(&house).await;
    let shown: Vec<Shown> = shown.into_iter().map(|(_, shown)| shown).collect();
    let mut told = page::told_of(&shown, &overview, &context);
    told.next.clone_from(&next);
    if asked.order != paging::Order::Urgency {
        told.batches.sort_by(|a, b| a.slug.cmp(&b.slug));
    }
    Ok(paging::linked(next.as_deref(), Json(told)))
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

/// All batches in passing, and in full those whose places `choose` names of them.
async fn seen(
    house: &House,
    all: Vec<Arc<Live>>,
    patience: Duration,
    choose: impl FnOnce(&Survey) -> Vec<usize>,
) -> (Vec<(Arc<Live>, Shown)>, Overview, Context) {
    seen_some(house, all, patience, |_, survey| choose(survey)).await
}

async fn seen_some(
    house: &House,
    all: Vec<Arc<Live>>,
    patience: Duration,
    choose: impl FnOnce(&[Passed], &Survey) -> Vec<usize>,
) -> (Vec<(Arc<Live>, Shown)>, Overview, Context) {
    let latest = *house.latest.borrow();
    let few = all.len() <= MOST_WAITED_FOR;
    if few {
        reached(&all, latest, patience).await;
    }
    let passed: Vec<Passed> = all
        .iter()
        .map(|live| {
            // Asked first: whoever is not behind then shows at least what was stored.
            let behind = live.is_behind(latest);
            let standing = live.standing();
            Passed {
                name: live.batch.name.clone(),
                glance: standing.monitor.glance(),
                failed: standing.failed.is_some(),
                behind,
            }
        })
        .collect();
    let now = match house.settings.clock {
        ClockSource::Ticks => house.clock.now(),
        // Where readings move the clocks of the batches, the page follows them.
        ClockSource::Readings => {
            let clocks = passed.iter().map(|passed| passed.glance.at);
            clocks.max().unwrap_or_else(|| house.clock.now())
        }
    };
    let survey = Survey::of(&passed, now);
    let lives = |places: &[usize]| -> Vec<Arc<Live>> {
        places
            .iter()
            .filter_map(|place| all.get(*place).cloned())
            .collect()
    };
    let chosen = lives(&choose(&passed, &survey));
    if !few {
        reached(&chosen, latest, patience.min(PATIENCE_FOR_SOME)).await;
    }
    let in_full = |live: &Arc<Live>| {
        let behind = live.is_behind(latest);
        let standing = live.standing();
        Shown {
            failed: standing.failed,
            behind,
            ..Shown::from(standing.monitor.as_ref())
        }
    };
    let one = |place: Option<usize>| place.and_then(|place| all.get(place)).map(in_full);
    let overview = Overview {
        first: one(survey.order().first().copied()),
        fullest: one(survey.fullest()),
        survey,
    };
    let shown = chosen
        .into_iter()
        .map(|live| {
            let shown = in_full(&live);
            (live, shown)
        })
        .collect();
    let context = Context {
        now,
        display: house.display.clone(),
        demo: house.demo,
        unstored: house.unstored.trouble(),
        servers: Vec::new(),
    };
    (shown, overview, context)
}

/// Waits until these have taken what is stored up to `latest`; not for ever.
async fn reached(all: &[Arc<Live>], latest: Sequence, patience: Duration) {
    let caught_up = async {
        for live in all {
            live.reaches(latest).await;
        }
    };
    timeout(patience, caught_up).await.ok();
}

/// With what the store tells of them.
async fn with_stored(house: &House, of: Vec<(Arc<Live>, Shown)>) -> Vec<Shown> {
    let warm = of.len() <= MOST_WITH_WARMTH;
    let asked: Vec<Asked> = of
        .iter()
        .map(|(live, shown)| Asked {
            id: live.id,
            thermometer: page::thermometer(shown).filter(|_| warm),
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
    let mut shown: Vec<Shown> = of.into_iter().map(|(_, shown)| shown).collect();
    for (shown, (notes, warmth)) in shown.iter_mut().zip(stored) {
        shown.tell(notes);
        shown.warmth = warmth;
    }
    shown
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
        Ok((reader.all_notes(self.id)?, warmth.transpose()?))
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

/// The page of all that was told of a batch.
pub(super) fn all_told(house: &House, live: &Live, notes: Vec<Note>, wrong: Option<&str>) -> String {
    let (mut shown, context) = of_one(house, live);
    shown.tell(notes);
    page::all_told(&shown, &context, wrong)
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
