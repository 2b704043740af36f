//! So many batches live, in real time: what the daemon takes of processor, memory and disk, and how old forecasts become.

use std::{
    collections::BTreeMap,
    fmt::Write,
    fs,
    path::Path,
    thread,
    time::{Duration, Instant},
};

use fobwatch_core::reading::{Quantity, Reading};
use fobwatch_tests::{Daemon, wait_for};
use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, OpenFlags};

use crate::made::{self, Model};

const TOKEN: &str = "a token of this run";
/// Readings in one post.
const AT_ONCE: u64 = 500;
/// Names of the daemon's threads that drive batches begin so.
const DRIVERS: &str = "batches-";
/// Between two looks at the forecasts.
const LOOK: Duration = Duration::from_secs(20);

/// What came of it.
pub(crate) struct Lived {
    pub(crate) batches: usize,
    pub(crate) minutes: f64,
    pub(crate) begin: Duration,
    pub(crate) readings: u64,
    pub(crate) fits: u64,
    pub(crate) fit_s: f64,
    pub(crate) cpu_s: f64,
    /// Of it what the threads took that drive batches: fits, and little else.
    pub(crate) driving_s: f64,
    pub(crate) resident_mib: f64,
    pub(crate) written: u64,
    pub(crate) oldest: SignedDuration,
    pub(crate) page: Duration,
    pub(crate) status: Duration,
    pub(crate) list: Duration,
    pub(crate) metrics: Duration,
}

/// Lets `count` copies of the models live for `lasts`.
pub(crate) fn live(models: &[Model], made_at: Timestamp, count: usize, lasts: Duration) -> Lived {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("post.token"), TOKEN).expect("a file is written");
    let config = "[http]\ntoken_file = \"post.token\"\n[display]\ntime_zone = \"UTC\"\n";
    fs::write(path("kitchen.toml"), config).expect("a file is written");
    let start = || {
        Daemon::start_in(
            &path("kitchen.toml"),
            &path("data"),
            &path("batches"),
            &[("RUST_LOG", Path::new("warn"))],
        )
    };
    assert_eq!(start().stop(), Some(0), "a daemon makes the store");
    made::fill(&path("data"), models, count, made_at);
    let asked = Instant::now();
    let daemon = start();
    let begin = asked.elapsed();
    eprintln!("{count} batches: the page is up after {begin:.1?}");

    let coming = coming(models, count, made_at);
    let mut coming = coming.into_iter().peekable();
    let mut body = String::new();
    wait_for("what was to be gone over", Duration::from_secs(3_600), || {
        let behind = daemon.metric("fobwatch_fit_duration_seconds_count")?;
        thread::sleep(Duration::from_secs(2));
        (daemon.metric("fobwatch_fit_duration_seconds_count")? == behind).then_some(())
    });
    let fitting = |daemon: &Daemon| {
        let text = daemon.get("/metrics").expect("metrics");
        let value = |name: &str| {
            let line = text.lines().find(|line| line.starts_with(name));
            line.and_then(|line| line.rsplit(' ').next()?.parse::<f64>().ok())
                .unwrap_or(0.0)
        };
        (
            value("fobwatch_fit_duration_seconds_count"),
            value("fobwatch_fit_duration_seconds_sum"),
        )
    };
    let (fits_before, fit_s_before) = fitting(&daemon);
    let (cpu, driving) = (daemon.cpu_s(), daemon.cpu_s_of_threads(DRIVERS));
    let (written, began) = (daemon.written_bytes(), Instant::now());
    let (mut readings, mut oldest, mut looked) = (0, SignedDuration::ZERO, Instant::now());
    while began.elapsed() < lasts {
        let now = Timestamp::now().as_second();
        let mut rows = 0_u64;
        while let Some((at, told)) = coming.next_if(|(at, _)| *at <= now) {
            for (number, reading) in told {
                push(&mut body, at, number, reading);
                rows += 1;
                if rows == AT_ONCE {
                    readings += post(&daemon, &mut body, &mut rows);
                }
            }
        }
        if rows > 0 {
            readings += post(&daemon, &mut body, &mut rows);
        }
        if looked.elapsed() >= LOOK {
            looked = Instant::now();
            oldest = oldest.max(oldest_forecast(&path("data"), models, count));
        }
        thread::sleep(Duration::from_secs(1));
    }
    let (fits, fit_s) = fitting(&daemon);
    let (cpu_s, driving_s) = (daemon.cpu_s() - cpu, daemon.cpu_s_of_threads(DRIVERS) - driving);
    let written = daemon.written_bytes() - written;
    let minutes = began.elapsed().as_secs_f64() / 60.0;
    let timed = |address: &str| {
        let mut times: Vec<Duration> = (0..5)
            .map(|_| {
                let asked = Instant::now();
                let text = daemon.get(address).expect("an answer");
                assert!(!text.is_empty(), "{address}");
                asked.elapsed()
            })
            .collect();
        times.sort();
        times.get(2).copied().unwrap_or_default()
    };
    let lived = Lived {
        batches: count,
        minutes,
        begin,
        readings,
        fits: whole(fits - fits_before),
        fit_s: fit_s - fit_s_before,
        cpu_s,
        driving_s,
        written,
        oldest,
        page: timed("/"),
        status: timed("/api/v1/status"),
        list: timed("/api/v1/batches"),
        metrics: timed("/metrics"),
        resident_mib: daemon.resident_mib(),
    };
    assert_eq!(daemon.stop(), Some(0), "it stops in order");
    lived
}

