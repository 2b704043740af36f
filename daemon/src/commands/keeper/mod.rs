//! Who keeps the batches: a running daemon, asked over its API, or, where none runs, the data folder itself.

mod daemon;
mod folder;

use std::{net::SocketAddr, path::PathBuf};

use clap::Args;
use fobwatch_core::{
    alert::{AlarmState, AlertName},
    batch::{Batch, BatchName, Slug},
    culture::DiaryEntry,
    note::{Note, NoteKind},
    reading::Reading,
};
use jiff::{Timestamp, tz::TimeZone};
use serde::{Deserialize, Serialize};

use super::{Ended, quoted, read_config};
use crate::{
    config::{Config, Display, Secret},
    corrected::Change,
    gate::own_token,
    page::Told,
    rescue,
    store::{Store, StoreError},
    watch::data_folder,
    wish::Wish,
};
use daemon::Daemon;
use folder::Folder;

/// Where the batches are kept.
#[derive(Args, Clone, Debug, Default)]
pub(super) struct Where {
    /// Address of the running daemon [default: of the configuration, 127.0.0.1:8740]
    #[arg(long, value_name = "ADDR", global = true)]
    address: Option<SocketAddr>,
    /// Configuration file, the one that `watch` was given
    #[arg(long, value_name = "FILE", global = true)]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, the one that `watch` was given
    #[arg(long, value_name = "DIR", global = true)]
    data: Option<PathBuf>,
    /// File with a token of [[http.token]], for an --address where people have to log in
    #[arg(long, value_name = "FILE", global = true)]
    token_file: Option<PathBuf>,
}

/// What is to become of a folder in which nothing was ever kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Empty {
    /// It is begun.
    Begin,
    /// It is a mistake.
    Refuse,
}

/// So many batches are told of, and named, unless all are wanted.
pub(super) const FIRST: usize = 100;

/// Of which batches a person wants to hear.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// The most urgent, [`FIRST`] of them.
    First,
    /// Every one.
    All,
    /// This one.
    Only(Slug),
}

/// A live batch.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(super) struct Known {
    pub(super) batch: BatchName,
    pub(super) slug: Slug,
    pub(super) bottled_at: Timestamp,
    pub(super) bottles: u32,
    pub(super) target_co2_volumes: f64,
    pub(super) limit_bar: f64,
    /// From when on the figures weigh what came in since they were reckoned; `None`: nothing waits, or nobody watches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) counts_from: Option<Timestamp>,
}

/// An alert of a live batch.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Standing {
    pub(super) batch: BatchName,
    pub(super) slug: Slug,
    pub(super) alert: AlertName,
    pub(super) state: AlarmState,
}

/// What is to hold of a batch.
#[derive(Clone, Debug)]
pub(super) enum Entries {
    /// A whole batch file.
    Whole(String),
    /// Single entries by their keys; null: left out.
    Some(serde_json::Map<String, serde_json::Value>),
}

/// What was corrected.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(super) struct CorrectedBatch {
    pub(super) batch: BatchName,
    pub(super) slug: Slug,
    pub(super) changes: Vec<Change>,
    pub(super) warnings: Vec<String>,
}

/// A note that was taken.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(super) struct Noted {
    pub(super) time: Timestamp,
    pub(super) kind: NoteKind,
    /// From when on the figures weigh it; `None`: nothing is reckoned from it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub(super) counts_from: Option<Timestamp>,
}

/// The diary of all cultures.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Diaries {
    /// In order of time.
    #[serde(rename = "diary")]
    pub(super) entries: Vec<DiaryEntry>,
    /// What the clock shows by which they are noted.
    pub(super) at: Timestamp,
}

/// Who keeps the batches.
pub(super) trait Keeper {
    /// Who it is, as the end of a sentence.
    fn name(&self) -> String;

    /// Whether it watches the batches, or only keeps them.
    fn watches(&self) -> bool;

