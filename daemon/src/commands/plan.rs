//! `fobwatch plan`: the engine with no rows.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{
    batch::Batch,
    engine::ClockSource,
    forecast::{ForecastRecord, Quantiles},
};
use jiff::Timestamp;
use serde::Serialize;

use super::{Ended, history, json, local, read_batch, read_config, say};
use crate::{
    config::Config,
    craft::heard_room,
    moment,
    planning::{self, Asked, Home, Planned, Ready, Room},
    store::{Store, StoreError},
    watch::{Clock, WallClock, data_folder},
};

/// Tell what to expect of a batch before it is filled.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch plan --batch hibiscus-12.toml --room 21\n  fobwatch plan --batch hibiscus-12.toml --room 18..23 \
                  --json\n  fobwatch plan --batch hibiscus-12.toml --room last-week --data ~/.local/share/fobwatch\n  fobwatch plan \
                  --batch hibiscus-12.toml --ready '2026-03-07 12:00'\n  fobwatch plan --batch hibiscus-12.toml --home '2026-03-09 \
                  18:00'\n\nWithout a sensor the days are told as wide as cultures differ; a gauge on the pilot narrows them."
)]
pub(super) struct Plan {
    /// Batch file
    #[arg(long, value_name = "FILE")]
    batch: PathBuf,
    /// Temperature of the room in degC, a range, or last-week: as its thermometer told it. Without it that of the batch file, else 17..25
    #[arg(long, value_name = "C|MIN..MAX|last-week", allow_hyphen_values = true, value_parser = which_room)]
    room: Option<Which>,
    /// To be drunk then: which dose, room or hour of sealing makes it
    #[arg(long, value_name = "TIME")]
    ready: Option<String>,
    /// Nobody is at home until then: is it safe and right to leave the bottles in the room
    #[arg(long, value_name = "TIME")]
    home: Option<String>,
    /// Configuration file, for the zone and units of the sentences
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, for --room last-week
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Folder of earlier batches: each a folder with batch.toml and readings.csv, or a record; those of the same culture inform
    #[arg(long, value_name = "DIR")]
    history: Option<PathBuf>,
    /// One JSON record
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Which {
    Given(Room),
    LastWeek,
}

fn which_room(text: &str) -> Result<Which, String> {
    if text == "last-week" {
        return Ok(Which::LastWeek);
    }
    planning::read_room(text)
        .map(Which::Given)
        .map_err(|why| format!("{why}, or last-week"))
}

#[derive(Serialize)]
struct PlanLine {
    #[serde(flatten)]
    forecast: ForecastRecord,
    advice: Vec<String>,
    course: Vec<DayLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ready: Option<ReadyLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    home: Option<HomeLine>,
}

/// A day of bottles that nobody moves.
#[derive(Serialize)]
struct DayLine {
    at: Timestamp,
    co2_volumes: Quantiles<f64>,
    fullest_bottle_bar: Quantiles<f64>,
    abv_percent: f64,
}

#[derive(Serialize)]
struct ReadyLine {
    at: Timestamp,
    moved_at: Timestamp,
    ways: Vec<WayLine>,
    sealed_at: Option<Timestamp>,
}

#[derive(Serialize)]
struct WayLine {
    #[serde(skip_serializing_if = "Option::is_none")]
    culture_ml_per_l: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    room_c: Option<f64>,
    move_at: Option<fobwatch_core::forecast::When>,
    fits: bool,
}

#[derive(Serialize)]
struct HomeLine {
    at: Timestamp,
    safe: bool,
    right: bool,
    co2_volumes_after_move: Quantiles<f64>,
    fullest_bottle_bar: Quantiles<f64>,
}

fn thousandths<T: Copy>(of: &Quantiles<T>, number: impl Fn(T) -> f64) -> Quantiles<f64> {
    let round = |value: f64| (value * 1e3).round() / 1e3;
    Quantiles {
        p05: round(number(of.p05)),
        p50: round(number(of.p50)),
        p95: round(number(of.p95)),
    }
}

fn ready_line(ready: &Ready) -> ReadyLine {
    use fobwatch_core::plan::Change;
    let round = |value: f64, per: f64| (value * per).round() / per;
    ReadyLine {
        at: ready.at,
        moved_at: ready.moved,
        sealed_at: ready.sealed,
        ways: ready
            .ways
            .iter()
            .map(|way| WayLine {
                culture_ml_per_l: match way.change {
                    Change::Dose(dose) => Some(round(dose.ml_per_l(), 10.0)),
                    Change::Room(_) => None,
                },
                room_c: match way.change {
                    Change::Room(room) => Some(round(room.celsius(), 10.0)),
                    Change::Dose(_) => None,
                },
                move_at: way.move_at,
                fits: way.fits,
            })
            .collect(),
    }
}

fn home_line(home: &Home) -> HomeLine {
    HomeLine {
        at: home.at,
        safe: home.safe,
        right: home.right,
        co2_volumes_after_move: thousandths(&home.after_move, |co2| co2.volumes()),
        fullest_bottle_bar: thousandths(&home.pressure, |pressure| pressure.bar()),
    }
}

fn line(planned: Planned) -> PlanLine {
    PlanLine {
        forecast: ForecastRecord::named("plan", &planned.forecast),
        course: planned
            .course
            .iter()
            .map(|day| DayLine {
                at: day.at,
                co2_volumes: thousandths(&day.co2, |co2| co2.volumes()),
                fullest_bottle_bar: thousandths(&day.pressure, |pressure| pressure.bar()),
                abv_percent: (day.alcohol[0].percent() * 1e3).round() / 1e3,
            })
            .collect(),
        ready: planned.ready.as_ref().map(ready_line),
        home: planned.home.as_ref().map(home_line),
        advice: planned.parts.into_iter().flat_map(|part| part.said).collect(),
    }
}

impl Plan {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let batch = read_batch(&self.batch)?;
        let settings = config.settings(ClockSource::Readings);
        let zone = &config.display.zone;
        if let Some(odd) = moment::odd_year(batch.bottled_at, WallClock.now(), zone) {
            eprintln!("warning: {}: {odd}", self.batch.display());
        }
        let at = |option: &str, text: &Option<String>| {
            let read = text.as_ref().map(|text| moment::read(text, zone)).transpose();
            read.map_err(|why| Ended::Refused(format!("{option}: {why}")))
        };
        let (ready, home) = (at("--ready", &self.ready)?, at("--home", &self.home)?);
        let lessons = history::lessons(self.history.as_deref(), &batch, &config)?;
        let (room, room_said) = self.room(&batch, &config)?;
        let planned = planning::plan(&Asked {
            batch: &batch,
            lessons: &lessons,
            room,
            room_said,
            surroundings: &settings.surroundings,
            display: &config.display,
            ready,
            home,
        })
        .map_err(Ended::Refused)?;
        if self.json {
            return say(&json(&line(planned))?);
        }
        say(&format!(
            "{}, sealed {}",
            batch.name,
            local(batch.bottled_at, zone)
        ))?;
        for part in &planned.parts {
            say("")?;
            say(&format!("{}:", part.heading))?;
            part.said
                .iter()
                .try_for_each(|sentence| say(&format!("  {sentence}")))?;
            if part.heading == planning::FORGOTTEN {
                planning::course_table(&planned.course, planned.limit, &config.display)
                    .iter()
                    .try_for_each(|line| say(line))?;
            }
        }
        Ok(())
    }

