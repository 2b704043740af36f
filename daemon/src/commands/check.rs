//! `fobwatch check`

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::batch::Batch;

use super::{Ended, read, read_config, say};

/// Check configuration and batch files, and tell every problem at once.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  fobwatch check kitchen.toml batches/hibiscus-12.toml")]
pub(super) struct Check {
    /// Files to check; none: the built-in defaults
    files: Vec<PathBuf>,
}

impl Check {
    pub(super) fn run(self) -> Result<(), Ended> {
        if self.files.is_empty() {
            read_config(None)?;
            return say("The built-in defaults are fine.");
        }
        let (mut failed, mut refused) = (false, false);
        for file in &self.files {
            let text = match read(file) {
                Ok(text) => text,
                Err(why) => {
                    eprintln!("error: {why}");
                    failed = true;
                    continue;
                }
            };
            let place = file.display().to_string();
            // A batch file is known by what no configuration has.
            let is_batch = text.lines().any(|line| {
                let line = line.trim_start();
                line.starts_with("[bottle]") || line.starts_with("[drink]") || line.starts_with("bottled_at")
            });
            let outcome = if is_batch {
                Batch::from_toml(&text, &place)
                    .map_err(|bad| bad.to_string())
                    .map(|(batch, warnings)| {
                        for warning in warnings {
                            eprintln!("warning: {place}: {warning}");
                        }
                        format!("{place}: the batch `{}` is fine.", batch.name)
                    })
            } else {
                read_config(Some(file))
                    .map(|_| format!("{place}: the configuration is fine."))
                    .map_err(|why| why.to_string())
            };
            match outcome {
                Ok(fine) => say(&fine)?,
                Err(why) => {
                    eprintln!("error: {why}");
                    refused = true;
                }
            }
        }
        match (refused, failed) {
            (true, _) => Err(Ended::Refused("not every file is fine".to_owned())),
            (false, true) => Err(Ended::Failed("not every file could be read".to_owned())),
            (false, false) => Ok(()),
        }
    }
}
