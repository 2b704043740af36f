//! `fobwatch import`: readings of a file into the store.

use std::{fs::File, path::PathBuf};

use clap::Args;
use fobwatch_core::reading::Reading;
use serde::Serialize;

use super::{
    Ended,
    format::{Format, Progress},
    json,
    keeper::{Empty, Keeper, Where},
    read_config, say,
};

/// Readings handed over at once; even with the longest names they fit into one message.
const AT_ONCE: usize = 500;

/// Take the readings of a file into the store.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch import readings.csv\n  fobwatch import house.txt --format senml --data /var/lib/fobwatch\n\n\
                  Same source, quantity and time is one reading: what is there already stays as it is, so a file may be handed in \
                  again after an interruption. Rows that are no readings are told with their line and skipped; then the exit status \
                  is 2. Notes: fobwatch note NAME --file notes.jsonl."
)]
pub(super) struct Import {
    /// The file
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Its form, where its name does not tell it
    #[arg(long, value_enum, value_name = "FORM")]
    format: Option<Format>,
    /// A JSON record
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

/// What became of a file.
#[derive(Default, Serialize)]
struct Imported {
    record: &'static str,
    new: usize,
    duplicates: usize,
    refused: usize,
}

impl Import {
    pub(super) fn run(self) -> Result<(), Ended> {
        let path = self.file.display();
        let format = match self.format {
            Some(format) => format,
            None => Format::of(&self.file).map_err(Ended::Refused)?,
        };
        let config = read_config(self.place.config())?;
        let file = File::open(&self.file)
            .map_err(|error| Ended::Failed(format!("{path} cannot be read: {error}")))?;
        let rows = format
            .read(file, &config.calibrations)
            .map_err(|bad| Ended::Refused(format!("{path}: {bad}")))?;
        let mut found = self.place.find(Empty::Begin)?;
        let mut imported = Imported {
            record: "imported",
            ..Imported::default()
        };
        let mut progress = Progress::new();
        let mut waiting = Vec::with_capacity(AT_ONCE);
        for row in rows {
            match row {
                Ok(reading) => waiting.push(reading),
                Err(bad) => {
                    imported.refused += 1;
                    eprintln!("{path}: {bad}");
                }
            }
            if waiting.len() == AT_ONCE {
                imported
                    .hand_over(found.keeper.as_mut(), &mut waiting)
                    .map_err(|ended| imported.broke_off(ended))?;
                progress.tell(|| format!("{path}: {}", imported.words()));
            }
        }
        imported
            .hand_over(found.keeper.as_mut(), &mut waiting)
            .map_err(|ended| imported.broke_off(ended))?;
        found.warn();
        if self.json {
            say(&json(&imported)?)?;
        } else {
            say(&format!("{path}: {}.", imported.words()))?;
        }
        if imported.refused > 0 {
            return Err(Ended::Refused(format!(
                "{path}: {} of its rows are no readings and were left out, as told above; all others are stored",
                imported.refused
            )));
        }
        Ok(())
    }
}

impl Imported {
    fn hand_over(&mut self, keeper: &mut dyn Keeper, waiting: &mut Vec<Reading>) -> Result<(), Ended> {
        if waiting.is_empty() {
            return Ok(());
        }
        let new = keeper.take(waiting)?;
        self.new += new;
        self.duplicates += waiting.len().saturating_sub(new);
        waiting.clear();
        Ok(())
    }

    fn words(&self) -> String {
        format!(
            "{} new readings, {} there already, {} rows refused",
            self.new, self.duplicates, self.refused
        )
    }

    fn broke_off(&self, ended: Ended) -> Ended {
        let so_far = format!(
            "{ended}; so far: {}. What is stored stays; the same command goes on",
            self.words()
        );
        match ended {
            Ended::Failed(_) => Ended::Failed(so_far),
            Ended::Refused(_) => Ended::Refused(so_far),
        }
    }
}