    /// What a person must know of an answer: that nobody watches, or that all is made up.
    fn caution(&self) -> Option<&'static str>;

    /// What batches need, most urgent first.
    fn status(&mut self, of: &Wanted) -> Result<Told, Ended>;

    /// The live batches.
    fn batches(&mut self) -> Result<Vec<Known>, Ended>;

    /// The live batch with this slug.
    fn find(&mut self, slug: &Slug) -> Result<Option<Known>, Ended> {
        let all = self.batches()?;
        Ok(all.into_iter().find(|batch| batch.slug == *slug))
    }

    /// Takes a batch under watch; `text` is the file that `batch` was read from. Answers with what should be thought about beside what the
    /// file itself says.
    fn add(&mut self, batch: &Batch, text: &str) -> Result<Vec<String>, Ended>;

    /// Corrects the entries of a batch, by the word of `who`.
    fn correct(&mut self, batch: &Known, entries: &Entries, who: &str) -> Result<CorrectedBatch, Ended>;

    /// Ends a batch.
    fn end(&mut self, batch: &Known) -> Result<(), Ended>;

    /// Takes notes, one JSON object a line: all or none.
    fn note(&mut self, batch: &Known, lines: &str) -> Result<Vec<Noted>, Ended>;

    /// All notes of a batch in the order in which they came, with those that were taken back and the words that did it.
    fn notes(&mut self, batch: &Known) -> Result<Vec<Note>, Ended>;

    /// The diary of all cultures.
    fn diary(&mut self) -> Result<Diaries, Ended>;

    /// Takes entries of diaries, one JSON object a line: all or none; answers how many were not there yet.
    fn tend(&mut self, lines: &str) -> Result<usize, Ended>;

    /// Takes readings in their order; answers how many were not there yet.
    fn take(&mut self, readings: &[Reading]) -> Result<usize, Ended>;

    /// The alerts that stand, or wait to be seen.
    fn alerts(&mut self) -> Result<Vec<Standing>, Ended>;

    /// What can still be done for a batch; `at`: from when on it would stand in the room again, its clock if not given.
    fn rescue(&mut self, batch: &Slug, at: Option<Timestamp>) -> Result<rescue::Told, Ended>;

    /// Does to an alert what a person wishes; answers with the time at which it counts.
    fn obey(&mut self, batch: &Slug, alert: AlertName, wish: &Wish) -> Result<Timestamp, Ended>;
}

/// The keeper, and how a person's times are shown.
pub(super) struct Found {
    pub(super) keeper: Box<dyn Keeper>,
    pub(super) zone: TimeZone,
    pub(super) display: Display,
}

impl Where {
    /// Finds the keeper: the daemon at `--address`; else the one that holds the data folder; else the one at the configured
    /// address; else, if nobody holds its lock, the data folder.
    pub(super) fn find(&self, empty: Empty) -> Result<Found, Ended> {
        let config = read_config(self.config.as_deref())?;
        let display = config.display.clone();
        let found = |keeper: Box<dyn Keeper>| {
            Ok(Found {
                keeper,
                zone: display.zone.clone(),
                display: display.clone(),
            })
        };
        let token = self.token()?;
        if let Some(address) = self.address {
            if let Some(daemon) = Daemon::at(address, token.clone())? {
                return found(Box::new(daemon));
            }
            if self.data.is_none() {
                return Err(Ended::Failed(format!(
                    "no fobwatch answers at {address}; allowed: the address that `fobwatch watch` says its page is at"
                )));
            }
        }
        // Where there is no place for a data folder (no HOME, say), a daemon may answer all the same.
        let data = data_folder(self.data.clone(), &config);
        let holder = data.as_ref().ok().and_then(|data| Store::address_of_holder(data));
        if self.data.is_none() {
            let own = || token.clone().or_else(|| own_token(data.as_ref().ok()?));
            let usual = (config.listen, token.clone());
            for (address, token) in holder.map(|address| (address, own())).into_iter().chain([usual]) {
                if let Ok(Some(daemon)) = Daemon::at(address, token) {
                    return found(Box::new(daemon));
                }
            }
        }
        let usual = self.address.or(holder).unwrap_or(config.listen);
        let data = data.map_err(|none| {
            Ended::Refused(format!(
                "no fobwatch answers at {usual}, and without one {none}. Or name the --address of a running one"
            ))
        })?;
        if empty == Empty::Refuse && !Store::is_in(&data) {
            return Err(Ended::Failed(format!(
                "no fobwatch answers at {usual}, and nothing was ever kept in {}; start `fobwatch watch`, or name its \
                 --address or the folder of its --data",
                data.display()
            )));
        }
        match Folder::open(&data, config) {
            Ok(folder) => found(Box::new(folder)),
            Err(StoreError::Locked { folder, holder }) => {
                match Daemon::at(usual, token.or_else(|| own_token(&data)))? {
                    Some(daemon) => found(Box::new(daemon)),
                    None => Err(Ended::Failed(format!(
                        "process {holder} holds the data folder {}, but no fobwatch answers at {usual}; name its address with \
                     --address, or wait until it has started or stopped",
                        folder.display()
                    ))),
                }
            }
            Err(error) => Err(folder::ended(error)),
        }
    }
}

