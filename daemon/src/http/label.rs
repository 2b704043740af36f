//! Label, shelf card and lot record of a batch, to be printed.

use std::sync::Arc;

use axum::{
    extract::{Path, Query, State},
    http::{StatusCode, header::CONTENT_TYPE},
    response::{Html, IntoResponse},
};
use fobwatch_core::{batch::BatchFile, culture::Diary};

use serde::Deserialize;

use super::answer::{Complaint, batch};
use crate::{
    label::{self, Facts},
    page::Shown,
    store::StoreError,
    watch::House,
};

/// The page.
pub(super) async fn show(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Html<String>, Complaint> {
    let live = batch(&house, &slug)?;
    let id = live.id;
    let read = house.store.read(move |reader| {
        let stored = reader.batches()?.into_iter().find(|stored| stored.id == id);
        let text = stored
            .map(|stored| stored.text)
            .ok_or_else(|| StoreError::NoSuchBatch { name: slug })?;
        Ok((text, reader.notes(id)?, reader.diary()?))
    });
    let (text, notes, diary) = read.await?;
    let file = BatchFile::from_toml(&text, "the stored batch")
        .map_err(|bad| Complaint::new(StatusCode::INTERNAL_SERVER_ERROR, bad.to_string()))?;
    let standing = live.standing();
    let shown = Shown {
        failed: standing.failed,
        ..Shown::from(standing.monitor.as_ref())
    };
    let (danger, forecast) = (shown.is_danger(), shown.view.forecast);
    let mut facts = Facts::new(
        file,
        notes,
        forecast,
        &Diary::new(diary),
        house.display.zone.clone(),
    );
    facts.demo = house.demo;
    facts.danger = danger;
    Ok(Html(label::sheet(&facts)))
}

/// What was asked of a recipe.
#[derive(Deserialize)]
pub(super) struct Scaled {
    to: Option<String>,
}

/// The recipe of a batch, scaled if a volume is asked.
pub(super) async fn recipe(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
    Query(asked): Query<Scaled>,
) -> Result<(StatusCode, Html<String>), Complaint> {
    let live = batch(&house, &slug)?;
    let id = live.id;
    let read = house.store.read(move |reader| {
        let stored = reader.batches()?.into_iter().find(|stored| stored.id == id);
        Ok(stored.map(|stored| stored.text).unwrap_or_default())
    });
    let file = BatchFile::from_toml(&read.await?, "the stored batch")
        .map_err(|bad| Complaint::new(StatusCode::INTERNAL_SERVER_ERROR, bad.to_string()))?;
    let (name, slug) = (live.batch.name.as_str(), live.slug.as_str());
    let Some(recipe) = &file.recipe else {
        let page = label::recipe_page(name, slug, &[], "", None, house.demo);
        return Ok((StatusCode::OK, Html(page)));
    };
    let typed = asked.to.unwrap_or_default();
    let volume = match typed.trim() {
        "" => Ok(None),
        text => label::volume(text).map(Some),
    };
    let scaled = volume.and_then(|to| label::recipe_lines(name, recipe, to).map_err(|bad| bad.to_string()));
    let (status, said, wrong) = match scaled {
        Ok(said) => (StatusCode::OK, said, None),
        Err(why) => {
            let plain = label::recipe_lines(name, recipe, None).unwrap_or_default();
            (StatusCode::UNPROCESSABLE_ENTITY, plain, Some(why))
        }
    };
    let page = label::recipe_page(name, slug, &said, &typed, wrong.as_deref(), house.demo);
    Ok((status, Html(page)))
}

pub(super) async fn style() -> impl IntoResponse {
    (
        [(CONTENT_TYPE, "text/css; charset=utf-8")],
        include_str!("../label/label.css"),
    )
}
