//! `fobwatch rescue`: a batch that was chilled too early goes back to the room; one that went too far.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::engine::ClockSource;

use super::{
    Ended, history, json,
    keeper::{Empty, Where},
    local, read_batch, read_config, say,
};
use crate::{
    moment,
    rescue::{self, Told},
};

/// Tell what can still be done for a batch that was chilled too early, or went too far.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch rescue 'hibiscus 12'\n  fobwatch rescue 'hibiscus 12' --at '2026-03-08 09:00'\n  fobwatch rescue \
                  --folder hibiscus-12\n\nIt changes nothing: what you do with the bottles is told with `fobwatch note`."
)]
pub(super) struct Rescue {
    /// The batch, by its name or slug
    #[arg(
        value_name = "NAME",
        required_unless_present = "folder",
        conflicts_with = "folder"
    )]
    batch: Option<String>,
    /// Instead: a folder with batch.toml, readings.csv and notes.jsonl, as `export --batch` writes it
    #[arg(long, value_name = "DIR")]
    folder: Option<PathBuf>,
    /// When the bottles would be taken out of the fridge [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// One JSON record
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

impl Rescue {
    pub(super) fn run(self) -> Result<(), Ended> {
        let config = read_config(self.place.config())?;
        let zone = config.display.zone.clone();
        let at = self.at.as_ref().map(|text| moment::read(text, &zone)).transpose();
        let at = at.map_err(|why| Ended::Refused(format!("--at: {why}")))?;
        let told = if let Some(folder) = &self.folder {
            let batch = read_batch(&folder.join(history::BATCH))?;
            let monitor = history::of_files_led(batch, folder, &config)?;
            let at = rescue::moment(at, monitor.clock(), &zone).map_err(Ended::Refused)?;
            let ambient = config.settings(ClockSource::Readings).surroundings.usual_ambient;
            rescue::told(&monitor, at, ambient, &config.display)
        } else {
            let mut found = self.place.find(Empty::Refuse)?;
            let batch = found.batch(self.batch.as_deref().unwrap_or_default())?;
            let told = found.keeper.rescue(&batch.slug, at)?;
            found.warn();
            told
        };
        if self.json {
            return say(&json(&told)?);
        }
        lines(&told, &zone).iter().try_for_each(|line| say(line))
    }
}

fn lines(told: &Told, zone: &jiff::tz::TimeZone) -> Vec<String> {
    let mut lines = vec![format!("{}, {}", told.batch, local(told.at, zone))];
    lines.extend(told.advice.iter().map(|said| format!("  {said}")));
    lines
}
