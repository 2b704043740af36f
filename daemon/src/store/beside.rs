//! Small files that stand beside the store in the data folder and belong into its backup.

use std::{fs, io, path::Path};

use rusqlite::{Connection, OptionalExtension, params};

use super::StoreError;
use crate::config::zero;

/// What hubs of home automation were told of.
pub(crate) const ANNOUNCED: &str = "announced.json";

/// All of them: nothing else is ever written into a data folder.
const FILES: &[&str] = &[zero::FILE, ANNOUNCED];

/// Puts the files of `folder` into the copy of its store.
pub(super) fn pack(folder: &Path, copy: &Connection) -> Result<(), StoreError> {
    for name in FILES {
        match fs::read_to_string(folder.join(name)) {
            Ok(text) => {
                copy.execute(
                    "INSERT OR REPLACE INTO beside (name, text) VALUES (?1, ?2)",
                    params![name, text],
                )?;
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(source) => return Err(unusable(folder, source)),
        }
    }
    Ok(())
}

/// Whether there is anything to pack.
pub(super) fn is_any(folder: &Path) -> bool {
    FILES.iter().any(|name| folder.join(name).exists())
}

/// Takes them out of a backup that was put into `folder`. One that is there already is newer, and stays.
pub(super) fn unpack(folder: &Path, store: &Connection) -> Result<(), StoreError> {
    for name in FILES {
        let text: Option<String> = store
            .query_row("SELECT text FROM beside WHERE name = ?1", [name], |row| {
                row.get(0)
            })
            .optional()?;
        let Some(text) = text else { continue };
        if !folder.join(name).exists() {
            write(folder, name, &text).map_err(|source| unusable(folder, source))?;
        }
        // Only now: whoever is interrupted before does it again.
        store.execute("DELETE FROM beside WHERE name = ?1", [name])?;
    }
    Ok(())
}

/// Writes a file beside the store of `folder`: whole or not at all.
///
/// # Errors
/// It cannot be written.
pub(crate) fn write(folder: &Path, name: &str, text: &str) -> io::Result<()> {
    let mut file = tempfile::NamedTempFile::new_in(folder)?;
    io::Write::write_all(&mut file, text.as_bytes())?;
    file.as_file().sync_all()?;
    file.persist(folder.join(name)).map_err(|error| error.error)?;
    fs::File::open(folder)?.sync_all()
}

fn unusable(folder: &Path, source: io::Error) -> StoreError {
    StoreError::Folder {
        folder: folder.to_owned(),
        source,
    }
}
