//! What browsers, programs and strangers ask, and commands over a broker, against the whole router with its store.

use std::{
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use axum::{
    body::{Body, to_bytes},
    http::{HeaderName, HeaderValue, Method, Request, StatusCode, Uri, header},
};
use serde_json::Value;
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::{told, told_in_lines};
use crate::{
    config::{Access, May, PasswordHash, Person, Place, Secret, Token},
    http,
    store::Store,
    watch::{
        House,
        fixture::{batch_text, house, start, watch_loop},
    },
};

/// The batch of the house where one has to log in: whoever did not must not hear of it.
const HIDDEN: &str = "gooseberry 77";
/// So many questions, then a store begins anew: what a question left there is not to slow down the next ones.
const TURNS: u32 = 300;
/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(60);
/// The longest answer.
const MOST: usize = 8 * 1024 * 1024;

/// Two daemons without sockets: one is open, in the other one has to log in.
struct Desk {
    open: Arc<House>,
    guarded: Arc<House>,
    stop: CancellationToken,
    _folders: [TempDir; 2],
    // After what runs on it.
    runtime: Runtime,
    turns: u32,
}

static DESK: Mutex<Option<Desk>> = Mutex::new(None);

impl Desk {
    fn new() -> Self {
        let runtime = Runtime::new().expect("a runtime");
        let folders = [(); 2].map(|()| TempDir::new().expect("a folder"));
        let stop = CancellationToken::new();
        let [open, guarded] = [("plum 1", &folders[0]), (HIDDEN, &folders[1])].map(|(name, folder)| {
            runtime.block_on(async {
                let store = Store::open(folder.path()).expect("a store");
                let text = batch_text(name);
                store
                    .write(move |writer| {
                        let (batch, _) =
                            fobwatch_core::batch::Batch::from_toml(&text, "test").expect("a batch file");
                        writer.add_batch(&batch, &text, start())
                    })
                    .await
                    .expect("a batch is added");
                let (house, requests) = house(&store).await;
                drop(watch_loop(&house, requests, &stop));
                house
            })
        });
        guarded.gate.change(&access());
        Self {
            open,
            guarded,
            stop,
            _folders: folders,
            runtime,
            turns: 0,
        }
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

/// Of people and programs whose secrets nobody guesses.
fn access() -> Access {
    let nowhere = || Place::Variable("NOBODY".to_owned());
    let token = |name: &str, may| Token {
        name: name.to_owned(),
        place: nowhere(),
        may,
        token: Some(Secret::new(&format!("{name}: four words that nobody guesses"))),
    };
    Access {
        people: vec![Person {
            name: "Ada".to_owned(),
            place: nowhere(),
            password: PasswordHash::of("four lively swing tops").ok(),
        }],
        tokens: vec![token("board", May::Read), token("gauge", May::Readings)],
        behind_proxy: true,
        proxies: vec![std::net::IpAddr::from([127, 0, 0, 1])],
        ..Access::default()
    }
}

fn at_desk<T>(ask: impl FnOnce(&Desk) -> T) -> T {
    let mut desk = DESK.lock().unwrap_or_else(PoisonError::into_inner);
    if desk.as_ref().is_none_or(|desk| desk.turns >= TURNS) {
        *desk = None;
        *desk = Some(Desk::new());
    }
    let desk = desk.get_or_insert_with(Desk::new);
    desk.turns += 1;
    ask(desk)
}

/// A request: a byte that tells of which house (odd: where one has to log in), then its line, headers, and after an empty line its
/// body. No answer is a fault of ours, and none tells a stranger of the batch.
pub fn request(bytes: &[u8]) {
    let Some((house, bytes)) = bytes.split_first() else {
        return;
    };
    let guarded = house % 2 == 1;
    let Some(request) = asked(bytes) else {
        return;
    };
    at_desk(|desk| {
        let house = if guarded { &desk.guarded } else { &desk.open };
        let router = http::router(Arc::clone(house));
        let answer = async {
            let response = router.oneshot(request).await.expect("a router answers");
            let (head, body) = response.into_parts();
            let kind = head.headers.get(header::CONTENT_TYPE);
            let endless = kind.is_some_and(|kind| kind.as_bytes().starts_with(b"text/event-stream"));
            let body = if endless {
                Vec::new()
            } else {
                to_bytes(body, MOST)
                    .await
                    .expect("an answer ends, within bounds")
                    .to_vec()
            };
            (head, body)
        };
        let answer = desk
            .runtime
            .block_on(async { tokio::time::timeout(PATIENCE, answer).await });
        let (head, body) = answer.expect("an answer comes");
        let text = String::from_utf8_lossy(&body);
        assert!(head.status.as_u16() < 500, "{}: {text}", head.status);
        assert!(head.headers.contains_key(header::CONTENT_SECURITY_POLICY));
        if head.status.is_client_error()
            && let Ok(Value::Object(answer)) = serde_json::from_slice(&body)
        {
            told_in_lines(answer.get("error").and_then(Value::as_str).unwrap_or_default());
        }
        if guarded {
            assert!(!text.contains("gooseberry"), "{text}");
            assert!(!head.headers.contains_key(header::SET_COOKIE) || head.status != StatusCode::OK);
        }
    });
}

fn asked(bytes: &[u8]) -> Option<Request<Body>> {
    let mut rest = bytes;
    let mut line = || {
        let end = rest.iter().position(|byte| *byte == b'\n').unwrap_or(rest.len());
        let line = &rest[..end];
        rest = rest.get(end + 1..).unwrap_or_default();
        line
    };
    let first = std::str::from_utf8(line()).ok()?;
    let (method, target) = first.split_once(' ')?;
    let mut request = Request::builder()
        .method(Method::from_bytes(method.as_bytes()).ok()?)
        .uri(target.parse::<Uri>().ok()?)
        .body(())
        .ok()?;
    loop {
        let line = line();
        if line.is_empty() {
            break;
        }
        let colon = line.iter().position(|byte| *byte == b':')?;
        let name = HeaderName::from_bytes(&line[..colon]).ok()?;
        let value = HeaderValue::from_bytes(line[colon + 1..].trim_ascii()).ok()?;
        request.headers_mut().append(name, value);
    }
    if !request.headers().contains_key(header::HOST) {
        let here = HeaderValue::from_static("localhost:8740");
        request.headers_mut().insert(header::HOST, here);
    }
    let body = Body::from(rest.to_vec());
    Some(request.map(|()| body))
}

/// A command over a broker: done, or refused in a sentence.
pub fn command(bytes: &[u8]) {
    at_desk(|desk| {
        let answer = http::answer_message(&desk.open, bytes);
        let answer = desk
            .runtime
            .block_on(async { tokio::time::timeout(PATIENCE, answer).await });
        let answer = answer.expect("an answer comes");
        match answer.get("error").map(|why| why.as_str().unwrap_or_default()) {
            Some(why) => told(&why),
            None => assert!(answer.get("alert").is_some(), "{answer}"),
        }
        assert!(answer.to_string().len() < 10_000);
    });
}
