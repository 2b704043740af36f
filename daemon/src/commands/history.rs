//! `--history DIR`: earlier batches of the same culture, replayed or read from their records.

use std::{
    fs::{self, File},
    io::{BufReader, IsTerminal},
    path::{Path, PathBuf},
};

use fobwatch_core::{
    batch::Batch,
    culture::{DIARY, DiaryEntry, Lesson},
    engine::{ClockSource, Monitor},
    note::{Note, NoteKind, Palate, counting},
    plain,
    reading::Reading,
};
use jiff::tz::TimeZone;

use super::{Ended, local, read, read_batch};
use crate::{
    config::Config,
    craft::led::{gone_over, led},
    decode,
};

/// Names of a batch's files in its folder.
pub(super) const BATCH: &str = "batch.toml";
pub(super) const READINGS: &str = "readings.csv";
const NOTES: &str = "notes.jsonl";
/// A record that spares the replay.
const RECORD: &str = "culture.json";

/// What the earlier batches in `folder` teach about the culture of `batch`, by the time they were bottled. Each of its folders
/// holds batch.toml and readings.csv (and notes.jsonl), or a record as `export` writes it; records may lie in `folder` itself. What
/// does not inform is told on standard error and left out.
///
/// # Errors
/// A folder or file that cannot be read, and refused input: with its place, what stands there and what is allowed.
pub(super) fn lessons(folder: Option<&Path>, batch: &Batch, config: &Config) -> Result<Vec<Lesson>, Ended> {
    let Some(folder) = folder else {
        return Ok(Vec::new());
    };
    let mut found: Vec<Lesson> = Vec::new();
    for path in entries(folder)? {
        if path.is_dir() {
            found.extend(of_folder(&path, batch, config)?);
        } else if is_record(&path) {
            found.extend(of_record(&path, batch)?);
        }
    }
    found.sort_by(|a, b| (a.bottled_at, &a.batch).cmp(&(b.bottled_at, &b.batch)));
    found.dedup_by(|later, kept| {
        let twice = (later.bottled_at, &later.batch) == (kept.bottled_at, &kept.batch);
        if twice {
            eprintln!("{} is there twice; it counts once.", later.batch);
        }
        twice
    });
    match (found.len(), &batch.culture) {
        (0, _) => eprintln!(
            "No earlier batch informs {}: it is reckoned like any culture's.",
            batch.name
        ),
        (1, Some(culture)) => eprintln!("{culture} is known from 1 earlier batch."),
        (some, Some(culture)) => eprintln!("{culture} is known from {some} earlier batches."),
        (_, None) => {}
    }
    Ok(found)
}

/// What the words for fizz mean in the house that keeps `folder`, by bottles of batches that were sealed before `batch` and tasted cold.
///
/// # Errors
/// As [`lessons`].
pub(super) fn palate(folder: Option<&Path>, batch: &Batch, config: &Config) -> Result<Palate, Ended> {
    let mut tastings = Vec::new();
    for path in folder.map(entries).transpose()?.into_iter().flatten() {
        let files = [BATCH, READINGS, NOTES].map(|name| path.join(name));
        if !files.iter().all(|file| file.exists()) {
            continue;
        }
        let said = noted(&files[2])?;
        let has_words =
            |note: &Note| note.text.is_some() && matches!(note.kind, NoteKind::Opened | NoteKind::Tasted);
        let earlier = read_batch(&files[0])?;
        if earlier.bottled_at < batch.bottled_at && said.iter().any(has_words) {
            tastings.extend(of_files(earlier, &path, config)?.tastings(&said));
        }
    }
    let palate = Palate::of(&tastings);
    if let Some(told) = crate::watch::calibrated(&palate, tastings.len()) {
        eprintln!("{told}");
    }
    Ok(palate)
}

