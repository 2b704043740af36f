//! `/account`: who is logged in, and the links that people make and take back from the page.

use std::{io, path::PathBuf, sync::Arc};

use axum::{
    Extension,
    extract::{Path, Query, State, rejection::QueryRejection},
    http::{HeaderMap, StatusCode, header::HOST},
    response::{Html, IntoResponse, Redirect, Response},
};
use tokio::task::spawn_blocking;

use crate::{
    gate::{
        Caller,
        link::{self, Opens},
    },
    http::{
        answer::Complaint,
        fields::{self, Fields, Sent},
        page::context,
    },
    page::{self, Account, CALENDAR},
    watch::House,
};

/// Who is logged in, the links, and the way out. `?batch=SLUG`: the one that a link is wanted for.
pub(super) async fn show(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    asked: Result<Query<Fields>, QueryRejection>,
) -> Result<Html<String>, Complaint> {
    let asked = asked.map(|Query(asked)| asked).unwrap_or_default();
    let account = Account {
        chosen: asked.get("batch").cloned(),
        ..Account::default()
    };
    written(&house, &caller, account).await
}

/// Makes one, and shows it this once.
pub(super) async fn make(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    headers: HeaderMap,
    sent: Sent,
) -> Result<Response, Complaint> {
    let fields = fields::read(sent)?;
    let wanted = fields.get("opens").map_or("", String::as_str);
    let opens = if wanted == CALENDAR {
        Some(Opens::Calendar)
    } else {
        house.batch(wanted).map(|live| Opens::Batch {
            slug: wanted.to_owned(),
            bottled_at: live.batch.bottled_at,
        })
    };
    let Some(opens) = opens else {
        let account = Account {
            wrong: Some(format!(
                "No batch under watch answers to `{wanted}`; allowed: one of the list."
            )),
            ..Account::default()
        };
        let page = written(&house, &caller, account).await?;
        return Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response());
    };
    let [before, ending] = match opens {
        Opens::Batch { .. } => ["shared", ""],
        Opens::Calendar => ["calendar", ".ics"],
    };
    let at = house.clock.now();
    let secret = kept(&house, move |folder| link::add(&folder, opens, at)).await?;
    let scheme = if house.gate.access().is_secured() {
        "https"
    } else {
        "http"
    };
    let host = headers.get(HOST).and_then(|host| host.to_str().ok());
    let account = Account {
        made: Some(format!(
            "{scheme}://{}/{before}/{secret}{ending}",
            host.unwrap_or("localhost")
        )),
        ..Account::default()
    };
    Ok(written(&house, &caller, account).await?.into_response())
}

/// Takes one back; one that is gone already is gone.
pub(super) async fn revoke(
    State(house): State<Arc<House>>,
    Path(number): Path<u32>,
) -> Result<Redirect, Complaint> {
    kept(&house, move |folder| link::revoke(&folder, number)).await?;
    Ok(Redirect::to("/account#links-head"))
}

async fn written(house: &Arc<House>, caller: &Caller, account: Account) -> Result<Html<String>, Complaint> {
    let links = kept(house, |folder| link::list(&folder)).await?;
    let live = house.all();
    let named = |opens: &Opens| match opens {
        Opens::Calendar => "expected moves of all batches".to_owned(),
        Opens::Batch { slug, bottled_at } => live
            .iter()
            .find(|live| live.slug.as_str() == slug && live.batch.bottled_at == *bottled_at)
            .map_or_else(
                || format!("nothing any more: {slug} has ended"),
                |live| live.batch.name.to_string(),
            ),
    };
    let account = Account {
        who: match caller {
            Caller::Person(name) => Some(name.clone()),
            _ => None,
        },
        links: links
            .iter()
            .map(|link| (link.number, named(&link.opens), link.made))
            .collect(),
        batches: live
            .iter()
            .map(|live| (live.slug.to_string(), live.batch.name.to_string()))
            .collect(),
        ..account
    };
    Ok(Html(page::account(&account, &context(house))))
}

/// Does something with the file of links; one at a time, so that none is lost.
async fn kept<T: Send + 'static>(
    house: &Arc<House>,
    work: impl FnOnce(PathBuf) -> io::Result<T> + Send + 'static,
) -> Result<T, Complaint> {
    let house = Arc::clone(house);
    let done = spawn_blocking(move || house.gate.with_links(work)).await;
    let done = done.unwrap_or_else(|_| Err(io::Error::other("the work was stopped")));
    done.map_err(|error| {
        let why = format!("the links cannot be kept: {error}; look at the data folder");
        Complaint::new(StatusCode::SERVICE_UNAVAILABLE, why)
    })
}
