mod access;
mod corrected;
mod described;
mod diary;
mod filled;
mod from_page;
mod page_by_page;
mod taken_back;

use std::sync::Arc;

use axum::{
    body::{Body, to_bytes},
    http::{Request, StatusCode, header::CONTENT_SECURITY_POLICY},
};
use fobwatch_core::{quantity::Unit, reading::Quantity};
use futures_util::StreamExt;
use jiff::SignedDuration;
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

use super::router;
use crate::{
    store::Store,
    watch::{
        House,
        tests::{batch_text, house, reading, start, watch_loop},
    },
};

/// A daemon without sockets.
struct Daemon {
    house: Arc<House>,
    stop: CancellationToken,
    work: JoinHandle<()>,
    _folder: TempDir,
}

impl Daemon {
    async fn start() -> Self {
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let high = reading(60, Quantity::Pressure, 1.6, Unit::Bar);
        let again = reading(65, Quantity::Pressure, 1.6, Unit::Bar);
        let at = start() + SignedDuration::from_mins(70);
        store
            .write(move |writer| {
                writer.append_clock(at)?;
                writer.append_readings(&[high, again], at)
            })
            .await
            .unwrap();
        let (house, requests) = house(&store).await;
        let stop = CancellationToken::new();
        let work = watch_loop(&house, requests, &stop);
        Self {
            house,
            stop,
            work,
            _folder: folder,
        }
    }

    async fn send(&self, request: Request<Body>) -> (StatusCode, Value) {
        let response = router(Arc::clone(&self.house)).oneshot(request).await.unwrap();
        let policy = response.headers().get(CONTENT_SECURITY_POLICY).unwrap();
        assert!(policy.to_str().unwrap().starts_with("default-src 'none'"));
        let status = response.status();
        let bytes = to_bytes(response.into_body(), 1 << 20).await.unwrap();
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        (status, serde_json::from_str(&text).unwrap_or(Value::String(text)))
    }

    async fn get(&self, path: &str) -> (StatusCode, Value) {
        let request = Request::get(path).header("host", "localhost:8740");
        self.send(request.body(Body::empty()).unwrap()).await
    }

    async fn post(&self, path: &str, body: impl ToString) -> (StatusCode, Value) {
        self.ask("post", path, body).await
    }

    async fn ask(&self, method: &str, path: &str, body: impl ToString) -> (StatusCode, Value) {
        let request = Request::builder().method(method.to_ascii_uppercase().as_str());
        let request = request.uri(path).header("host", "127.0.0.1:8740");
        self.send(request.body(Body::from(body.to_string())).unwrap())
            .await
    }

    async fn end(self) {
        self.stop.cancel();
        self.work.await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_is_added_told_noted_and_ended() {
    let daemon = Daemon::start().await;
    assert_eq!(daemon.get("/health").await.0, StatusCode::OK);
    daemon.house.stumbles.count("The port /dev/ttyUSB0");
    let (status, alive) = daemon.get("/health").await;
    assert_eq!(status, StatusCode::OK);
    assert!(
        alive.as_str().unwrap().contains(
            "stumbled over a fault of its own 1 times and began again, the last time: The port /dev/ttyUSB0."
        ),
        "{alive}"
    );

    let (status, answer) = daemon
        .post("/api/v1/batches", batch_text("lime and mint 4"))
        .await;
    assert_eq!(status, StatusCode::CREATED, "{answer}");
    assert_eq!(answer["slug"], "lime-and-mint-4");
    let (status, answer) = daemon
        .post("/api/v1/batches", batch_text("lime and mint 4"))
        .await;
    assert_eq!(status, StatusCode::CONFLICT, "{answer}");

    let (status, answer) = daemon
        .post(
            "/api/v1/batches/lime-and-mint-4/notes",
            json!({ "kind": "vented", "text": "a hiss" }),
        )
        .await;
    assert_eq!(status, StatusCode::CREATED, "{answer}");
    let (status, answer) = daemon
        .post(
            "/api/v1/batches/lime-and-mint-4/notes",
            json!({ "kind": "sung_to" }),
        )
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer["error"].as_str().unwrap().contains("sung_to"), "{answer}");
    let (status, answer) = daemon
        .post(
            "/api/v1/batches/lime-and-mint-4/notes",
            json!({ "kind": "opened", "bottles": [9] }),
        )
        .await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer["error"].as_str().unwrap().contains("1 to 8"), "{answer}");

