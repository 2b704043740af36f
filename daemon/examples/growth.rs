//! How much of the disk readings take: a month of sensors in a store of their own, and what is left of it after thinning.
//!
//! `cargo run --release -p fobwatch --example growth -- --every 60`; with `--of DIR` what each table of a data folder takes.

use std::{error::Error, path::Path, path::PathBuf};

use clap::Parser;
use fobwatch::store::{Store, Writer};
use fobwatch_core::{
    quantity::Unit,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, OpenFlags};

const DAYS: i64 = 30;
/// Each of its own: they are stored in turn, as they come, so their pages fill less well than those of one alone.
const SENSORS: [(Quantity, Unit, f64); 4] = [
    (Quantity::Pressure, Unit::Bar, 1.5),
    (Quantity::LiquidTemperature, Unit::Celsius, 21.0),
    (Quantity::RoomTemperature, Unit::Celsius, 20.0),
    (Quantity::AmbientPressure, Unit::Hectopascal, 1_013.0),
];

#[derive(Parser)]
struct Options {
    /// Seconds between two readings of a sensor
    #[arg(long, default_value_t = 60)]
    every: i64,
    /// Milliseconds by which a reading is early or late at most, to the microsecond; each is then stored as it comes
    #[arg(long, default_value_t = 0)]
    unsteady_ms: i64,
    /// Measures this data folder instead
    #[arg(long)]
    of: Option<PathBuf>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let options = Options::parse();
    if let Some(folder) = options.of {
        return tables(&folder);
    }
    let folder = tempfile::tempdir()?;
    let mut writer = Writer::open(folder.path())?;
    let begin: Timestamp = "2026-03-02T07:00:00Z".parse()?;
    let source = Source::new("pilot")?;
    let steps = DAYS * 86_400 / options.every;
    let mut waiting = Vec::new();
    let mut log: u64 = 0;
    let reach_us = 1_000 * options.unsteady_ms;
    for step in 0..steps {
        let steady = begin + SignedDuration::from_secs(step * options.every);
        // Multiples of the golden ratio fall anywhere.
        let off_us =
            (step.wrapping_mul(0x9e37_79b9) % 0x1_0000_0000) * 2 * reach_us / 0x1_0000_0000 - reach_us;
        let at = steady + SignedDuration::from_micros(off_us);
        for (quantity, unit, value) in SENSORS {
            let value = value * (1.0 + f64::from(u8::try_from(step * 37 % 101)?) * 1e-4);
            waiting.push(Reading {
                at,
                source: source.clone(),
                measured: Measured::new(quantity, value, unit)?,
            });
        }
        if waiting.len() >= 400 || step + 1 == steps || reach_us > 0 {
            writer.append_readings(&waiting, at)?;
            waiting.clear();
            log = log.max(size(folder.path(), "-wal"));
        }
    }
    writer.settle()?;
    let sensors = u64::try_from(SENSORS.len())?;
    println!(
        "one sensor, every {} s, for {DAYS} days: {steps} readings",
        options.every
    );
    let all = told(folder.path(), sensors)?;
    println!(
        "  write-ahead log, of all sensors together, at most: {} kB",
        log / 1_000
    );
    let end = begin + SignedDuration::from_hours(24 * DAYS);
    while writer.thin(end, &[], 20_000)? > 0 {}
    println!("after thinning all of it:");
    let left = told(folder.path(), sensors)?;
    println!(
        "  {:.1} % of the bytes are free for what comes",
        100.0 * (1.0 - left / all)
    );
    writer.close()?;
    println!(
        "the file on the disk, of {sensors} sensors: {} kB",
        size(folder.path(), "") / 1_000
    );
    Ok(())
}

fn size(folder: &Path, ending: &str) -> u64 {
    let path = folder.join(format!("{}{ending}", Store::FILE));
    std::fs::metadata(path).map_or(0, |file| file.len())
}

fn pages(folder: &Path) -> Result<Vec<(String, f64)>, Box<dyn Error>> {
    let store = Connection::open_with_flags(folder.join(Store::FILE), OpenFlags::SQLITE_OPEN_READ_ONLY)?;
    let mut query =
        store.prepare("SELECT name, sum(pgsize) / 1000.0 FROM dbstat GROUP BY name ORDER BY 2 DESC")?;
    let rows = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

fn told(folder: &Path, sensors: u64) -> Result<f64, Box<dyn Error>> {
    let share = |kilobytes: f64| kilobytes / f64::from(u32::try_from(sensors).unwrap_or(1));
    let (mut all, mut parts) = (
        0.0,
        [
            ("raw readings", 0.0),
            ("their order of arrival", 0.0),
            ("rollups", 0.0),
        ],
    );
    for (name, kilobytes) in pages(folder)? {
        all += kilobytes;
        let part = match name.as_str() {
            "stretch" | "stretch_by_time" => 0,
            "arrival" => 1,
            "rollup" => 2,
            _ => continue,
        };
        parts[part].1 += kilobytes;
    }
    for (what, kilobytes) in parts {
        println!("  {what}: {:.0} kB", share(kilobytes));
    }
    println!("  all: {:.0} kB", share(all));
    Ok(all)
}

fn tables(folder: &Path) -> Result<(), Box<dyn Error>> {
    for (name, kilobytes) in pages(folder)? {
        println!("{kilobytes:10.1} kB  {name}");
    }
    Ok(())
}
