//! `fobwatch plan`: the engine with no rows.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{
    batch::Batch,
    engine::{ClockSource, Monitor},
    forecast::{Forecast, ForecastRecord},
    quantity::Temperature,
};
use jiff::{Timestamp, tz::TimeZone};
use serde::Serialize;

use super::{Ended, json, read_batch, read_config, say};

/// Tell what to expect of a batch before it is filled.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch plan --batch hibiscus-12.toml --room 21\n  fobwatch plan --batch hibiscus-12.toml --room 18..23 --json"
)]
pub(super) struct Plan {
    /// Batch file
    #[arg(long, value_name = "FILE")]
    batch: PathBuf,
    /// Temperature of the room in degC, or a range
    #[arg(long, value_name = "C|MIN..MAX", allow_hyphen_values = true)]
    room: Option<String>,
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
        let config = read_config(None)?;
        let mut batch = read_batch(&self.batch)?;
        let mut advice = Vec::new();
        if let Some(room) = &self.room {
            let (low, high) = room_of(room)?;
            let middle = 0.5 * (low + high);
            batch.expected_room = Temperature::from_celsius(middle).ok();
            advice.push(format!(
                "Reckoned for a room of {middle:.1} degC, the middle of what was given."
            ));
        } else if batch.expected_room.is_none() {
            advice.push(
                "No room temperature was given: 17 to 25 degC were assumed, so the days are wide.".to_owned(),
            );
        }
        let sealed = batch.bottled_at;
        let monitor = Monitor::new(batch.clone(), config.settings(ClockSource::Readings));
        let mut forecast = monitor.forecast_request(sealed).run().forecast;
        forecast.at = sealed;
        advise(&batch, &forecast, &config.display.zone, &mut advice);
        if self.json {
            let forecast = ForecastRecord::named("plan", &forecast);
            return say(&json(&PlanLine { forecast, advice })?);
        }
        say(&format!(
            "{}, bottled {}:",
            batch.name,
            local(sealed, &config.display.zone)
        ))?;
        advice.iter().try_for_each(|sentence| say(sentence))
    }
}

fn room_of(text: &str) -> Result<(f64, f64), Ended> {
    let refused = || {
        Ended::Refused(format!(
            "--room is `{text}`; allowed: -5 to 45 degC, or a range as 18..23"
        ))
    };
    let (low, high) = text.split_once("..").unwrap_or((text, text));
    let number = |part: &str| {
        part.trim()
            .parse::<f64>()
            .ok()
            .filter(|c| (-5.0..=45.0).contains(c))
            .ok_or_else(refused)
    };
    let (low, high) = (number(low)?, number(high)?);
    if low <= high {
        Ok((low, high))
    } else {
        Err(refused())
    }
}

fn local(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone())
        .strftime("%A %-d %B, %H:%M %Z")
        .to_string()
}

fn advise(batch: &Batch, forecast: &Forecast, zone: &TimeZone, advice: &mut Vec<String>) {
    let limit = batch.bottle.pressure_limit.bar();
    let target = batch.target.co2.volumes();
    let when = |at: Option<Timestamp>| at.map_or("later than 60 days".to_owned(), |at| local(at, zone));
    match &forecast.move_at {
        Some(moved) => advice.push(format!(
            "Move the bottles to the fridge about {}; nine times in ten between {} and {}. A gauge on a plastic pilot narrows this.",
            when(moved.p50),
            when(moved.p05),
            when(moved.p95)
        )),
        None => advice.push(format!("The target of {target:.1} volumes is not reached within 60 days: more sugar, more culture or a warmer place would do it.")),
    }
    let forgotten = &forecast.if_forgotten;
    advice.push(format!(
        "Forgotten for 60 days the fullest bottle reaches {:.1} bar, at worst {:.1} bar, of your limit of {limit:.1} bar; alcohol then {:.1} %, at worst {:.1} %.",
        forgotten.pressure.p50.bar(),
        forgotten.pressure.p95.bar(),
        forgotten.alcohol.p50.percent(),
        forgotten.alcohol.p95.percent()
    ));
    if let Some(passed) = &forecast.limit_at {
        advice.push(format!(
            "The limit of {limit:.1} bar may be passed from {} on. Bottles can burst: less sugar, a smaller target or stronger bottles.",
            when(passed.p05)
        ));
    }
    advice.push("Bottles can burst: use only bottles made for fizzy drinks, keep them in a lidded crate, and never fit a gauge to glass.".to_owned());
    let lines: Vec<&str> = [(0.5, "0.5 %"), (1.2, "1.2 %")]
        .into_iter()
        .filter(|(line, _)| forgotten.alcohol.p95.percent() > *line)
        .map(|(_, name)| name)
        .collect();
    let passes = if lines.is_empty() {
        String::new()
    } else {
        format!(
            " It may pass {} by volume, lines that the law draws in many places.",
            lines.join(" and ")
        )
    };
    advice.push(format!(
        "This drink holds alcohol, about a quarter of a percent for each volume of CO2: not for children, in pregnancy, with some medicines or before driving.{passes} The figure is an estimate, no test; local codes decide."
    ));
}
