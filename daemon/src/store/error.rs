//! What can go wrong in the store.

use std::{io, path::PathBuf};

use rusqlite::ErrorCode;

/// Why the store could not do what was asked. Nothing of a refused write is kept: a write is whole or absent.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process holds the folder.
    #[error(
        "the data folder {} is in use by another fobwatch (process {holder}); stop it or choose another folder with --data",
        folder.display()
    )]
    Locked {
        /// The folder.
        folder: PathBuf,
        /// Who holds it, as the lock file says.
        holder: String,
    },
    /// The folder or a file in it cannot be used.
    #[error("the data folder {} cannot be used: {source}", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A backup could not be made, or does not hold together.
    #[error("the backup {} was not made: {why}", file.display())]
    Backup {
        /// The file it was to be.
        file: PathBuf,
        /// What went wrong.
        why: String,
    },
    /// The disk is full: nothing was stored, and nothing may be acknowledged.
    #[error("the disk that holds the data folder is full; nothing was stored")]
    Full,
    /// The disk takes no writing: nothing was stored, and nothing may be acknowledged.
    #[error("the disk that holds the data folder cannot be written to; nothing was stored")]
    ReadOnly,
    /// The store takes nothing for the moment; the same may be asked again later.
    #[error("nothing can be stored for now, so this was not: {why}")]
    Waiting {
        /// What the store said.
        why: String,
    },
    /// The file was written by a later fobwatch.
    #[error("the store has layout {found}; this fobwatch knows layouts up to {known}: use the later one")]
    LaterLayout {
        /// Layout of the file.
        found: i64,
        /// The latest that this program knows.
        known: i64,
    },
    /// A live batch has that name, or one whose slug is the same.
    #[error("a live batch already answers to `{name}`; allowed: a name that no live batch has")]
    NameTaken {
        /// The name.
        name: String,
    },
    /// No such batch.
    #[error("no live batch is named `{name}`")]
    NoSuchBatch {
        /// The name.
        name: String,
    },
    /// Somebody else was quicker.
    #[error(
        "the entries of `{name}` were corrected by somebody else meanwhile; look at them, and correct them again"
    )]
    Changed {
        /// The batch.
        name: String,
    },
    /// A number that is no number, or a time outside the calendar.
    #[error("{what} cannot be stored: it is not finite")]
    NotFinite {
        /// Which value.
        what: String,
    },
    /// Something in the file does not read back.
    #[error("the store holds {what} that cannot be read back: {why}")]
    Unreadable {
        /// What it was.
        what: &'static str,
        /// Why not.
        why: String,
    },
    /// The writer has stopped.
    #[error("the store is closed")]
    Closed,
    /// Any other complaint of the database.
    #[error("the store failed: {0}")]
    Database(rusqlite::Error),
}

impl StoreError {
    /// Whether the same write may succeed later without anyone touching the program.
    #[must_use]
    pub fn is_transient(&self) -> bool {
        match self {
            Self::Full | Self::ReadOnly | Self::Waiting { .. } => true,
            Self::Database(error) => matches!(
                error.sqlite_error_code(),
                Some(
                    ErrorCode::DatabaseBusy
                        | ErrorCode::DatabaseLocked
                        | ErrorCode::SystemIoFailure
                        | ErrorCode::CannotOpen
                )
            ),
            _ => false,
        }
    }

    /// A short name for counters: one of a fixed few.
    #[must_use]
    pub fn reason(&self) -> &'static str {
        match self {
            Self::Locked { .. } => "locked",
            Self::Folder { .. } => "folder",
            Self::Backup { .. } => "backup",
            Self::Full => "disk_full",
            Self::ReadOnly => "read_only",
            Self::Waiting { .. } => "waiting",
            Self::LaterLayout { .. } => "later_layout",
            Self::NameTaken { .. } => "name_taken",
            Self::NoSuchBatch { .. } => "no_such_batch",
            Self::Changed { .. } => "changed",
            Self::NotFinite { .. } => "not_finite",
            Self::Unreadable { .. } => "unreadable",
            Self::Closed => "closed",
            Self::Database(_) => "database",
        }
    }
}

impl From<rusqlite::Error> for StoreError {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full,
            Some(ErrorCode::ReadOnly) => Self::ReadOnly,
            _ => Self::Database(error),
        }
    }
}
