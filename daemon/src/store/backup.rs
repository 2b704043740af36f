//! A copy of the whole store in one file, made beside a running daemon.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
};

use super::{Store, StoreError, beside, migration, read};

impl Store {
    /// Copies the store in `folder`, as it stands at this moment, into `file`; whoever writes to it goes on meanwhile. The copy
    /// is looked through and on the disk before it gets its name, so `file` is whole or not there. What stands beside the store
    /// and belongs to it, the zeros of gauges, is inside; a [`super::Writer`] puts it back.
    ///
    /// # Errors
    /// There is no store, `file` is there already or cannot be written, or the copy does not hold together.
    pub fn back_up(folder: &Path, file: &Path) -> Result<(), StoreError> {
        let failed = |why: String| StoreError::Backup {
            file: file.to_owned(),
            why,
        };
        if file.exists() {
            return Err(failed(
                "something of that name is there already; allowed: a new name".to_owned(),
            ));
        }
        let connection = read::open_read_only(folder)?;
        let mut part = file.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        let Some(name) = part.to_str() else {
            return Err(failed("its path is not UTF-8 text".to_owned()));
        };
        match fs::remove_file(&part) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(failed(error.to_string()));
            }
            _ => {}
        }
        let copied = connection
            .execute("VACUUM INTO ?1", [name])
            .map_err(|error| error.to_string())
            .and_then(|_| pack(folder, &part))
            .and_then(|()| sound(&part))
            .and_then(|()| settle(&part, file).map_err(|error| error.to_string()));
        copied.map_err(|why| {
            fs::remove_file(&part).ok();
            failed(why)
        })
    }
}

/// Only a copy that holds something more than the store is written to: one of an earlier layout gets the present one then.
fn pack(folder: &Path, part: &Path) -> Result<(), String> {
    if !beside::is_any(folder) {
        return Ok(());
    }
    let packed = rusqlite::Connection::open(part)
        .map_err(StoreError::from)
        .and_then(|mut copy| {
            copy.pragma_update(None, "journal_mode", "DELETE")?;
            migration::migrate(&mut copy)?;
            beside::pack(folder, &copy)?;
            copy.close().map_err(|(_, error)| StoreError::from(error))
        });
    packed.map_err(|error| error.to_string())
}

/// Reads every page of the copy.
fn sound(file: &Path) -> Result<(), String> {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let said: Result<String, rusqlite::Error> = rusqlite::Connection::open_with_flags(file, flags)
        .and_then(|copy| copy.query_row("PRAGMA integrity_check", [], |row| row.get(0)));
    match said {
        Ok(said) if said == "ok" => Ok(()),
        Ok(said) => Err(format!("the copy does not hold together: {said}")),
        Err(error) => Err(error.to_string()),
    }
}

/// Onto the disk, then to its name.
fn settle(part: &Path, file: &Path) -> std::io::Result<()> {
    File::open(part)?.sync_all()?;
    fs::rename(part, file)?;
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}