fn whole(value: f64) -> u64 {
    format!("{value:.0}").parse().unwrap_or_default()
}

/// What the sensors of the copies will tell, by time: each copy a little later than the one before, so that they come evenly.
fn coming(models: &[Model], count: usize, made_at: Timestamp) -> BTreeMap<i64, Vec<(usize, &Reading)>> {
    let mut coming: BTreeMap<i64, Vec<_>> = BTreeMap::new();
    for (number, model) in (0..count).zip(models.iter().cycle()) {
        let later = i64::try_from(number / models.len() % 300).expect("few");
        for reading in model.to_come.iter().filter(|reading| reading.at > made_at) {
            let at = reading.at.as_second() + later;
            coming.entry(at).or_default().push((number, reading));
        }
    }
    coming
}

fn push(body: &mut String, at: i64, number: usize, reading: &Reading) {
    if body.is_empty() {
        body.push_str("time,source,quantity,value,unit\n");
    }
    let at = Timestamp::from_second(at).expect("in the calendar");
    let quantity = reading.measured.quantity();
    let unit = match quantity {
        Quantity::Pressure => "Pa",
        _ => "K",
    };
    let (source, value) = (made::source_name(number), reading.measured.stored_value());
    writeln!(body, "{at},{source},{quantity},{value},{unit}").expect("a string takes it");
}

/// Posts what was written, and begins anew; how many readings that were.
fn post(daemon: &Daemon, body: &mut String, rows: &mut u64) -> u64 {
    let answer = ureq::post(format!("http://127.0.0.1:{}/api/v1/readings", daemon.port()))
        .header("authorization", format!("Bearer {TOKEN}"))
        .header("content-type", "text/csv")
        .send(body.as_str())
        .and_then(|mut answer| answer.body_mut().read_to_string())
        .expect("readings are taken");
    assert!(answer.contains("\"accepted\""), "{answer}");
    body.clear();
    std::mem::take(rows)
}

/// How old the oldest of the batches' newest forecasts is.
fn oldest_forecast(data: &Path, models: &[Model], count: usize) -> SignedDuration {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let store = Connection::open_with_flags(data.join("fobwatch.sqlite"), flags).expect("the store opens");
    let mut query = store
        .prepare("SELECT name, (SELECT max(at_us) FROM forecast WHERE batch = id) FROM batch")
        .expect("a query");
    let rows = query
        .query_map([], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, Option<i64>>(1)?))
        })
        .expect("it is read");
    let newest: BTreeMap<String, Option<i64>> = rows.map(|row| row.expect("a row")).collect();
    assert_eq!(newest.len(), count, "all batches are there");
    let now = Timestamp::now();
    newest
        .values()
        .zip(models.iter().cycle())
        .map(|(at, model)| {
            let at = at.and_then(|at| Timestamp::from_microsecond(at).ok());
            now.duration_since(at.unwrap_or(model.fitted_at))
        })
        .max()
        .unwrap_or_default()
}
