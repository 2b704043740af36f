//! Who may ask, and what a browser may do with the answer.

use std::sync::Arc;

use axum::{
    extract::{Request, State},
    http::{
        HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri,
        header::{
            ACCEPT, CACHE_CONTROL, CONTENT_SECURITY_POLICY, FORWARDED, HOST, ORIGIN, REFERRER_POLICY,
            STRICT_TRANSPORT_SECURITY, VIA, WWW_AUTHENTICATE, X_CONTENT_TYPE_OPTIONS,
        },
    },
    middleware::Next,
    response::{Html, IntoResponse, Redirect, Response},
};

use super::{
    answer::{Complaint, Why, too_many},
    connection, readings,
};
use crate::{
    gate::{Caller, Came, Way},
    page,
    watch::House,
};

const POLICY: HeaderValue = HeaderValue::from_static(
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; \
     frame-ancestors 'none'",
);

/// What else stands on every answer. With `no-referrer` browsers would hide the origin of our own forms from us, too.
const HEADERS: [(HeaderName, &str); 4] = [
    (X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (REFERRER_POLICY, "same-origin"),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Refuses strangers; says on every answer what a browser may do with it.
pub(super) async fn guard(State(house): State<Arc<House>>, mut request: Request, next: Next) -> Response {
    let came = request.extensions().get().copied().unwrap_or(Came::HERE);
    let to_a_person = wants_page(request.headers()) && !request.uri().path().starts_with("/api/");
    let strict = strict_transport(&house, came, request.headers());
    let mut response = match admit(&house, came, &request) {
        Ok(caller) => {
            request.extensions_mut().insert(came);
            request.extensions_mut().insert(caller);
            next.run(connection::patient(request).await).await
        }
        Err(refusal) => refusal,
    };
    if let Some(Why(why)) = response.extensions().get().cloned().filter(|_| to_a_person) {
        let page = Html(page::complaint(&why, house.demo));
        let (status, challenge) = (
            response.status(),
            response.headers().get(WWW_AUTHENTICATE).cloned(),
        );
        response = (status, page).into_response();
        if let Some(challenge) = challenge {
            response.headers_mut().insert(WWW_AUTHENTICATE, challenge);
        }
    }
    let headers = response.headers_mut();
    headers.insert(CONTENT_SECURITY_POLICY, POLICY);
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if let Some(value) = strict {
        headers.insert(STRICT_TRANSPORT_SECURITY, value);
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Over a secured way alone, as RFC 6797, section 7.2, has it, and where the configuration asks for it: a browser keeps to it for every
/// port of the host's name.
fn strict_transport(house: &House, came: Came, headers: &HeaderMap) -> Option<HeaderValue> {
    let access = house.gate.access();
    let days = access.strict_transport_days?;
    let secured = came.way == Way::Front && came.is_secured(&access, headers);
    secured
        .then(|| HeaderValue::from_str(&format!("max-age={}", u64::from(days) * 86_400)).ok())
        .flatten()
}

/// What anybody may ask for: nothing of it tells of a batch, but for what a secret in the address opens.
fn is_open(path: &str) -> bool {
    matches!(
        path,
        "/login" | "/health" | "/style.css" | "/page.js" | "/chart.js" | "/favicon.svg"
    ) || path.starts_with("/shared/")
        || path.starts_with("/calendar/")
}

#[expect(clippy::result_large_err, reason = "a refusal is an answer")]
fn admit(house: &House, came: Came, request: &Request) -> Result<Caller, Response> {
    let (method, headers, path) = (request.method(), request.headers(), request.uri().path());
    let refused = IntoResponse::into_response;
    // Who posts readings has to know a token, which no page of a stranger does; and a sensor may call us by any name.
    if path == readings::ADDRESS {
        return Ok(Caller::Stranger);
    }
    let caller = house
        .gate
        .caller(came, headers)
        .map_err(|wait| too_many(wait).into_response())?;
    if caller == Caller::Neighbour {
        this_machine_alone(headers).map_err(refused)?;
    }
    if came.way == Way::CommandLine {
        host_is_this_machine(headers).map_err(refused)?;
    }
    let with_token = matches!(caller, Caller::Program { .. } | Caller::CommandLine);
    if !method.is_safe() && !with_token {
        let secured = house.gate.access().is_secured();
        let browser_must_tell = caller != Caller::Neighbour;
        same_origin(headers, secured, browser_must_tell).map_err(refused)?;
    }
    if is_open(path) || caller.may(method) {
        return Ok(caller);
    }
    Err(match caller {
        Caller::Stranger if is_page(method, headers) => {
            let wanted = request
                .uri()
                .path_and_query()
                .map_or("/", |wanted| wanted.as_str());
            Redirect::to(&format!("/login?next={}", encoded(wanted))).into_response()
        }
        Caller::Stranger => {
            let why = "who asks is not known; allowed: after a log-in at /login, or with the header `Authorization: Bearer TOKEN`";
            let complaint = Complaint::new(StatusCode::UNAUTHORIZED, why);
            // RFC 6750, section 3.
            ([(WWW_AUTHENTICATE, "Bearer")], complaint).into_response()
        }
        _ => {
            let why = "this token may not do that; allowed: what its `may` in the configuration says";
            Complaint::new(StatusCode::FORBIDDEN, why).into_response()
        }
    })
}

fn is_page(method: &Method, headers: &HeaderMap) -> bool {
    method.is_safe() && wants_page(headers)
}

fn wants_page(headers: &HeaderMap) -> bool {
    text(headers.get(ACCEPT)).is_some_and(|accepts| accepts.contains("text/html"))
}

/// As the value of a query (RFC 3986, section 2).
pub(crate) fn encoded(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    let one = |byte: u8| {
        if plain(byte) {
            char::from(byte).to_string()
        } else {
            format!("%{byte:02X}")
        }
    };
    text.bytes().take(500).map(one).collect()
}

fn forbidden(why: &str) -> Result<(), Complaint> {
    Err(Complaint::new(StatusCode::FORBIDDEN, why))
}

fn text(header: Option<&HeaderValue>) -> Option<String> {
    header
        .and_then(|value| value.to_str().ok())
        .map(str::to_ascii_lowercase)
}

/// Where nobody has to log in, nothing may come by way of another machine.
fn this_machine_alone(headers: &HeaderMap) -> Result<(), Complaint> {
    let proxied = [FORWARDED, VIA, HeaderName::from_static("x-forwarded-for")];
    if proxied.iter().any(|name| headers.contains_key(name)) {
        return forbidden(
            "this came by way of a proxy, and nobody has to log in here; allowed: once [[http.person]] and \
             `http.behind_proxy` stand in the configuration",
        );
    }
    host_is_this_machine(headers)
}

/// A name of a stranger's that leads to this machine (DNS rebinding) shows in the Host header.
fn host_is_this_machine(headers: &HeaderMap) -> Result<(), Complaint> {
    let is_this_machine = |host: &String| {
        let uri = format!("http://{host}/").parse::<Uri>();
        let name = uri.as_ref().ok().and_then(Uri::host);
        !host.contains('@') && matches!(name, Some("localhost" | "127.0.0.1" | "[::1]"))
    };
    if text(headers.get(HOST)).as_ref().is_some_and(is_this_machine) {
        Ok(())
    } else {
        forbidden("the Host header names another machine; allowed: localhost, 127.0.0.1 or [::1]")
    }
}

/// No page of another origin may change anything. `must_tell`: a request that does not say where it comes from is none of a browser's that
/// we know, though it may carry its cookie.
fn same_origin(headers: &HeaderMap, secured: bool, must_tell: bool) -> Result<(), Complaint> {
    let site = headers.get("sec-fetch-site");
    if site.is_some_and(|site| site != "same-origin" && site != "none") {
        return forbidden("a page of another origin may change nothing here (Sec-Fetch-Site)");
    }
    let host = text(headers.get(HOST)).unwrap_or_default();
    let scheme = if secured { "https" } else { "http" };
    let origin = text(headers.get(ORIGIN));
    if headers.contains_key(ORIGIN) && origin != Some(format!("{scheme}://{host}")) {
        return forbidden(
            "a page of another origin may change nothing here (Origin); a proxy has to hand on the Host header",
        );
    }
    if must_tell && site.is_none() && origin.is_none() {
        return forbidden(
            "the request does not tell where it comes from; allowed: a form of this page, or a program with a token",
        );
    }
    Ok(())
}
