//! `fobwatch compare`: cultures over time and batches against each other, on one footing.

mod fed;
mod gather;
mod lines;
mod picture;

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{
    batch::CultureName,
    compare::{Comparison, Entry},
};

use super::{Ended, read_config, say};
use crate::craft::{cultures::Gathered, words};
pub(super) use lines::quoted as quoted_cell;

/// Compare cultures and batches: how lively, how sure, and where it goes.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch compare\n  fobwatch compare --culture 'jar two' --picture jar-two.svg\n  \
                  fobwatch compare --history batches/ --csv\n\n\
                  Without --history the batches of the data folder are compared, live and ended ones, beside a running daemon or without \
                  one. Each batch is brought to one footing: what its culture would do in the reference drink at 20 degC, so that a warm \
                  kitchen or a large dose does not make a culture look lively."
)]
pub(super) struct Compare {
    /// Folder of earlier batches: each a folder with batch.toml and readings.csv, or a record; as for `plan` and `replay`
    #[arg(long, value_name = "DIR")]
    history: Option<PathBuf>,
    /// Only this culture
    #[arg(long, value_name = "NAME", value_parser = culture)]
    culture: Option<CultureName>,
    /// Configuration file, the one that `watch` was given
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, the one that `watch` was given
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Write the curves of the batches into this SVG file, too
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// JSON lines: records `compared_culture`, `livelier`, `compared_batch` and `since_feed`
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// A line for each batch, with a head
    #[arg(long)]
    csv: bool,
}

impl Compare {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let mut gathered = match &self.history {
            Some(folder) => gather::of_folder(folder, &config)?,
            None => gather::of_store(self.data.clone(), &config)?,
        };
        if let Some(wanted) = &self.culture {
            let known = cultures(&gathered);
            gathered.retain(|batch| batch.entry.lesson.culture == *wanted);
            if gathered.is_empty() && !known.is_empty() {
                return Err(Ended::Refused(format!(
                    "no batch tells of the culture `{wanted}`; allowed: {}",
                    known.join(", ")
                )));
            }
        }
        if gathered.is_empty() {
            return Err(Ended::Failed(
                "there is nothing to compare: no batch names its culture and has readings. Name it with `culture = \"...\"` in the \
                 batch file"
                    .to_owned(),
            ));
        }
        let diary = match &self.history {
            Some(folder) => fed::of_folder(folder)?,
            None => fed::of_store(self.data.clone(), &config)?,
        };
        let entries: Vec<Entry> = gathered.iter().map(|batch| batch.entry.clone()).collect();
        let comparison = Comparison::of(gathered.iter().map(|batch| batch.entry.clone()).collect());
        if let Some(file) = &self.picture {
            picture::write(file, &gathered, &comparison)?;
            eprintln!("{} shows the curves.", file.display());
        }
        let told = if self.json {
            [lines::json(&comparison)?, fed::records(&entries, &diary)?].concat()
        } else if self.csv {
            lines::csv(&comparison)
        } else {
            [
                words::of(&comparison, &config.display),
                fed::said(&entries, &diary),
            ]
            .concat()
        };
        told.iter().try_for_each(|line| say(line))
    }
}

fn cultures(gathered: &[Gathered]) -> Vec<String> {
    let mut names: Vec<String> = gathered
        .iter()
        .map(|batch| format!("'{}'", batch.entry.lesson.culture))
        .collect();
    names.sort();
    names.dedup();
    names
}

fn culture(text: &str) -> Result<CultureName, String> {
    CultureName::new(text).map_err(|bad| bad.to_string())
}
