//! The gate over the real router, without sockets.

use std::sync::Arc;

use axum::{
    body::Body,
    http::{
        Request, StatusCode,
        header::{AUTHORIZATION, COOKIE, LOCATION, RETRY_AFTER, SET_COOKIE},
    },
    response::Response,
};
use tempfile::TempDir;
use tower::ServiceExt;

use super::super::router;
use crate::{
    config::{Access, Config, May, PasswordHash, Person, Place, Secret, Token},
    store::Store,
    watch::{House, tests::house},
};

const PASSWORD: &str = "four lively swing tops";

struct Guarded {
    house: Arc<House>,
    folder: TempDir,
}

fn token(name: &str, may: May) -> Token {
    Token {
        name: name.to_owned(),
        place: Place::Variable("NOBODY".to_owned()),
        may,
        token: Some(Secret::new(&format!("the token of {name}"))),
    }
}

fn access() -> Access {
    Access {
        people: vec![Person {
            name: "Ada".to_owned(),
            place: Place::Variable("NOBODY".to_owned()),
            password: Some(PasswordHash::of(PASSWORD).unwrap()),
        }],
        tokens: vec![
            token("board", May::Read),
            token("house", May::Write),
            token("gauge", May::Readings),
        ],
        behind_proxy: true,
        proxies: vec!["127.0.0.1".parse().unwrap()],
        ..Access::default()
    }
}

impl Guarded {
    async fn start() -> Self {
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let (house, _requests) = house(&store).await;
        house.gate.change(&access());
        Self { house, folder }
    }

    async fn ask(&self, request: axum::http::request::Builder, body: &str) -> Response {
        let request = request.header("host", "bottles.example");
        let request = request.body(Body::from(body.to_owned())).unwrap();
        router(Arc::clone(&self.house)).oneshot(request).await.unwrap()
    }

    async fn get(&self, path: &str, cookie: &str) -> StatusCode {
        self.ask(Request::get(path).header(COOKIE, cookie), "")
            .await
            .status()
    }

    async fn log_in(&self, name: &str, password: &str, from: &str) -> Response {
        let request = Request::post("/login")
            .header("content-type", "application/x-www-form-urlencoded")
            .header("sec-fetch-site", "same-origin")
            .header("x-forwarded-for", from);
        let body = format!(
            "name={name}&password={}&next=/account",
            password.replace(' ', "+")
        );
        self.ask(request, &body).await
    }
}

