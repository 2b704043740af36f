//! Readings of the store as lines.

use std::{io::Write, path::Path};

use fobwatch_core::{
    batch::Batch,
    reading::{Quantity, Reading, Source},
};
use jiff::Timestamp;

use super::{
    super::{
        Ended,
        format::{Format, Progress},
        say,
    },
    failed,
};
use crate::{
    decode::columns::Columns,
    store::{BatchId, Reader, Sequence, StoredEvent, StoredWhat},
    watch::Claims,
};

/// Readings that are read at once: a short transaction each.
const AT_ONCE: u32 = 5_000;
/// Refusals that are told one by one.
const MOST_TOLD: usize = 20;

/// Which readings.
#[derive(Debug, Default)]
pub(super) struct Wanted {
    pub(super) source: Option<Source>,
    pub(super) quantity: Option<Quantity>,
    pub(super) from: Option<Timestamp>,
    pub(super) until: Option<Timestamp>,
    /// Only what stands behind this place in the order.
    pub(super) after: Sequence,
    /// Only what arrived by this time.
    pub(super) received_by: Option<Timestamp>,
    /// Only what this batch hears: not what was measured before it was sealed, by other sensors than those it names, or on other batches.
    pub(super) only_of: Option<(BatchId, Batch, Claims)>,
}

/// Where they go.
pub(super) enum Rows<W: Write + Send> {
    Lines { format: Format, out: W },
    Columns(Box<Columns<W>>),
}

/// What was written.
#[derive(Debug, Default)]
pub(super) struct Written {
    pub(super) rows: usize,
    pub(super) refused: usize,
    /// Nobody reads on.
    broken: bool,
}

impl Wanted {
    fn has(&self, event: &StoredEvent, reading: &Reading) -> bool {
        self.source
            .as_ref()
            .is_none_or(|source| *source == reading.source)
            && self
                .quantity
                .is_none_or(|quantity| quantity == reading.measured.quantity())
            && self.from.is_none_or(|from| reading.at >= from)
            && self.until.is_none_or(|until| reading.at < until)
            && self.received_by.is_none_or(|by| event.received_at <= by)
            && self.only_of.as_ref().is_none_or(|(id, batch, claims)| {
                let quantity = reading.measured.quantity();
                batch.hears(reading) && claims.holder((*id, batch), &reading.source, quantity).is_none()
            })
    }
}

impl<W: Write + Send> Rows<W> {
    pub(super) fn new(format: Format, out: W) -> Result<Self, Ended> {
        Ok(match format {
            Format::Parquet => Self::Columns(Box::new(Columns::new(out).map_err(|bad| unwritten(&bad))?)),
            Format::Csv | Format::Senml | Format::Jsonl => Self::Lines { format, out },
        })
    }

    /// Writes what is wanted of what was stored by now, in the order in which it arrived.
    pub(super) fn write(mut self, reader: &Reader<'_>, wanted: &Wanted) -> Result<Written, Ended> {
        let mut written = Written::default();
        if let Self::Lines { format, out } = &mut self
            && let Some(header) = format.header()
        {
            writeln!(out, "{header}").or_else(|error| written.forgive(&error))?;
        }
        let end = reader.last_sequence().map_err(failed)?;
        let mut seen = wanted.after;
        let mut progress = Progress::new();
        while seen < end && !written.broken {
            let events = reader.readings_after(seen, AT_ONCE).map_err(failed)?;
            let Some(last) = events.last().map(|event| event.sequence) else {
                break;
            };
            for event in events.iter().filter(|event| event.sequence <= end) {
                if let StoredWhat::Reading(reading) = &event.what
                    && wanted.has(event, reading)
                    && !written.broken
                {
                    self.row(reading, &mut written)?;
                }
            }
            seen = last;
            progress.tell(|| {
                format!(
                    "{} readings written, {} of {} gone over",
                    written.rows, seen.0, end.0
                )
            });
        }
        match self {
            Self::Lines { mut out, .. } => out.flush().or_else(|error| written.forgive(&error))?,
            Self::Columns(columns) => columns.end().map_err(|bad| unwritten(&bad))?,
        }
        Ok(written)
    }

    fn row(&mut self, reading: &Reading, written: &mut Written) -> Result<(), Ended> {
        match self {
            Self::Columns(columns) => columns.take(reading).map_err(|bad| unwritten(&bad))?,
            Self::Lines { format, out } => match format.write(reading) {
                Ok(line) => writeln!(out, "{line}").or_else(|error| written.forgive(&error))?,
                Err(why) => {
                    written.refused += 1;
                    if written.refused <= MOST_TOLD {
                        eprintln!("the reading of {} at {}: {why}", reading.source, reading.at);
                    }
                    return Ok(());
                }
            },
        }
        written.rows += 1;
        Ok(())
    }
}

impl Written {
    /// A reader who has gone away is no fault of the command.
    fn forgive(&mut self, error: &std::io::Error) -> Result<(), Ended> {
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            self.broken = true;
            return Ok(());
        }
        Err(unwritten(error))
    }

    /// Says what was written to `path`, and what could not be.
    pub(super) fn tell(&self, path: Option<&Path>) -> Result<(), Ended> {
        if let Some(path) = path {
            say(&format!("{}: {} readings.", path.display(), self.rows))?;
        }
        if self.refused > 0 {
            return Err(Ended::Refused(format!(
                "{} readings were left out, since this form cannot hold the name of their source; allowed: --format csv or \
                 jsonl",
                self.refused
            )));
        }
        Ok(())
    }
}

fn unwritten(error: &dyn std::error::Error) -> Ended {
    Ended::Failed(format!("the readings cannot be written: {error}"))
}
