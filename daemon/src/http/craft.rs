//! The pages of the craft: plan a batch and put it under watch, cultures, experiments.

use std::sync::Arc;

use axum::{
    Extension, Router,
    extract::{Query, State},
    http::StatusCode,
    response::{Html, IntoResponse, Redirect, Response},
    routing::{get, post},
};
use fobwatch_core::{
    batch::{Batch, ExperimentName},
    compare::{Comparison, since_feed},
    culture::Diary,
    engine::{ClockSource, Settings},
};
use jiff::Timestamp;
use tokio::sync::Semaphore;

use super::{
    answer::Complaint,
    batches, begin,
    fields::{self, Sent},
};
use crate::{
    craft::{cultures::Kept, experiments, heard_room, words},
    moment,
    page::{self, Answer, Curve, Typed},
    planning::{self, Asked, Room, form::Refused},
    store::StoreError,
    watch::House,
};

/// What is dear is reckoned one at a time: the batches' own forecasts come first.
static TURNS: Semaphore = Semaphore::const_new(1);

/// Experiments on one page: each sibling takes a fit.
const AT_ONCE: usize = 8;

/// Its addresses.
pub(super) fn route() -> Router<Arc<House>> {
    Router::new()
        .route("/plan", get(plan))
        .route("/plan/watch", post(watch))
        .route("/compare", get(compare))
        .route("/experiments", get(experiments))
        .layer(Extension(Arc::new(Kept::default())))
        .layer(Extension(Arc::new(experiments::Kept::default())))
}

fn broken() -> Complaint {
    Complaint::new(
        StatusCode::INTERNAL_SERVER_ERROR,
        "this could not be reckoned; look into the log",
    )
}

fn settings(house: &House) -> Settings {
    Settings {
        clock: ClockSource::Readings,
        ..house.settings.clone()
    }
}

async fn plan(
    State(house): State<Arc<House>>,
    Extension(kept): Extension<Arc<Kept>>,
    Query(typed): Query<Typed>,
) -> Result<Html<String>, Complaint> {
    let mut typed = typed;
    let answer = if typed.contains_key("name") {
        let zone = house.display.zone.clone();
        match planning::form::batch_file(&typed, &zone) {
            Err(problems) => Answer::Wrong(problems),
            Ok(toml) => planned(&house, kept, &typed, toml).await?,
        }
    } else {
        let now = super::page::context(&house).now;
        let now = now.to_zoned_datetime(house.display.zone.clone());
        typed.insert(
            "bottled_at".to_owned(),
            now.strftime("%Y-%m-%dT%H:%M").to_string(),
        );
        typed.insert("fridge_c".to_owned(), "4".to_owned());
        Answer::Nothing
    };
    let sources = begin::sources(&house).await;
    Ok(Html(page::planned(
        &typed,
        &answer,
        &sources,
        &house.display,
        house.demo,
    )))
}

async fn planned(
    house: &Arc<House>,
    kept: Arc<Kept>,
    typed: &Typed,
    toml: String,
) -> Result<Answer, Complaint> {
    let (batch, warnings) = match Batch::from_toml(&toml, "the batch") {
        Ok(read) => read,
        Err(bad) => {
            return Ok(Answer::Wrong(bad.problems.iter().map(Refused::from).collect()));
        }
    };
    let zone = &house.display.zone;
    let moments: Vec<Result<Option<Timestamp>, Refused>> = ["ready", "home"]
        .into_iter()
        .map(|key| {
            let text = typed
                .get(key)
                .map(|text| text.trim())
                .filter(|text| !text.is_empty());
            let read = text.map(|text| moment::read(text, zone)).transpose();
            read.map_err(|why| Refused::at(key, format!("{why}.")))
        })
        .collect();
    let [ready, home] = moments.as_slice() else {
        return Err(broken());
    };
    let (ready, home) = match (ready, home) {
        (Ok(ready), Ok(home)) => (*ready, *home),
        (Err(why), _) | (_, Err(why)) => return Ok(Answer::Wrong(vec![why.clone()])),
    };
    let last_week = typed.get("last_week").is_some_and(|said| !said.is_empty());
    let given = planning::form::room(typed);
    let Ok(_turn) = TURNS.acquire().await else {
        return Err(broken());
    };
    let (settings, display) = (settings(house), house.display.clone());
    let reckoned = house
        .store
        .read(move |reader| {
            let lessons = kept.lessons(reader, &settings, &batch)?;
            let room: Result<(Room, String), String> = if last_week {
                heard_room::last_week(reader, &batch, &display.zone)?
            } else {
                given.map(|room| room.unwrap_or_else(|| planning::room_of(&batch)))
            };
            Ok(room.and_then(|(room, room_said)| {
                planning::plan(&Asked {
                    batch: &batch,
                    lessons: &lessons,
                    room,
                    room_said,
                    surroundings: &settings.surroundings,
                    display: &display,
                    ready,
                    home,
                })
            }))
        })
        .await?;
    Ok(match reckoned {
        Ok(planned) => Answer::Plan(Box::new(planned), toml, warnings),
        Err(why) => Answer::Wrong(vec![Refused::whole(why)]),
    })
}

