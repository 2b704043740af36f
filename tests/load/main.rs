//! How cost grows: with the number of live batches, with what is stored, and what readings that trickle in do to a flash card. It writes
//! a table and a picture.
//!
//! Processor time is that of the daemon alone, so a busy machine changes it little; waits are those of the machine as it is.

mod live;
mod made;
mod picture;
mod start;
mod wear;

use std::{
    error::Error,
    fmt::Write,
    fs,
    path::PathBuf,
    time::{Duration, Instant},
};

use clap::{Parser, ValueEnum};
use jiff::Timestamp;

use made::Ages;
use picture::Line;
use wear::number;

/// Lets batches live in the real program and tells what they cost.
#[derive(Parser)]
#[command(
    after_help = "Example: cargo build --release --workspace --bins && cargo run --release -p fobwatch-tests --bin load -- --out figures --batches 1,10,100 --minutes 35"
)]
struct Arguments {
    /// Where table and picture go.
    #[arg(long)]
    out: PathBuf,
    /// What is measured; all of it, unless named.
    #[arg(long, value_enum, value_delimiter = ',', default_values_t = [Part::Live, Part::Start, Part::Wear])]
    part: Vec<Part>,
    /// Live batches, one run each.
    #[arg(long, value_delimiter = ',', default_values_t = [1, 10, 100, 1_000, 10_000])]
    batches: Vec<usize>,
    /// How long each of these runs lasts; in 35 minutes every batch is fitted at least once.
    #[arg(long, default_value_t = 35)]
    minutes: u32,
    /// Readings that are stored when the start is timed.
    #[arg(long, default_value_t = 10_000_000)]
    readings: u64,
    /// How long readings trickle in.
    #[arg(long, default_value_t = 5)]
    wear_minutes: u32,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Part {
    /// Live batches in real time.
    Live,
    /// A start with many readings stored.
    Start,
    /// Bytes that go to the disk.
    Wear,
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    fs::create_dir_all(&arguments.out)?;
    let mut table = String::new();
    for part in &arguments.part {
        let told = match part {
            Part::Live => lived(&arguments)?,
            Part::Start => started(&arguments)?,
            Part::Wear => worn(&arguments)?,
        };
        println!("{told}");
        table.push_str(&told);
        table.push('\n');
    }
    fs::write(arguments.out.join("load.md"), table)?;
    Ok(())
}

/// The models are played anew for each run: their last fit is then at most minutes old.
fn models(ages: Ages) -> (Vec<made::Model>, Timestamp) {
    let now = Timestamp::from_second(Timestamp::now().as_second() / 60 * 60).expect("in the calendar");
    let began = Instant::now();
    let models = made::models(now, ages);
    eprintln!("six batches were played in {:.0?}", began.elapsed());
    (models, now)
}

fn lived(arguments: &Arguments) -> Result<String, Box<dyn Error>> {
    let mut told = "| live batches | minutes | readings | fits | a fit, ms | processor in an hour, s | of it other than driving batches, s | resident, MiB | \
                    oldest forecast, min | written in an hour, MB | start, s | page, ms | status, ms | list, ms | metrics, ms |\n"
        .to_owned();
    writeln!(told, "{}|", "| --- ".repeat(15))?;
    let names = [
        "processor in an hour, s",
        "of it other than driving batches, s",
        "resident memory, MiB",
        "page, ms",
    ];
    let mut lines = names.map(|name| Line {
        name,
        points: Vec::new(),
    });
    for &count in &arguments.batches {
        let (models, made_at) = models(Ages::Mixed);
        let lasts = Duration::from_secs(60 * u64::from(arguments.minutes));
        let lived = live::live(&models, made_at, count, lasts);
        let an_hour = 60.0 / lived.minutes;
        let fit_ms = 1e3 * lived.fit_s / number(lived.fits.max(1));
        // Both are processor: what fits took by the clock on the wall is more on a machine that does other things.
        let other = (lived.cpu_s - lived.driving_s).max(0.0);
        let (cpu, other) = (lived.cpu_s * an_hour, other * an_hour);
        let ms = |time: Duration| 1e3 * time.as_secs_f64();
        writeln!(
            told,
            "| {} | {:.0} | {} | {} | {fit_ms:.1} | {cpu:.1} | {other:.1} | {:.0} | {:.0} | {:.1} | {:.2} | {:.0} | {:.0} | {:.0} | {:.0} |",
            lived.batches,
            lived.minutes,
            lived.readings,
            lived.fits,
            lived.resident_mib,
            lived.oldest.as_secs_f64() / 60.0,
            number(lived.written) / 1e6 * an_hour,
            lived.begin.as_secs_f64(),
            ms(lived.page),
            ms(lived.status),
            ms(lived.list),
            ms(lived.metrics),
        )?;
        println!("{told}");
        let x = number(u64::try_from(count)?);
        for (line, y) in lines
            .iter_mut()
            .zip([cpu, other, lived.resident_mib, ms(lived.page)])
        {
            line.points.push((x, y.max(0.01)));
        }
        picture::draw(&arguments.out.join("load.svg"), &lines)?;
    }
    Ok(told)
}

fn started(arguments: &Arguments) -> Result<String, Box<dyn Error>> {
    let mut told = "| live batches | readings stored | page up, s | all caught up, s | processor until then, s | page up after a kill, s |\n".to_owned();
    writeln!(told, "{}|", "| --- ".repeat(6))?;
    for count in [1, 10, 100] {
        let (models, made_at) = models(Ages::Mixed);
        let started = start::start(&models, made_at, count, arguments.readings);
        writeln!(
            told,
            "| {} | {} | {:.2} | {:.2} | {:.2} | {:.2} |",
            started.batches,
            started.readings,
            started.page.as_secs_f64(),
            started.caught_up.as_secs_f64(),
            started.cpu_s,
            started.page_after_kill.as_secs_f64()
        )?;
        println!("{told}");
    }
    Ok(told)
}

fn worn(arguments: &Arguments) -> Result<String, Box<dyn Error>> {
    let mut told = "| batches, two sensors each | a reading every, s | gather_s | readings | bytes a reading | GB in a month | resident, MiB | at most, MiB |\n".to_owned();
    writeln!(told, "{}|", "| --- ".repeat(8))?;
    let lasts = Duration::from_secs(60 * u64::from(arguments.wear_minutes));
    let (models, made_at) = models(Ages::Weeks(5));
    for (batches, every_s, gather_s) in [
        (1, 5, 0),
        (1, 5, 1),
        (1, 5, 30),
        (10, 5, 0),
        (10, 5, 1),
        (10, 5, 5),
        (10, 5, 30),
        (10, 300, 1),
    ] {
        let worn = wear::wear(&models, made_at, batches, every_s, gather_s, lasts);
        writeln!(
            told,
            "| {} | {} | {} | {} | {:.0} | {:.1} | {:.0} | {:.0} |",
            worn.batches,
            worn.every_s,
            worn.gather_s,
            worn.readings,
            worn.bytes_a_reading(),
            worn.gb_a_month(),
            worn.resident_mib,
            worn.most_resident_mib
        )?;
        println!("{told}");
    }
    Ok(told)
}
