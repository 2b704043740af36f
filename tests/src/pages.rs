//! Many pages that stay open while many readings come in: what they wait, and what the daemon holds.

use std::{
    fs,
    io::{BufRead, BufReader, Write},
    net::TcpStream,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    },
    thread,
    time::{Duration, Instant},
};

use fobwatch_simulator::{Scenario, Simulation, readings_csv};
use jiff::{SignedDuration, Timestamp};

use crate::{Daemon, run, wait_for};

/// Posts in a second.
const POSTS: u32 = 10;
/// Batches on the page.
const BATCHES: u32 = 3;
const TOKEN: &str = "a token of this run";

/// What came of it.
#[derive(Debug)]
pub struct Opened {
    /// Readings that were taken, of those sent.
    pub taken: usize,
    /// Those sent.
    pub sent: usize,
    /// Times that a page was fetched after it heard of news, shortest first.
    pub fetches: Vec<Duration>,
    /// Times that a post waited for its answer (it is on the disk then), shortest first.
    pub posts: Vec<Duration>,
    /// Times that a page waited for the next news, longest.
    pub longest_silence: Duration,
    /// Resident memory of the daemon in MiB, once in a second.
    pub resident: Vec<f64>,
}

impl Opened {
    /// Highest resident memory in the second and in the last quarter of the run, in MiB; the first quarter fills caches.
    #[must_use]
    pub fn early_and_late(&self) -> (f64, f64) {
        let quarter = (self.resident.len() / 4).max(1);
        let highest = |part: &mut dyn Iterator<Item = &f64>| part.copied().fold(0.0, f64::max);
        (
            highest(&mut self.resident.iter().skip(quarter).take(quarter)),
            highest(&mut self.resident.iter().rev().take(quarter)),
        )
    }
}

/// Keeps `pages` open for `lasts`, while `per_second` readings come in.
///
/// # Panics
/// A part does not start, a page is refused, or a reading is.
#[must_use]
pub fn keep_open(pages: u32, per_second: u32, lasts: Duration) -> Opened {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("post.token"), TOKEN).expect("a file is written");
    fs::write(
        path("kitchen.toml"),
        "[http]\ntoken_file = \"post.token\"\n[display]\ntime_zone = \"UTC\"\n",
    )
    .expect("a file is written");
    let mut histories = Vec::new();
    for number in 1..=BATCHES {
        let mut scenario = Scenario::shipped("plain").expect("a shipped scenario");
        scenario.name = format!("plum {number}");
        scenario.lasts_h = 48.0;
        scenario.bottled_at = Timestamp::now() - SignedDuration::from_hours(48);
        for sensor in &mut scenario.sensors {
            sensor.source = format!("{} {number}", sensor.source);
        }
        let played = Simulation::run(&scenario, u64::from(number));
        fs::write(path(&format!("batches/{number}.toml")), &played.batch_toml).expect("a file is written");
        let file = path(&format!("{number}.csv"));
        fs::write(&file, readings_csv(&played.readings)).expect("a file is written");
        histories.push(file);
    }
    let daemon = Daemon::start(&path("kitchen.toml"), &path("data"), &path("batches"));
    let place = format!("127.0.0.1:{}", daemon.port());
    for file in histories {
        let file = file.display().to_string();
        let imported = run("fobwatch", &["import", &file, "--address", &place]);
        assert_eq!(imported.status, Some(0), "{imported:#?}");
    }
    wait_for("the fits of the past", Duration::from_secs(600), || {
        let status = daemon.json("/api/v1/status");
        (status.get("behind")?.as_array()?.is_empty()).then_some(())
    });

    let over = Arc::new(AtomicBool::new(false));
    let fetches = Arc::new(Mutex::new(Vec::new()));
    let silence = Arc::new(Mutex::new(Duration::ZERO));
    let readers: Vec<_> = (0..pages)
        .map(|_| {
            let (place, over) = (place.clone(), Arc::clone(&over));
            let (fetches, silence) = (Arc::clone(&fetches), Arc::clone(&silence));
            thread::spawn(move || read(&place, &over, &fetches, &silence))
        })
        .collect();
    let sent = AtomicUsize::new(0);
    let (mut taken, mut posts, mut resident) = (0, Vec::new(), Vec::new());
    let began = Instant::now();
    let mut due = Duration::ZERO;
    while began.elapsed() < lasts {
        let rows = per_second / POSTS;
        let (body, answered) = (rows_of(rows), Instant::now());
        taken += post(&place, &body);
        posts.push(answered.elapsed());
        sent.fetch_add(usize::try_from(rows).unwrap_or_default(), Ordering::Relaxed);
        let seconds = usize::try_from(began.elapsed().as_secs()).unwrap_or_default();
        if resident.len() <= seconds {
            resident.push(daemon.resident_mib());
        }
        // The next post of a steady stream; a late one is not waited for.
        due += Duration::from_secs(1) / POSTS;
        thread::sleep(due.saturating_sub(began.elapsed()));
    }
    over.store(true, Ordering::Relaxed);
    for reader in readers {
        reader.join().expect("a page stayed open to the end");
    }
    let sorted = |mut times: Vec<Duration>| {
        times.sort();
        times
    };
    let taken_out = |times: &Mutex<Vec<Duration>>| {
        std::mem::take(&mut *times.lock().unwrap_or_else(PoisonError::into_inner))
    };
    let longest_silence = *silence.lock().unwrap_or_else(PoisonError::into_inner);
    Opened {
        taken,
        sent: sent.into_inner(),
        fetches: sorted(taken_out(&fetches)),
        posts: sorted(posts),
        longest_silence,
        resident,
    }
}

