//! `fobwatch batch`: add, list, correct, end.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use jiff::tz::TimeZone;
use serde::Serialize;

use super::{
    Ended, json,
    keeper::{CorrectedBatch, Empty, Entries, Known, Where},
    local,
    meant::who,
    quoted, read, read_batch, say,
};

/// Add a batch, list the live ones, correct or end one.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch batch example > hibiscus-12.toml\n  fobwatch batch add hibiscus-12.toml\n  fobwatch batch list\n  fobwatch batch correct 'hibiscus 12' --set bottle.fill_ml=470\n  fobwatch batch end 'hibiscus 12'"
)]
pub(super) struct BatchCommand {
    #[command(subcommand)]
    deed: Deed,
    #[command(flatten)]
    place: Where,
}

#[derive(Debug, Subcommand)]
enum Deed {
    /// Take a batch under watch, from its file
    #[command(after_help = "Example:\n  fobwatch batch add hibiscus-12.toml")]
    Add {
        /// Batch file
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// A JSON record
        #[arg(long)]
        json: bool,
    },
    /// Print a batch file to begin with: fill in your own figures
    #[command(
        after_help = "Examples:\n  fobwatch batch example > plum-1.toml\n  fobwatch batch example recipe > hibiscus-12.toml\n  fobwatch batch example \
                      proof > proof-3.toml\n\nThe time of sealing and the pressure limit are left out: nobody but you knows them. `fobwatch check FILE` \
                      tells what is still missing, `fobwatch plan --batch FILE` what to expect."
    )]
    Example {
        /// Of which kind
        #[arg(value_enum, default_value = "plain")]
        kind: Example,
    },
    /// List the live batches
    #[command(after_help = "Examples:\n  fobwatch batch list\n  fobwatch batch list --json")]
    List {
        /// One JSON record a batch
        #[arg(long)]
        json: bool,
    },
    /// Correct what was entered: everything since the sealing is reckoned again
    #[command(
        after_help = "Examples:\n  fobwatch batch correct 'hibiscus 12' --set bottle.fill_ml=470 --set drink.sucrose_g_per_l=65\n  fobwatch batch correct \
                      'hibiscus 12' hibiscus-12.toml\n\nWhat sensors told and what you noted counts as before; the old entries are kept, with who corrected \
                      them. A question about an entry that is right: fobwatch note 'hibiscus 12' confirmed --text sugar (or fill)."
    )]
    Correct {
        /// Its name or slug
        #[arg(value_name = "NAME")]
        name: String,
        /// The whole batch file, mended
        #[arg(value_name = "FILE", required_unless_present = "set", conflicts_with = "set")]
        file: Option<PathBuf>,
        /// A single entry, by its key in the batch file; with nothing behind the sign it is left out
        #[arg(long, value_name = "KEY=VALUE", value_parser = entry)]
        set: Vec<(String, serde_json::Value)>,
        /// Who corrects [default: your login name]
        #[arg(long, value_name = "NAME")]
        who: Option<String>,
        /// A JSON record
        #[arg(long)]
        json: bool,
    },
    /// End a batch: it is no longer watched, and its name is free
    #[command(
        after_help = "Example:\n  fobwatch batch end 'hibiscus 12'\n\nNothing warns of its bottles from then on; what was stored stays stored."
    )]
    End {
        /// Its name or slug
        #[arg(value_name = "NAME")]
        name: String,
        /// A JSON record
        #[arg(long)]
        json: bool,
    },
}

/// Batch files that come with the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Example {
    /// Sugars by weight in a litre
    Plain,
    /// With its recipe: the sugar is reckoned from it
    Recipe,
    /// A small plastic bottle of fed starter, before any glass is filled
    Proof,
}

impl Example {
    /// Without the entries that only its user knows: whoever forgets them is told.
    fn text(self) -> String {
        let text = match self {
            Self::Plain => include_str!("../../../config/example-batch.toml"),
            Self::Recipe => include_str!("../../../config/example-recipe.toml"),
            Self::Proof => include_str!("../../../config/example-proof.toml"),
        };
        let own = |line: &&str| line.starts_with("bottled_at") || line.starts_with("pressure_limit_bar");
        let lines = text.lines().map(|line| {
            if own(&line) {
                format!("# {line}   <- YOURS, without the #")
            } else {
                line.to_owned()
            }
        });
        lines.collect::<Vec<_>>().join("\n")
    }
}

#[derive(Serialize)]
struct BatchLine<'a> {
    record: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    deed: Option<&'static str>,
    #[serde(flatten)]
    batch: &'a Known,
}

#[derive(Serialize)]
struct CorrectedLine<'a> {
    record: &'static str,
    deed: &'static str,
    #[serde(flatten)]
    done: &'a CorrectedBatch,
}

impl BatchCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        match self.deed {
            Deed::Add { file, json } => add(&self.place, &file, json),
            Deed::Example { kind } => say(&kind.text()),
            Deed::List { json } => list(&self.place, json),
            Deed::Correct {
                name,
                file,
                set,
                who: by,
                json,
            } => {
                let entries = match file {
                    Some(file) => {
                        read_batch(&file)?;
                        Entries::Whole(read(&file)?)
                    }
                    None => Entries::Some(set.into_iter().collect()),
                };
                correct(&self.place, &name, &entries, &who(by.as_deref()), json)
            }
            Deed::End { name, json } => end(&self.place, &name, json),
        }
    }
}