    let (_, answer) = daemon.get("/api/v1/batches").await;
    assert_eq!(answer["batches"][0]["batch"], "lime and mint 4", "{answer}");
    assert_eq!(answer["batches"][0]["limit_bar"], 1.5);
    assert_eq!(answer["batches"][0]["sensors"][0]["value"], 1.6, "{answer}");
    assert_eq!(answer["batches"][0]["sensors"][0]["unit"], "bar");
    let sensor = &answer["batches"][0]["sensors"][0];
    assert_eq!(
        sensor["at"], "2026-03-02T08:05:00Z",
        "the clock is not behind the first reading"
    );
    let (status, answer) = daemon.get("/api/v1/batches/lime-and-mint-4/forecast").await;
    assert_eq!(status, StatusCode::OK, "{answer}");
    assert_eq!(answer["record"], "forecast");
    let early = "/api/v1/batches/lime-and-mint-4/forecast?at=2026-03-01T00:00:00Z";
    let (status, answer) = daemon.get(early).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        answer["error"].as_str().unwrap().contains("2026-03-01T00:00:00Z"),
        "{answer}"
    );

    let (status, answer) = daemon.post("/api/v1/batches/lime-and-mint-4/end", "").await;
    assert_eq!(
        (status, &answer["slug"]),
        (StatusCode::OK, &json!("lime-and-mint-4"))
    );
    let (_, answer) = daemon.get("/api/v1/batches").await;
    assert_eq!(answer, json!({ "batches": [], "total": 0 }));
    let (status, _) = daemon.post("/api/v1/batches/lime-and-mint-4/end", "").await;
    assert_eq!(status, StatusCode::NOT_FOUND);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn notes_come_by_lines_and_all_are_taken_or_none() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum 1")).await;
    let id = daemon.house.batch("plum-1").unwrap().id;
    let path = "/api/v1/batches/plum-1/notes";
    let bad = "{\"kind\":\"tasted\"}\n{\"kind\":\"vented\",\"time\":\"2026-03-02T06:59:00Z\"}\n";
    let (status, answer) = daemon.post(path, bad).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{answer}");
    assert!(
        answer["error"].as_str().unwrap().starts_with("line 2: `time` is"),
        "{answer}"
    );
    let notes = || async {
        daemon
            .house
            .store
            .read(move |reader| reader.notes(id))
            .await
            .unwrap()
    };
    assert!(notes().await.is_empty());

    let good = "{\"kind\":\"tasted\"}\n{\"kind\":\"moved_to_fridge\",\"time\":\"2026-03-02T09:00:00Z\"}\n";
    let (status, answer) = daemon.post(path, good).await;
    assert_eq!(status, StatusCode::CREATED, "{answer}");
    assert_eq!(answer["notes"][1]["time"], "2026-03-02T09:00:00Z");
    assert_eq!(notes().await.len(), 2);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn status_says_what_the_page_says() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum 1")).await;
    let live = daemon.house.batch("plum-1").unwrap();
    live.reaches(*daemon.house.latest.borrow()).await;
    let (status, answer) = daemon.get("/api/v1/status").await;
    assert_eq!(status, StatusCode::OK);
    assert_eq!(answer["behind"], json!([]));
    // The gauge reads 1.6 bar of a limit of 1.5.
    assert_eq!(answer["batches"][0]["urgency"], "danger", "{answer}");
    let what = answer["batches"][0]["needs"][0]["what"].as_str().unwrap();
    let (_, page) = daemon.get("/").await;
    assert!(
        page.as_str().unwrap().replace('\u{a0}', " ").contains(what),
        "{what}"
    );
    let alerts = answer["batches"][0]["alerts"].as_array().unwrap();
    assert!(
        alerts
            .iter()
            .any(|alert| alert["alert"] == "over_limit" && alert["state"] == "unacknowledged")
    );
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_batch_file_is_refused_with_all_its_problems() {
    let daemon = Daemon::start().await;
    let bad = batch_text("plum 1")
        .replace("fill_ml = 475", "fill_ml = 700")
        .replace("fridge_c", "frigde_c");
    let (status, answer) = daemon.post("/api/v1/batches", bad).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    let error = answer["error"].as_str().unwrap();
    assert!(error.contains("fill_ml") && error.contains("frigde_c"), "{error}");
    let (status, _) = daemon.post("/api/v1/batches", "#".repeat(65 * 1024)).await;
    assert_eq!(status, StatusCode::PAYLOAD_TOO_LARGE);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_listed_and_obeys_a_person() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum 1")).await;
    let live = daemon.house.batch("plum-1").unwrap();
    live.reaches(*daemon.house.latest.borrow()).await;
    let over = |answer: &Value| {
        let alerts = answer["alerts"].as_array().unwrap().clone();
        alerts.into_iter().find(|alert| alert["alert"] == "over_limit")
    };
    let alert = over(&daemon.get("/api/v1/alerts").await.1).unwrap();
    assert_eq!(alert["batch"], "plum 1");
    assert_eq!(alert["state"], "unacknowledged");
    assert_eq!(alert["priority"], "critical");

    let path = "/api/v1/batches/plum-1/alerts/over_limit";
    let shelve = json!({ "deed": "shelve", "who": "Ada", "for_s": 3600, "reason": "later" });
    let (status, answer) = daemon.post(path, shelve).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(
        answer["error"].as_str().unwrap().contains("cannot be shelved"),
        "{answer}"
    );
    let (status, answer) = daemon.post(path, json!({ "deed": "sing", "who": "Ada" })).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{answer}");
    let (status, answer) = daemon
        .post(path, json!({ "deed": "acknowledge", "who": "Ada" }))
        .await;
    assert_eq!(status, StatusCode::OK, "{answer}");
    let alert = over(&daemon.get("/api/v1/alerts").await.1).unwrap();
    assert_eq!(alert["state"], "acknowledged");
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_names_the_batch_and_what_stands() {
    let daemon = Daemon::start().await;
    daemon.post("/api/v1/batches", batch_text("plum <1>")).await;
    let live = daemon.house.all().pop().unwrap();
    live.reaches(*daemon.house.latest.borrow()).await;
    let (status, page) = daemon.get("/").await;
    let page = page.as_str().unwrap();
    assert_eq!(status, StatusCode::OK);
    assert!(page.contains("lum &lt;1&gt;") && !page.contains("<1>"), "{page}");
    assert!(page.contains("Danger"), "{page}");
    assert_eq!(daemon.get("/style.css").await.0, StatusCode::OK);
    assert_eq!(daemon.get("/favicon.svg").await.0, StatusCode::OK);
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_are_refused() {
    let daemon = Daemon::start().await;
    for host in [
        "example.org",
        "localhost.example.org:8740",
        "me@localhost",
        "10.0.0.1:8740",
    ] {
        let request = Request::get("/api/v1/batches").header("host", host);
        let (status, _) = daemon.send(request.body(Body::empty()).unwrap()).await;
        assert_eq!(status, StatusCode::FORBIDDEN, "{host}");
    }
    for (header, value, allowed) in [
        ("origin", "http://example.org", false),
        ("origin", "null", false),
        ("origin", "http://localhost:8740", true),
        ("sec-fetch-site", "cross-site", false),
        ("sec-fetch-site", "same-site", false),
        ("sec-fetch-site", "same-origin", true),
    ] {
        let request = Request::post("/api/v1/batches/none/end")
            .header("host", "localhost:8740")
            .header(header, value);
        let (status, _) = daemon.send(request.body(Body::empty()).unwrap()).await;
        assert_eq!(status != StatusCode::FORBIDDEN, allowed, "{header}: {value}");
    }
    daemon.end().await;
}

#[tokio::test]
async fn sensors_post_readings_with_the_token_and_hear_what_was_stored() {
    let daemon = Daemon::start().await;
    let post = |token: &'static str, kind: &'static str, body: String| {
        let request = Request::post("/api/v1/readings")
            .header("host", "kitchen.home:8741")
            .header("authorization", token)
            .header("content-type", kind)
            .body(Body::from(body))
            .unwrap();
        daemon.send(request)
    };
    let csv = || {
        "time,source,quantity,value,unit\n\
         2026-03-02T09:00:00Z,shelf,pressure,0.5,bar\n\
         2026-03-02T09:00:00Z,shelf,pressure,0.5,bar\n\
         2026-03-02T09:00:00Z,shelf,humidity,50,bar\n"
            .to_owned()
    };
    // No token is configured: nobody may.
    let (status, _) = post("Bearer ", "text/csv", csv()).await;
    assert_eq!(status, StatusCode::FORBIDDEN);

    *daemon.house.door.write().unwrap() = Arc::new(crate::watch::Door {
        token: Some(crate::config::Secret::new("an old blue door")),
        ..Default::default()
    });
    for wrong in [
        "Bearer an old red door",
        "Bearer an old blue doo",
        "Basic an old blue door",
        "Bearer",
    ] {
        let (status, told) = post(wrong, "text/csv", csv()).await;
        assert_eq!(status, StatusCode::UNAUTHORIZED, "{told}");
    }
    let right = "Bearer an old blue door";
    let (status, told) = post(right, "text/csv", csv()).await;
    assert_eq!(status, StatusCode::OK, "{told}");
    assert_eq!(
        (&told["accepted"], &told["duplicates"], &told["refused"]),
        (&json!(1), &json!(1), &json!(1))
    );
    assert_eq!(told["refusals"][0]["place"], "line 4");
    // The answer came after the commit: it is there, and posting it again adds nothing.
    let (_, again) = post(right, "text/csv; charset=utf-8", csv()).await;
    assert_eq!((&again["accepted"], &again["duplicates"]), (&json!(0), &json!(2)));

    let senml = r#"[{"n":"shelf/pressure","u":"bar","v":0.75}]"#.to_owned();
    let (status, told) = post(right, "application/senml+json", senml).await;
    assert_eq!((status, &told["accepted"]), (StatusCode::OK, &json!(1)));
    let (status, told) = post(right, "application/json", "{".to_owned()).await;
    assert_eq!(
        (status, &told["refused"]),
        (StatusCode::UNPROCESSABLE_ENTITY, &json!(1))
    );
    let (status, _) = post(right, "text/plain", csv()).await;
    assert_eq!(status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
    let (status, told) = post(right, "text/csv", "x".repeat(300 * 1024)).await;
    assert_eq!(status, StatusCode::PAYLOAD_TOO_LARGE, "{told}");
    daemon.end().await;
}

impl Daemon {
    /// Sends a form as a browser writes it; the status, where it leads, and the page.
    async fn form(&self, path: &str, fields: &str) -> (StatusCode, String, String) {
        let request = Request::post(path)
            .header("host", "127.0.0.1:8740")
            .header("origin", "http://127.0.0.1:8740")
            .header("content-type", "application/x-www-form-urlencoded");
        let request = request.body(Body::from(fields.to_owned())).unwrap();
        let response = router(Arc::clone(&self.house)).oneshot(request).await.unwrap();
        let status = response.status();
        let place = response
            .headers()
            .get("location")
            .map(|place| place.to_str().unwrap().to_owned());
        let bytes = to_bytes(response.into_body(), 1 << 20).await.unwrap();
        (
            status,
            place.unwrap_or_default(),
            String::from_utf8(bytes.to_vec()).unwrap(),
        )
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_that_listens_hears_of_news_and_ends_with_the_daemon() {
    let daemon = Daemon::start().await;
    let request = Request::get("/api/v1/events").header("host", "localhost:8740");
    let response = router(Arc::clone(&daemon.house))
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap();
    assert_eq!(response.headers()["content-type"], "text/event-stream");
    daemon
        .post("/api/v1/batches", batch_text("lime and mint 4"))
        .await;
    let mut told = response.into_body().into_data_stream();
    let patience = std::time::Duration::from_secs(30);
    let first = tokio::time::timeout(patience, told.next()).await.unwrap();
    assert_eq!(&first.unwrap().unwrap()[..], b"event: news\ndata: 1\n\n");
    daemon.house.parting.cancel();
    let end = async { while told.next().await.is_some() {} };
    tokio::time::timeout(patience, end).await.unwrap();
    daemon.end().await;
}