impl Where {
    /// The token that was named.
    fn token(&self) -> Result<Option<Secret>, Ended> {
        let Some(path) = &self.token_file else {
            return Ok(None);
        };
        let text = super::read(path)?;
        Ok(text.lines().next().map(|line| Secret::new(line.trim())))
    }

    /// The data folder, whoever holds it.
    pub(super) fn folder(&self) -> Result<PathBuf, Ended> {
        let config = read_config(self.config.as_deref())?;
        data_folder(self.data.clone(), &config).map_err(|none| Ended::Refused(none.to_string()))
    }

    /// The configuration file that was named.
    pub(super) fn config(&self) -> Option<&std::path::Path> {
        self.config.as_deref()
    }

    /// The data folder that is meant, by a configuration that was read already.
    pub(super) fn folder_by(&self, config: &Config) -> Result<PathBuf, Ended> {
        data_folder(self.data.clone(), config).map_err(|none| Ended::Refused(none.to_string()))
    }

    /// The same options for a command that is proposed: empty, or beginning with a blank.
    pub(super) fn again(&self) -> String {
        let address = self.address.map(|address| format!(" --address {address}"));
        let file = |option: &str, path: &Option<PathBuf>| {
            let path = path.as_ref()?.display().to_string();
            Some(format!(" {option} {}", quoted(&path)))
        };
        let options = [
            address,
            file("--config", &self.config),
            file("--data", &self.data),
            file("--token-file", &self.token_file),
        ];
        options.into_iter().flatten().collect()
    }
}

impl Found {
    /// The live batch that a person means by its name or its slug.
    pub(super) fn batch(&mut self, given: &str) -> Result<Known, Ended> {
        if let Ok(name) = BatchName::new(given)
            && let Some(found) = self.keeper.find(&name.slug())?
        {
            return Ok(found);
        }
        let all = self.keeper.batches()?;
        let named = all.iter().take(FIRST);
        let mut known: Vec<String> = named.map(|batch| format!("'{}'", batch.batch)).collect();
        if all.len() > FIRST {
            known.push(format!("and {} more", all.len() - FIRST));
        }
        let allowed = if known.is_empty() {
            "none is watched yet; `fobwatch batch add FILE` adds one".to_owned()
        } else {
            known.join(", ")
        };
        let given: String = given.chars().filter(|c| !c.is_control()).take(80).collect();
        Err(Ended::Refused(format!(
            "no batch of {} is named `{given}`; allowed: {allowed}",
            self.keeper.name()
        )))
    }

    /// Tells on standard error what a person must know of the answer.
    pub(super) fn warn(&self) {
        if let Some(caution) = self.keeper.caution() {
            eprintln!("warning: {caution}");
        }
    }
}