    /// The room, and the sentence that says which.
    fn room(&self, batch: &Batch, config: &Config) -> Result<(Room, String), Ended> {
        Ok(match self.room {
            None => planning::room_of(batch),
            Some(Which::LastWeek) => self.last_week(batch, config)?,
            Some(Which::Given(room)) if room.is_one() => (
                room,
                format!("Reckoned for a room of {}, as given with --room.", room.words()),
            ),
            Some(Which::Given(room)) => (
                room,
                format!(
                    "Reckoned for a room of {}, as given with --room: the early times hold for the warmest, the late ones for the coolest, \
                     the middle ones for {}.",
                    room.words(),
                    room.middle_words()
                ),
            ),
        })
    }

    fn last_week(&self, batch: &Batch, config: &Config) -> Result<(Room, String), Ended> {
        let data = data_folder(self.data.clone(), config).map_err(|none| Ended::Refused(none.to_string()))?;
        if !Store::is_in(&data) {
            return Err(Ended::Failed(format!(
                "nothing was ever kept in {}; name the folder of `watch` with --data, or tell the room with --room",
                data.display()
            )));
        }
        let failed = |error: StoreError| Ended::Failed(error.to_string());
        Store::read_folder(&data, |reader| {
            heard_room::last_week(reader, batch, &config.display.zone)
        })
        .map_err(failed)?
        .map_err(|why| Ended::Failed(format!("--room last-week: {why}")))
    }
}
