//! `fobwatch replay`: the very same engine on a file.

use std::{collections::BTreeSet, fs::File, io::BufReader, path::PathBuf};

use clap::Args;
use fobwatch_core::{
    alert::AlertRecord,
    engine::{Action, ClockSource, Event, FitRequest, Monitor, drive},
    forecast::ForecastRecord,
    note::{Note, Palate, counting},
};
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::{Ended, history, json, local, read_batch, read_config, say, span};
use crate::{decode, moment};

/// Feed recorded rows to the engine and write its forecasts and alerts as JSON lines.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  fobwatch replay --batch hibiscus-12.toml --readings readings.csv --at 2026-03-04T07:00:00Z\n\nWithout --at \
                  and --every: a forecast every 6 h and one at the end."
)]
pub(super) struct Replay {
    /// Batch file
    #[arg(long, value_name = "FILE")]
    batch: PathBuf,
    /// Readings as CSV, in the order in which they arrived
    #[arg(long, value_name = "FILE")]
    readings: PathBuf,
    /// Notes, one JSON object a line
    #[arg(long, value_name = "FILE")]
    notes: Option<PathBuf>,
    /// Configuration file
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// A forecast as of this time, as "2026-03-04 08:00" on your own clock, or with its offset; may be given again
    #[arg(long, value_name = "TIME", value_parser = super::note::time)]
    at: Vec<Timestamp>,
    /// A forecast at every such step since bottling
    #[arg(long, value_name = "6h", value_parser = span::read)]
    every: Option<SignedDuration>,
    /// Folder of earlier batches: each a folder with batch.toml and readings.csv, or a record; those of the same culture inform
    #[arg(long, value_name = "DIR")]
    history: Option<PathBuf>,
    /// JSON lines, as always
    #[arg(long)]
    json: bool,
}

/// An alert as a record.
#[derive(Serialize)]
struct AlertLine<'a> {
    record: &'static str,
    #[serde(flatten)]
    alert: &'a AlertRecord,
}

/// The engine under way, and what is still to be asked of it.
struct Run {
    monitor: Monitor,
    asked: BTreeSet<Timestamp>,
    every: Option<SignedDuration>,
    next: Option<Timestamp>,
    last: Option<Timestamp>,
}

impl Replay {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let batch = read_batch(&self.batch)?;
        let (sealed, zone) = (batch.bottled_at, &config.display.zone);
        if let Some(early) = self.at.iter().find(|at| **at < sealed) {
            return Err(Ended::Refused(format!(
                "--at is {}; allowed: from `bottled_at`, {}, on, as \"{}\" on your own clock",
                local(*early, zone),
                local(sealed, zone),
                moment::typed(sealed, zone)
            )));
        }
        if self
            .every
            .is_some_and(|every| every < SignedDuration::from_mins(1))
        {
            return Err(Ended::Refused(
                "--every is below a minute; allowed: 1m or more".to_owned(),
            ));
        }
        let lessons = history::lessons(self.history.as_deref(), &batch, &config)?;
        let palate = if self.notes.is_some() {
            history::palate(self.history.as_deref(), &batch, &config)?
        } else {
            Palate::USUAL
        };
        let by_default = self.at.is_empty() && self.every.is_none();
        let every = self.every.or(by_default.then(|| SignedDuration::from_hours(6)));
        let mut notes = self.notes()?;
        let file = File::open(&self.readings)
            .map_err(|error| Ended::Failed(format!("{} cannot be read: {error}", self.readings.display())))?;
        let rows = decode::csv::rows(BufReader::new(file), &config.calibrations)
            .map_err(|bad| Ended::Refused(format!("{}: {bad}", self.readings.display())))?;
        let mut run = Run {
            monitor: Monitor::new(batch, config.settings(ClockSource::Readings))
                .with_history(&lessons)
                .with_palate(palate),
            asked: self.at.iter().copied().collect(),
            every,
            next: every.and_then(|every| sealed.checked_add(every).ok()),
            last: None,
        };
        for row in rows {
            match row {
                Ok(reading) => {
                    // Not the row's own time: one from far ahead does not move the clock.
                    let at = reading.at;
                    let event = Event::Measured(reading);
                    let reached = run.monitor.reaches(&event);
                    while let Some(note) = notes.next_if(|note| note.at <= reached) {
                        run.take(note.at, Event::Noted(note))?;
                    }
                    run.take(at, event)?;
                }
                Err(bad) => eprintln!("{}: {bad}", self.readings.display()),
            }
        }
        for note in notes {
            run.take(note.at, Event::Noted(note))?;
        }
        run.end(by_default)
    }

    fn notes(&self) -> Result<std::iter::Peekable<std::vec::IntoIter<Note>>, Ended> {
        let mut notes = Vec::new();
        if let Some(path) = &self.notes {
            let file = File::open(path)
                .map_err(|error| Ended::Failed(format!("{} cannot be read: {error}", path.display())))?;
            for note in decode::notes::lines(BufReader::new(file)) {
                match note {
                    Ok(note) => notes.push(note),
                    Err(bad) => eprintln!("{}: {bad}", path.display()),
                }
            }
        }
        let mut notes = counting(notes);
        notes.sort_by_key(|note| note.at);
        Ok(notes.into_iter().peekable())
    }
}

impl Run {
    /// Answers what is asked for times before the clock's next place, then lets the engine take the event.
    fn take(&mut self, at: Timestamp, event: Event) -> Result<(), Ended> {
        let reached = self.monitor.reaches(&event);
        if at <= reached {
            self.answer_before(reached)?;
        }
        self.drive(event)
    }

    fn answer_before(&mut self, until: Timestamp) -> Result<(), Ended> {
        loop {
            let due = [self.asked.first().copied(), self.next]
                .into_iter()
                .flatten()
                .min();
            match due {
                Some(due) if due < until => self.answer(due)?,
                _ => return Ok(()),
            }
        }
    }

    fn answer(&mut self, due: Timestamp) -> Result<(), Ended> {
        self.asked.remove(&due);
        self.last = Some(due);
        if self.next == Some(due) {
            self.next = self.every.and_then(|every| due.checked_add(every).ok());
        }
        if due > self.monitor.clock() {
            self.drive(Event::Tick { at: due })?;
        }
        let mut forecast = self.monitor.forecast_request(due).run().forecast;
        forecast.at = due;
        say(&json(&ForecastRecord::from(&forecast))?)
    }

    fn end(mut self, one_more: bool) -> Result<(), Ended> {
        let clock = self.monitor.clock();
        while let Some(due) = self.next.filter(|due| *due <= clock) {
            self.answer(due)?;
        }
        self.next = None;
        while let Some(due) = self.asked.first().copied() {
            self.answer(due)?;
        }
        for action in self.monitor.close() {
            told(&action)?;
        }
        let at = self.monitor.clock();
        if one_more && self.last != Some(at) {
            self.answer(at)?;
        }
        Ok(())
    }

    fn drive(&mut self, event: Event) -> Result<(), Ended> {
        drive(&mut self.monitor, event, &mut FitRequest::run)
            .iter()
            .try_for_each(told)
    }
}

fn told(action: &Action) -> Result<(), Ended> {
    match action {
        Action::Alert(alert) => say(&json(&AlertLine {
            record: "alert",
            alert,
        })?),
        Action::Refused { why, .. } => {
            eprintln!("{why}");
            Ok(())
        }
        Action::SetAside(_) | Action::Forecast(_) | Action::Remind(_) | Action::Fit(_) => Ok(()),
    }
}
