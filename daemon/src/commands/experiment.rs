//! `fobwatch experiment`: siblings side by side, and which one was right.

use std::{collections::BTreeMap, fs, path::PathBuf};

use clap::Args;
use fobwatch_core::{
    batch::ExperimentName,
    engine::ClockSource,
    experiment::{Experiment, Sibling},
    forecast::Quantiles,
};
use jiff::Timestamp;
use serde::Serialize;

use super::{Ended, compare::quoted_cell, history, json, read_batch, read_config, say};
use crate::{
    config::Config,
    craft::experiments::{self, said},
    page,
    store::{Store, StoreError},
    watch::data_folder,
};

/// Set the batches of an experiment side by side: which day, or which dose, was right.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch experiment\n  fobwatch experiment 'which day' --picture days.svg\n  fobwatch experiment 'which \
                  day' --history batches/ --csv\n\nBatches belong to one experiment when `experiment = \"which day\"` stands in the file of \
                  each. Fill them from one drink, and pull them on several days or give them several doses; then taste, and note it: fobwatch \
                  note 'plum 1' tasted --text right"
)]
pub(super) struct ExperimentCommand {
    /// Only this experiment
    #[arg(value_name = "NAME", value_parser = name)]
    experiment: Option<ExperimentName>,
    /// Folder of batches, each a folder with batch.toml, readings.csv and notes.jsonl, instead of the data folder
    #[arg(long, value_name = "DIR")]
    history: Option<PathBuf>,
    /// Configuration file, the one that `watch` was given
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, the one that `watch` was given
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Draw content and taste over day or dose into this SVG file, too
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// JSON lines: records `experiment` and `sibling`
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// A line for each batch, with a head
    #[arg(long)]
    csv: bool,
}

fn name(text: &str) -> Result<ExperimentName, String> {
    ExperimentName::new(text).map_err(|bad| bad.to_string())
}

#[derive(Serialize)]
struct ExperimentLine<'a> {
    record: &'static str,
    experiment: &'a str,
    siblings: usize,
    best: Option<&'a str>,
    right: Option<bool>,
    by: Option<&'static str>,
    differs: Option<&'static str>,
    right_between: Option<f64>,
    message: String,
}

#[derive(Serialize)]
struct SiblingLine<'a> {
    record: &'static str,
    experiment: &'a str,
    batch: &'a str,
    bottled_at: Timestamp,
    pulled_at: Option<Timestamp>,
    hours: f64,
    dose_ml_per_l: Option<f64>,
    sugar_g_per_l: f64,
    co2_volumes: Quantiles<f64>,
    co2_volumes_cold: Quantiles<f64>,
    target_co2_volumes: f64,
    fullest_bottle_bar: Quantiles<f64>,
    limit_bar: f64,
    abv_percent: f64,
    tasted: Option<&'static str>,
    words: Vec<&'a str>,
}

fn round(value: f64) -> f64 {
    (value * 1e3).round() / 1e3
}

fn thousandths<T: Copy>(of: &Quantiles<T>, number: impl Fn(T) -> f64) -> Quantiles<f64> {
    Quantiles {
        p05: round(number(of.p05)),
        p50: round(number(of.p50)),
        p95: round(number(of.p95)),
    }
}

fn sibling_line<'a>(name: &'a ExperimentName, of: &'a Sibling) -> SiblingLine<'a> {
    SiblingLine {
        record: "sibling",
        experiment: name.as_str(),
        batch: of.batch.as_str(),
        bottled_at: of.bottled_at,
        pulled_at: of.pulled_at,
        hours: round(of.hours()),
        dose_ml_per_l: of.dose_ml_per_l,
        sugar_g_per_l: round(of.sugar.grams_per_litre()),
        co2_volumes: thousandths(&of.co2, |co2| co2.volumes()),
        co2_volumes_cold: thousandths(&of.after, |co2| co2.volumes()),
        target_co2_volumes: round(of.target.volumes()),
        fullest_bottle_bar: thousandths(&of.fullest, |bar| bar.bar()),
        limit_bar: round(of.limit.bar()),
        abv_percent: round(of.alcohol.percent()),
        tasted: experiments::fizz(of),
        words: of.tasted.iter().map(|tasting| tasting.words.as_str()).collect(),
    }
}

fn experiment_line<'a>(name: &'a ExperimentName, of: &'a Experiment) -> ExperimentLine<'a> {
    use fobwatch_core::experiment::{By, Differs};
    let verdict = of.verdict.as_ref();
    ExperimentLine {
        record: "experiment",
        experiment: name.as_str(),
        siblings: of.siblings.len(),
        best: verdict.map(|verdict| verdict.best.as_str()),
        right: verdict.map(|verdict| verdict.right),
        by: verdict.map(|verdict| match verdict.by {
            By::Taste => "taste",
            By::Content => "content",
        }),
        differs: verdict
            .and_then(|verdict| verdict.differs)
            .map(|differs| match differs {
                Differs::Day => "hours",
                Differs::Dose => "dose_ml_per_l",
                Differs::Sugar => "sugar_g_per_l",
            }),
        right_between: verdict.and_then(|verdict| verdict.between).map(round),
        message: experiments::verdict(of),
    }
}