/// What lies in a folder, by name; a file of records is its own folder.
///
/// # Errors
/// It cannot be read, or is a file of something else.
pub(super) fn entries(folder: &Path) -> Result<Vec<PathBuf>, Ended> {
    if folder.is_file() {
        return if is_record(folder) {
            Ok(vec![folder.to_owned()])
        } else {
            Err(Ended::Refused(format!(
                "{} is a file; allowed: a folder of earlier batches, or a file of records, as culture.json or jars.jsonl",
                folder.display()
            )))
        };
    }
    let cannot =
        |error: std::io::Error| Ended::Failed(format!("{} cannot be read: {error}", folder.display()));
    let mut paths = fs::read_dir(folder)
        .map_err(cannot)?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<Vec<_>, _>>()
        .map_err(cannot)?;
    paths.sort();
    Ok(paths)
}

pub(super) fn is_record(path: &Path) -> bool {
    let named = |wanted: &str| path.file_name().is_some_and(|name| name == wanted);
    named(RECORD) || (path.extension().is_some_and(|ending| ending == "jsonl") && !named(NOTES))
}

pub(super) fn skipped(path: &Path, why: &str) {
    eprintln!("{} is skipped: {why}.", path.display());
}

fn of_folder(folder: &Path, batch: &Batch, config: &Config) -> Result<Vec<Lesson>, Ended> {
    let records: Vec<PathBuf> = entries(folder)?
        .into_iter()
        .filter(|path| is_record(path))
        .collect();
    if !records.is_empty() {
        let mut found = Vec::new();
        for record in records {
            found.extend(of_record(&record, batch)?);
        }
        return Ok(found);
    }
    let (file, readings) = (folder.join(BATCH), folder.join(READINGS));
    for (path, name) in [(&file, BATCH), (&readings, READINGS)] {
        if !path.exists() {
            skipped(folder, &format!("it has neither a record nor {name}"));
            return Ok(Vec::new());
        }
    }
    let earlier = read_batch(&file)?;
    if let Some(why) = silent(&earlier, batch, &config.display.zone) {
        skipped(folder, &why);
        return Ok(Vec::new());
    }
    if std::io::stderr().is_terminal() {
        eprintln!("Replaying {} ...", folder.display());
    }
    let monitor = of_files(earlier, folder, config)?;
    let lesson = monitor.lesson();
    if lesson.is_none() {
        skipped(folder, "nothing was measured in it that tells of its culture");
    }
    Ok(lesson.into_iter().collect())
}

/// Why an earlier batch does not inform this one, before anything of it is read.
fn silent(earlier: &Batch, batch: &Batch, zone: &TimeZone) -> Option<String> {
    if earlier.culture.is_none() || earlier.culture != batch.culture {
        let named = |batch: &Batch| {
            let culture = batch.culture.as_ref();
            culture.map_or_else(|| "no culture".to_owned(), |culture| format!("`{culture}`"))
        };
        return Some(format!(
            "it was made with {}, not {}",
            named(earlier),
            named(batch)
        ));
    }
    (earlier.bottled_at >= batch.bottled_at).then(|| {
        format!(
            "it was bottled {}, not before {}",
            local(earlier.bottled_at, zone),
            local(batch.bottled_at, zone)
        )
    })
}

/// The notes of a batch's folder, in order of time; none if there is no such file. Bad lines are told.
fn noted(notes: &Path) -> Result<Vec<Note>, Ended> {
    let mut noted = Vec::new();
    if notes.exists() {
        let file = File::open(notes).map_err(|error| unread(notes, &error))?;
        for note in decode::notes::lines(BufReader::new(file)) {
            match note {
                Ok(note) => noted.push(note),
                Err(bad) => eprintln!("{}: {bad}", notes.display()),
            }
        }
    }
    let mut noted = counting(noted);
    noted.sort_by_key(|note| note.at);
    Ok(noted)
}

fn unread(path: &Path, error: &std::io::Error) -> Ended {
    Ended::Failed(format!("{} cannot be read: {error}", path.display()))
}

/// The engine behind all rows of a batch's folder.
pub(super) fn of_files(batch: Batch, folder: &Path, config: &Config) -> Result<Monitor, Ended> {
    let (rows, notes) = rows_and_notes(folder, config)?;
    let settings = config.settings(ClockSource::Readings);
    Ok(gone_over(batch, rows, notes, settings, &mut |_| None))
}

