//! The forms in which readings stand in a file.

use std::{
    fs::File,
    path::Path,
    time::{Duration, Instant},
};

use clap::ValueEnum;
use fobwatch_core::reading::Reading;

use crate::decode::{BadRow, Calibrations, columns, csv, json_lines, packs, senml};

/// How often progress is told.
const PROGRESS: Duration = Duration::from_secs(3);

/// A form of readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Format {
    /// `time,source,quantity,value,unit`
    Csv,
    /// SenML (RFC 8428), one pack a line
    Senml,
    /// One JSON object a line, with the columns of the CSV
    Jsonl,
    /// Parquet, the columns of the CSV for analysis
    Parquet,
}

impl Format {
    /// The form that a file's name tells.
    ///
    /// # Errors
    /// It tells none: what to do.
    pub(super) fn of(path: &Path) -> Result<Self, String> {
        let ending = path.extension().and_then(|ending| ending.to_str());
        match ending.map(str::to_ascii_lowercase).as_deref() {
            Some("csv") => Ok(Self::Csv),
            Some("senml") => Ok(Self::Senml),
            Some("jsonl") => Ok(Self::Jsonl),
            Some("parquet") => Ok(Self::Parquet),
            _ => Err(format!(
                "the name {} does not tell its form; allowed: a name ending in .csv, .senml, .jsonl or .parquet, or --format csv, \
                 senml, jsonl or parquet",
                path.display()
            )),
        }
    }

    /// What stands before all rows.
    pub(super) fn header(self) -> Option<String> {
        (self == Self::Csv).then(|| csv::COLUMNS.join(","))
    }

    /// A reading as its line.
    ///
    /// # Errors
    /// This form cannot hold it: why.
    pub(super) fn write(self, reading: &Reading) -> Result<String, String> {
        match self {
            Self::Csv => Ok(csv::write_row(reading)),
            Self::Senml => senml::write(reading).map_err(|bad| bad.to_string()),
            Self::Jsonl => Ok(json_lines::write(reading)),
            Self::Parquet => Err("Parquet has no lines".to_owned()),
        }
    }

    /// The readings of a file.
    ///
    /// # Errors
    /// A file without what makes its rows mean something.
    pub(super) fn read<'c>(
        self,
        input: File,
        calibrations: &'c Calibrations,
    ) -> Result<Box<dyn Iterator<Item = Result<Reading, BadRow>> + 'c>, BadRow> {
        Ok(match self {
            Self::Csv => Box::new(csv::rows(input, calibrations)?),
            Self::Senml => Box::new(packs::read(input, calibrations)),
            Self::Jsonl => Box::new(json_lines::lines(input, calibrations)),
            Self::Parquet => Box::new(columns::rows(input, calibrations)?),
        })
    }
}

/// Tells on standard error, from time to time, how far long work has come.
pub(super) struct Progress {
    told: Instant,
}

impl Progress {
    pub(super) fn new() -> Self {
        Self { told: Instant::now() }
    }

    pub(super) fn tell(&mut self, done: impl FnOnce() -> String) {
        if self.told.elapsed() >= PROGRESS {
            self.told = Instant::now();
            eprintln!("{}", done());
        }
    }
}
