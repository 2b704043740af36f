//! A server of our own with moods.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, Mutex, PoisonError},
};

use axum::{Router, extract::State as Shared, http::StatusCode, routing::post};
use fobwatch_core::{quantity::Unit, reading::Quantity};
use reqwest::Url;
use tempfile::TempDir;
use tokio::{net::TcpListener, time::timeout};
use tokio_util::sync::CancellationToken;

use super::*;
use crate::{
    store::Store,
    watch::tests::{house, reading, start},
};

const PATIENCE: Duration = Duration::from_secs(60);
const READINGS: u32 = 300;

/// What it answers next, then 204; lines over `most` are too much; a line with `poison` is refused for ever.
#[derive(Default)]
struct Moods {
    next: Mutex<VecDeque<StatusCode>>,
    most: usize,
    poison: &'static str,
    /// Lines, and how often each came.
    taken: Mutex<BTreeMap<String, u32>>,
    requests: Mutex<u32>,
}

async fn take(Shared(moods): Shared<Arc<Moods>>, body: String) -> (StatusCode, &'static str) {
    let lock = |counted: &Mutex<u32>| *counted.lock().unwrap_or_else(PoisonError::into_inner) += 1;
    lock(&moods.requests);
    if let Some(status) = moods
        .next
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .pop_front()
    {
        return (status, "in a mood");
    }
    let lines: Vec<&str> = body.lines().collect();
    if moods.most > 0 && lines.len() > moods.most {
        return (StatusCode::PAYLOAD_TOO_LARGE, "too much");
    }
    if !moods.poison.is_empty() && lines.iter().any(|line| line.contains(moods.poison)) {
        return (StatusCode::BAD_REQUEST, "unable to parse");
    }
    let mut taken = moods.taken.lock().unwrap_or_else(PoisonError::into_inner);
    for line in lines {
        *taken.entry(line.to_owned()).or_default() += 1;
    }
    (StatusCode::NO_CONTENT, "")
}

struct Play {
    moods: Arc<Moods>,
    state: Arc<ServerState>,
    stop: CancellationToken,
    _folder: TempDir,
}

impl Play {
    async fn begin(moods: Moods) -> Self {
        let moods = Arc::new(moods);
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let app = Router::new()
            .route("/api/v2/write", post(take))
            .with_state(Arc::clone(&moods));
        tokio::spawn(async move { axum::serve(listener, app).await.unwrap() });
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let rows: Vec<_> = (0..READINGS)
            .map(|i| reading(i64::from(i), Quantity::Pressure, 0.001 * f64::from(i), Unit::Bar))
            .collect();
        store
            .write(move |writer| writer.append_readings(&rows, start()))
            .await
            .unwrap();
        let (house, _requests) = house(&store).await;
        let server = SeriesServer {
            url: Url::parse(&format!("http://{address}")).unwrap(),
            org: "kitchen".to_owned(),
            bucket: "drinks".to_owned(),
            token_file: None,
            token: None,
        };
        let state = Arc::new(ServerState::new(server.url.to_string()));
        let stop = CancellationToken::new();
        tokio::spawn(carry(house, server, Arc::clone(&state), stop.clone()));
        Self {
            moods,
            state,
            stop,
            _folder: folder,
        }
    }

    /// Waits until so many different lines came.
    async fn has(&self, lines: u32) -> BTreeMap<String, u32> {
        let all = async {
            loop {
                let taken = self
                    .moods
                    .taken
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .clone();
                if u32::try_from(taken.len()).unwrap() >= lines && self.state.seen().complaint.is_none() {
                    return taken;
                }
                tokio::task::yield_now().await;
            }
        };
        timeout(PATIENCE, all).await.unwrap()
    }
}

impl Drop for Play {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_fails_or_is_busy_is_asked_again_and_gets_each_line_once() {
    let next = [500, 503, 429, 200].map(|status| StatusCode::from_u16(status).unwrap());
    let play = Play::begin(Moods {
        next: Mutex::new(next.into()),
        ..Moods::default()
    })
    .await;
    let taken = play.has(READINGS).await;
    assert!(taken.values().all(|times| *times == 1), "{taken:?}");
    assert!(
        taken.contains_key("fobwatch_reading,source=pilot pressure_bar=0.001 1772434860000000"),
        "{taken:?}"
    );
    assert_eq!(play.state.seen().left_out, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_too_much_at_once_comes_in_parts() {
    let play = Play::begin(Moods {
        most: 40,
        ..Moods::default()
    })
    .await;
    let taken = play.has(READINGS).await;
    assert!(taken.values().all(|times| *times == 1), "{taken:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_point_that_is_refused_for_ever_is_left_out_and_holds_up_no_other() {
    let play = Play::begin(Moods {
        poison: "pressure_bar=0.123 ",
        ..Moods::default()
    })
    .await;
    let taken = play.has(READINGS - 1).await;
    assert_eq!(u32::try_from(taken.len()), Ok(READINGS - 1));
    assert!(!taken.keys().any(|line| line.contains("pressure_bar=0.123 ")));
    // The server has a line before we hear so.
    let counted = async {
        while play.state.seen().sent < u64::from(READINGS - 1) || play.state.seen().left_out < 1 {
            tokio::task::yield_now().await;
        }
    };
    timeout(PATIENCE, counted).await.unwrap();
    assert_eq!(play.state.seen().left_out, 1);
    assert_eq!(play.state.seen().sent, u64::from(READINGS - 1));
    // Halving finds it in some dozens of requests, not in one for each point.
    assert!(*play.moods.requests.lock().unwrap_or_else(PoisonError::into_inner) < 30);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_refuses_everything_for_ever_has_nothing_left_out() {
    let play = Play::begin(Moods {
        poison: "fobwatch",
        ..Moods::default()
    })
    .await;
    let told = async {
        loop {
            if let Some(sentence) = play.state.sentence() {
                return sentence;
            }
            tokio::task::yield_now().await;
        }
    };
    let sentence = timeout(PATIENCE, told).await.unwrap();
    assert!(sentence.contains("even the plainest point"), "{sentence}");
    assert_eq!(play.state.seen().left_out, 0);
    assert_eq!(play.state.seen().sent, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_token_is_told_and_nothing_is_lost() {
    let play = Play::begin(Moods {
        next: Mutex::new([StatusCode::UNAUTHORIZED].into()),
        ..Moods::default()
    })
    .await;
    let told = async {
        loop {
            if let Some(complaint) = play.state.seen().complaint {
                return complaint;
            }
            tokio::task::yield_now().await;
        }
    };
    let complaint = timeout(PATIENCE, told).await.unwrap();
    assert!(complaint.contains("401"), "{complaint}");
    assert!(
        play.moods
            .taken
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .is_empty()
    );
}