/// The readings and notes of a batch's folder; bad lines are told.
pub(super) fn rows_and_notes(folder: &Path, config: &Config) -> Result<(Vec<Reading>, Vec<Note>), Ended> {
    let (readings, notes) = (folder.join(READINGS), noted(&folder.join(NOTES))?);
    let file = File::open(&readings).map_err(|error| unread(&readings, &error))?;
    let rows = decode::csv::rows(BufReader::new(file), &config.calibrations)
        .map_err(|bad| Ended::Refused(format!("{}: {bad}", readings.display())))?;
    let sound = rows.filter_map(|row| {
        row.inspect_err(|bad| eprintln!("{}: {bad}", readings.display()))
            .ok()
    });
    Ok((sound.collect(), notes))
}

/// The same with fits on the way: for what is asked of the posterior at the end.
pub(super) fn of_files_led(batch: Batch, folder: &Path, config: &Config) -> Result<Monitor, Ended> {
    let (rows, notes) = rows_and_notes(folder, config)?;
    let settings = config.settings(ClockSource::Readings);
    Ok(led(batch, rows, &notes, settings, None))
}

fn of_record(path: &Path, batch: &Batch) -> Result<Vec<Lesson>, Ended> {
    let mut found = Vec::new();
    for (line, lesson) in records(path)? {
        match lesson.silent_for(batch) {
            None => found.push(lesson),
            Some(why) => skipped(path, &format!("line {line}, {}: {why}", lesson.batch)),
        }
    }
    Ok(found)
}

/// Records of cultures in a file with their lines, one a line or one over several; records of other kinds are passed over.
pub(super) fn records(path: &Path) -> Result<Vec<(usize, Lesson)>, Ended> {
    let text = read(path)?;
    let refused = |line: usize, why: &dyn std::fmt::Display| {
        Ended::Refused(format!(
            "{}, line {line}: {}",
            path.display(),
            plain::line(&why.to_string(), 300)
        ))
    };
    let whole = path.extension().is_some_and(|ending| ending == "json");
    let pieces: Vec<(usize, &str)> = if whole {
        vec![(1, text.as_str())]
    } else {
        (1..).zip(text.lines()).collect()
    };
    let mut found = Vec::new();
    for (line, piece) in pieces {
        if piece.trim().is_empty() {
            continue;
        }
        let at = |error: &serde_json::Error| line + error.line().saturating_sub(1);
        let value: serde_json::Value =
            serde_json::from_str(piece).map_err(|error| refused(at(&error), &error))?;
        if value.get("record").is_some_and(|record| record == DIARY) {
            // Of a culture's diary, what its proofs taught.
            let entry: DiaryEntry = serde_json::from_value(value).map_err(|error| refused(line, &error))?;
            found.extend(entry.lesson.map(|lesson| (line, lesson)));
            continue;
        }
        if value.get("record").is_none() {
            return Err(refused(
                line,
                &"`record` is missing; allowed: \"culture\" for what a batch taught, \"diary\" for an entry of a culture's diary; lines of \
                  other records are passed over",
            ));
        }
        if value.get("record").is_some_and(|record| record != "culture") && !whole {
            continue;
        }
        let lesson: Lesson = serde_json::from_value(value).map_err(|error| refused(line, &error))?;
        found.push((line, lesson));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_does_not_tell_its_record_is_told_which_there_are() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("jars.jsonl");
        let line = r#"{"culture":"jar two","time":"2026-03-01T08:00:00Z","deed":"fed"}"#;
        std::fs::write(&path, format!("{{\"record\":\"forecast\"}}\n{line}\n")).unwrap();
        let why = records(&path).unwrap_err().to_string();
        assert!(why.contains("line 2: `record` is missing"), "{why}");
        assert!(why.contains("\"diary\""), "{why}");
        std::fs::write(&path, line.replacen('{', "{\"record\":\"diary\",", 1)).unwrap();
        assert_eq!(records(&path).unwrap(), []);
    }
}
