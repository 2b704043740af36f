//! An address of our own with moods, and what comes through to it.

mod mails;
mod told_again;

use std::{
    collections::VecDeque,
    sync::{Mutex, PoisonError},
};

use axum::{
    Router,
    body::Bytes,
    extract::State as Shared,
    http::{HeaderMap, StatusCode},
    response::{IntoResponse, Response},
    routing::post,
};
use fobwatch_core::{
    alert::{AlertName, Priority, Transition},
    batch::BatchName,
};
use reqwest::Url;
use tempfile::TempDir;
use tokio::{net::TcpListener, time::timeout};

use super::*;
use crate::{
    config::{Address, Body, Picks, Secret, Webhook},
    store::{BatchId, Outcome, Store},
    watch::{
        WallClock,
        tests::{batch_text, house_by},
    },
};

const PATIENCE: Duration = Duration::from_secs(60);

#[derive(Default)]
struct Moods {
    next: Mutex<VecDeque<StatusCode>>,
    /// What was taken: headers and body.
    taken: Mutex<Vec<(HeaderMap, String)>>,
    asked: Mutex<u32>,
    /// Bodies with this in them are not taken.
    poison: Mutex<Option<String>>,
}

fn lock<T>(shared: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

async fn take(Shared(moods): Shared<Arc<Moods>>, headers: HeaderMap, body: Bytes) -> Response {
    *lock(&moods.asked) += 1;
    let poisonous = lock(&moods.poison)
        .as_deref()
        .is_some_and(|poison| String::from_utf8_lossy(&body).contains(poison));
    if poisonous {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    }
    match lock(&moods.next).pop_front() {
        Some(StatusCode::MOVED_PERMANENTLY) => {
            (StatusCode::MOVED_PERMANENTLY, [("Location", "/elsewhere")]).into_response()
        }
        Some(status) => (status, [("Retry-After", "0")]).into_response(),
        None => {
            let body = String::from_utf8(body.to_vec()).unwrap();
            lock(&moods.taken).push((headers, body));
            StatusCode::ACCEPTED.into_response()
        }
    }
}

async fn elsewhere() -> StatusCode {
    panic!("a redirect is not followed")
}

struct Play {
    house: Arc<House>,
    batch: BatchId,
    destination: Destination,
    moods: Arc<Moods>,
    stop: CancellationToken,
    _folder: TempDir,
}

impl Play {
    async fn begin(next: &[u16], body: Body, picks: Picks) -> Self {
        let moods = Arc::new(Moods {
            next: Mutex::new(
                next.iter()
                    .map(|status| StatusCode::from_u16(*status).unwrap())
                    .collect(),
            ),
            ..Moods::default()
        });
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let app = Router::new()
            .route("/hook", post(take))
            .route("/elsewhere", post(elsewhere))
            .with_state(Arc::clone(&moods));
        tokio::spawn(async move { axum::serve(listener, app).await.unwrap() });
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let text = batch_text("plum 1");
        let batch = fobwatch_core::batch::Batch::from_toml(&text, "test").unwrap().0;
        let id = store
            .write(move |writer| writer.add_batch(&batch, &text, Timestamp::now()))
            .await
            .unwrap();
        let (house, _requests) = house_by(&store, Arc::new(WallClock)).await;
        let webhook = Webhook {
            name: "phone".to_owned(),
            url: Some(Address::new(
                Url::parse(&format!("http://{address}/hook")).unwrap(),
            )),
            url_file: None,
            token: None,
            hmac: None,
            body,
            picks,
        };
        let destination = Destination::of_webhook(&webhook, &jiff::tz::TimeZone::UTC);
        let stop = CancellationToken::new();
        let channel = Channel::Webhook(Arc::new(Poster::new(webhook).unwrap()));
        tokio::spawn(carry(
            Arc::clone(&house),
            destination.clone(),
            channel,
            stop.clone(),
        ));
        Self {
            house,
            batch: id,
            destination,
            moods,
            stop,
            _folder: folder,
        }
    }

    async fn store(&self, alert: AlertRecord) {
        self.store_at(alert, Timestamp::now()).await;
    }

    /// As if it had been stored `at` that time.
    async fn store_at(&self, alert: AlertRecord, at: Timestamp) {
        self.store_all_at(vec![alert], at).await;
    }

    async fn store_all_at(&self, alerts: Vec<AlertRecord>, at: Timestamp) {
        let outcome = Outcome {
            alerts,
            ..Outcome::empty(self.batch, vec![self.destination.clone()], at)
        };
        self.house
            .store
            .write(move |writer| writer.record(&outcome))
            .await
            .unwrap();
        self.house.alerts.send_modify(|count| *count += 1);
    }

    /// Waits until nothing is left in the outbox.
    async fn all_done(&self) {
        let name = self.destination.name.clone();
        let done = async {
            loop {
                let rows = self
                    .house
                    .store
                    .read(move |reader| reader.backlog())
                    .await
                    .unwrap();
                let left = rows.iter().find(|of| of.destination == name);
                if left.is_none_or(|of| of.waiting == 0) {
                    return;
                }
                tokio::task::yield_now().await;
            }
        };
        timeout(PATIENCE, done).await.unwrap();
    }

    /// Waits until so many were taken, and answers with their bodies.
    async fn said(&self, wanted: usize) -> Vec<String> {
        let enough = async {
            while self.taken().len() < wanted {
                tokio::task::yield_now().await;
            }
        };
        timeout(PATIENCE, enough).await.unwrap();
        self.taken().into_iter().map(|(_, body)| body).collect()
    }

    fn taken(&self) -> Vec<(HeaderMap, String)> {
        lock(&self.moods.taken).clone()
    }
}

impl Drop for Play {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

fn alert(number: i64, state: Transition, priority: Priority) -> AlertRecord {
    AlertRecord {
        batch: BatchName::new("plum 1").unwrap(),
        alert: AlertName::MoveToFridge,
        state,
        priority,
        at: Timestamp::from_second(1_772_700_000 + number).unwrap(),
        message: format!("Move plum 1 to the fridge, {number}."),
        who: None,
        source: None,
        quantity: None,
    }
}

fn raised(number: i64) -> AlertRecord {
    alert(number, Transition::Raised, Priority::Medium)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_cloud_event_comes_once_after_failures_and_in_order() {
    let play = Play::begin(&[500, 503, 429, 301], Body::CloudEvents, Picks::all()).await;
    for number in 0..3 {
        play.store(raised(number)).await;
    }
    play.all_done().await;
    let taken = play.taken();
    assert_eq!(taken.len(), 3);
    for ((headers, body), number) in taken.iter().zip(0_i64..) {
        assert_eq!(headers["content-type"], "application/cloudevents+json");
        let event: serde_json::Value = serde_json::from_str(body).unwrap();
        // CloudEvents 1.0.2, required attributes.
        for required in ["id", "source", "specversion", "type"] {
            assert!(
                event[required].as_str().is_some_and(|text| !text.is_empty()),
                "{body}"
            );
        }
        assert_eq!(event["specversion"], "1.0");
        assert_eq!(event["type"], "fobwatch.alert.raised");
        assert_eq!(event["subject"], "plum-1/move_to_fridge");
        assert_eq!(
            event["data"]["message"],
            format!("Move plum 1 to the fridge, {number}.")
        );
        assert_eq!(headers["idempotency-key"], event["id"].as_str().unwrap());
    }
    let backlog = play.house.store.read(|reader| reader.backlog()).await.unwrap();
    assert_eq!((backlog[0].waiting, backlog[0].given_up), (0, 0));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_address_that_never_answers_is_left_and_asked_again_later() {
    // The system takes the connection; nobody ever reads it.
    let stalled = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = stalled.local_addr().unwrap();
    let webhook = Webhook {
        name: "phone".to_owned(),
        url: Some(Address::new(
            Url::parse(&format!("http://{address}/hook")).unwrap(),
        )),
        url_file: None,
        token: None,
        hmac: None,
        body: Body::CloudEvents,
        picks: Picks::all(),
    };
    let poster = webhook::Poster::waiting(webhook, Duration::from_millis(300)).unwrap();
    let letter = letter::Letter::of(raised(0));
    let sent = timeout(PATIENCE, poster.post(&letter)).await;
    let undelivered = sent.expect("it does not wait for ever").unwrap_err();
    assert_eq!(
        undelivered.again,
        undelivered::Again::Later(None),
        "{undelivered:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_never_taken_is_given_up_visibly_and_holds_up_no_other() {
    let play = Play::begin(&[422], Body::CloudEvents, Picks::all()).await;
    play.store(raised(0)).await;
    play.store(raised(1)).await;
    play.all_done().await;
    assert_eq!(play.taken().len(), 1);
    assert!(play.taken()[0].1.contains("the fridge, 1"));
    let backlog = play.house.store.read(|reader| reader.backlog()).await.unwrap();
    assert_eq!((backlog[0].waiting, backlog[0].given_up), (0, 1));
}

#[tokio::test(flavor = "multi_thread")]
async fn plain_text_is_filled_in_and_priorities_choose() {
    let picks = Picks {
        least: Priority::Medium,
        ..Picks::all()
    };
    let form = Body::Text("{batch}: {message} [{priority}, {state}, {alert}] {unknown} {message".to_owned());
    let play = Play::begin(&[], form, picks).await;
    play.store(alert(0, Transition::Raised, Priority::Low)).await;
    let mut odd = raised(1);
    odd.message = "See {batch}.".to_owned();
    play.store(odd).await;
    play.all_done().await;
    let taken = play.taken();
    assert_eq!(taken.len(), 1);
    assert_eq!(taken[0].0["content-type"], "text/plain; charset=utf-8");
    assert_eq!(
        taken[0].1,
        "plum 1: See {batch}. [medium, raised, move to fridge] {unknown} {message"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_channel_that_waits_for_an_acknowledgement_is_spared_once_there_is_one() {
    let picks = Picks {
        after: SignedDuration::from_millis(300),
        ..Picks::all()
    };
    let play = Play::begin(&[], Body::CloudEvents, picks).await;
    play.store(raised(0)).await;
    play.store(alert(1, Transition::Acknowledged, Priority::Medium))
        .await;
    play.all_done().await;
    assert!(play.taken().is_empty());
    // Nobody sees to this one.
    play.store(raised(2)).await;
    play.all_done().await;
    let taken = play.taken();
    assert!(
        taken.len() == 1 && taken[0].1.contains("the fridge, 2"),
        "{taken:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signed_body_can_be_checked_and_no_secret_is_shown() {
    let webhook = Webhook {
        name: "phone".to_owned(),
        url: Some(Address::new(
            Url::parse("http://127.0.0.1:9/very-secret-path").unwrap(),
        )),
        url_file: None,
        token: Some((place(), Some(Secret::new("quite secret token")))),
        hmac: Some((place(), Some(Secret::new("quite secret key")))),
        body: Body::CloudEvents,
        picks: Picks::all(),
    };
    let poster = Poster::new(webhook).unwrap();
    let failed = poster.post(&Letter::of(raised(0))).await.unwrap_err();
    assert!(!failed.why.contains("secret"), "{failed:?}");
    assert!(!format!("{poster:?}").contains("quite secret"));
}

fn place() -> crate::config::Place {
    crate::config::Place::Variable("NOWHERE".to_owned())
}
