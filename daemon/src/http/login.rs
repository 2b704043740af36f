//! `/login` and `/logout`: forms that need no script.

use std::sync::Arc;

use axum::{
    Extension,
    extract::{Query, State, rejection::QueryRejection},
    http::{HeaderMap, HeaderValue, StatusCode, header::RETRY_AFTER, header::SET_COOKIE},
    response::{Html, IntoResponse, Redirect, Response},
};
use tracing::{info, warn};

use crate::{
    gate::{Caller, Came, LONGEST, NotIn, cookie_name},
    http::{
        answer::Complaint,
        fields::{self, Fields, Sent},
    },
    page,
    watch::House,
};

/// The form; who is logged in already is sent on.
pub(super) async fn form(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    asked: Result<Query<Fields>, QueryRejection>,
) -> Response {
    let asked = asked.map(|Query(asked)| asked).unwrap_or_default();
    let next = here(asked.get("next"));
    match caller {
        Caller::Stranger => Html(page::login(next, None, house.demo)).into_response(),
        _ => Redirect::to(next).into_response(),
    }
}

/// Logs in.
pub(super) async fn enter(
    State(house): State<Arc<House>>,
    Extension(came): Extension<Came>,
    headers: HeaderMap,
    sent: Sent,
) -> Result<Response, Complaint> {
    let mut fields = fields::read(sent)?;
    let access = house.gate.access();
    let from = came.asker(&access, &headers);
    let name = fields
        .get("name")
        .map(|name| name.trim().to_owned())
        .unwrap_or_default();
    let password = fields.remove("password").unwrap_or_default();
    let next = here(fields.get("next"));
    let refused =
        |status, why: &str| (status, Html(page::login(next, Some(why), house.demo))).into_response();
    match house.gate.log_in(from, &name, password).await {
        Ok(id) => {
            info!("{name} has logged in from {from}.");
            let secure = if access.is_secured() { "; Secure" } else { "" };
            let cookie = format!(
                "{}={id}; Path=/; HttpOnly; SameSite=Lax; Max-Age={}{secure}",
                cookie_name(&access),
                LONGEST.as_secs()
            );
            let mut response = Redirect::to(next).into_response();
            if let Ok(cookie) = HeaderValue::from_str(&cookie) {
                response.headers_mut().insert(SET_COOKIE, cookie);
            }
            Ok(response)
        }
        Err(NotIn::Wrong) => {
            warn!("Somebody at {from} gave a wrong name or password.");
            Ok(refused(StatusCode::UNAUTHORIZED, "Name or password is wrong."))
        }
        Err(NotIn::Wait(wait)) => {
            let seconds = wait.as_secs() + 1;
            let why = format!("There were too many tries. Try again in {seconds} seconds.");
            let mut response = refused(StatusCode::TOO_MANY_REQUESTS, &why);
            response
                .headers_mut()
                .insert(RETRY_AFTER, HeaderValue::from(seconds));
            Ok(response)
        }
        Err(NotIn::Broken) => Err(Complaint::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "the system gives no random numbers, so nobody can log in; look into the log",
        )),
    }
}

/// Logs out.
pub(super) async fn leave(State(house): State<Arc<House>>, headers: HeaderMap) -> Response {
    house.gate.log_out(&headers);
    let access = house.gate.access();
    let secure = if access.is_secured() { "; Secure" } else { "" };
    let cookie = format!(
        "{}=; Path=/; HttpOnly; SameSite=Lax; Max-Age=0{secure}",
        cookie_name(&access)
    );
    let mut response = Redirect::to("/login").into_response();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().insert(SET_COOKIE, cookie);
    }
    response
}

/// A place of ours to go to after the log-in, and of nobody else's.
fn here(next: Option<&String>) -> &str {
    let is_ours = |next: &&String| {
        let mut chars = next.chars();
        chars.next() == Some('/')
            && !matches!(chars.next(), Some('/' | '\\'))
            && next.len() <= 500
            && next.chars().all(|c| c.is_ascii_graphic())
    };
    next.filter(is_ours).map_or("/", String::as_str)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_sent_elsewhere() {
        let to = |next: &str| here(Some(&next.to_owned())).to_owned();
        assert_eq!(to("/batches/plum-1/tell"), "/batches/plum-1/tell");
        for bad in [
            "//evil.example",
            "/\\evil.example",
            "https://evil.example/",
            "javascript:alert(1)",
            "",
            "/a\r\nb",
            "/\tb",
        ] {
            assert_eq!(to(bad), "/", "{bad:?}");
        }
    }
}
