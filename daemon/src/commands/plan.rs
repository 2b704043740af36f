//! `fobwatch plan`: the engine with no rows.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{
    batch::Batch,
    culture::Lesson,
    engine::{ClockSource, Monitor, Settings},
    forecast::{Forecast, ForecastRecord},
    quantity::Temperature,
};
use serde::Serialize;

use super::{
    Ended, advice, history, json, local, planned, read_batch, read_config,
    room::{self, Room},
    say,
};

/// Tell what to expect of a batch before it is filled.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch plan --batch hibiscus-12.toml --room 21\n  fobwatch plan --batch hibiscus-12.toml --room 18..23 --json"
)]
pub(super) struct Plan {
    /// Batch file
    #[arg(long, value_name = "FILE")]
    batch: PathBuf,
    /// Temperature of the room in degC, or a range; without it that of the batch file, else 17..25
    #[arg(long, value_name = "C|MIN..MAX", allow_hyphen_values = true, value_parser = room::read)]
    room: Option<Room>,
    /// Configuration file, for the zone and units of the sentences
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder of earlier batches: each a folder with batch.toml and readings.csv, or a record; those of the same culture inform
    #[arg(long, value_name = "DIR")]
    history: Option<PathBuf>,
    /// One JSON record
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct PlanLine {
    #[serde(flatten)]
    forecast: ForecastRecord,
    advice: Vec<String>,
}

impl Plan {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let batch = read_batch(&self.batch)?;
        let settings = config.settings(ClockSource::Readings);
        let lessons = history::lessons(self.history.as_deref(), &batch, &config)?;
        let (room, word) = self.room(&batch)?;
        let forecast = expect(&batch, &lessons, &room, &settings)?;
        let mut said = vec![word];
        if let Some(culture) = batch.culture.as_ref().filter(|_| !lessons.is_empty()) {
            let batches = if lessons.len() == 1 { "batch" } else { "batches" };
            said.push(format!(
                "Its culture, {culture}, is known from {} earlier {batches}.",
                lessons.len()
            ));
        }
        said.extend(advice::of(&batch, &forecast, &config.display));
        let ambient = settings.surroundings.usual_ambient;
        said.extend(
            planned::of(&batch, room.warmest(), ambient, &config.display)
                .map_err(|bad| Ended::Refused(bad.to_string()))?,
        );
        if self.json {
            let forecast = ForecastRecord::named("plan", &forecast);
            return say(&json(&PlanLine {
                forecast,
                advice: said,
            })?);
        }
        let sealed = local(batch.bottled_at, &config.display.zone);
        say(&format!("{}, sealed {sealed}:", batch.name))?;
        said.iter().try_for_each(|sentence| say(sentence))
    }

    /// The room, and the sentence that says which.
    fn room(&self, batch: &Batch) -> Result<(Room, String), Ended> {
        Ok(match (self.room, batch.expected_room) {
            (Some(room), _) if room.is_one() => (
                room,
                format!("Reckoned for a room of {}, as given with --room.", room.words()),
            ),
            (Some(room), _) => (
                room,
                format!(
                    "Reckoned for a room of {}, as given with --room: the early times hold for the warmest, the late ones for \
                     the coolest, the middle ones for {}.",
                    room.words(),
                    room.middle_words()
                ),
            ),
            (None, Some(expected)) => {
                let room = Room::one(expected.celsius());
                let word = format!(
                    "Reckoned for a room of {}, as the batch file expects.",
                    room.words()
                );
                (room, word)
            }
            (None, None) => {
                let room = room::read(room::USUAL).map_err(Ended::Refused)?;
                let word = format!(
                    "No room temperature was given, so {} were assumed: the early times hold for the warmest, the late ones \
                     for the coolest. Tell yours with --room, and the days come closer together.",
                    room.words()
                );
                (room, word)
            }
        })
    }
}

/// What is expected in that room; of a range, whichever of its temperatures the room has.
fn expect(batch: &Batch, lessons: &[Lesson], room: &Room, settings: &Settings) -> Result<Forecast, Ended> {
    let sealed = batch.bottled_at;
    let mut forecasts = Vec::new();
    for celsius in room.steps() {
        let expected = Temperature::from_celsius(celsius).map_err(|bad| Ended::Refused(bad.to_string()))?;
        let batch = Batch {
            expected_room: Some(expected),
            ..batch.clone()
        };
        let monitor = Monitor::new(batch, settings.clone()).with_history(lessons);
        let mut forecast = monitor.forecast_request(sealed).run().forecast;
        forecast.at = sealed;
        forecasts.push(forecast);
    }
    room::whichever(forecasts).ok_or_else(|| Ended::Failed("nothing was reckoned".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn batch(sugar: f64, limit: f64, already: f64) -> Batch {
        let text = format!(
            "name = \"hibiscus 12\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n\
             [drink]\nsucrose_g_per_l = {sugar:?}\nculture_ml_per_l = 25.0\nco2_volumes = {already:?}\n\
             [bottle]\nmaterial = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = {limit:?}\n\
             [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n"
        );
        Batch::from_toml(&text, "test").unwrap().0
    }

    fn planned(batch: &Batch, room: &str) -> (Forecast, String) {
        let config = Config::defaults().unwrap();
        let room = room::read(room).unwrap();
        let forecast = expect(batch, &[], &room, &config.settings(ClockSource::Readings)).unwrap();
        let said = advice::of(batch, &forecast, &config.display).join("\n");
        (forecast, said)
    }

    #[test]
    fn advice_always_names_bursting_alcohol_and_the_limit() {
        for (sugar, limit, already) in [
            (60.0, 5.0, 0.0),
            (3.0, 8.0, 0.0),
            (60.0, 2.0, 0.0),
            (60.0, 5.0, 3.0),
        ] {
            let (_, said) = planned(&batch(sugar, limit, already), "21");
            assert!(said.contains("Bottles can burst"), "{said}");
            assert!(said.contains("holds alcohol"), "{said}");
            assert!(said.contains(&format!("limit of {limit:.1} bar")), "{said}");
        }
    }

    #[test]
    fn advice_follows_what_is_expected() {
        let (forecast, said) = planned(&batch(3.0, 8.0, 0.0), "21");
        assert!(forecast.target_at.is_none() && forecast.limit_at.is_none());
        assert!(said.contains("is not reached within 60 days"), "{said}");
        assert!(said.contains("not expected to be passed"), "{said}");
        assert!(!said.contains("Danger"), "{said}");

        let (forecast, said) = planned(&batch(60.0, 2.0, 0.0), "21");
        assert!(forecast.limit_at.is_some());
        assert!(said.contains("is not safe"), "{said}");
        assert!(said.contains("0.5 % and 1.2 %"), "{said}");

        let (_, said) = planned(&batch(60.0, 8.0, 3.0), "21");
        assert!(said.contains("belong in the fridge at once"), "{said}");
    }

    #[test]
    fn a_range_is_as_wide_as_its_ends() {
        let batch = batch(60.0, 5.0, 0.0);
        let (range, _) = planned(&batch, "17..25");
        let (cool, warm) = (planned(&batch, "17").0, planned(&batch, "25").0);
        let ends = |forecast: &Forecast| {
            forecast
                .target_at
                .map(|when| (when.p05.unwrap(), when.p95.unwrap()))
                .unwrap()
        };
        assert_eq!(ends(&range), (ends(&warm).0, ends(&cool).1));
        assert!(range.if_forgotten.pressure.p95 >= warm.if_forgotten.pressure.p95);
        let middle = planned(&batch, "21").0;
        assert_eq!(range.target_at.unwrap().p50, middle.target_at.unwrap().p50);
    }
}
