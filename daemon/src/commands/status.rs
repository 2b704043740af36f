//! `fobwatch status`: the agenda on a terminal.

use clap::Args;
use fobwatch_core::alert::AlarmState;
use serde::Serialize;

use super::{
    Ended, json,
    keeper::{Empty, Wanted, Where},
    quoted, say,
};
use crate::page::{Told, ToldAlert, ToldBatch};

/// So many that are behind are named one by one.
const MOST_BEHIND: usize = 10;

/// Tell what each batch needs now.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch status\n  fobwatch status --json\n  fobwatch status 'hibiscus 12'"
)]
pub(super) struct Status {
    /// Only this batch, by its name or slug
    #[arg(value_name = "NAME")]
    batch: Option<String>,
    /// Every batch, also where there are more than a hundred
    #[arg(long, conflicts_with = "batch")]
    all: bool,
    /// One JSON record a batch
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

/// What one batch needs, as a record.
#[derive(Serialize)]
struct StatusLine<'a> {
    record: &'static str,
    at: jiff::Timestamp,
    behind: bool,
    demo: bool,
    #[serde(flatten)]
    batch: &'a ToldBatch,
}

impl Status {
    pub(super) fn run(self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let wanted = match &self.batch {
            Some(name) => Wanted::Only(found.batch(name)?.slug),
            None if self.all => Wanted::All,
            None => Wanted::First,
        };
        let mut told = found.keeper.status(&wanted)?;
        if let Wanted::Only(slug) = &wanted {
            told.batches.retain(|batch| batch.slug == *slug);
        }
        found.warn();
        let more = match wanted {
            Wanted::First => told.total.saturating_sub(told.batches.len()),
            Wanted::All | Wanted::Only(_) => 0,
        };
        if more > 0 && self.json {
            eprintln!(
                "warning: {more} more batches, less urgent, are watched; `fobwatch status --all` tells of them, too"
            );
        }
        if self.json {
            return told.batches.iter().try_for_each(|batch| {
                say(&json(&StatusLine {
                    record: "status",
                    at: told.at,
                    demo: told.demo,
                    behind: told.behind.contains(&batch.batch),
                    batch,
                })?)
            });
        }
        let options = self.place.again();
        let mut lines = lines(&told, self.batch.is_none(), &options);
        if more > 0 {
            lines.push(String::new());
            lines.push(format!(
                "{more} more batches, less urgent, are watched: fobwatch status --all{options}"
            ));
        }
        lines.iter().try_for_each(|line| say(line))
    }
}

/// The sentences; `all`: with those that concern all batches. `options` end each command that is proposed.
fn lines(told: &Told, all: bool, options: &str) -> Vec<String> {
    let mut lines = Vec::new();
    if all {
        let demo = if told.demo { "Demo: " } else { "" };
        lines.push(format!("{demo}{}", told.headline));
        lines.extend(told.pressure.clone());
    }
    lines.push(format!("{}. {}", told.local, told.heard));
    if told.behind.len() > MOST_BEHIND {
        lines.push(format!(
            "What is stored of {} batches or more is still being reckoned: what is said of them is old. Ask again in a minute.",
            told.behind.len()
        ));
    } else {
        lines.extend(told.behind.iter().map(|name| {
            format!("What is stored of {name} is still being reckoned: what is said of it is old. Ask again in a minute.")
        }));
    }
    lines.extend(told.servers.iter().cloned());
    if told.batches.is_empty() {
        lines.push(format!(
            "Add a batch: fobwatch batch add hibiscus-12.toml{options}"
        ));
    }
    for batch in &told.batches {
        lines.push(String::new());
        lines.push(batch.batch.to_string());
        for need in &batch.needs {
            lines.push(format!("  {}: {}", need.when, need.what));
            lines.extend(need.why.iter().map(|why| format!("    {why}")));
            if need.seen {
                lines.push("    Somebody has seen this.".to_owned());
            }
        }
        lines.extend(hints(batch, options));
    }
    lines
}

/// What to type about the alerts of a batch, each named once.
fn hints(batch: &ToldBatch, options: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let name = quoted(batch.batch.as_str());
    for alert in &batch.alerts {
        let line = match alert.state {
            AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged => {
                format!("  Seen it? fobwatch ack {} --batch {name}{options}", alert.alert)
            }
            AlarmState::Shelved => format!("  {}", shelved(alert, &name, options)),
            AlarmState::OutOfService => format!(
                "  {} is out of service; back: fobwatch service {} --back --batch {name}{options}",
                alert.alert, alert.alert
            ),
            _ => continue,
        };
        if !lines.contains(&line) {
            lines.push(line);
        }
    }
    lines
}

fn shelved(alert: &ToldAlert, name: &str, options: &str) -> String {
    let until = alert
        .shelved_until
        .map_or_else(String::new, |until| format!(" until {until}"));
    format!(
        "{} is shelved{until}; back before that: fobwatch shelve {} --unshelve --batch {name}{options}",
        alert.alert, alert.alert
    )
}
