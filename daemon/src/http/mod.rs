//! The page and the API. Where nobody has to log in, nobody but this machine is let in.

mod account;
mod alerts;
mod answer;
mod batches;
mod begin;
mod connection;
mod correct;
mod craft;
mod diary;
mod events;
mod fields;
mod forms;
mod guard;
mod import;
mod label;
mod login;
mod message;
mod metrics;
mod notes;
mod openapi;
mod page;
mod paging;
mod readings;
mod rescue;
mod see_to;
mod shared;
#[cfg(test)]
mod tests;
mod told;

use std::sync::Arc;

use axum::{
    Extension, Router,
    extract::{DefaultBodyLimit, State},
    http::StatusCode,
    middleware,
    routing::{get, post},
};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use answer::Complaint;
pub(crate) use guard::encoded;
pub(crate) use message::answer as answer_message;
pub(crate) use readings::serve as serve_posts;

use crate::{
    gate::{Caller, Way},
    watch::House,
};

/// The most that is taken of a request's body, in bytes.
const MOST_BODY: usize = 64 * 1024;

/// Serves until the stop.
pub(crate) async fn serve(house: Arc<House>, listener: TcpListener, way: Way, stop: CancellationToken) {
    let router = router(Arc::clone(&house));
    connection::serve(house, listener, way, router, stop).await;
}

/// Every address.
pub(crate) fn router(house: Arc<House>) -> Router {
    Router::new()
        .route("/", get(page::agenda))
        .route("/style.css", get(page::style))
        .route("/page.js", get(page::script))
        .route("/chart.js", get(page::chart_script))
        .route("/favicon.svg", get(page::favicon))
        .route("/batches/new", get(begin::ask).post(begin::begin))
        .route("/batches/{slug}/see-to", get(see_to::ask))
        .route("/batches/{slug}/alerts/{alert}", post(see_to::to_alert))
        .route("/batches/{slug}/end", post(see_to::end))
        .route("/batches/{slug}/{file}", get(see_to::file))
        .route("/batches/{slug}/tell", get(forms::ask).post(forms::tell))
        .route("/batches/{slug}/told", get(told::ask).post(told::take_back))
        .route("/batches/{slug}/alerts/{alert}/seen", post(forms::seen))
        .route("/batches/{slug}/label", get(label::show))
        .route("/batches/{slug}/proofed", post(diary::proofed))
        .route("/batches/{slug}/recipe", get(label::recipe))
        .route("/label.css", get(label::style))
        .route("/cultures", get(diary::page).post(diary::told))
        .route("/api/v1/cultures", get(diary::list))
        .route("/api/v1/diary", get(diary::diary).post(diary::add))
        .route("/api/v1/events", get(events::listen))
        .route("/login", get(login::form).post(login::enter))
        .route("/logout", post(login::leave))
        .route("/account", get(account::show))
        .route("/account/links", post(account::make))
        .route("/account/links/{number}/revoke", post(account::revoke))
        .route("/shared/{secret}", get(shared::batch))
        .route("/calendar/{secret}", get(shared::calendar))
        .route("/health", get(health))
        .route("/metrics", get(metrics::show))
        .route("/calendar.ics", get(page::calendar))
        .route("/api/v1/openapi.json", get(openapi::show))
        .route("/api/v1/status", get(page::status))
        .route("/api/v1/batches", get(batches::list).post(batches::add))
        .route("/api/v1/batches/{slug}/forecast", get(batches::forecast))
        .route("/api/v1/batches/{slug}/end", post(batches::end))
        .route("/api/v1/batches/{slug}/notes", get(notes::list).post(notes::add))
        .merge(correct::route())
        .merge(rescue::route())
        .merge(craft::route())
        .route("/api/v1/alerts", get(alerts::list))
        .route("/api/v1/batches/{slug}/alerts/{alert}", post(alerts::obey))
        .fallback(nothing_here)
        .method_not_allowed_fallback(not_this_way)
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .merge(readings::route())
        .merge(import::route())
        .layer(middleware::from_fn_with_state(Arc::clone(&house), guard::guard))
        .with_state(house)
}

/// 200 while the work loops live.
async fn health(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
) -> Result<String, Complaint> {
    if caller == Caller::Stranger && (house.ailment().is_some() || house.unstored.trouble().is_some()) {
        let why = "fobwatch cannot do its work; log in, or look into its log, to see why";
        return Err(Complaint::new(StatusCode::SERVICE_UNAVAILABLE, why));
    }
    if let Some(why) = house.ailment() {
        let why = format!("{why}; look into the log and start fobwatch again");
        return Err(Complaint::new(StatusCode::SERVICE_UNAVAILABLE, why));
    }
    if let Some(trouble) = house.unstored.trouble() {
        let why = format!(
            "since {} nothing can be stored: {}; make room or mend the disk, then it goes on by itself",
            trouble.since, trouble.why
        );
        return Err(Complaint::new(StatusCode::SERVICE_UNAVAILABLE, why));
    }
    let demo = house
        .demo
        .then_some(" Demo: the batches are made up, no real bottle is watched.");
    let stumbled = match house.stumbles.told() {
        (0, _) => String::new(),
        _ if caller == Caller::Stranger => String::new(),
        (count, last) => format!(
            " Since the start fobwatch stumbled over a fault of its own {count} times and began again, the last time: {last}. Please \
             look into the log and report it."
        ),
    };
    Ok(format!(
        "The work loops are alive.{}{stumbled}\n",
        demo.unwrap_or_default()
    ))
}

async fn nothing_here() -> Complaint {
    Complaint::new(
        StatusCode::NOT_FOUND,
        "there is nothing at this address; allowed: /, /calendar.ics, /health, /metrics and those under /api/v1",
    )
}

async fn not_this_way() -> Complaint {
    Complaint::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "this address does not take that method; allowed: the ones of its Allow header",
    )
}
