//! How long the first start of this program on the large store of an earlier one takes.
//!
//! `cargo run --release -p fobwatch --example migrate -- 5000000`

use std::{error::Error, time::Instant};

use fobwatch::store::{Store, Writer};
use rusqlite::Connection;

/// The last layout without rollups, which are all made anew.
const EARLIER: &str = include_str!("../src/store/layouts/2.sql");

fn main() -> Result<(), Box<dyn Error>> {
    let count: i64 = std::env::args()
        .nth(1)
        .map_or(Ok(1_000_000), |count| count.parse())?;
    // What is told of progress.
    tracing_subscriber::fmt().with_writer(std::io::stderr).init();
    let folder = tempfile::tempdir()?;
    let path = folder.path().join(Store::FILE);
    let store = Connection::open(&path)?;
    store.execute_batch(EARLIER)?;
    // Two sensors, every five seconds, until a few months ago.
    store.execute(
        "WITH RECURSIVE step (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM step WHERE n < ?1)
         INSERT INTO reading (series, at_us, value, seq, received_us)
         SELECT 1 + n % 2, 1600000000000000 + (n / 2) * 5000000, 100000.0 + n % 977, 1000 + n, 1600000000000000 + (n / 2) * 5000000
         FROM step",
        [count],
    )?;
    drop(store);
    println!(
        "{count} readings, {} MB",
        std::fs::metadata(&path)?.len() / 1_000_000
    );
    let begun = Instant::now();
    let writer = Writer::open(folder.path())?;
    println!(
        "brought to the present layout in {:.1} s",
        begun.elapsed().as_secs_f64()
    );
    writer.close()?;
    let begun = Instant::now();
    Writer::open(folder.path())?;
    println!("opened again in {:.3} s", begun.elapsed().as_secs_f64());
    Ok(())
}
