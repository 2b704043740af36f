//! All that was told of a batch, as a page, on which a note is taken back.

use std::sync::Arc;

use axum::{
    Extension,
    extract::{Path, State},
    http::StatusCode,
    response::{Html, IntoResponse, Redirect, Response},
};

use super::{
    answer::{Complaint, batch},
    batches::settle,
    fields::{self, Sent},
    forms::WHO,
    notes::{all, bounds},
    page,
};
use crate::{
    decode::notes,
    gate::Caller,
    watch::{House, Request},
};

/// The page.
pub(super) async fn ask(
    State(house): State<Arc<House>>,
    Path(slug): Path<String>,
) -> Result<Html<String>, Complaint> {
    let live = batch(&house, &slug)?;
    let notes = all(&house, &live).await?;
    Ok(Html(page::all_told(&house, &live, notes, None)))
}

/// Takes a note back, which the form has word for word; back to the page, or the page with what was wrong.
pub(super) async fn take_back(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path(slug): Path<String>,
    sent: Sent,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let fields = fields::read(sent)?;
    let given = fields.get("note").map_or("", String::as_str);
    let bounds = bounds(&house, &live).await?;
    let back = notes::read(given.as_bytes())
        .map_err(|wrong| format!("the note that is meant cannot be read: {wrong}"))
        .and_then(|note| {
            let who = caller.signs(WHO);
            let why = fields.get("why").map(String::as_str);
            let back = note.taken_back(bounds.now, &who, why);
            bounds.read(notes::write(&back).as_bytes())
        });
    let back = match back {
        Ok(back) => back,
        Err(why) => {
            let page = Html(page::all_told(&house, &live, bounds.known, Some(&why)));
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
        }
    };
    for note in back {
        let sequence = house.ask(Request::Note(live.id, note)).await?;
        if let Some(again) = house.batch(&slug) {
            settle(&again, sequence).await;
        }
    }
    Ok(Redirect::to(&format!("/batches/{}/told", live.slug)).into_response())
}
