//! `fobwatch export`: readings as a file, a batch as a folder that `replay` takes, or the whole store as a backup.
//!
//! All of it only reads, beside a running daemon or without one.

mod folder;
mod rows;

pub(super) use folder::whole;

use std::{
    io::BufWriter,
    path::{Path, PathBuf},
};

use clap::Args;
use fobwatch_core::{
    batch::BatchName,
    reading::{Quantity, Source},
};
use jiff::Timestamp;

use super::{Ended, format::Format, read_config, say};
use crate::{
    store::{Reader, Store, StoreError},
    watch::data_folder,
};
use rows::{Rows, Wanted};

/// Write readings, one batch, or the whole store to files.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch export --to readings.csv\n  fobwatch export --to readings.parquet\n  fobwatch export --format senml --source pilot --quantity pressure\n  \
                  fobwatch export --to march.jsonl --from 2026-03-01T00:00:00Z --until 2026-04-01T00:00:00Z\n  \
                  fobwatch export --batch 'hibiscus 12' --to hibiscus-12\n  fobwatch export --backup fobwatch-monday.sqlite\n\n\
                  Nothing is stopped for it. Readings come in the order in which they arrived, in the units of the store (Pa, K, SG). A \
                  folder of a batch holds batch.toml, readings.csv and notes.jsonl, which `fobwatch replay` takes, and zeros.toml if gauges have \
                  one: the values have it taken off already."
)]
pub(super) struct Export {
    /// File to write, or with --batch the folder; without it readings go to standard output
    #[arg(long, value_name = "PATH")]
    to: Option<PathBuf>,
    /// Form of the readings, where the name of --to does not tell it [default on standard output: csv]
    #[arg(long, value_enum, value_name = "FORM")]
    format: Option<Format>,
    /// Only this source
    #[arg(long, value_name = "NAME", value_parser = source)]
    source: Option<Source>,
    /// Only this quantity
    #[arg(long, value_name = "NAME", value_parser = quantity)]
    quantity: Option<Quantity>,
    /// Only what was measured at this time or later, as "2026-03-01 12:00" on the own clock, or with its offset
    #[arg(long, value_name = "TIME", value_parser = super::note::time)]
    from: Option<Timestamp>,
    /// Only what was measured before this time
    #[arg(long, value_name = "TIME", value_parser = super::note::time)]
    until: Option<Timestamp>,
    /// One batch, by its name or slug, as a folder; an ended one too
    #[arg(long, value_name = "NAME", requires = "to", conflicts_with_all = ["format", "source", "quantity", "from", "until"])]
    batch: Option<String>,
    /// The whole store, copied into this new file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["to", "format", "source", "quantity", "from", "until", "batch"])]
    backup: Option<PathBuf>,
    /// Configuration file, the one that `watch` was given
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, the one that `watch` was given
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
}

impl Export {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let data =
            data_folder(self.data.clone(), &config).map_err(|none| Ended::Refused(none.to_string()))?;
        if !Store::is_in(&data) {
            return Err(Ended::Failed(format!(
                "nothing was ever kept in {}; name the folder of `watch` with --data",
                data.display()
            )));
        }
        match (&self.backup, &self.batch, &self.to) {
            (Some(file), _, _) => back_up(&data, file),
            (None, Some(name), Some(folder)) => batch(&data, name, folder),
            _ => self.readings(&data),
        }
    }

    fn readings(&self, data: &Path) -> Result<(), Ended> {
        let format = match (self.format, &self.to) {
            (Some(format), _) => format,
            (None, None) => Format::Csv,
            (None, Some(path)) => Format::of(path).map_err(Ended::Refused)?,
        };
        let wanted = Wanted {
            source: self.source.clone(),
            quantity: self.quantity,
            from: self.from,
            until: self.until,
            ..Wanted::default()
        };
        if format == Format::Parquet && self.to.is_none() {
            return Err(Ended::Refused(
                "Parquet is no text for a terminal; allowed: with --to FILE".to_owned(),
            ));
        }
        Store::read_folder(data, |reader| {
            Ok(match &self.to {
                Some(path) => folder::whole(path, |out| Rows::new(format, out)?.write(reader, &wanted))
                    .and_then(|told| told.tell(Some(path))),
                None => Rows::new(format, BufWriter::new(std::io::stdout()))
                    .and_then(|rows| rows.write(reader, &wanted))
                    .and_then(|told| told.tell(None)),
            }
            .and_then(|()| tell_thinned(reader, self.from, self.until)))
        })
        .map_err(failed)?
    }
}

fn back_up(data: &Path, file: &Path) -> Result<(), Ended> {
    Store::back_up(data, file).map_err(failed)?;
    say(&format!(
        "{} holds the whole store, with the zeros of gauges. To restore it: stop fobwatch, put the file as {} into an empty data \
         folder, and start fobwatch on it.",
        file.display(),
        Store::FILE
    ))
}

/// Says which readings are not in what was written, since they are kept as rollups only.
fn tell_thinned(reader: &Reader<'_>, from: Option<Timestamp>, until: Option<Timestamp>) -> Result<(), Ended> {
    let (from, until) = (from.unwrap_or(Timestamp::MIN), until.unwrap_or(Timestamp::MAX));
    if let Some(thinned) = reader.thinned(from, until).map_err(failed)? {
        eprintln!(
            "warning: {} readings measured between {} and {} are not in it: they were thinned by age (`store.raw_for_days`), and \
             only their five-minute rollups are kept",
            thinned.count, thinned.first_at, thinned.last_at
        );
    }
    Ok(())
}

fn batch(data: &Path, name: &str, to: &Path) -> Result<(), Ended> {
    let slug = BatchName::new(name)
        .map(|name| name.slug())
        .map_err(|bad| Ended::Refused(bad.to_string()))?;
    Store::read_folder(data, |reader| {
        let all = reader.batches()?;
        // A name may come back: the live one, or the last.
        let found = all.iter().rfind(|batch| batch.slug == slug);
        let Some(found) = found else {
            let mut known: Vec<String> = all.iter().map(|batch| format!("'{}'", batch.name)).collect();
            known.dedup();
            let known = if known.is_empty() {
                "none was ever added".to_owned()
            } else {
                known.join(", ")
            };
            let given: String = name.chars().filter(|c| !c.is_control()).take(80).collect();
            return Ok(Err(Ended::Refused(format!(
                "no batch in {} is named `{given}`; allowed: {known}",
                data.display()
            ))));
        };
        Ok(folder::write(data, reader, found, to))
    })
    .map_err(failed)?
}

fn failed(error: StoreError) -> Ended {
    Ended::Failed(error.to_string())
}

fn source(text: &str) -> Result<Source, String> {
    Source::new(text).map_err(|bad| bad.to_string())
}

fn quantity(text: &str) -> Result<Quantity, String> {
    text.parse::<Quantity>().map_err(|bad| bad.to_string())
}
