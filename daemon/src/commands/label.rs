//! `fobwatch label`: label, shelf card and lot record of a batch.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use clap::Args;
use fobwatch_core::{
    batch::{BatchFile, BatchName},
    culture::Diary,
};

use super::{Ended, export::whole, json, read, read_config, say};
use crate::{
    config::Config,
    label::{self, Facts, Kind, Lot},
    store::{Store, StoreError},
    watch::data_folder,
};

/// Write a label, a shelf card or the record of a lot.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch label 'hibiscus 12'\n  fobwatch label 'hibiscus 12' --to label.svg\n  fobwatch label 'hibiscus 12' --card --to \
                  card.html\n  fobwatch label 'hibiscus 12' --lot\n  fobwatch label --batch hibiscus-12.toml --to label.svg\n\n\
                  Contents, allergens and lot come from [recipe] of the batch file (`fobwatch recipe --help` shows one) and from the culture's diary \
                  (`fobwatch culture --help`); fizz and alcohol from the newest forecast. A file ending in .svg is a picture, in .html a page to be \
                  printed, else plain text. It claims no compliance with any rule."
)]
pub(super) struct Label {
    /// A batch of the data folder, live or ended, by its name
    #[arg(value_name = "NAME", required_unless_present = "batch")]
    name: Option<String>,
    /// A batch file instead, before anything is watched
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    batch: Option<PathBuf>,
    /// The card for the shelf instead of the bottle's label
    #[arg(long)]
    card: bool,
    /// The record of the lot: who, when, what, lot numbers, moves, what was measured
    #[arg(long, conflicts_with = "card")]
    lot: bool,
    /// Write into this file; its ending tells the form
    #[arg(long, value_name = "FILE")]
    to: Option<PathBuf>,
    /// Configuration file, the one that `watch` was given
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, the one that `watch` was given
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// The lot's record as JSON
    #[arg(long, requires = "lot")]
    json: bool,
}

impl Label {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let facts = match (&self.batch, &self.name) {
            (Some(path), _) => self.of_file(path, &config)?,
            (None, Some(name)) => self.of_store(name, &config)?,
            (None, None) => {
                return Err(Ended::Refused(
                    "name a batch, or its file with --batch".to_owned(),
                ));
            }
        };
        let kind = if self.card { Kind::Card } else { Kind::Label };
        let text = || -> Result<String, Ended> {
            if self.lot {
                let lot: Lot = label::record(&facts);
                return if self.json {
                    json(&lot)
                } else {
                    Ok(lot.lines(&facts).join("\n"))
                };
            }
            let (heading, said) = label::lines(&facts, kind);
            Ok(format!("{heading}\n{}", said.join("\n")))
        };
        let Some(path) = &self.to else {
            return say(&text()?);
        };
        let ending = path
            .extension()
            .and_then(|ending| ending.to_str())
            .map(str::to_ascii_lowercase);
        let written = match ending.as_deref() {
            Some("svg" | "html") if self.lot => {
                return Err(Ended::Refused(format!(
                    "{}: a lot's record is text; allowed: a name ending in .txt or .json",
                    path.display()
                )));
            }
            Some("svg") => label::picture(&facts, kind),
            Some("html") => label::document(&facts, &[kind]),
            None | Some("txt" | "json") => text()? + "\n",
            Some(_) => {
                return Err(Ended::Refused(format!(
                    "{}: allowed: a name ending in .svg, .html or .txt",
                    path.display()
                )));
            }
        };
        whole(path, |out| {
            out.write_all(written.as_bytes())
                .map_err(|error| Ended::Failed(format!("{} cannot be written: {error}", path.display())))
        })?;
        eprintln!("{} is written.", path.display());
        Ok(())
    }

    fn of_file(&self, path: &Path, config: &Config) -> Result<Facts, Ended> {
        let place = path.display().to_string();
        let file =
            BatchFile::from_toml(&read(path)?, &place).map_err(|bad| Ended::Refused(bad.to_string()))?;
        for warning in &file.warnings {
            eprintln!("warning: {place}: {warning}");
        }
        // The culture's diary, if there is one; a label of a file needs no store.
        let folder = data_folder(self.data.clone(), config)
            .ok()
            .filter(|folder| Store::is_in(folder));
        let diary = match folder {
            Some(folder) => Store::read_folder(&folder, |reader| reader.diary()).map_err(failed)?,
            None => Vec::new(),
        };
        let zone = config.display.zone.clone();
        Ok(Facts::new(file, Vec::new(), None, &Diary::new(diary), zone))
    }

    fn of_store(&self, name: &str, config: &Config) -> Result<Facts, Ended> {
        let data = data_folder(self.data.clone(), config).map_err(|none| Ended::Refused(none.to_string()))?;
        if !Store::is_in(&data) {
            return Err(Ended::Failed(format!(
                "nothing was ever kept in {}; name the folder of `watch` with --data, or a batch file with --batch",
                data.display()
            )));
        }
        let wanted = BatchName::new(name)
            .map_err(|bad| Ended::Refused(bad.to_string()))?
            .slug();
        let found = Store::read_folder(&data, |reader| {
            let all = reader.batches()?;
            let known: Vec<String> = all.iter().map(|stored| format!("'{}'", stored.name)).collect();
            // A live one goes before one that has ended, the newer before the older.
            let of_name = all.into_iter().filter(|stored| stored.slug == wanted);
            let Some(stored) = of_name.max_by_key(|stored| (stored.ended_at.is_none(), stored.id)) else {
                return Ok(Err(known.join(", ")));
            };
            let forecast = reader.forecasts(stored.id)?.pop();
            let notes = reader.notes(stored.id)?;
            Ok(Ok((stored, forecast, notes, reader.diary()?)))
        })
        .map_err(failed)?;
        let (stored, forecast, notes, diary) = found.map_err(|known| {
            Ended::Refused(format!(
                "no batch of {} is named `{wanted}`; allowed: {known}",
                data.display()
            ))
        })?;
        let file = BatchFile::from_toml(&stored.text, &format!("the stored batch `{}`", stored.name))
            .map_err(|bad| Ended::Failed(bad.to_string()))?;
        let zone = config.display.zone.clone();
        Ok(Facts::new(file, notes, forecast, &Diary::new(diary), zone))
    }
}

fn failed(error: StoreError) -> Ended {
    Ended::Failed(error.to_string())
}