fn header(response: &Response, name: impl axum::http::header::AsHeaderName) -> &str {
    response.headers().get(name).unwrap().to_str().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_gets_in_without_a_session_or_token() {
    let guarded = Guarded::start().await;
    for path in [
        "/",
        "/metrics",
        "/calendar.ics",
        "/account",
        "/batches/plum-1/tell",
        "/api/v1/events",
        "/api/v1/openapi.json",
        "/api/v1/status",
        "/api/v1/batches",
        "/api/v1/alerts",
        "/api/v1/batches/plum-1/forecast",
        "/nothing/here",
        "//",
        "/style.css/../",
        "/login/../api/v1/status",
        "/%2e%2e/etc/passwd",
    ] {
        assert_eq!(guarded.get(path, "").await, StatusCode::UNAUTHORIZED, "{path}");
        let page = Request::get(path).header("accept", "text/html");
        let sent = guarded.ask(page, "").await;
        assert_eq!(sent.status(), StatusCode::SEE_OTHER, "{path}");
        assert!(
            header(&sent, LOCATION).starts_with("/login?next=%2F")
                || header(&sent, LOCATION).starts_with("/login?next=/")
        );
    }
    for open in [
        "/login",
        "/health",
        "/style.css",
        "/page.js",
        "/chart.js",
        "/favicon.svg",
    ] {
        assert_eq!(guarded.get(open, "").await, StatusCode::OK, "{open}");
    }
    for secret in ["/shared/x", "/calendar/x.ics", "/shared/../api/v1/status"] {
        let status = guarded.get(secret, "").await;
        assert_eq!(status, StatusCode::NOT_FOUND, "{secret}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_session_is_a_cookie_that_only_we_can_have_set() {
    let guarded = Guarded::start().await;
    let entered = guarded.log_in("Ada", PASSWORD, "192.0.2.1").await;
    assert_eq!(entered.status(), StatusCode::SEE_OTHER);
    assert_eq!(header(&entered, LOCATION), "/account");
    let cookie = header(&entered, SET_COOKIE);
    for part in [
        "__Host-fobwatch=",
        "; Path=/",
        "; HttpOnly",
        "; SameSite=Lax",
        "; Secure",
    ] {
        assert!(cookie.contains(part), "{part} in {cookie}");
    }
    assert!(!cookie.contains("Domain"));
    let session = cookie.split(';').next().unwrap().to_owned();
    assert_eq!(guarded.get("/api/v1/status", &session).await, StatusCode::OK);
    let other = session.replace("__Host-fobwatch", "fobwatch");
    assert_eq!(
        guarded.get("/api/v1/status", &other).await,
        StatusCode::UNAUTHORIZED
    );

    // A page of somebody else's, open in the same browser.
    let end = || Request::post("/api/v1/batches/plum-1/end").header(COOKIE, session.as_str());
    let forged = [
        end(),
        end().header("sec-fetch-site", "cross-site"),
        end().header("sec-fetch-site", "same-site"),
        end().header("origin", "https://evil.example"),
        end().header("origin", "http://bottles.example"),
        end().header("origin", "null"),
        end()
            .header("sec-fetch-site", "same-origin")
            .header("origin", "https://evil.example"),
        Request::post("/logout").header(COOKIE, session.as_str()),
    ];
    for request in forged {
        let shown = format!("{request:?}");
        assert_eq!(
            guarded.ask(request, "").await.status(),
            StatusCode::FORBIDDEN,
            "{shown}"
        );
    }
    for ours in [
        end().header("origin", "https://bottles.example"),
        end().header("sec-fetch-site", "same-origin"),
    ] {
        // It gets as far as the batch, which there is not.
        assert_eq!(guarded.ask(ours, "").await.status(), StatusCode::NOT_FOUND);
    }
    let out = Request::post("/logout").header(COOKIE, session.as_str());
    let left = guarded.ask(out.header("sec-fetch-site", "same-origin"), "").await;
    assert!(header(&left, SET_COOKIE).contains("Max-Age=0"));
    assert_eq!(
        guarded.get("/api/v1/status", &session).await,
        StatusCode::UNAUTHORIZED
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_link_is_made_shown_once_and_taken_back_from_the_page() {
    let guarded = Guarded::start().await;
    guarded.house.gate.lives_in(guarded.folder.path());
    let entered = guarded.log_in("Ada", PASSWORD, "192.0.2.1").await;
    let session = header(&entered, SET_COOKIE).split(';').next().unwrap().to_owned();
    let text = async |request: axum::http::request::Builder, body: &str| {
        let request = request
            .header(COOKIE, session.as_str())
            .header("accept", "text/html")
            .header("sec-fetch-site", "same-origin")
            .header("content-type", "application/x-www-form-urlencoded");
        let answer = guarded.ask(request, body).await;
        let status = answer.status();
        let bytes = axum::body::to_bytes(answer.into_body(), 1 << 20).await.unwrap();
        (status, String::from_utf8(bytes.to_vec()).unwrap())
    };
    let (status, page) = text(Request::post("/account/links"), "opens=plum-1").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(page.contains("No batch under watch answers to"), "{page}");
    let (status, page) = text(Request::post("/account/links"), "opens=the+calendar").await;
    assert_eq!(status, StatusCode::OK);
    let address = page.split("https://bottles.example").nth(1).unwrap();
    let address = address.split('<').next().unwrap();
    assert!(
        address.starts_with("/calendar/") && address.ends_with(".ics"),
        "{address}"
    );
    // Whoever has it needs no session.
    assert_eq!(guarded.get(address, "").await, StatusCode::OK);
    let (_, page) = text(Request::get("/account"), "").await;
    assert!(
        page.contains("Link 1 shows expected moves") && !page.contains(address),
        "{page}"
    );
    let (status, _) = text(Request::post("/account/links/1/revoke"), "").await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert_eq!(guarded.get(address, "").await, StatusCode::NOT_FOUND);
    // A person reads why, on a page.
    let (status, page) = text(Request::get(address), "").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert!(
        page.contains("<h1>") && page.contains("This link opens nothing"),
        "{page}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_changed_password_or_a_removed_person_ends_the_session() {
    let guarded = Guarded::start().await;
    let entered = guarded.log_in("Ada", PASSWORD, "192.0.2.1").await;
    let session = header(&entered, SET_COOKIE).split(';').next().unwrap().to_owned();
    let mut same = (*guarded.house.gate.access()).clone();
    guarded.house.gate.change(&same);
    assert_eq!(guarded.get("/api/v1/status", &session).await, StatusCode::OK);
    same.people[0].password = Some(PasswordHash::of("another four words").unwrap());
    guarded.house.gate.change(&same);
    assert_eq!(
        guarded.get("/api/v1/status", &session).await,
        StatusCode::UNAUTHORIZED
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn guesses_are_answered_alike_and_then_have_to_wait() {
    let guarded = Guarded::start().await;
    let mut texts = Vec::new();
    for name in ["Ada", "Nobody"] {
        let refused = guarded.log_in(name, "a wrong password", "192.0.2.9").await;
        assert_eq!(refused.status(), StatusCode::UNAUTHORIZED);
        assert!(refused.headers().get(SET_COOKIE).is_none());
        texts.push(axum::body::to_bytes(refused.into_body(), 1 << 20).await.unwrap());
    }
    assert_eq!(texts[0], texts[1], "whether there is such a name is not told");
    // Other names each time, and what a stranger says of his address before the proxy's own word counts for nothing. Waits
    // double with each miss, so one of them is met, however slow the machine.
    let mut waits = None;
    for number in 0..20 {
        let from = format!("198.51.100.{number}, 192.0.2.9");
        let name = format!("Nobody{number}");
        let refused = guarded.log_in(&name, "a wrong password", &from).await;
        if refused.status() == StatusCode::TOO_MANY_REQUESTS {
            waits = Some(header(&refused, RETRY_AFTER).parse::<u64>().unwrap());
            break;
        }
        assert_eq!(refused.status(), StatusCode::UNAUTHORIZED);
    }
    assert!(waits.unwrap() >= 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_opens_what_it_may_and_no_more() {
    let guarded = Guarded::start().await;
    let with = |request: axum::http::request::Builder, name: &str| {
        request.header(AUTHORIZATION, format!("bearer the token of {name}"))
    };
    let asked = [
        (
            "board",
            StatusCode::OK,
            StatusCode::FORBIDDEN,
            StatusCode::UNAUTHORIZED,
        ),
        ("house", StatusCode::OK, StatusCode::NOT_FOUND, StatusCode::OK),
        (
            "gauge",
            StatusCode::FORBIDDEN,
            StatusCode::FORBIDDEN,
            StatusCode::OK,
        ),
        (
            "nobody",
            StatusCode::UNAUTHORIZED,
            StatusCode::FORBIDDEN,
            StatusCode::UNAUTHORIZED,
        ),
    ];
    for (name, to_read, to_write, to_post) in asked {
        for path in [
            "/api/v1/status",
            "/metrics",
            "/calendar.ics",
            "/api/v1/openapi.json",
        ] {
            let answer = guarded.ask(with(Request::get(path), name), "").await;
            assert_eq!(answer.status(), to_read, "{name} {path}");
        }
        let ended = guarded
            .ask(with(Request::post("/api/v1/batches/plum-1/end"), name), "")
            .await;
        assert_eq!(ended.status(), to_write, "{name}");
        let post = with(Request::post("/api/v1/readings"), name).header("content-type", "text/csv");
        let posted = guarded.ask(post, "time,source,quantity,value,unit\n").await;
        assert_eq!(posted.status(), to_post, "{name}");
    }
}

#[test]
fn a_token_and_a_person_are_read_and_what_is_missing_is_told() {
    let text = r#"
[http]
listen = "0.0.0.0:8740"
behind_proxy = true
proxies = ["192.0.2.7"]
[[http.person]]
name = "Ada"
password_file = "ada.hash"
[[http.token]]
name = "board"
token_file = "board.token"
may = "read"
"#;
    let config = Config::from_toml(text, "kitchen.toml").unwrap();
    assert!(config.access.is_guarded() && config.access.is_secured());
    assert_eq!(config.access.exposes(config.listen), None);
    let bad = r#"
[http]
behind_proxy = true
certificate_file = "own.pem"
[[http.token]]
name = " "
may = "everything"
"#;
    let why = Config::from_toml(bad, "kitchen.toml").unwrap_err().to_string();
    for part in [
        "http.key_file",
        "http.token[0].name",
        "http.token[0].token_file",
        "\"read\", \"write\"",
    ] {
        assert!(why.contains(part), "{part} in {why}");
    }
    let alone = "[http]\nbehind_proxy = true\n";
    let why = Config::from_toml(alone, "kitchen.toml").unwrap_err().to_string();
    assert!(why.contains("http.behind_proxy"), "{why}");
}