const HEAD: &str = "experiment,batch,bottled_at,pulled_at,hours,dose_ml_per_l,sugar_g_per_l,co2_volumes_p05,co2_volumes_p50,co2_volumes_p95,\
                    co2_volumes_cold_p05,co2_volumes_cold_p50,co2_volumes_cold_p95,target_co2_volumes,fullest_bottle_bar_p50,\
                    fullest_bottle_bar_p95,limit_bar,abv_percent,tasted,words";

fn csv_line(name: &ExperimentName, of: &Sibling) -> String {
    let line = sibling_line(name, of);
    let three = |of: &Quantiles<f64>| [of.p05, of.p50, of.p95].map(|value| value.to_string());
    let mut cells = vec![
        quoted_cell(line.experiment),
        quoted_cell(line.batch),
        line.bottled_at.to_string(),
        line.pulled_at.map(|at| at.to_string()).unwrap_or_default(),
        line.hours.to_string(),
        line.dose_ml_per_l
            .map(|dose| dose.to_string())
            .unwrap_or_default(),
        line.sugar_g_per_l.to_string(),
    ];
    cells.extend(three(&line.co2_volumes));
    cells.extend(three(&line.co2_volumes_cold));
    cells.push(line.target_co2_volumes.to_string());
    cells.push(line.fullest_bottle_bar.p50.to_string());
    cells.push(line.fullest_bottle_bar.p95.to_string());
    cells.push(line.limit_bar.to_string());
    cells.push(line.abv_percent.to_string());
    cells.push(line.tasted.unwrap_or_default().to_owned());
    cells.push(quoted_cell(&line.words.join("; ")));
    cells.join(",")
}

impl ExperimentCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.config.as_deref())?;
        let experiments = self.gathered(&config)?;
        if experiments.is_empty() {
            return Err(Ended::Failed(match &self.experiment {
                Some(name) => format!("no batch belongs to the experiment `{name}`: `experiment = \"{name}\"` stands in none of their files"),
                None => "no batch belongs to an experiment: write `experiment = \"which day\"` into the files of those that are to be set \
                         beside each other; for one that is watched: fobwatch batch correct NAME --set 'experiment=which day'"
                    .to_owned(),
            }));
        }
        if let Some(file) = &self.picture {
            let drawn = page::experimented(
                experiments.iter().map(|(name, of)| (name.as_str(), of)),
                page::Screen::Wide,
            );
            fs::write(file, drawn)
                .map_err(|error| Ended::Failed(format!("{} cannot be written: {error}", file.display())))?;
            eprintln!("{} shows them.", file.display());
        }
        if self.csv {
            say(HEAD)?;
        }
        for (name, of) in &experiments {
            if self.json {
                say(&json(&experiment_line(name, of))?)?;
                of.siblings
                    .iter()
                    .try_for_each(|sibling| say(&json(&sibling_line(name, sibling))?))?;
            } else if self.csv {
                of.siblings
                    .iter()
                    .try_for_each(|sibling| say(&csv_line(name, sibling)))?;
            } else {
                said(name, of, &config.display)
                    .iter()
                    .try_for_each(|line| say(line))?;
            }
        }
        Ok(())
    }

    fn gathered(&self, config: &Config) -> Result<BTreeMap<ExperimentName, Experiment>, Ended> {
        let settings = config.settings(ClockSource::Readings);
        let Some(folder) = &self.history else {
            let data =
                data_folder(self.data.clone(), config).map_err(|none| Ended::Refused(none.to_string()))?;
            if !Store::is_in(&data) {
                return Err(Ended::Failed(format!(
                    "nothing was ever kept in {}; name the folder of `watch` with --data, or batches with --history",
                    data.display()
                )));
            }
            let only = self.experiment.as_ref();
            let failed = |error: StoreError| Ended::Failed(error.to_string());
            let found = Store::read_folder(&data, |reader| {
                experiments::of_store(reader, &settings, &experiments::Kept::default(), only, usize::MAX)
            })
            .map_err(failed)?;
            found.left_out.iter().for_each(|why| eprintln!("{why}"));
            return Ok(found.experiments);
        };
        let mut siblings: BTreeMap<ExperimentName, Vec<Sibling>> = BTreeMap::new();
        for path in history::entries(folder)? {
            if !(path.join(history::BATCH).exists() && path.join(history::READINGS).exists()) {
                continue;
            }
            let batch = read_batch(&path.join(history::BATCH))?;
            let Some(name) = batch.experiment.clone() else {
                history::skipped(&path, "its batch belongs to no experiment");
                continue;
            };
            if self
                .experiment
                .as_ref()
                .is_some_and(|only| only.slug() != name.slug())
            {
                continue;
            }
            let (rows, notes) = history::rows_and_notes(&path, config)?;
            match experiments::sibling(batch, rows, notes, &settings) {
                Some(sibling) => siblings.entry(name).or_default().push(sibling),
                None => history::skipped(&path, "its figures are beyond what can be reckoned"),
            }
        }
        let all = siblings
            .into_iter()
            .map(|(name, siblings)| (name, Experiment::of(siblings)));
        Ok(all.collect())
    }
}
