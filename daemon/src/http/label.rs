//! Label, shelf card and lot record of a batch, to be printed.

use std::sync::Arc;

use axum::{
    extract::{Path, State},
    http::{StatusCode, header::CONTENT_TYPE},
    response::{Html, IntoResponse},
};
use fobwatch_core::{batch::BatchFile, culture::Diary};

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

pub(super) async fn style() -> impl IntoResponse {
    (
        [(CONTENT_TYPE, "text/css; charset=utf-8")],
        include_str!("../label/label.css"),
    )
}
