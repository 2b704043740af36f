//! One process to a data folder.

use std::{
    fs::{File, OpenOptions, TryLockError},
    io::{Read, Seek, SeekFrom, Write},
    path::Path,
};

use super::StoreError;

const NAME: &str = "fobwatch.lock";

/// Held while a process may write to the folder. The operating system lets go of it when the process ends, however
/// it ends, so no stale lock stays behind.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    pub(super) fn take(folder: &Path) -> Result<Self, StoreError> {
        let refused = |source| StoreError::Folder {
            folder: folder.to_owned(),
            source,
        };
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(folder.join(NAME))
            .map_err(refused)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let known = file.read_to_string(&mut holder).is_ok() && !holder.trim().is_empty();
                return Err(StoreError::Locked {
                    folder: folder.to_owned(),
                    holder: if known {
                        holder.trim().to_owned()
                    } else {
                        "unknown".to_owned()
                    },
                });
            }
            Err(TryLockError::Error(source)) => return Err(refused(source)),
        }
        file.set_len(0).map_err(refused)?;
        file.seek(SeekFrom::Start(0)).map_err(refused)?;
        writeln!(file, "{}", std::process::id()).map_err(refused)?;
        Ok(Self { _file: file })
    }
}
