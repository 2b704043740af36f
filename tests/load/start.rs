//! How long a start takes with many readings stored.

use std::{
    fs,
    path::Path,
    time::{Duration, Instant},
};

use fobwatch_tests::{Daemon, wait_for};
use jiff::Timestamp;

use crate::made::{self, Model};

/// What came of it.
pub(crate) struct Started {
    pub(crate) batches: usize,
    pub(crate) readings: u64,
    /// Until the page is up.
    pub(crate) page: Duration,
    /// Until every batch has taken what is stored.
    pub(crate) caught_up: Duration,
    pub(crate) cpu_s: f64,
    /// The same after it was killed.
    pub(crate) page_after_kill: Duration,
}

/// Starts with `count` live batches beside `readings` stored ones.
pub(crate) fn start(models: &[Model], made_at: Timestamp, count: usize, readings: u64) -> Started {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("kitchen.toml"), "[display]\ntime_zone = \"UTC\"\n").expect("a file is written");
    let start = || {
        Daemon::start_in(
            &path("kitchen.toml"),
            &path("data"),
            &path("batches"),
            &[("RUST_LOG", Path::new("warn"))],
        )
    };
    assert_eq!(start().stop(), Some(0), "a daemon makes the store");
    eprintln!("{readings} readings are written, of {count} batches");
    made::past_readings(&path("data"), count, readings, made_at);
    made::fill(&path("data"), models, count, made_at);
    let asked = Instant::now();
    let daemon = start();
    let page = asked.elapsed();
    wait_for("what was to be gone over", Duration::from_secs(3_600), || {
        let status = daemon.json("/api/v1/status");
        status.get("behind")?.as_array()?.is_empty().then_some(())
    });
    let caught_up = asked.elapsed();
    let cpu_s = daemon.cpu_s();
    daemon.kill();
    let asked = Instant::now();
    let daemon = start();
    let page_after_kill = asked.elapsed();
    drop(daemon);
    Started {
        batches: count,
        readings,
        page,
        caught_up,
        cpu_s,
        page_after_kill,
    }
}
