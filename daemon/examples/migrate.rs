//! How long the first start of this program on the large store of an earlier one takes.
//!
//! `cargo run --release -p fobwatch --example migrate -- 5000000`; with a data folder instead of a number that of the store in it, which is brought to the
//! present layout.

use std::{error::Error, path::Path, time::Instant};

use fobwatch::store::{Store, Writer};
use rusqlite::Connection;

/// The last layout without rollups, which are all made anew.
const EARLIER: &str = include_str!("../src/store/layouts/2.sql");

fn main() -> Result<(), Box<dyn Error>> {
    // What is told of progress.
    tracing_subscriber::fmt().with_writer(std::io::stderr).init();
    let what = std::env::args().nth(1).unwrap_or_else(|| "1000000".to_owned());
    let Ok(count) = what.parse() else {
        return start(Path::new(&what));
    };
    let folder = tempfile::tempdir()?;
    make(folder.path(), count)?;
    println!("{count} readings");
    start(folder.path())
}

/// Two sensors, every five seconds, until a few months ago.
fn make(folder: &Path, count: i64) -> Result<(), rusqlite::Error> {
    let store = Connection::open(folder.join(Store::FILE))?;
    store.execute_batch(EARLIER)?;
    store.execute(
        "WITH RECURSIVE step (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM step WHERE n < ?1)
         INSERT INTO reading (series, at_us, value, seq, received_us)
         SELECT 1 + n % 2, 1600000000000000 + (n / 2) * 5000000, 100000.0 + n % 977, 1000 + n, 1600000000000000 + (n / 2) * 5000000
         FROM step",
        [count],
    )?;
    Ok(())
}

fn start(folder: &Path) -> Result<(), Box<dyn Error>> {
    let bytes = std::fs::metadata(folder.join(Store::FILE))?.len();
    println!("{} MB", bytes / 1_000_000);
    let begun = Instant::now();
    let writer = Writer::open(folder)?;
    println!(
        "brought to the present layout in {:.1} s",
        begun.elapsed().as_secs_f64()
    );
    writer.close()?;
    let begun = Instant::now();
    Writer::open(folder)?;
    println!("opened again in {:.3} s", begun.elapsed().as_secs_f64());
    Ok(())
}
