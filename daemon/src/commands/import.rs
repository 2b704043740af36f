//! `fobwatch import`: readings of a file into the store.

use std::{fs::File, path::PathBuf};

use clap::Args;
use fobwatch_core::reading::Reading;
use jiff::{Timestamp, tz::TimeZone};
use serde::Serialize;

use super::{
    Ended,
    format::{Format, Progress},
    json,
    keeper::{Empty, Keeper, Known, Where},
    local, read_config, say,
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
    /// When the earliest and the latest of them was measured.
    #[serde(skip)]
    span: Option<(Timestamp, Timestamp)>,
}

/// More batches than this are counted.
const MOST_NAMED: usize = 3;

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
            if imported.new > 0 {
                let watched = found.keeper.batches()?;
                for sentence in imported.counts(&watched, found.keeper.watches(), &found.zone) {
                    say(&sentence)?;
                }
            }
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
        for at in waiting.iter().map(|reading| reading.at) {
            let (first, last) = self.span.unwrap_or((at, at));
            self.span = Some((first.min(at), last.max(at)));
        }
        self.new += new;
        self.duplicates += waiting.len().saturating_sub(new);
        waiting.clear();
        Ok(())
    }

    /// From when on they count, and for which batches they never do.
    fn counts(&self, batches: &[Known], watched: bool, zone: &TimeZone) -> Vec<String> {
        let Some((first, last)) = self.span else {
            return Vec::new();
        };
        if batches.is_empty() {
            return vec![
                "No batch is there to take them yet: they count for one that is added later, as far as they were measured after its sealing."
                    .to_owned(),
            ];
        }
        let (after, before): (Vec<&Known>, Vec<&Known>) =
            batches.iter().partition(|batch| batch.bottled_at <= last);
        let mut said = Vec::new();
        if !after.is_empty() {
            let waits = after
                .iter()
                .filter_map(|batch| Some((*batch, batch.counts_from?)));
            let times: Vec<String> = waits
                .take(MOST_NAMED)
                .map(|(batch, from)| format!("{} from {}", batch.batch, local(from, zone)))
                .collect();
            said.push(match (watched, times.as_slice()) {
                (true, []) => {
                    "What a batch takes of them counts from its next half hour since the sealing on; late rows change nothing that was told before."
                        .to_owned()
                }
                (true, times) => format!(
                    "What a batch takes of them counts from its next half hour since the sealing on ({}); late rows change nothing that was told before.",
                    times.join("; ")
                ),
                (false, _) => {
                    "The next `fobwatch watch` takes them up: what a batch takes of them counts from then on.".to_owned()
                }
            });
        }
        let sealed_later: Vec<String> = after
            .iter()
            .filter(|batch| first < batch.bottled_at)
            .chain(&before)
            .map(|batch| format!("{}, {}", batch.batch, local(batch.bottled_at, zone)))
            .collect();
        if !sealed_later.is_empty() {
            let (named, more) = sealed_later.split_at(sealed_later.len().min(MOST_NAMED));
            let more = match more.len() {
                0 => String::new(),
                count => format!("; and {count} more"),
            };
            said.push(format!(
                "What was measured before a batch was sealed is kept and never counts for it ({}{more}).",
                named.join("; ")
            ));
        }
        said
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

#[cfg(test)]
mod tests {
    use fobwatch_core::batch::BatchName;

    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn known(name: &str, bottled_at: &str, counts_from: Option<&str>) -> Known {
        let batch = BatchName::new(name).unwrap();
        Known {
            slug: batch.slug(),
            batch,
            bottled_at: at(bottled_at),
            bottles: 8,
            target_co2_volumes: 2.8,
            limit_bar: 6.0,
            counts_from: counts_from.map(at),
        }
    }

    #[test]
    fn it_is_said_from_when_rows_count_and_for_whom_never() {
        let imported = Imported {
            new: 2,
            span: Some((at("2026-03-02T06:00:00Z"), at("2026-03-02T12:00:00Z"))),
            ..Imported::default()
        };
        let said = |batches: &[Known], watched| imported.counts(batches, watched, &TimeZone::UTC).join(" ");
        let early = known("plum 1", "2026-03-01T07:00:00Z", Some("2026-03-02T12:30:00Z"));
        let told = said(std::slice::from_ref(&early), true);
        assert!(
            told.contains("(plum 1 from Monday 2 March 2026, 12:30 UTC)") && !told.contains("never"),
            "{told}"
        );
        let between = known("plum 2", "2026-03-02T07:00:00Z", None);
        let later = known("plum 3", "2026-03-03T07:00:00Z", None);
        let told = said(&[early, between, later.clone()], false);
        assert!(
            told.starts_with("The next `fobwatch watch` takes them up"),
            "{told}"
        );
        assert!(
            told.ends_with(
                "(plum 2, Monday 2 March 2026, 07:00 UTC; plum 3, Tuesday 3 March 2026, 07:00 UTC)."
            ),
            "{told}"
        );
        let told = said(&[later], true);
        assert!(
            told.starts_with("What was measured before a batch was sealed"),
            "{told}"
        );
        assert!(said(&[], true).contains("added later"));
    }
}
