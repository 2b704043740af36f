//! A time-series server that is away while a million readings come in: what it costs, and how fast it catches up.

use std::{
    fmt::Write,
    fs,
    time::{Duration, Instant},
};

use clap::Parser;
use fobwatch_tests::{Daemon, SeriesServer, wait_for};
use jiff::{SignedDuration, Timestamp};

/// Posts readings to a daemon whose time-series server is away, lets it come back, and measures.
#[derive(Parser)]
#[command(
    after_help = "Example: cargo build --release --bins -p fobwatch && cargo run --release -p fobwatch-tests --bin away -- --readings 1000000"
)]
struct Arguments {
    /// How many come in while it is away.
    #[arg(long, default_value_t = 1_000_000)]
    readings: usize,
}

const SENSORS: usize = 40;
/// Rows of one post: below its largest size.
const ROWS: usize = 4_000;
const TOKEN: &str = "a token that is made up";
const PATIENCE: Duration = Duration::from_secs(3_600);

struct Poster<'a> {
    daemon: &'a Daemon,
    agent: ureq::Agent,
}

impl Poster<'_> {
    /// Answers once they are stored.
    fn post(&self, rows: &str) {
        let url = format!("http://127.0.0.1:{}/api/v1/readings", self.daemon.port());
        let posted = self
            .agent
            .post(&url)
            .header("Authorization", format!("Bearer {TOKEN}"))
            .header("Content-Type", "text/csv")
            .send(format!("time,source,quantity,value,unit\n{rows}"));
        assert!(posted.is_ok(), "{posted:?}\n{}", self.daemon.log());
    }

    /// How long one reading takes to be stored: nineteen of twenty times, and at most.
    fn one_at_a_time(&self, begin: Timestamp, while_so: impl Fn(usize) -> bool) -> (Duration, Duration) {
        let mut took = Vec::new();
        while while_so(took.len()) {
            let at = begin + SignedDuration::from_millis(i64::try_from(took.len()).unwrap_or(0));
            let started = Instant::now();
            self.post(&format!("{at},live,room_temperature,21.5,degC\n"));
            took.push(started.elapsed());
        }
        took.sort();
        let at = |share: usize| took.get((took.len() * share / 100).min(took.len() - 1)).copied();
        (at(95).unwrap_or_default(), at(100).unwrap_or_default())
    }
}

fn main() {
    let arguments = Arguments::parse();
    let mut server = SeriesServer::stopped();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("post.token"), TOKEN).expect("a file is written");
    let text = format!(
        "[http]\ntoken_file = \"post.token\"\n[[series]]\nurl = \"{}\"\norg = \"kitchen\"\nbucket = \"drinks\"\n",
        server.url()
    );
    fs::write(path("away.toml"), text).expect("a file is written");
    let daemon = Daemon::start(&path("away.toml"), &path("data"), &path("batches"));
    let poster = Poster {
        daemon: &daemon,
        agent: ureq::Agent::new_with_defaults(),
    };
    let now = Timestamp::now();
    let begin = now - SignedDuration::from_hours(20);
    let (usual, usual_most) = poster.one_at_a_time(begin, |count| count < 200);
    let mut memory = vec![daemon.resident_mib()];

    let started = Instant::now();
    let mut sent = 0;
    while sent < arguments.readings {
        let mut rows = String::new();
        let until = (sent + ROWS).min(arguments.readings);
        for number in sent..until {
            let second = i64::try_from(number / SENSORS).unwrap_or(0);
            let at = begin + SignedDuration::from_secs(second);
            let tenths = number % 1_000;
            writeln!(rows, "{at},s{},pressure,1.{tenths:03},bar", number % SENSORS).ok();
        }
        poster.post(&rows);
        let tenth = arguments.readings / 10;
        if sent / tenth.max(1) != until / tenth.max(1) {
            memory.push(daemon.resident_mib());
        }
        sent = until;
    }
    let came = started.elapsed();

    server.go();
    let started = Instant::now();
    let whole = u64::try_from(arguments.readings + 200).unwrap_or(u64::MAX);
    let taken = || daemon.metric("fobwatch_points_sent_total").unwrap_or(0);
    wait_for("the server to be told anything", PATIENCE, || {
        (taken() > 0).then_some(())
    });
    let began = Instant::now();
    let later = begin + SignedDuration::from_hours(1);
    let (meanwhile, meanwhile_most) = poster.one_at_a_time(later, |count| count < 20 || taken() < whole);
    let caught_up = began.elapsed();
    memory.push(daemon.resident_mib());
    let stored: usize = wait_for("the server to show it all", PATIENCE, || {
        let points = server.points("fobwatch_reading_pressure_bar");
        let count = points.iter().map(|(_, points)| points.len()).sum();
        (count >= arguments.readings).then_some(count)
    });
    let seconds = |time: Duration| time.as_secs_f64();
    println!(
        "{} readings came in {:.0} s while the server was away; back, it was told the first after {:.0} s and all in {:.0} s ({:.0} a \
         second), {stored} there, each once: {}.",
        arguments.readings,
        seconds(came),
        seconds(began - started),
        seconds(caught_up),
        whole as f64 / seconds(caught_up),
        stored == arguments.readings,
    );
    println!(
        "One more reading stored, 19 of 20 times within: {:.1} ms before (at most {:.1}), {:.1} ms meanwhile (at most {:.1}).",
        1e3 * seconds(usual),
        1e3 * seconds(usual_most),
        1e3 * seconds(meanwhile),
        1e3 * seconds(meanwhile_most),
    );
    println!("Memory of the daemon, MiB, at each tenth and at the end: {memory:.0?}.");
}
