//! A time-series server that takes very long, and then refuses in every way that passes: the batches do not notice, and nothing is lost.

use std::{
    collections::VecDeque,
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    sync::{Arc, Condvar, Mutex},
    thread,
};

use fobwatch_tests::{Daemon, SeriesServer, wait_for};

use crate::{
    kitchen::{Kitchen, PATIENCE},
    series::{caught_up, config, import},
};

/// What stands before the server does with a request.
enum Mood {
    /// Keeps whoever writes waiting.
    Holds,
    /// Answers so, one request each, and hands on all others.
    Says(VecDeque<&'static str>),
}

/// What stands before a server.
pub(crate) struct Relay {
    pub(crate) port: u16,
    state: Arc<State>,
}

struct State {
    mood: Mutex<(Mood, usize)>,
    changed: Condvar,
}

impl Relay {
    /// Before a server, which it holds back at first.
    pub(crate) fn before(server: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let state = Arc::new(State {
            mood: Mutex::new((Mood::Holds, 0)),
            changed: Condvar::new(),
        });
        let shared = Arc::clone(&state);
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let state = Arc::clone(&shared);
                thread::spawn(move || answer(stream, server, &state));
            }
        });
        Self { port, state }
    }

    pub(crate) fn held(&self) -> usize {
        self.state.mood.lock().unwrap().1
    }

    pub(crate) fn says(&self, all: &[&'static str]) {
        self.state.mood.lock().unwrap().0 = Mood::Says(all.iter().copied().collect());
        self.state.changed.notify_all();
    }

    fn has_said_all(&self) -> bool {
        matches!(&self.state.mood.lock().unwrap().0, Mood::Says(left) if left.is_empty())
    }
}

fn answer(mut stream: TcpStream, server: u16, state: &State) {
    let Some(request) = whole(&mut stream) else { return };
    let mut mood = state.mood.lock().unwrap();
    if matches!(mood.0, Mood::Holds) {
        mood.1 += 1;
        drop(
            state
                .changed
                .wait_while(mood, |mood| matches!(mood.0, Mood::Holds))
                .unwrap(),
        );
        // Whoever was kept waiting gets no answer at all.
        return;
    }
    let said = match &mut mood.0 {
        Mood::Says(left) => left.pop_front(),
        Mood::Holds => None,
    };
    drop(mood);
    let status = match said {
        Some(said) => said.to_owned(),
        None => hand_on(&request, server),
    };
    let answer = format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
    stream.write_all(answer.as_bytes()).ok();
}

/// Head and body.
fn whole(stream: &mut TcpStream) -> Option<Vec<u8>> {
    let (mut request, mut part) = (Vec::new(), [0; 65_536]);
    loop {
        let read = stream.read(&mut part).ok().filter(|read| *read > 0)?;
        request.extend_from_slice(&part[..read]);
        let Some(head) = request.windows(4).position(|four| four == b"\r\n\r\n") else {
            continue;
        };
        let text = String::from_utf8_lossy(&request[..head]).to_ascii_lowercase();
        let length = text
            .lines()
            .find_map(|line| line.strip_prefix("content-length: ")?.parse().ok());
        if request.len() >= head + 4 + length.unwrap_or(0) {
            return Some(request);
        }
    }
}

/// The status that the server itself answers.
fn hand_on(request: &[u8], server: u16) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", server)).unwrap();
    stream.write_all(request).unwrap();
    let (mut answer, mut part) = (Vec::new(), [0; 4_096]);
    while !answer.windows(2).any(|two| two == b"\r\n") {
        let read = stream.read(&mut part).unwrap();
        assert!(read > 0, "the server answers");
        answer.extend_from_slice(&part[..read]);
    }
    let text = String::from_utf8_lossy(&answer).into_owned();
    let line = text.lines().next().unwrap_or_default();
    line.strip_prefix("HTTP/1.1 ")
        .unwrap_or("502 Bad Gateway")
        .to_owned()
}

#[test]
fn a_server_that_stalls_and_refuses_holds_up_no_batch_and_misses_nothing() {
    let server = SeriesServer::start();
    let port = server.url().rsplit(':').next().unwrap().parse().unwrap();
    let relay = Relay::before(port);
    let kitchen = Kitchen::new("lively_culture", 12.0);
    let file = config(&kitchen, &format!("http://127.0.0.1:{}", relay.port));
    let data = kitchen.path("data");
    let daemon = Daemon::start(&file, &data, &kitchen.batches());
    import(&kitchen, &daemon);
    wait_for("somebody to be kept waiting", PATIENCE, || {
        (relay.held() > 0).then_some(())
    });
    // Meanwhile all rows are stored and reckoned, and the page answers.
    kitchen.wait_until_taken(&daemon, &data);
    assert!(daemon.get("/").unwrap().contains("lime and mint 4"));
    assert_eq!(server.points("fobwatch_reading_pressure_bar").len(), 0);

    relay.says(&[
        "500 Internal Server Error",
        "503 Service Unavailable\r\nRetry-After: 1",
        "429 Too Many Requests\r\nRetry-After: 1",
        "413 Content Too Large",
    ]);
    wait_for("every refusal to be heard", PATIENCE, || {
        relay.has_said_all().then_some(())
    });
    caught_up(&kitchen, &server);
    wait_for("the log to tell the end of it", PATIENCE, || {
        let log = daemon.log();
        (log.contains("takes nothing; readings are kept and sent later")
            && log.contains("takes readings again"))
        .then_some(())
    });
    assert_eq!(daemon.metric("fobwatch_series_server_up{"), Some(1));
    assert!(!daemon.log().contains("left out"));
    assert_eq!(daemon.stop(), Some(0));
}
