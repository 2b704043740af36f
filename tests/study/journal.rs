//! What has been played, one JSON line for each part and batch, so that a study that was stopped goes on where it was.

use std::{
    collections::BTreeMap,
    fs::{File, OpenOptions},
    io::Write,
    path::Path,
    sync::{Mutex, PoisonError},
};

use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::Value;

/// Changes whenever the meaning of a line does.
const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
struct Line {
    made_by: String,
    part: String,
    seed: u64,
    /// `null`: the batch is not one of those that the part asks for.
    played: Value,
}

/// Why a journal cannot be gone on with.
#[derive(Debug, thiserror::Error)]
pub(crate) enum BadJournal {
    /// The file.
    #[error("failed to use {path}: {why}")]
    File {
        /// Which.
        path: String,
        /// Why.
        why: std::io::Error,
    },
    /// Another build wrote it.
    #[error(
        "{path}, line {line}: played by another build of this program ({given}; this one is {allowed}). Give another --out, \
         or --any-build to take its lines as they are"
    )]
    OtherBuild {
        /// Which file.
        path: String,
        /// Which line.
        line: usize,
        /// Who wrote it.
        given: String,
        /// Who reads it.
        allowed: String,
    },
}

/// The file of lines.
pub(crate) struct Journal {
    made_by: String,
    known: BTreeMap<(String, u64), Value>,
    file: Mutex<File>,
    path: String,
}

/// Whose lines are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Builds {
    /// Those of this very program.
    This,
    /// Those of any.
    Any,
}

impl Journal {
    /// Opens or begins the journal of a folder.
    ///
    /// # Errors
    /// The file cannot be read or written, or another build wrote it.
    pub(crate) fn open(folder: &Path, builds: Builds) -> Result<Self, BadJournal> {
        let path = folder.join("played.jsonl");
        let name = path.display().to_string();
        let bad = |why| BadJournal::File {
            path: name.clone(),
            why,
        };
        let made_by = this_build().map_err(bad)?;
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(why) if why.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(why) => return Err(bad(why)),
        };
        let mut known = BTreeMap::new();
        for (number, line) in (1..).zip(text.lines()) {
            // A line that was cut off when the study was stopped is played again.
            let Ok(line) = serde_json::from_str::<Line>(line) else {
                continue;
            };
            if builds == Builds::This && line.made_by != made_by {
                return Err(BadJournal::OtherBuild {
                    path: name,
                    line: number,
                    given: line.made_by,
                    allowed: made_by,
                });
            }
            known.insert((line.part, line.seed), line.played);
        }
        let mut file = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(bad)?;
        if !text.is_empty() && !text.ends_with('\n') {
            file.write_all(b"\n").map_err(bad)?;
        }
        Ok(Self {
            made_by,
            known,
            file: Mutex::new(file),
            path: name,
        })
    }

    /// What was played before; the inner `None`: not one of those that the part asks for.
    pub(crate) fn known<T: DeserializeOwned>(&self, part: &str, seed: u64) -> Option<Option<T>> {
        let value = self.known.get(&(part.to_owned(), seed))?;
        serde_json::from_value(value.clone()).ok()
    }

    /// All plays of a part, by seed.
    pub(crate) fn all<T: DeserializeOwned>(&self, part: &str) -> Vec<(u64, T)> {
        let of_part = self.known.iter().filter(|((known, _), _)| known == part);
        let read = of_part.filter_map(|((_, seed), value)| {
            let play: Option<T> = serde_json::from_value(value.clone()).ok()?;
            Some((*seed, play?))
        });
        read.collect()
    }

    /// Keeps a play.
    ///
    /// # Errors
    /// The file cannot be written.
    pub(crate) fn keep<T: Serialize>(
        &self,
        part: &str,
        seed: u64,
        played: Option<&T>,
    ) -> Result<(), BadJournal> {
        let bad = |why| BadJournal::File {
            path: self.path.clone(),
            why,
        };
        let line = Line {
            made_by: self.made_by.clone(),
            part: part.to_owned(),
            seed,
            played: serde_json::to_value(played).map_err(|why| bad(why.into()))?,
        };
        let mut text = serde_json::to_string(&line).map_err(|why| bad(why.into()))?;
        text.push('\n');
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.write_all(text.as_bytes()).map_err(bad)
    }
}

/// The version of the lines and the bytes of this very program (FNV-1a, 64 bit): another fit, another simulator or another
/// setting is another program.
fn this_build() -> std::io::Result<String> {
    let bytes = std::fs::read(std::env::current_exe()?)?;
    let hash = bytes.iter().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    });
    Ok(format!("{VERSION}-{hash:016x}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_known_again_and_a_cut_line_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let journal = Journal::open(folder.path(), Builds::This).unwrap();
        journal.keep("forecast", 7, Some(&vec![1.5])).unwrap();
        journal.keep::<Vec<f64>>("forecast", 8, None).unwrap();
        let path = folder.path().join("played.jsonl");
        let mut text = std::fs::read_to_string(&path).unwrap();
        text.push_str("{\"made_by\":\"");
        std::fs::write(&path, &text).unwrap();
        let again = Journal::open(folder.path(), Builds::This).unwrap();
        assert_eq!(again.known::<Vec<f64>>("forecast", 7), Some(Some(vec![1.5])));
        assert_eq!(again.known::<Vec<f64>>("forecast", 8), Some(None));
        assert_eq!(again.known::<Vec<f64>>("forecast", 9), None);
        again.keep("forecast", 9, Some(&vec![2.5])).unwrap();
        let third = Journal::open(folder.path(), Builds::This).unwrap();
        assert_eq!(third.known::<Vec<f64>>("forecast", 9), Some(Some(vec![2.5])));
    }

    #[test]
    fn the_lines_of_another_build_are_refused_unless_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("played.jsonl");
        let line = "{\"made_by\":\"0-other\",\"part\":\"forecast\",\"seed\":7,\"played\":[1.5]}\n";
        std::fs::write(&path, line).unwrap();
        let refused = Journal::open(folder.path(), Builds::This)
            .err()
            .unwrap()
            .to_string();
        assert!(
            refused.contains("line 1") && refused.contains("0-other"),
            "{refused}"
        );
        let journal = Journal::open(folder.path(), Builds::Any).unwrap();
        assert_eq!(journal.known::<Vec<f64>>("forecast", 7), Some(Some(vec![1.5])));
    }
}
