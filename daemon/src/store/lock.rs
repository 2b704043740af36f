//! One process to a data folder.

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::{self, Read, Seek, SeekFrom, Write},
    net::SocketAddr,
    path::Path,
};

use super::StoreError;

const NAME: &str = "fobwatch.lock";

/// Held while a process may write to the folder. The operating system lets go of it when the process ends, however
/// it ends, so no stale lock stays behind. Its file says who holds it, or held it last: the process and, once it serves
/// one, its address.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
}

/// The address that the holder of the folder serves, or that the last one served; nobody may be there any more.
pub(super) fn address(folder: &Path) -> Option<SocketAddr> {
    let text = fs::read_to_string(folder.join(NAME)).ok()?;
    text.lines().nth(1)?.parse().ok()
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
                let read = file.read_to_string(&mut holder).is_ok();
                let process = holder.lines().next().map(str::trim).unwrap_or_default();
                let known = read && !process.is_empty();
                return Err(StoreError::Locked {
                    folder: folder.to_owned(),
                    holder: if known { process } else { "unknown" }.to_owned(),
                });
            }
            Err(TryLockError::Error(source)) => return Err(refused(source)),
        }
        let mut lock = Self { file };
        lock.say(None).map_err(refused)?;
        Ok(lock)
    }

    /// Says in the file who holds it, and where it can be asked.
    pub(super) fn say(&mut self, address: Option<SocketAddr>) -> io::Result<()> {
        self.file.set_len(0)?;
        self.file.seek(SeekFrom::Start(0))?;
        writeln!(self.file, "{}", std::process::id())?;
        if let Some(address) = address {
            writeln!(self.file, "{address}")?;
        }
        Ok(())
    }
}
