//! Who may ask. There is no log-in, so a page of someone else, open in a browser on this machine, must not reach us.

use axum::{
    extract::Request,
    http::{
        HeaderMap, HeaderValue, Method, StatusCode, Uri,
        header::{
            CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, ORIGIN, REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
        },
    },
    middleware::Next,
    response::{IntoResponse, Response},
};

use super::{answer::Complaint, readings};

const POLICY: HeaderValue = HeaderValue::from_static(
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; \
     frame-ancestors 'none'",
);

/// Refuses strangers; says on every answer what a browser may do with it.
pub(super) async fn guard(request: Request, next: Next) -> Response {
    // Who posts readings has to know a token, which no page of a stranger does; and a sensor may call us by any name.
    let passed = if request.uri().path() == readings::ADDRESS {
        Ok(())
    } else {
        check(request.method(), request.headers())
    };
    let mut response = match passed {
        Ok(()) => next.run(request).await,
        Err(complaint) => complaint.into_response(),
    };
    let headers = response.headers_mut();
    headers.insert(CONTENT_SECURITY_POLICY, POLICY);
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // Not `no-referrer`: with it browsers send forms with `Origin: null` (Fetch, "append a request Origin header").
    headers.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

fn check(method: &Method, headers: &HeaderMap) -> Result<(), Complaint> {
    let forbidden = |why| Err(Complaint::new(StatusCode::FORBIDDEN, why));
    let text = |header: Option<&HeaderValue>| {
        header
            .and_then(|value| value.to_str().ok())
            .map(str::to_ascii_lowercase)
    };
    // A name of a stranger's that leads to this machine (DNS rebinding) shows in the Host header.
    let host = text(headers.get(HOST));
    let Some(host) = host.filter(|host| is_this_machine(host)) else {
        return forbidden("the Host header names another machine; allowed: localhost, 127.0.0.1 or [::1]");
    };
    if method.is_safe() {
        return Ok(());
    }
    let site = headers.get("sec-fetch-site");
    if site.is_some_and(|site| site != "same-origin" && site != "none") {
        return forbidden("a page of another origin may change nothing here (Sec-Fetch-Site)");
    }
    if headers.contains_key(ORIGIN) && text(headers.get(ORIGIN)) != Some(format!("http://{host}")) {
        return forbidden("a page of another origin may change nothing here (Origin)");
    }
    Ok(())
}

fn is_this_machine(host: &str) -> bool {
    let Ok(uri) = format!("http://{host}/").parse::<Uri>() else {
        return false;
    };
    let no_user = !host.contains('@');
    no_user && matches!(uri.host(), Some("localhost" | "127.0.0.1" | "[::1]"))
}