/// One open page: listens, and fetches itself anew whenever there is news, as its script does.
fn read(place: &str, over: &AtomicBool, fetches: &Mutex<Vec<Duration>>, silence: &Mutex<Duration>) {
    let mut stream = TcpStream::connect(place).expect("the daemon listens");
    let ask = format!("GET /api/v1/events HTTP/1.1\r\nHost: {place}\r\nAccept: text/event-stream\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("it is asked");
    stream
        .set_read_timeout(Some(Duration::from_secs(60)))
        .expect("a socket");
    let mut lines = BufReader::new(stream).lines();
    let status = lines.next().and_then(Result::ok).unwrap_or_default();
    assert!(status.contains(" 200 "), "{status}");
    let mut last = Instant::now();
    while !over.load(Ordering::Relaxed) {
        let line = lines.next().and_then(Result::ok).expect("the page hears on");
        if !line.contains("event: news") {
            continue;
        }
        let waited = last.elapsed();
        last = Instant::now();
        {
            let mut longest = silence.lock().unwrap_or_else(PoisonError::into_inner);
            *longest = longest.max(waited);
        }
        let page = ureq::get(format!("http://{place}/"))
            .call()
            .and_then(|mut answer| answer.body_mut().read_to_string())
            .expect("the page is there");
        let took = last.elapsed();
        assert!(page.ends_with("</html>"), "the page is whole");
        fetches.lock().unwrap_or_else(PoisonError::into_inner).push(took);
    }
}

/// So many readings of now, spread over twenty gauges and thermometers; three of them are those of the batches.
fn rows_of(rows: u32) -> String {
    let mut text = "time,source,quantity,value,unit\n".to_owned();
    let now = Timestamp::now();
    for row in 0..rows {
        let at = now - SignedDuration::from_micros(i64::from(rows - row) * 900);
        let number = 1 + row / 2 % 10;
        let line = if row % 2 == 0 {
            format!("{at},pilot {number},pressure,1.{:03},bar\n", row % 20)
        } else {
            format!("{at},pilot {number},liquid_temperature,21.{:02},degC\n", row % 20)
        };
        text.push_str(&line);
    }
    text
}

/// How many of them were taken.
fn post(place: &str, body: &str) -> usize {
    let answer = ureq::post(format!("http://{place}/api/v1/readings"))
        .header("authorization", format!("Bearer {TOKEN}"))
        .header("content-type", "text/csv")
        .send(body)
        .and_then(|mut answer| answer.body_mut().read_to_string())
        .expect("readings are taken");
    let answer: serde_json::Value = serde_json::from_str(&answer).expect("an answer in JSON");
    let accepted = answer.get("accepted").and_then(serde_json::Value::as_u64);
    usize::try_from(accepted.unwrap_or_default()).unwrap_or_default()
}