/// Puts a planned batch under watch; back to the agenda, or to the form with what was wrong.
async fn watch(State(house): State<Arc<House>>, sent: Sent) -> Result<Response, Complaint> {
    let fields = fields::read(sent)?;
    let toml = fields.get("toml").map_or("", String::as_str);
    match batches::added(&house, toml).await {
        Ok((name, warnings)) if warnings.is_empty() => {
            Ok(Redirect::to(&format!("/#batch-{}", name.slug())).into_response())
        }
        Ok((name, warnings)) => {
            let (slug, context) = (name.slug(), super::page::context(&house));
            let page = page::begun_with_warnings(name.as_str(), slug.as_str(), &warnings, &context);
            Ok(Html(page).into_response())
        }
        Err(complaint) if complaint.is_the_users() => {
            let wrong = Answer::Wrong(vec![Refused::whole(complaint.into_sentence())]);
            let page = page::planned(&Typed::new(), &wrong, &[], &house.display, house.demo);
            Ok((StatusCode::UNPROCESSABLE_ENTITY, Html(page)).into_response())
        }
        Err(complaint) => Err(complaint),
    }
}

async fn compare(
    State(house): State<Arc<House>>,
    Extension(kept): Extension<Arc<Kept>>,
) -> Result<Html<String>, Complaint> {
    let Ok(_turn) = TURNS.acquire().await else {
        return Err(broken());
    };
    let settings = settings(&house);
    let (gathered, left_out, diary) = house
        .store
        .read(move |reader| {
            let (gathered, left_out) = kept.gathered(reader, &settings, |_| true)?;
            Ok((gathered, left_out, Diary::new(reader.diary()?)))
        })
        .await?;
    let entries: Vec<_> = gathered.iter().map(|batch| batch.entry.clone()).collect();
    let fed: Vec<String> = since_feed(&entries, &diary).iter().map(words::fed).collect();
    let comparison = Comparison::of(entries);
    let mut curves: Vec<Curve<'_>> = Vec::new();
    for culture in &comparison.cultures {
        let own = gathered
            .iter()
            .filter(|batch| batch.entry.lesson.culture == culture.culture && batch.past.len() > 1);
        curves.extend(own.map(|batch| Curve {
            culture: batch.entry.lesson.culture.as_str(),
            batch: batch.entry.lesson.batch.as_str(),
            bottled_at: batch.entry.lesson.bottled_at,
            past: &batch.past,
        }));
    }
    Ok(Html(page::cultures(
        &comparison,
        &fed,
        &left_out,
        &curves,
        &house.display,
        house.demo,
    )))
}

async fn experiments(
    State(house): State<Arc<House>>,
    Extension(kept): Extension<Arc<experiments::Kept>>,
    Query(typed): Query<Typed>,
) -> Result<Html<String>, Complaint> {
    let Ok(_turn) = TURNS.acquire().await else {
        return Err(broken());
    };
    let settings = settings(&house);
    let only = typed.get("name").and_then(|name| ExperimentName::new(name).ok());
    let found: Result<_, StoreError> = house
        .store
        .read(move |reader| experiments::of_store(reader, &settings, &kept, only.as_ref(), AT_ONCE))
        .await;
    let found = found?;
    Ok(Html(page::trials(&found, &house.display, house.demo)))
}
