//! One batch as a folder; files that are whole or not there.

use std::{
    fs::{self, File},
    io::{BufWriter, Write},
    path::{Path, PathBuf},
};

use fobwatch_core::batch::Batch;

use super::{
    super::{Ended, format::Format, say},
    failed,
    rows::{Rows, Wanted},
    tell_thinned,
};
use crate::{
    config::zero,
    corrected,
    decode::notes,
    store::{Reader, StoredBatch},
    watch::Claims,
};

const ZEROS: &str = "# What gauges read in open air when this was written. The values in readings.csv have the zero of their time taken\n\
                     # off already; nothing that reads them takes it off again.\n";

/// Writes `path` under another name first, so that an interruption leaves no half file; what stood there is replaced.
pub(in crate::commands) fn whole<T>(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T, Ended>,
) -> Result<T, Ended> {
    let unwritten =
        |error: std::io::Error| Ended::Failed(format!("{} cannot be written: {error}", path.display()));
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let mut out = BufWriter::new(File::create(&part).map_err(unwritten)?);
    let done = write(&mut out).and_then(|done| {
        out.flush().map_err(unwritten)?;
        out.get_ref().sync_all().map_err(unwritten)?;
        fs::rename(&part, path).map_err(unwritten)?;
        Ok(done)
    });
    if done.is_err() {
        fs::remove_file(&part).ok();
    }
    done
}

/// Writes batch.toml, readings.csv and notes.jsonl: every reading that came in for the batch's engine to count. Where the batch names no sensor
/// for a quantity those of all sources go with it, as its engine looks at them all; not those that sit on other batches. With them goes what was
/// taken off the pressures, for the record.
pub(super) fn write(data: &Path, reader: &Reader<'_>, stored: &StoredBatch, to: &Path) -> Result<(), Ended> {
    let place = format!("the stored batch `{}`", stored.name);
    let (batch, _warnings) =
        Batch::from_toml(&stored.text, &place).map_err(|bad| Ended::Failed(bad.to_string()))?;
    free(to, &stored.text)?;
    let text = |path: &Path, text: &str| {
        whole(path, |out| {
            out.write_all(text.as_bytes())
                .map_err(|error| Ended::Failed(format!("{} cannot be written: {error}", path.display())))
        })
    };
    let wanted = Wanted {
        after: reader
            .sequence_before(stored.id, batch.bottled_at)
            .map_err(failed)?,
        received_by: stored.ended_at,
        only_of: Some((stored.id, batch.clone(), Claims::of(reader).map_err(failed)?)),
        ..Wanted::default()
    };
    text(&to.join("batch.toml"), &stored.text)?;
    let written = whole(&to.join("readings.csv"), |out| {
        Rows::new(Format::Csv, out)?.write(reader, &wanted)
    })?;
    let all = reader.all_notes(stored.id).map_err(failed)?;
    let lines: String = all.iter().map(|note| notes::write(note) + "\n").collect();
    text(&to.join("notes.jsonl"), &lines)?;
    let zeros = zero::load(data).map_err(|bad| Ended::Failed(bad.to_string()))?;
    if !zeros.is_empty() {
        text(&to.join(zero::FILE), &(ZEROS.to_owned() + &zero::lines(&zeros)))?;
    }
    say(&format!(
        "{} holds {}: {}, {}. `fobwatch replay` goes over them again.",
        to.display(),
        stored.name,
        so_many(written.rows, "reading"),
        so_many(all.len(), "note"),
    ))?;
    tell_thinned(reader, Some(batch.bottled_at), stored.ended_at)
}

/// "1 note", "2 notes".
fn so_many(count: usize, of: &str) -> String {
    format!("{count} {of}{}", if count == 1 { "" } else { "s" })
}

/// Makes the folder; one that holds something else is left alone.
fn free(to: &Path, text: &str) -> Result<(), Ended> {
    let unwritten =
        |error: std::io::Error| Ended::Failed(format!("{} cannot be written: {error}", to.display()));
    fs::create_dir_all(to).map_err(unwritten)?;
    let empty = fs::read_dir(to).map_err(unwritten)?.next().is_none();
    let again = fs::read_to_string(to.join("batch.toml")).is_ok_and(|there| corrected::held(text, &there));
    if empty || again {
        return Ok(());
    }
    Err(Ended::Refused(format!(
        "{} holds other files; allowed: a new or empty folder, or one of an earlier export of this batch",
        to.display()
    )))
}