fn add(place: &Where, file: &std::path::Path, as_json: bool) -> Result<(), Ended> {
    let batch = read_batch(file)?;
    let text = read(file)?;
    let mut found = place.find(Empty::Begin)?;
    for warning in found.keeper.add(&batch, &text)? {
        eprintln!("warning: {warning}");
    }
    let known = Known {
        slug: batch.name.slug(),
        bottled_at: batch.bottled_at,
        bottles: batch.bottle.count,
        target_co2_volumes: batch.target.co2.volumes(),
        limit_bar: batch.bottle.pressure_limit.bar(),
        counts_from: None,
        batch: batch.name,
    };
    found.warn();
    if as_json {
        return record(&known, Some("added"));
    }
    let name = &known.batch;
    if !found.keeper.watches() {
        return say(&format!(
            "{name} is kept in {} and will be watched from the next `fobwatch watch` on.",
            found.keeper.name()
        ));
    }
    say(&format!(
        "{name} is watched by {}. What it needs: fobwatch status {}{}",
        found.keeper.name(),
        quoted(name.as_str()),
        place.again()
    ))
}

fn list(place: &Where, as_json: bool) -> Result<(), Ended> {
    let mut found = place.find(Empty::Refuse)?;
    let mut all = found.keeper.batches()?;
    all.sort_by(|a, b| a.batch.cmp(&b.batch));
    found.warn();
    if as_json {
        return all.iter().try_for_each(|known| record(known, None));
    }
    if all.is_empty() {
        return say("No batch is watched yet. Add one: fobwatch batch add hibiscus-12.toml");
    }
    all.iter().try_for_each(|known| say(&line(known, &found.zone)))
}

fn correct(place: &Where, name: &str, entries: &Entries, who: &str, as_json: bool) -> Result<(), Ended> {
    let mut found = place.find(Empty::Refuse)?;
    let known = found.batch(name)?;
    let done = found.keeper.correct(&known, entries, who)?;
    found.warn();
    for warning in &done.warnings {
        eprintln!("warning: {warning}");
    }
    if as_json {
        return say(&json(&CorrectedLine {
            record: "batch",
            deed: "corrected",
            done: &done,
        })?);
    }
    if done.changes.is_empty() {
        return say(&format!(
            "{} has these entries already: nothing was changed.",
            known.batch
        ));
    }
    say(&format!("{} is corrected:", known.batch))?;
    for change in &done.changes {
        say(&format!("  {change}"))?;
    }
    say(if found.keeper.watches() {
        "It is reckoned again from its sealing on; what stands then is told."
    } else {
        "The next `fobwatch watch` reckons it again from its sealing on."
    })
}

/// `bottle.fill_ml=470`.
fn entry(text: &str) -> Result<(String, serde_json::Value), String> {
    let (key, value) = text
        .split_once('=')
        .filter(|(key, _)| !key.trim().is_empty())
        .ok_or("allowed: a key of the batch file, =, and its value, as bottle.fill_ml=470")?;
    let value = value.trim();
    let value = match serde_json::from_str(value) {
        Ok(read @ (serde_json::Value::Number(_) | serde_json::Value::Bool(_))) => read,
        _ if value.is_empty() => serde_json::Value::Null,
        _ => serde_json::Value::String(value.to_owned()),
    };
    Ok((key.trim().to_owned(), value))
}

fn end(place: &Where, name: &str, as_json: bool) -> Result<(), Ended> {
    let mut found = place.find(Empty::Refuse)?;
    let known = found.batch(name)?;
    found.keeper.end(&known)?;
    found.warn();
    if as_json {
        return record(&known, Some("ended"));
    }
    say(&format!(
        "{} has ended and is no longer watched. Nothing warns of its bottles from here on: those that are still sealed stay \
         under pressure.",
        known.batch
    ))
}

fn record(batch: &Known, deed: Option<&'static str>) -> Result<(), Ended> {
    say(&json(&BatchLine {
        record: "batch",
        deed,
        batch,
    })?)
}

fn line(known: &Known, zone: &TimeZone) -> String {
    let bottles = if known.bottles == 1 { "bottle" } else { "bottles" };
    format!(
        "{} ({}): {} {bottles}, sealed {}; target {} volumes, your limit {} bar.",
        known.batch,
        known.slug,
        known.bottles,
        local(known.bottled_at, zone),
        known.target_co2_volumes,
        known.limit_bar
    )
}

#[cfg(test)]
mod tests {
    use fobwatch_core::batch::Batch;

    use super::*;

    #[test]
    fn an_example_lacks_only_what_its_user_alone_knows() {
        for kind in [Example::Plain, Example::Recipe, Example::Proof] {
            let bad = Batch::from_toml(&kind.text(), "example.toml").unwrap_err();
            let mut keys: Vec<&str> = bad.problems.iter().map(|problem| problem.key.as_str()).collect();
            keys.sort_unstable();
            assert_eq!(keys, ["bottle.pressure_limit_bar", "bottled_at"], "{bad}");
        }
    }
}
